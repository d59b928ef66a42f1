// The map: drawn in the field's own projection, in metres, from what the server sends. No tiles, no other addresses.

import { RATES, SUPPLY, colourAt, painted, span } from "./colours.js";
import { byId, digits, makeSvg, rateShown, reader } from "./units.js";

const INK = "#22282b";
/* global ol */

export class FieldMap {
  constructor({ onPick, onDrawn }) {
    this.onPick = onPick;
    this.onDrawn = onDrawn;
    this.picked = new Set();
    this.rates = null;
    this.cells = null;
  }

  open(field) {
    const { grid } = field;
    this.grid = grid;
    const east = grid.west_m + grid.columns * grid.cell_m;
    const south = grid.north_m - grid.rows * grid.cell_m;
    this.extent = [grid.west_m, south, east, grid.north_m];
    const projection = new ol.proj.Projection({ code: field.crs, units: "m", extent: this.extent });
    this.projection = projection;
    this.image = new ol.layer.Image({ source: null });
    this.polygons = new ol.source.Vector();
    this.closed = new ol.source.Vector();
    this.points = new ol.source.Vector();
    this.sketch = new ol.source.Vector();
    const layer = (source, style, extra = {}) => new ol.layer.Vector({ source, style, ...extra });
    this.zoneLayer = layer(this.polygons, (feature) => this.zoneStyle(feature));
    this.closedLayer = layer(this.closed, CLOSED);
    this.pointLayer = layer(this.points, SAMPLE);
    // above the samples, which would else stand in the numbers of small zones; one that has no room is left out
    this.labelLayer = layer(this.polygons, (feature) => this.labelStyle(feature), { declutter: true });
    this.outline = new ol.source.Vector();
    this.outline.addFeatures(field.boundary.map((rings) => new ol.Feature(new ol.geom.Polygon(rings))));
    this.points.addFeatures(
      field.samples.map((sample) => new ol.Feature({ geometry: new ol.geom.Point(sample.at), sample })),
    );
    this.view = new ol.View({ projection, showFullExtent: true, extent: widened(this.extent) });
    this.map = new ol.Map({
      target: byId("map"),
      controls: [new ol.control.Zoom(), (this.scale = new ol.control.ScaleLine({ units: "metric" }))],
      layers: [this.image, this.zoneLayer, this.closedLayer, layer(this.outline, BOUNDARY), this.pointLayer, this.labelLayer, layer(this.sketch, SKETCH)],
      view: this.view,
    });
    this.view.fit(this.extent, { padding: [24, 24, 24, 24] });
    this.map.on("singleclick", (event) => this.click(event));
    this.map.on("pointermove", (event) => this.read(event));
  }

  setUnits(units) {
    this.scale.setUnits(units === "us" ? "us" : "metric");
  }

  setMarks({ samples, outlines, closed }) {
    this.pointLayer.setVisible(samples);
    this.outlines = outlines;
    this.drawZonesAnew();
    this.closedLayer.setVisible(closed);
  }

  setShapes(shapes) {
    this.polygons.clear();
    this.polygons.addFeatures(
      shapes.polygons.map(({ zone, rings }) => new ol.Feature({ geometry: new ol.geom.Polygon(rings), zone })),
    );
    this.closed.clear();
    this.closed.addFeatures(
      shapes.closed.map(({ reason, polygons }) => new ol.Feature({ geometry: new ol.geom.MultiPolygon(polygons), reason })),
    );
  }

  /** Zones coloured by the rates of one application. */
  showRates(rates, title) {
    this.rates = rates;
    this.cells = null;
    this.image.setSource(null);
    this.most = Math.max(...rates, 0);
    this.drawZonesAnew();
    const unit = reader().rate_unit;
    this.legend(RATES, ["0", rateShown(this.most)], `${title}, ${unit}`);
  }

