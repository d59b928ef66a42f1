// The table of rates, beside the map and equal to it: every rate is an input, every zone can be picked.

import { area, byId, day, make, mass, percent, rate, rateNumber, rateShown, reader } from "./units.js";

export const named = (application) => `${application.product}${application.on ? `, ${day(application.on)}` : ""}`;

export function drawZones(state, picked, { onPick, onRate }) {
  const table = byId("zones");
  // where the reader was, so that drawing anew does not throw them out of the table
  const held = table.contains(document.activeElement) ? document.activeElement.id : "";
  const heads = state.applications.map((a) => make("th", { scope: "col" }, named(a), make("br"), reader().rate_unit));
  table.tHead.replaceChildren(
    make("tr", {}, make("th", { scope: "col" }, "Zone"), make("th", { scope: "col" }, "Area"), ...heads, make("th", { scope: "col" }, "Sure")),
  );
  table.tBodies[0].replaceChildren(...state.zones.map((zone) => zoneRow(zone, state, picked, { onPick, onRate })));
  const totals = state.applications.map((a) => make("td", {}, mass(a.total_kg)));
  const spread = state.zones.reduce((sum, zone) => sum + zone.spread_ha, 0);
  table.tFoot.replaceChildren(
    make("tr", {}, make("th", { scope: "row" }, "In all"), make("td", {}, area(spread)), ...totals, make("td", {})),
  );
  if (held) byId(held)?.focus();
}

function zoneRow(zone, state, picked, { onPick, onRate }) {
  const number = zone.zone;
  const box = make("input", { type: "checkbox", id: `pick-${number}`, "aria-label": `pick zone ${number}` });
  box.checked = picked.has(number);
  box.addEventListener("change", () => onPick(number, box.checked));
  const row = make("tr", { class: picked.has(number) ? "picked" : false });
  row.append(make("th", { scope: "row" }, box, ` ${number}`), make("td", {}, area(zone.spread_ha)));
  state.applications.forEach((application, index) => row.append(rateCell(application, index, zone, onRate)));
  row.append(make("td", {}, zone.certainty === null ? "" : percent(zone.certainty)));
  return row;
}

function rateCell(application, index, zone, onRate) {
  const number = zone.zone;
  const now = application.rates[number - 1];
  const planned = application.planned[number - 1];
  const byHand = application.by_hand[number - 1];
  const input = make("input", {
    type: "number",
    id: `rate-${index}-${number}`,
    min: 0,
    step: "any",
    "aria-label": `${named(application)}, zone ${number}, ${reader().rate_unit}${byHand ? ", set by hand" : ""}`,
  });
  input.value = rateNumber(now);
  input.addEventListener("change", () => {
    const wished = Number(input.value);
    if (input.value === "" || !Number.isFinite(wished) || wished < 0) input.value = rateNumber(now);
    else onRate(application, number, wished * reader().kg_ha_per_rate);
  });
  input.addEventListener("keydown", (event) => {
    if (event.key === "Escape") input.value = rateNumber(now);
  });
  const cell = make("td", { class: byHand ? "rate by-hand" : "rate" }, input);
  if (byHand) {
    const back = make("button", { type: "button", class: "back", "aria-label": `${named(application)}, zone ${number}: back to the plan, ${rate(planned)}` }, "↺");
    back.addEventListener("click", () => onRate(application, number, null));
    cell.append(back, make("span", { class: "tag" }, `by hand; plan ${rateShown(planned)}`));
  }
  return cell;
}

function whyOf(zone, state, behind) {
  const spread = new Set(state.applications.filter((a) => a.rates[zone.zone - 1] > 0).flatMap((a) => a.feeds));
  const needed = zone.need.filter((need) => need.kg_ha > 0);
  const unmet = needed.filter((need) => !spread.has(need.name) && !state.applications.some((a) => a.product === need.name));
  const said = [];
  if (!needed.length) said.push("The soil covers every need at this assurance.");
  if (behind.length) said.push(`What is spread falls behind the crop: ${behind.join("; ")}.`);
  else if (needed.length) said.push("What is spread keeps up with the crop at this assurance.");
  if (unmet.length) said.push(`Nothing spread here holds ${unmet.map((need) => `${need.name} (need ${rate(need.kg_ha)})`).join(", ")}.`);
  return said;
}

const spreadOf = ({ area_ha: whole, spread_ha: spread }) =>
  spread > 0.9995 * whole ? `${area(whole)}, all of it open to spreading.` : `${area(whole)}, of which ${area(spread)} is open to spreading.`;

/** What a zone gets, why, and how sure that is. */
export function drawZone(number, state, season) {
  const zone = state.zones[number - 1];
  if (!zone) return;
  const gets = state.applications
    .filter((a) => a.rates[number - 1] > 0)
    .map((a) => `${named(a)}: ${rate(a.rates[number - 1])}${a.by_hand[number - 1] ? " (by hand)" : ""}`);
  const behind = zone.behind.map((b) => `${b.name} by ${rate(b.kg_ha)}${b.on ? ` on ${day(b.on)}` : ""}`);
  const sure = [];
  if (zone.certainty !== null) sure.push(`${percent(zone.certainty)} of it is likely most like this zone and no other.`);
  else if (state.edited) sure.push("Changed by hand: how likely its cells belong together was judged by you.");
  else sure.push("One zone: there is no other to mistake it for.");
  if (zone.alike.length) sure.push(`The samples cannot tell it from zone ${zone.alike.join(" and ")}.`);
  const facts = [
    ["What", [spreadOf(zone), ...(gets.length ? gets : ["Nothing is spread."])]],
    ["Why", whyOf(zone, state, behind)],
    ["How sure", sure],
  ];
  byId("zone-facts").replaceChildren(
    ...facts.flatMap(([term, lines]) => [make("dt", {}, term), ...lines.map((line) => make("dd", {}, line))]),
  );
  const unit = reader().rate_unit;
  const table = byId("zone-needs");
  table.tHead.replaceChildren(
    make("tr", {}, ...["Nutrient", `Supply a day, ${unit}`, "8 in 10 between", `Need, ${unit}`, "Assurance"].map((text) => make("th", { scope: "col" }, text))),
  );
  table.tBodies[0].replaceChildren(
    ...zone.need.map((need) => {
      const found = season?.nutrients.find((each) => each.name === need.name)?.supply[number];
      return make(
        "tr",
        {},
        make("th", { scope: "row" }, need.name),
        make("td", {}, found ? rateShown(found[1]) : ""),
        make("td", {}, found ? `${rateShown(found[0])} to ${rateShown(found[2])}` : ""),
        make("td", {}, rateShown(need.kg_ha)),
        make("td", {}, percent(need.assurance)),
      );
    }),
  );
}
