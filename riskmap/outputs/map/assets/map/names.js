// What is written on the map: ids in large lots, symbols of soil units, names of roads and places; and the locator. They are
// drawn on one sheet over the tiles, so that no border of a tile cuts a word, and none is drawn over another.
import { about, map } from "../shared/context.js";
import { holds } from "../shared/page.js";
import { TYPE } from "../shared/range.js";
import { data, state, label, contextShown } from "./state.js";

const IDS_FROM_PX = 58; // of a lot's width: an id has room above the number
const SOIL_LOTS = 12; // number of lots of one soil that lie together and get a symbol
const MOST = 400;
const MOST_COUNTED = 4000;
const GRID_PX = 220; // one symbol of a soil in a square of that size

export const NameLayer = L.Layer.extend({
  onAdd() {
    const canvas = this.canvas = document.createElement("canvas");
    canvas.className = "names";
    canvas.setAttribute("aria-hidden", "true");
    map.getPane("names").appendChild(canvas);
    this.redraw();
  },

  getEvents() { return { moveend: this.redraw, zoomend: this.redraw, resize: this.redraw }; },

  redraw() {
    const size = map.getSize(), ratio = window.devicePixelRatio || 1, canvas = this.canvas;
    if (!canvas) return this;
    canvas.width = size.x * ratio;
    canvas.height = size.y * ratio;
    Object.assign(canvas.style, { width: size.x + "px", height: size.y + "px" });
    L.DomUtil.setPosition(canvas, map.containerPointToLayerPoint([0, 0]));
    const corner = map.options.crs.latLngToPoint(map.containerPointToLatLng([0, 0]), 0);
    const ctx = canvas.getContext("2d");
    ctx.scale(ratio, ratio);
    write({ ctx, zoom: 2 ** map.getZoom(), x: corner.x, y: corner.y, width: size.x, height: size.y });
    return this;
  },
});

export function write(view) { // all names of a view, the most useful first
  const taken = [], { ctx } = view;
  ctx.lineJoin = "round";
  soilSymbols(view, taken);
  if (contextShown()) contextNames(view, taken);
  lotIds(view, taken);
}

function free(taken, box) {
  if (taken.some((other) => box[0] < other[2] && box[2] > other[0] && box[1] < other[3] && box[3] > other[1])) return false;
  taken.push(box);
  return true;
}

function word(view, taken, text, [x, y], font, halo, ink = about.ui.ink) { // centred on its place, where nothing is written yet
  const { ctx } = view;
  ctx.font = font;
  const half = ctx.measureText(text).width / 2 + 3;
  if (x - half < 0 || x + half > view.width || y < 10 || y > view.height - 6 || !free(taken, [x - half, y - 9, x + half, y + 7])) return;
  ctx.textAlign = "center";
  ctx.textBaseline = "middle";
  if (halo) {
    ctx.lineWidth = 4;
    ctx.strokeStyle = halo;
    ctx.strokeText(text, x, y);
  }
  ctx.fillStyle = ink;
  ctx.fillText(text, x, y);
}

const seen = (view, shape) => shape.grid(view.x, view.y, view.x + view.width / view.zoom, view.y + view.height / view.zoom);

function soilSymbols(view, taken) { // where most lots of a unit lie within each square of the screen
  const groups = new Map(), { box } = data.shape, units = data.column("map_unit_name");
  const row = data.row, cell = GRID_PX / view.zoom;
  const here = seen(view, data.shape), step = Math.ceil(here.length / MOST_COUNTED); // where there are very many lots, only some are counted
  for (let i = 0; i < here.length; i += step) {
    const lot = here[i], x = (box[4 * lot] + box[4 * lot + 2]) / 2, y = (box[4 * lot + 1] + box[4 * lot + 3]) / 2;
    const key = units[row[lot]] + "/" + Math.floor(x / cell) + "/" + Math.floor(y / cell), group = groups.get(key);
    if (group) { group.n++; group.x += x; group.y += y; } else groups.set(key, { n: 1, x, y, unit: units[row[lot]] });
  }
  const found = [...groups.values()].sort((p, q) => q.n - p.n).slice(0, MOST);
  for (const { n, x, y, unit } of found) {
    const name = data.texts.map_unit_name[unit], symbol = about.symbols[name];
    if (n * step >= SOIL_LOTS && symbol) word(view, taken, symbol, [(x / n - view.x) * view.zoom, (y / n - view.y) * view.zoom], `bold 12px ${TYPE}`, about.ui.paper);
  }
}

function contextNames(view, taken) {
  const { shape, kind, label: nameOf } = data.past.context, written = new Map();
  for (const k of seen(view, shape)) {
    const name = nameOf(k);
    if (!name) continue;
    const at = middleOf(view, shape, k, kind[k]), before = written.get(name) || [];
    if (!at || before.some(([x, y]) => Math.hypot(x - at[0], y - at[1]) < 260)) continue;
    written.set(name, [...before, at]);
    word(view, taken, name, kind[k] ? at : [at[0], at[1] + 11], `12px ${TYPE}`, about.ui.field);
  }
}

