// The page: shows what the server says, and asks it for changes. Nothing is decided here.

import { Refused, Unreachable, get, post, raster, takeKey } from "./ask.js";
import { FieldMap } from "./map.js";
import { drawAssurance, drawDetails, drawLog, drawPublishing, drawSums, drawValue, drawWarnings } from "./panels.js";
import { drawSeason } from "./season.js";
import { area, byId, inUnits, make, measured, rate, rateIn, reader, setReaders, setUnits, units } from "./units.js";
import { drawZone, drawZones, named } from "./zones.js";

const page = { field: null, state: null, value: null, season: null, details: null, seasonOf: "", shapesOf: "", layerShown: "", pulse: 0, writing: false };
const picked = new Set();
const map = new FieldMap({ onPick: pickOnMap, onDrawn: useDrawn });
const say = (text) => (byId("said").textContent = text);

// --- talking to the server

function tell(error) {
  if (error instanceof Unreachable) {
    byId("offline").textContent = "The server does not answer. Nothing is saved from here on; start zonemap review again and open its new address.";
    byId("offline").hidden = false;
    return;
  }
  byId("trouble").textContent = error.message;
  byId("trouble").hidden = false;
}

const quietly = (work) => work.catch(tell);

async function change(wanted, { forget = false } = {}) {
  byId("trouble").hidden = true;
  byId("note").hidden = true;
  const why = byId("why").value.trim();
  const body = ["undo", "redo"].includes(wanted.kind) ? wanted : { why, ...wanted };
  try {
    const state = await post("change", { revision: page.state.revision, change: body });
    // before anything is drawn: a zone picked a moment later is picked of the new ones
    if (forget) dropPicks();
    await show(state);
    byId("why").value = "";
    say("Saved.");
    return true;
  } catch (error) {
    tell(error);
    if (error instanceof Refused) await quietly(get("state").then(show));
    return false;
  }
}

// --- showing

async function show(state) {
  const before = page.state;
  // an answer from before the last change may come after it
  if (before && state.revision < before.revision) return;
  page.state = state;
  for (const zone of picked) if (zone > state.zones.length) picked.delete(zone);
  drawTables();
  byId("undo").disabled = state.undo === null;
  byId("redo").disabled = state.redo === null;
  drawWords();
  fillLayers();
  fillZones();
  if (page.shapesOf !== state.shapes) {
    const shapes = await get("shapes");
    // of another change than the last: its own answer shows them
    if (shapes.name !== page.state.shapes) return;
    map.setShapes(shapes);
    page.shapesOf = shapes.name;
  }
  await showLayer(before !== null && before.revision !== state.revision);
  later();
}

/** Texts that hold amounts, and the record. */
function drawWords() {
  const { state } = page;
  byId("undo").title = state.undo ? `Take back: ${inUnits(state.undo)}` : "";
  byId("redo").title = state.redo ? `Make again: ${inUnits(state.redo)}` : "";
  drawLog(state.log);
  if (page.details) drawDetails(page.details);
}

function drawTables() {
  const { state, field } = page;
  drawSums(state);
  drawAssurance(state, field);
  drawZones(state, picked, { onPick: pick, onRate: setRate });
  drawWarnings(state.warnings);
  if (page.value) drawValue(page.value, state, field, chooseCount);
  drawZone(Number(byId("zone").value || 1), state, page.season);
  sayPicked();
}

let waiting = 0;
/** What takes the server longer is asked for once the user rests. */
function later() {
  clearTimeout(waiting);
  waiting = setTimeout(() => quietly(rest()), 60);
}

async function rest() {
  const { revision } = page.state;
  const stale = () => page.state.revision !== revision;
  page.value = await get("value");
  if (stale()) return;
  drawValue(page.value, page.state, page.field, chooseCount);
  page.season = await get("season");
  if (stale()) return;
  fillNutrients();
  showSeason();
  drawZone(Number(byId("zone").value), page.state, page.season);
  clearTimeout(waiting);
  waiting = setTimeout(() => quietly(get("details").then((details) => (stale() ? null : drawDetails((page.details = details))))), 500);
}

