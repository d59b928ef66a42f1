// The season: what the soil supplies each day against what the crop asks, and the days of spreading.

import { byId, day, digits, makeSvg, monthName, percent, rate, rateShown, reader } from "./units.js";

const [HEIGHT, LEFT, RIGHT, BOTTOM] = [280, 46, 12, 26];
const DAY_MS = 86_400_000;
const time = (iso) => Date.parse(`${iso}T00:00:00Z`);

export function drawSeason(nutrient, zone, applications) {
  const svg = byId("season-plot");
  svg.replaceChildren();
  // one unit of the drawing is one pixel, so that letters keep their size on a phone
  const WIDTH = Math.max(svg.clientWidth, 260);
  svg.setAttribute("viewBox", `0 0 ${WIDTH} ${HEIGHT}`);
  if (!nutrient) {
    byId("season-said").textContent = "No nutrient here has a demand that is known day by day.";
    return;
  }
  const spreading = byDayOf(applications.filter((a) => a.on && a.feeds.includes(nutrient.name)));
  const TOP = 30 + 15 * spreading.length;
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
  const per = reader().kg_ha_per_rate;
  for (const value of round(top / per)) {
    svg.append(makeSvg("text", { x: LEFT - 6, y: y(value * per) + 4, "text-anchor": "end" }, digits(value)));
    if (value > 0) svg.append(makeSvg("path", { class: "axis", d: `M${LEFT - 4} ${y(value * per)}H${LEFT}` }));
  }
  svg.append(makeSvg("text", { x: 0, y: 14 }, `${reader().rate_unit} a day`));
  const first = time(nutrient.first_day);
  for (let index = 0; index < days; index += 1) {
    const on = new Date(first + index * DAY_MS);
    if (on.getUTCDate() === 1 && x(index) < WIDTH - 34) svg.append(makeSvg("text", { x: x(index) + 2, y: HEIGHT - 8 }, monthName(on.getUTCMonth())));
  }
  markDays(svg, spreading, { first, days, x, top: TOP, width: WIDTH });
  say(nutrient, zone, band);
}

/** Round numbers from 0 up to one at most, three to six of them. */
function round(most) {
  const decade = 10 ** Math.floor(Math.log10(most));
  const step = [0.2, 0.25, 0.5, 1, 2].map((each) => each * decade).find((each) => most / each < 6);
  return Array.from({ length: Math.floor(most / step) + 1 }, (_, k) => Number((k * step).toPrecision(6)));
}

/** A line a day, its name on a row of its own, so that near days do not write over one another. */
function markDays(svg, spreading, { first, days, x, top, width }) {
  spreading.forEach(([on, products], row) => {
    const index = (time(on) - first) / DAY_MS;
    if (index < 0 || index > days - 1) return;
    const at = 34 + 15 * row;
    svg.append(makeSvg("path", { class: "day", d: `M${x(index)} ${at - 10}V${HEIGHT - BOTTOM}` }));
    const late = x(index) > width / 2;
    const place = { x: x(index) + (late ? -4 : 4), y: Math.min(at, top), "text-anchor": late ? "end" : "start" };
    svg.append(makeSvg("text", place, `${day(on)}: ${products.join(", ")}`));
  });
}

function byDayOf(applications) {
  const found = new Map();
  for (const { on, product } of applications) found.set(on, [...(found.get(on) ?? []), product]);
  return [...found].sort(([a], [b]) => (a < b ? -1 : 1));
}

function say(nutrient, zone, band) {
  const where = zone === 0 ? "The field" : `Zone ${zone}`;
  const said = [
    "Curve: what the crop asks. Band and line in it: what the soil supplies. Filled: short in the middle.",
    `${where}: supply of ${nutrient.name} ${rate(band[1])} a day, 8 in 10 between ${rateShown(band[0])} and ${rateShown(band[2])}; it meets ${percent(nutrient.share_of_season[zone] ?? nutrient.share_of_season[0])} of the season's demand.`,
  ];
  if (nutrient.first_short_day) said.push(`Early warning: the poorest tenth of the field may run short from ${day(nutrient.first_short_day)}.`);
  if (nutrient.spread_by) said.push(`What is spread by ${day(nutrient.spread_by)} still serves that tenth.`);
  byId("season-said").textContent = said.join(" ");
}