  /** Cells coloured by a layer of numbers. */
  showCells(cells, { title, unit, palette = "supply", factor = 1, about = "", ends = null, steps = null }) {
    this.rates = null;
    this.cells = { cells, factor, unit };
    const colours = palette === "rates" ? RATES : SUPPLY;
    const [least, most] = ends ?? span(cells);
    const { columns, rows } = this.grid;
    const canvas = painted(cells, columns, rows, colours, [least, most]);
    this.drawZonesAnew();
    this.legend(colours, steps ?? [digits(least * factor), digits(most * factor)], `${title}${unit ? `, ${unit}` : ""}${about}`);
    const mine = (this.asked = {});
    return new Promise((resolve) => {
      canvas.toBlob((blob) => {
        if (this.asked !== mine) return resolve();
        const url = URL.createObjectURL(blob);
        const source = new ol.source.ImageStatic({ url, imageExtent: this.extent, projection: this.projection, interpolate: false });
        source.once("imageloadend", () => {
          URL.revokeObjectURL(url);
          resolve();
        });
        this.image.setSource(source);
      });
    });
  }

  setPicked(zones) {
    this.picked = zones;
    this.drawZonesAnew();
  }

  /** Whether a zone has no rate yet: the shapes of a change and its rates come one after the other. */
  without(zone) {
    return this.rates !== null && zone > this.rates.length;
  }

  zoneStyle(feature) {
    const zone = feature.get("zone");
    if (this.without(zone)) return undefined;
    const picked = this.picked.has(zone);
    if (zone === 0) return new ol.style.Style({ fill: this.rates ? new ol.style.Fill({ color: "#ffffff" }) : undefined });
    const styles = [];
    const filled = this.rates ? colourAt(RATES, this.most > 0 ? this.rates[zone - 1] / this.most : 0) : "rgba(0, 0, 0, 0)";
    styles.push(
      new ol.style.Style({
        fill: new ol.style.Fill({ color: filled }),
        stroke: this.outlines === false && !picked ? undefined : new ol.style.Stroke({ color: "#ffffff", width: picked ? 6 : 2.5 }),
        zIndex: picked ? 2 : 1,
      }),
    );
    if (this.outlines !== false || picked) {
      styles.push(new ol.style.Style({ stroke: new ol.style.Stroke({ color: INK, width: picked ? 3 : 1 }), zIndex: picked ? 3 : 1 }));
    }
    return styles;
  }

  labelStyle(feature) {
    const zone = feature.get("zone");
    if (zone === 0 || this.without(zone) || feature.getGeometry().getArea() / this.view.getResolution() ** 2 < 300) return undefined;
    return new ol.style.Style({
      geometry: (f) => f.getGeometry().getInteriorPoint(),
      text: new ol.style.Text({
        text: this.rates ? `${zone}: ${rateShown(this.rates[zone - 1])}` : String(zone),
        font: "600 13px sans-serif",
        fill: new ol.style.Fill({ color: INK }),
        backgroundFill: new ol.style.Fill({ color: "rgba(255, 255, 255, 0.92)" }),
        padding: [2, 3, 1, 4],
      }),
    });
  }

  drawZonesAnew() {
    this.zoneLayer.changed();
    this.labelLayer.changed();
  }

  click(event) {
    if (this.draw) return;
    this.map.forEachFeatureAtPixel(
      event.pixel,
      (feature) => {
        if (feature.get("zone") > 0) this.onPick(feature.get("zone"));
        return true;
      },
      { layerFilter: (layer) => layer === this.zoneLayer },
    );
  }

  read(event) {
    if (event.dragging) return;
    const [east, north] = event.coordinate;
    const { west_m, north_m, cell_m, columns, rows } = this.grid;
    const column = Math.floor((east - west_m) / cell_m);
    const row = Math.floor((north_m - north) / cell_m);
    const said = [];
    if (this.cells && column >= 0 && column < columns && row >= 0 && row < rows) {
      const value = this.cells.cells[row * columns + column];
      if (value === value) said.push(`${digits(value * this.cells.factor)} ${this.cells.unit}`);
    }
    this.map.forEachFeatureAtPixel(event.pixel, (feature) => {
      const { zone, reason, sample } = feature.getProperties();
      if (sample) said.push(`sample ${sample.id}`);
      if (reason) said.push(`no spreading: ${reason}`);
      if (zone > 0) said.push(this.rates ? `zone ${zone}: ${rateShown(this.rates[zone - 1])} ${reader().rate_unit}` : `zone ${zone}`);
    }, { layerFilter: (layer) => layer !== this.labelLayer });
    byId("readout").textContent = said.join(", ");
  }