function showSeason() {
  const nutrient = page.season?.nutrients.find((each) => each.name === byId("nutrient").value);
  drawSeason(nutrient, picked.size === 1 ? [...picked][0] : Number(byId("zone").value || 0), page.state.applications);
}

// --- the layers of the map

const optionsOf = (title, entries) => make("optgroup", { label: title }, ...entries.map(([value, text]) => make("option", { value }, text)));

function refill(select, content) {
  const value = select.value;
  select.replaceChildren(...content);
  if ([...select.options].some((option) => option.value === value)) select.value = value;
}

function fillLayers() {
  const { state, field } = page;
  const spread = state.applications.map((a) => [`${a.product}|${a.on ?? ""}`, named(a)]);
  const quantities = field.surfaces.map((s) => s.name);
  const short = [...new Set(state.zones[0].need.map((need) => need.name))].filter((name) => quantities.includes(name));
  const groups = [
    ["Rates", spread.map(([key, text]) => [`rates:${key}`, text])],
    ["Zones", [["zones:", "zones"], ["certainty:", "how sure a cell is of its zone"]]],
    ["Supply", quantities.map((q) => [`supply:${q}`, `${q}, mean`])],
    ["Uncertainty", quantities.map((q) => [`uncertainty:${q}`, `${q}, standard deviation`])],
    ["Shortfall at the assurance", short.map((q) => [`shortfall:${q}`, q])],
    ["Delivered, simulated", spread.map(([key, text]) => [`delivered:${key}`, text])],
  ];
  refill(byId("layer"), groups.filter(([, entries]) => entries.length).map(([title, entries]) => optionsOf(title, entries)));
}

async function showLayer(changed) {
  const [kind, ...rest] = byId("layer").value.split(":");
  const name = rest.join(":");
  const { state } = page;
  if (kind === "rates") {
    const application = state.applications.find((a) => `${a.product}|${a.on ?? ""}` === name);
    if (application) map.showRates(application.rates, named(application));
  } else if (kind) {
    const fixed = kind === "supply" || kind === "uncertainty";
    const key = `${kind}:${name}:${units()}:${fixed ? "" : state.revision}`;
    if (changed && fixed && key === page.layerShown) return;
    page.layerShown = key;
    const cells = await raster(kind, name);
    if (page.layerShown === key) await map.showCells(cells, lookOf(kind, name, cells));
    return;
  }
  page.layerShown = "";
}

function lookOf(kind, name, cells) {
  const surface = page.field.surfaces.find((each) => each.name === name);
  const rateLook = { factor: 1 / reader().kg_ha_per_rate, unit: reader().rate_unit, palette: "rates" };
  if (kind === "zones") return { title: "zone", unit: "", ends: [1, Math.max(page.state.zones.length, 2)], steps: ["1", String(page.state.zones.length)] };
  if (kind === "certainty") return { title: "likely to stay in its zone", unit: "%", factor: 100, ends: [0, 1] };
  if (kind === "shortfall") return { title: `${name} lacking`, ...rateLook };
  if (kind === "delivered") return { title: `${name.split("|")[0]} delivered`, ...rateLook };
  const [factor, unit] = measured(surface.unit);
  const found = surface.structure === "found";
  const title = kind === "supply" ? `${name} supply` : `${name}, standard deviation`;
  if (found) return { title, unit, factor };
  // no pattern was found: colours from end to end would show one
  const middle = cells.find((value) => value === value) ?? 0;
  return { title: `${title}: no pattern found`, unit, factor, ends: [0, 2 * middle || 1] };
}

// --- picking, and the zone that is told about

function fillZones() {
  const options = page.state.zones.map((zone) => make("option", { value: zone.zone }, String(zone.zone)));
  refill(byId("zone"), options);
}

function fillNutrients() {
  refill(byId("nutrient"), page.season.nutrients.map((each) => make("option", { value: each.name }, each.name)));
}

function pick(zone, on) {
  if (on) picked.add(zone);
  else picked.delete(zone);
  if (on) byId("zone").value = zone;
  map.setPicked(new Set(picked));
  drawTables();
  showSeason();
}

function pickOnMap(zone) {
  pick(zone, !picked.has(zone));
  say(picked.has(zone) ? `Zone ${zone} picked.` : `Zone ${zone} not picked.`);
}

