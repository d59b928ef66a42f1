// Perceptual, colour-blind-safe palettes, those of the printed pictures: straw to teal for rates, cividis for the rest.

export const RATES = ["#f3ecd2", "#d9cf9a", "#a9bf8f", "#6fa68c", "#3d8787", "#2b6f80", "#27597a", "#2c4468"];
export const SUPPLY = [
  "#00224e", "#123570", "#3b496c", "#575d6d", "#707173", "#8a8678", "#a59c74", "#c3b369", "#e1cc55", "#fee838",
];

const channels = (hex) => [1, 3, 5].map((at) => parseInt(hex.slice(at, at + 2), 16));

/** 256 colours along a palette. */
function ramp(palette) {
  const ends = palette.map(channels);
  return Array.from({ length: 256 }, (_, step) => {
    const along = (step / 255) * (ends.length - 1);
    const left = Math.min(Math.floor(along), ends.length - 2);
    return ends[left].map((value, c) => Math.round(value + (along - left) * (ends[left + 1][c] - value)));
  });
}

export function colourAt(palette, share) {
  const [r, g, b] = ramp(palette)[Math.max(0, Math.min(255, Math.round(255 * share)))];
  return `rgb(${r}, ${g}, ${b})`;
}

/** Least and largest number that is one. */
export function span(cells) {
  let least = Infinity;
  let most = -Infinity;
  for (const value of cells) {
    if (value < least) least = value;
    if (value > most) most = value;
  }
  return least <= most ? [least, most] : [0, 1];
}

/** Picture of a raster; cells outside the field stay clear. */
export function painted(cells, columns, rows, palette, [least, most]) {
  const canvas = document.createElement("canvas");
  canvas.width = columns;
  canvas.height = rows;
  const context = canvas.getContext("2d");
  const image = context.createImageData(columns, rows);
  const pixels = new Uint32Array(image.data.buffer);
  const words = ramp(palette).map(([r, g, b]) => ((255 << 24) | (b << 16) | (g << 8) | r) >>> 0);
  const scale = most > least ? 255 / (most - least) : 0;
  for (let index = 0; index < cells.length; index += 1) {
    const value = cells[index];
    if (value === value) pixels[index] = words[Math.max(0, Math.min(255, Math.round((value - least) * scale)))];
  }
  context.putImageData(image, 0, 0);
  return canvas;
}