  /** Let the user draw a line or an area; the places go to `onDrawn`. */
  drawShape(kind, how, purpose) {
    this.stopDrawing();
    const type = kind === "line" ? "LineString" : "Polygon";
    this.draw = new ol.interaction.Draw({ source: this.sketch, type, maxPoints: 400 });
    this.draw.on("drawend", (event) => {
      const places = event.feature.getGeometry().getCoordinates();
      setTimeout(() => this.stopDrawing());
      this.onDrawn(purpose, kind === "line" ? places : places[0].slice(0, -1));
    });
    this.map.addInteraction(this.draw);
    byId("drawing-how").textContent = how;
    byId("drawing").hidden = false;
    byId("map").focus();
    byId("map").scrollIntoView({ block: "nearest" });
  }

  stopDrawing() {
    if (this.draw) this.map.removeInteraction(this.draw);
    this.draw = null;
    this.sketch.clear();
    byId("drawing").hidden = true;
  }

  /** A line through the middle of a zone's largest part; its angle is counted from east to north. */
  middleLine(zone, angleDeg) {
    const parts = this.polygons.getFeatures().filter((feature) => feature.get("zone") === zone);
    if (parts.length === 0) return null;
    const largest = parts.reduce((a, b) => (a.getGeometry().getArea() >= b.getGeometry().getArea() ? a : b));
    const [east, north] = ol.extent.getCenter(largest.getGeometry().getExtent());
    const reach = ol.extent.getWidth(this.extent) + ol.extent.getHeight(this.extent);
    const [dx, dy] = [Math.cos((angleDeg * Math.PI) / 180) * reach, Math.sin((angleDeg * Math.PI) / 180) * reach];
    return [[east - dx, north - dy], [east + dx, north + dy]];
  }

  legend(palette, ends, title) {
    const svg = byId("legend");
    svg.replaceChildren();
    svg.setAttribute("viewBox", "0 0 300 46");
    svg.setAttribute("aria-label", `Key of the map: ${title}, from ${ends[0]} to ${ends[1]}`);
    svg.append(makeSvg("text", { x: 0, y: 12 }, title.length > 46 ? `${title.slice(0, 45)}…` : title));
    const step = 300 / 60;
    for (let index = 0; index < 60; index += 1) {
      svg.append(makeSvg("rect", { x: index * step, y: 17, width: step + 0.5, height: 12, fill: colourAt(palette, index / 59) }));
    }
    svg.append(makeSvg("text", { x: 0, y: 43 }, ends[0]));
    svg.append(makeSvg("text", { x: 300, y: 43, "text-anchor": "end" }, ends[1]));
  }
}

const widened = ([west, south, east, north]) => {
  const by = 0.6 * Math.max(east - west, north - south);
  return [west - by, south - by, east + by, north + by];
};

// styles are made when OpenLayers is there: this module is read after it
const BOUNDARY = new ol.style.Style({ stroke: new ol.style.Stroke({ color: INK, width: 1.5 }) });
const SKETCH = new ol.style.Style({
  stroke: new ol.style.Stroke({ color: "#8a4b08", width: 3, lineDash: [6, 4] }),
  fill: new ol.style.Fill({ color: "rgba(138, 75, 8, 0.2)" }),
});
const SAMPLE = new ol.style.Style({
  image: new ol.style.Circle({
    radius: 3.5,
    fill: new ol.style.Fill({ color: "#ffffff" }),
    stroke: new ol.style.Stroke({ color: INK, width: 1.2 }),
  }),
});

/** White with dark slanting lines: no colour of any palette. */
function hatched() {
  const canvas = document.createElement("canvas");
  canvas.width = canvas.height = 8;
  const context = canvas.getContext("2d");
  context.fillStyle = "rgba(255, 255, 255, 0.75)";
  context.fillRect(0, 0, 8, 8);
  context.strokeStyle = INK;
  context.lineWidth = 1.2;
  context.beginPath();
  for (const start of [-8, 0, 8]) {
    context.moveTo(start, 8);
    context.lineTo(start + 8, 0);
  }
  context.stroke();
  return context.createPattern(canvas, "repeat");
}
const CLOSED = new ol.style.Style({
  fill: new ol.style.Fill({ color: hatched() }),
  stroke: new ol.style.Stroke({ color: INK, width: 1.2 }),
});