function sayPicked() {
  const zones = [...picked].sort((a, b) => a - b);
  byId("picked").textContent = zones.length ? `Picked: zone ${zones.join(", ")}.` : "Pick zones in the table or on the map first.";
  byId("merge").disabled = zones.length < 2;
  for (const id of ["split", "split-draw", "move-draw"]) byId(id).disabled = zones.length !== 1;
}

const only = () => [...picked][0];

function dropPicks() {
  picked.clear();
  map.setPicked(new Set());
}

const reshape = (wanted) => change(wanted, { forget: true });

// --- changes

async function setRate(application, zone, kgHa) {
  const { product, on } = application;
  const saved = await change({ kind: "rate", zone, product, on, rate_kg_ha: kgHa });
  const given = page.state.applications.find((a) => a.product === product && a.on === on)?.rates[zone - 1];
  if (!saved || kgHa === null || given === undefined || rate(given) === rate(kgHa)) return;
  const { units: own } = page.field;
  const why = page.field.tiny ? "" : `: the file for the controller is in ${reader(own).rate_unit}`;
  const file = own === units() ? "" : ` (${rateIn(own, given)}${why})`;
  byId("note").textContent = `${product}, zone ${zone}: set to ${rate(given)}${file}, the nearest the spreader can do.`;
  byId("note").hidden = false;
}

function chooseCount(count) {
  quietly(reshape({ kind: "zones", count: count === page.field.own_count ? null : count }));
}

function useDrawn(purpose, places) {
  if (purpose === "split") quietly(reshape({ kind: "split", zone: only(), line: places }));
  if (purpose === "move") quietly(reshape({ kind: "move", to: only(), polygon: places }));
  if (purpose === "close") quietly(close(places));
}

async function close(polygon) {
  if (!byId("why").value.trim()) {
    tell(new Error("Write the reason first: the operator reads it."));
    byId("why").focus();
    return;
  }
  await change({ kind: "close", polygon });
}

function circle([east, north], radius) {
  return Array.from({ length: 48 }, (_, k) => [east + radius * Math.cos((k * Math.PI) / 24), north + radius * Math.sin((k * Math.PI) / 24)]);
}

// --- the slider: answers follow while it moves, the last one is kept

let asking = false;
let wish = null;
async function follow() {
  if (asking) return;
  asking = true;
  try {
    while (wish !== null) {
      const wanted = wish;
      wish = null;
      const answer = await post("preview", { assurance: wanted });
      if (!byId("assurance").dataset.held) break;
      page.state = { ...page.state, ...answer };
      drawSums(page.state);
      drawZones(page.state, picked, { onPick: pick, onRate: setRate });
      const [kind, ...rest] = byId("layer").value.split(":");
      const spread = page.state.applications.find((a) => `${a.product}|${a.on ?? ""}` === rest.join(":"));
      if (kind === "rates" && spread) map.showRates(spread.rates, named(spread));
    }
  } catch (error) {
    tell(error);
  } finally {
    asking = false;
  }
}

// --- publishing, and what other windows do

async function beat() {
  try {
    const { revision, publishing } = await get("pulse");
    byId("offline").hidden = true;
    const running = publishing.state === "running";
    const ended = page.writing && !running;
    page.writing = running;
    drawPublishing(publishing, revision);
    if ((ended || revision !== page.state.revision) && !byId("assurance").dataset.held) await show(await get("state"));
    page.pulse = setTimeout(beat, running ? 250 : 2000);
  } catch (error) {
    tell(error);
    page.pulse = setTimeout(beat, 3000);
  }
}

function beatNow() {
  clearTimeout(page.pulse);
  return beat();
}

// --- start

