// The season: what the soil supplies each day against what the crop asks, and the days of spreading.

import { byId, day, makeSvg, monthName, percent, rate, rateShown, reader } from "./units.js";

const [WIDTH, HEIGHT, LEFT, RIGHT, TOP, BOTTOM] = [640, 260, 46, 12, 34, 26];
const DAY_MS = 86_400_000;
const time = (iso) => Date.parse(`${iso}T00:00:00Z`);

export function drawSeason(nutrient, zone, applications) {
  const svg = byId("season-plot");
  svg.replaceChildren();
  svg.setAttribute("viewBox", `0 0 ${WIDTH} ${HEIGHT}`);
  if (!nutrient) {
    byId("season-said").textContent = "No nutrient here has a demand that is known day by day.";
    return;
  }
  const band = nutrient.supply[zone] ?? nutrient.supply[0];
  const days = nutrient.demand.length;
  const supply = [0, 1, 2].map((row) => nutrient.response.map((factor) => factor * band[row]));
  const largest = Math.max(...nutrient.demand);
  const top = 1.12 * Math.max(largest, Math.min(Math.max(...supply[2]), 2.5 * largest)) || 1;
  const x = (index) => LEFT + ((WIDTH - LEFT - RIGHT) * index) / Math.max(days - 1, 1);
  const y = (kgHa) => HEIGHT - BOTTOM - (HEIGHT - BOTTOM - TOP) * Math.min(kgHa / top, 1);
  const path = (values) => values.map((value, index) => `${index ? "L" : "M"}${x(index).toFixed(1)} ${y(value).toFixed(1)}`).join("");
  const between = (upper, lower) => `${path(upper)}${[...lower].map((v, i) => [v, i]).reverse().map(([v, i]) => `L${x(i).toFixed(1)} ${y(v).toFixed(1)}`).join("")}Z`;
  const lacking = nutrient.demand.map((asked, index) => Math.max(asked, supply[1][index]));
  svg.append(
    makeSvg("path", { class: "band", d: between(supply[2], supply[0]) }),
    makeSvg("path", { class: "lack", d: between(lacking, supply[1]) }),
    makeSvg("path", { class: "middle", d: path(supply[1]) }),
    makeSvg("path", { class: "demand", d: path(nutrient.demand) }),
    makeSvg("path", { class: "axis", d: `M${LEFT} ${TOP}V${HEIGHT - BOTTOM}H${WIDTH - RIGHT}` }),
  );
  for (const share of [0, 0.5, 1]) {
    const value = (share * top) / 1.12;
    svg.append(makeSvg("text", { x: LEFT - 6, y: y(value) + 4, "text-anchor": "end" }, rateShown(value)));
  }
  svg.append(makeSvg("text", { x: 4, y: 14 }, `${reader().rate_unit} a day: line, demand; band, supply; filled, short in the middle`));
  const first = time(nutrient.first_day);
  for (let index = 0; index < days; index += 1) {
    const on = new Date(first + index * DAY_MS);
    if (on.getUTCDate() === 1) svg.append(makeSvg("text", { x: x(index) + 2, y: HEIGHT - 8 }, monthName(on.getUTCMonth())));
  }
  markDays(svg, applications.filter((a) => a.on && a.feeds.includes(nutrient.name)), { first, days, x });
  say(nutrient, zone, band);
}

function markDays(svg, applications, { first, days, x }) {
  const byDay = Map.groupBy ? Map.groupBy(applications, (a) => a.on) : grouped(applications);
  for (const [on, spread] of byDay) {
    const index = (time(on) - first) / DAY_MS;
    if (index < 0 || index > days - 1) continue;
    svg.append(makeSvg("path", { class: "day", d: `M${x(index)} ${TOP - 6}V${HEIGHT - BOTTOM}` }));
    const names = `${day(on)}: ${spread.map((a) => a.product).join(", ")}`;
    const late = index > 0.6 * days;
    svg.append(makeSvg("text", { x: x(index) + (late ? -4 : 4), y: TOP - 6 + 12 * (byDay.size > 1 && late ? 1 : 0), "text-anchor": late ? "end" : "start" }, names));
  }
}

function grouped(applications) {
  const found = new Map();
  for (const application of applications) found.set(application.on, [...(found.get(application.on) ?? []), application]);
  return found;
}

function say(nutrient, zone, band) {
  const where = zone === 0 ? "The field" : `Zone ${zone}`;
  const said = [
    `${where}: supply of ${nutrient.name} ${rate(band[1])} a day, 8 in 10 between ${rateShown(band[0])} and ${rateShown(band[2])}; it meets ${percent(nutrient.share_of_season[zone] ?? nutrient.share_of_season[0])} of the season's demand.`,
  ];
  if (nutrient.first_short_day) said.push(`A tenth of the field is short from ${day(nutrient.first_short_day)}.`);
  if (nutrient.spread_by) said.push(`Last day of spreading that helps from then on: ${day(nutrient.spread_by)}.`);
  byId("season-said").textContent = said.join(" ");
}