function middleOf(view, { x, y, ringStart, lotStart }, k, kind) { // of a line the vertex nearest to the middle of what is seen of it
  const from = ringStart[lotStart[k]], to = ringStart[lotStart[k + 1]], inside = [];
  for (let i = from; i < to; i++) {
    const at = [(x[i] - view.x) * view.zoom, (y[i] - view.y) * view.zoom];
    if (at[0] > 0 && at[1] > 0 && at[0] < view.width && at[1] < view.height) inside.push(at);
  }
  if (!inside.length) return null;
  if (kind !== 2) return inside[inside.length >> 1];
  const sum = inside.reduce(([a, b], [c, d]) => [a + c, b + d], [0, 0]);
  return [sum[0] / inside.length, sum[1] / inside.length];
}

function lotIds(view, taken) { // above the number inside the lot
  const { box, typical } = data.shape;
  if (typical * view.zoom < IDS_FROM_PX) return;
  const k = state.code, scale = about.scales[state.scale];
  for (const lot of seen(view, data.shape).slice(0, 4 * MOST)) {
    const wide = (box[4 * lot + 2] - box[4 * lot]) * view.zoom, high = (box[4 * lot + 3] - box[4 * lot + 1]) * view.zoom;
    if (wide < IDS_FROM_PX || high < IDS_FROM_PX) continue;
    const at = [(box[4 * lot] + box[4 * lot + 2]) / 2, (box[4 * lot + 1] + box[4 * lot + 3]) / 2];
    if (!holds(data.shape, lot, ...at)) continue;
    const stated = k[lot] >= scale.colors.length;
    view.ctx.font = `12px ${TYPE}`;
    if (view.ctx.measureText(label(lot)).width > wide - 4) continue;
    word(view, taken, label(lot), [(at[0] - view.x) * view.zoom, (at[1] - view.y) * view.zoom - 24], `12px ${TYPE}`,
      stated ? about.ui.paper : scale.colors[k[lot]], stated ? about.ui.ink : scale.labels[k[lot]]);
  }
}

// ---------------------------------------------------------------- locator
const SIDE = 96;

export const Locator = L.Control.extend({ // where the view lies within the whole area; shown when it is a small part of it
  options: { position: "bottomright" },

  onAdd() {
    this.canvas = document.createElement("canvas");
    this.canvas.className = "locator";
    this.canvas.setAttribute("role", "img");
    this.canvas.setAttribute("aria-label", "Where this view lies within the whole area");
    map.on("moveend zoomend", this.redraw, this);
    return this.canvas;
  },

  redraw() {
    const { canvas } = this, view = map.getBounds(), crs = map.options.crs, ratio = window.devicePixelRatio || 1;
    const p = crs.latLngToPoint(view.getNorthWest(), 0), q = crs.latLngToPoint(view.getSouthEast(), 0), ctx = canvas.getContext("2d");
    canvas.width = canvas.height = (SIDE + 8) * ratio;
    ctx.scale(ratio, ratio);
    const size = locate(ctx, [p.x, p.y, q.x, q.y], false);
    canvas.hidden = !size;
    if (size) Object.assign(canvas.style, { width: SIDE + 8 + "px", height: SIDE + 8 + "px" });
  },
});

let dots = null; // a picture of all lots, drawn once

function everyLot(scale) {
  const canvas = document.createElement("canvas"), ctx = canvas.getContext("2d"), { box, n, core: [a, b] } = data.shape;
  canvas.width = canvas.height = 2 * (SIDE + 8);
  ctx.scale(2, 2);
  ctx.fillStyle = about.ui.hatch;
  for (let lot = 0, step = Math.max(1, Math.ceil(n / 20000)); lot < n; lot += step) {
    if (data.shape.has(lot)) ctx.fillRect(4 + (box[4 * lot] - a) * scale, 4 + (box[4 * lot + 1] - b) * scale, 1, 1);
  }
  return canvas;
}

export function locate(ctx, [left, top, right, bottom], framed) { // false without anything to show: all is seen
  const [a, b, c, d] = data.shape.core;
  if (!(c > a) || (right - left) * (bottom - top) > 0.6 * (c - a) * (d - b)) return false;
  const scale = SIDE / Math.max(c - a, d - b);
  if (framed) {
    ctx.fillStyle = about.ui.sheet;
    ctx.fillRect(0, 0, SIDE + 8, SIDE + 8);
  }
  ctx.drawImage(dots ||= everyLot(scale), 0, 0, SIDE + 8, SIDE + 8);
  ctx.strokeStyle = about.ui.ink;
  ctx.lineWidth = 2;
  ctx.strokeRect(4 + (left - a) * scale, 4 + (top - b) * scale, Math.max((right - left) * scale, 3), Math.max((bottom - top) * scale, 3));
  return true;
}

export const farAway = () => { // lots that the first view leaves out, so that they do not shrink all others
  const { core, box, n } = data.shape, pad = 0.1 * Math.max(core[2] - core[0], core[3] - core[1]);
  let out = 0;
  for (let lot = 0; lot < n; lot++) {
    if (data.shape.has(lot) && (box[4 * lot] > core[2] + pad || box[4 * lot + 2] < core[0] - pad || box[4 * lot + 1] > core[3] + pad || box[4 * lot + 3] < core[1] - pad)) out++;
  }
  return out;
};