function listen() {
  byId("undo").addEventListener("click", () => quietly(change({ kind: "undo" })));
  byId("redo").addEventListener("click", () => quietly(change({ kind: "redo" })));
  byId("layer").addEventListener("change", () => quietly(showLayer(false)));
  byId("zone").addEventListener("change", () => {
    drawZone(Number(byId("zone").value), page.state, page.season);
    showSeason();
  });
  byId("nutrient").addEventListener("change", showSeason);
  for (const id of ["show-samples", "show-outlines", "show-closed"]) byId(id).addEventListener("change", marks);
  const slider = byId("assurance");
  slider.addEventListener("input", () => {
    slider.dataset.held = "yes";
    byId("assurance-shown").textContent = `${slider.value}%`;
    wish = Number(slider.value) / 100;
    follow();
  });
  slider.addEventListener("change", () => {
    delete slider.dataset.held;
    wish = null;
    quietly(change({ kind: "assurance", assurance: Number(slider.value) / 100 }));
  });
  byId("merge").addEventListener("click", () => quietly(reshape({ kind: "merge", zones: [...picked].sort((a, b) => a - b) })));
  byId("split").addEventListener("click", () => {
    const line = map.middleLine(only(), Number(byId("split-way").value));
    if (line) quietly(reshape({ kind: "split", zone: only(), line }));
  });
  byId("split-draw").addEventListener("click", () => map.drawShape("line", "Click along the line; double-click ends it.", "split"));
  byId("move-draw").addEventListener("click", () => map.drawShape("area", "Click around the area; double-click ends it.", "move"));
  byId("close-draw").addEventListener("click", () => map.drawShape("area", "Click around the area; double-click ends it.", "close"));
  byId("close").addEventListener("click", () => {
    const sample = page.field.samples.find((each) => each.id === byId("close-sample").value);
    const radius = Number(byId("close-radius").value) * (units() === "us" ? 0.3048 : 1);
    if (sample && radius > 0) quietly(close(circle(sample.at, radius)));
  });
  byId("drawing-stop").addEventListener("click", () => map.stopDrawing());
  byId("publish").addEventListener("click", () =>
    quietly(post("publish", { revision: page.state.revision }).then(beatNow)),
  );
  byId("cancel").addEventListener("click", () => quietly(post("cancel", {}).then(beatNow)));
  byId("units").addEventListener("change", () => {
    setUnits(byId("units").value);
    localStorage.setItem("zonemap-units", byId("units").value);
    readUnits();
  });
  byId("theme").addEventListener("change", () => {
    localStorage.setItem("zonemap-light", byId("theme").value);
    light();
  });
  addEventListener("resize", showSeason);
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", light);
  document.addEventListener("keydown", (event) => {
    if (event.key === "Escape") map.stopDrawing();
    if (!(event.ctrlKey || event.metaKey) || event.key.toLowerCase() !== "z") return;
    if (event.target.matches("input[type=number], input[type=text]")) return;
    event.preventDefault();
    byId(event.shiftKey ? "redo" : "undo").click();
  });
}

function marks() {
  map.setMarks({ samples: byId("show-samples").checked, outlines: byId("show-outlines").checked, closed: byId("show-closed").checked });
}

function light() {
  const chosen = byId("theme").value;
  const dark = chosen === "shed" || (chosen === "auto" && matchMedia("(prefers-color-scheme: dark)").matches);
  document.documentElement.dataset.light = dark ? "shed" : "cab";
}

function readUnits() {
  const { field } = page;
  byId("field-facts").textContent = [field.crop, area(field.area_ha), `${field.samples.length} sample${field.samples.length === 1 ? "" : "s"}`].filter(Boolean).join(", ");
  byId("close-unit").textContent = units() === "us" ? "ft" : "m";
  map.setUnits(units());
  drawTables();
  drawWords();
  showSeason();
  quietly(showLayer(false));
}

async function start() {
  takeKey();
  byId("theme").value = localStorage.getItem("zonemap-light") ?? "auto";
  light();
  const [field, state] = await Promise.all([get("field"), get("state")]);
  page.field = field;
  setReaders(field.readers);
  byId("units").value = localStorage.getItem("zonemap-units") ?? field.units;
  setUnits(byId("units").value);
  document.title = `${field.name}: review`;
  byId("field-name").textContent = field.name;
  byId("close-sample").append(...field.samples.map((sample) => make("option", { value: sample.id }, sample.id)));
  map.open(field);
  marks();
  listen();
  await show(state);
  readUnits();
  document.documentElement.dataset.ready = "yes";
  beat();
}

start().catch(tell);
