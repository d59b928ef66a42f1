// Sums, the value of varying, the record, publishing.

import { byId, digits, inUnits, make, makeSvg, money, perArea, percent, reader } from "./units.js";

const change = (now, then, shown) => {
  if (Math.abs(now - then) < 1e-9 * Math.max(1, Math.abs(then))) return "as planned";
  return `${now > then ? "+" : "−"}${shown(Math.abs(now - then))} against the plan`;
};

export function drawSums(state) {
  const loss = state.priced ? (value) => `${digits(perArea(value))} per ${reader().loss_area_unit}` : (value) => digits(value);
  const sums = [];
  if (state.total.cost !== null) {
    sums.push(["Products and trips cost", money(state.total.cost), change(state.total.cost, state.planned_total.cost ?? 0, money)]);
  }
  sums.push(["Expected loss as spread", loss(state.loss), change(state.loss, state.planned_loss, loss)]);
  sums.push(["Zones", String(state.zones.length), state.edited ? "changed by hand" : state.count === null ? "as planned" : "chosen by hand"]);
  byId("sums").replaceChildren(
    ...sums.map(([name, amount, note]) => make("div", {}, make("span", {}, name), make("strong", {}, amount), make("span", {}, note))),
  );
}

export function drawValue(value, state, field, onCount) {
  const table = byId("value");
  const held = table.contains(document.activeElement) ? document.activeElement.id : "";
  const flat = value.losses.find((each) => each.count === 1)?.loss ?? 0;
  const heads = ["Zones", state.priced ? `Expected loss per ${reader().loss_area_unit}` : "Expected loss", "Saved against one rate", "Loss"];
  table.tHead.replaceChildren(make("tr", {}, ...heads.map((text, n) => make("th", { scope: "col", class: n === 3 ? "words" : false }, text))));
  const now = state.count ?? field.own_count;
  table.tBodies[0].replaceChildren(
    ...value.losses.map(({ count, loss, can_be_chosen: open, alike }) => {
      const radio = make("input", { type: "radio", name: "count", id: `count-${count}`, value: count, disabled: !open });
      radio.checked = count === now && !state.edited;
      radio.addEventListener("change", () => onCount(count));
      const label = make("label", { for: `count-${count}` }, ` ${count}${count === field.own_count ? " (plan)" : ""}`);
      const saved = flat > 0 ? 1 - loss / flat : 0;
      const bar = makeSvg("svg", { viewBox: "0 0 110 12", "aria-hidden": "true" });
      bar.append(makeSvg("rect", { x: 0, y: 1, width: flat > 0 ? (110 * loss) / flat : 0, height: 10 }));
      const pairs = alike.map((pair) => pair.join(" and ")).join("; ");
      return make(
        "tr",
        { class: count === now ? "picked" : false },
        make("th", { scope: "row" }, radio, label),
        make("td", {}, digits(state.priced ? perArea(loss) : loss)),
        make("td", {}, count === 1 ? "" : percent(saved)),
        make("td", { class: "bar-cell words" }, bar, pairs ? make("span", { class: "quiet" }, ` not told apart: ${pairs}`) : ""),
      );
    }),
  );
  if (held) byId(held)?.focus();
}

export function drawAssurance(state, field) {
  const shown = Math.round(100 * state.assurance);
  if (document.activeElement !== byId("assurance") || !byId("assurance").dataset.held) byId("assurance").value = shown;
  byId("assurance-shown").textContent = `${shown}%`;
  const said = [`The field file says ${percent(field.own_assurance)}.`];
  if (field.own_prices.length) said.push(`${field.own_prices.join(", ")}: follows the prices of the field file, not this.`);
  said.push("Zones keep their outlines; rates follow.");
  byId("assurance-said").textContent = said.join(" ");
}

export function drawLog(log) {
  byId("log").replaceChildren(
    ...[...log].reverse().map((line) => {
      const plain = ["undo", "redo", "published"].includes(line.kind);
      const text = inUnits(line.words);
      const words = line.counts || plain ? text : make("s", {}, text);
      const item = make("li", { value: line.number }, words);
      if (!line.counts && !plain) item.append(" (taken back)");
      item.append(make("small", {}, `${line.at.replace("T", " ").replace("Z", " UTC")}${line.why ? `: ${line.why}` : ""}`));
      return item;
    }),
  );
}

export function drawWarnings(warnings) {
  byId("warnings").replaceChildren(...warnings.map((text) => make("li", {}, inUnits(text))));
}

export function drawDetails(details) {
  byId("verdict").textContent = inUnits(details.verdict);
  byId("notes").replaceChildren(...details.notes.map(({ kind, text }) => make("li", { class: kind }, inUnits(text))));
  const driven = details.deliveries.map((each) => `${each.product} ${percent(each.within_tenth)}`);
  byId("spreading").textContent = driven.length ? `Simulated spreading: share of the area within a tenth of its rate: ${driven.join(", ")}.` : "";
}

export function drawPublishing(publishing, revision) {
  const running = publishing.state === "running";
  byId("publish").disabled = running;
  byId("cancel").hidden = !running;
  byId("progress").hidden = !running;
  byId("progress").value = publishing.stages;
  let said = running ? `${publishing.stage} …` : publishing.message;
  if (publishing.state === "done" && revision > publishing.revision) said += " Changed since: publish again.";
  if (byId("publish-said").textContent !== said) byId("publish-said").textContent = said;
}
