// Numbers as people read them. The server speaks metric only.

let readers = {};
let chosen = "us";

export function setReaders(given) {
  readers = given;
}

export function setUnits(units) {
  chosen = units;
}

export const units = () => chosen;
export const reader = (units = chosen) => readers[units];

/** Whole numbers from 100 on, three digits below. */
export function digits(value) {
  if (value === 0) return "0";
  if (Math.abs(value) >= 99.95) return Math.round(value).toLocaleString("en-US");
  return String(Number(value.toPrecision(3)));
}

/** As it stands in an input: whole steps of the spreader keep their digits, a garden's are read to four. */
export const rateNumber = (kgHa) => Number((kgHa / reader().kg_ha_per_rate).toPrecision(reader().rate_digits));
export const rateShown = (kgHa) => digits(kgHa / reader().kg_ha_per_rate);
export const rate = (kgHa) => `${rateShown(kgHa)} ${reader().rate_unit}`;
export const rateIn = (units, kgHa) => `${digits(kgHa / reader(units).kg_ha_per_rate)} ${reader(units).rate_unit}`;
export const area = (ha) => `${digits(ha / reader().ha_per_area)} ${reader().area_unit}`;
export const mass = (kg) => `${digits(kg / reader().kg_per_mass)} ${reader().mass_unit}`;
export const perArea = (perHa) => perHa * reader().ha_per_loss_area;
export const percent = (share) => `${Math.round(100 * share)}%`;
export const money = (amount) => amount.toLocaleString("en-US", { maximumFractionDigits: 0 });

/** A text of the server, in the units that are read. */
export const inUnits = (text) => text[chosen];

/** Factor and unit of a measured quantity. */
export function measured(unit) {
  return unit === "kg/ha/day" ? [1 / reader().kg_ha_per_rate, `${reader().rate_unit}/day`] : [1, unit];
}

const MONTHS = "January February March April May June July August September October November December".split(" ");

export function day(iso) {
  if (!iso) return "";
  const [, month, number] = iso.split("-").map(Number);
  return `${number} ${MONTHS[month - 1]}`;
}

export const monthName = (month) => MONTHS[month].slice(0, 3);

/** Element with text and attributes; text is only ever text. */
export function make(tag, attributes = {}, ...content) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (value === false || value === null || value === undefined) continue;
    element.setAttribute(name, value === true ? "" : String(value));
  }
  element.append(...content);
  return element;
}

export function makeSvg(tag, attributes = {}, text = "") {
  const element = document.createElementNS("http://www.w3.org/2000/svg", tag);
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, String(value));
  if (text) element.textContent = text;
  return element;
}

export const byId = (id) => document.getElementById(id);
