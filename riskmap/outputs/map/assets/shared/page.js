// What the one-file map and the county page share: text, hatches, lengths, class labels, ranges, the base map.
// Every text that comes from data reaches a page through `put`, as text, never as markup.
import { about, map } from "./context.js";

export const el = (id) => document.getElementById(id);
export const TILE = 256;
export const BATCH = 200;
export const PAGE = 50;
export const NEAR_PX = 8;
export const narrow = () => window.matchMedia("screen and (max-width: 46rem)").matches;
performance.mark("riskmap-start");
// Both weights are there before a canvas is drawn, which would not be drawn again when they come; without them the page goes on.
export const lettered = Promise.all(["", "bold "].map((weight) => document.fonts.load(`${weight}14px 'Riskmap Sans'`))).catch(() => null);
const HIDDEN = /[\u0000-\u001f\u007f-\u009f\u00ad\u200b-\u200f\u2028-\u202e\u2060\u2066-\u2069\ufeff]/g;
export const visible = (text) => String(text).replace(HIDDEN, (c) => "\\u" + c.charCodeAt(0).toString(16).padStart(4, "0"));
export const fill = (text, parts) => text.replace(/\{(\w+)\}/g, (all, name) => (name in parts ? parts[name] : all));
export const count = (n) => n.toLocaleString("en-US");
export const many = (n, name) => `${count(n)} ${name}${n === 1 ? "" : "s"}`;

// Dates as in dates.py: October 2013, 28 October 2025, and 1961 for January to December 1961.
export function inWords(date) {
  const found = /^(\d{4})-(\d\d)(?:-(\d\d))?$/.exec(date);
  if (!found) return date;
  const month = `${about.months[found[2] - 1]} ${found[1]}`;
  return found[3] ? `${Number(found[3])} ${month}` : month;
}

export function spanned(first, last) {
  if (first === last) return inWords(first);
  const whole = first.endsWith("-01") && last.endsWith("-12") ? [first.slice(0, 4), last.slice(0, 4)] : [inWords(first), inWords(last)];
  return whole[0] === whole[1] ? whole[0] : `${whole[0]} to ${whole[1]}`;
}

export function put(parent, tag, text, className) {
  const node = document.createElement(tag);
  if (text !== undefined && text !== null) node.textContent = visible(text);
  if (className) node.className = className;
  parent.appendChild(node);
  return node;
}

export function sketch(parent, tag, attributes, text) { // an element of a drawing
  const node = document.createElementNS("http://www.w3.org/2000/svg", tag);
  for (const [name, value] of Object.entries(attributes)) node.setAttribute(name, value);
  if (text !== undefined) node.textContent = visible(text);
  parent.appendChild(node);
  return node;
}

// ---------------------------------------------------------------- data: compressed bytes, numbers, shapes
export async function inflate(packed) {
  const stream = new Blob([packed]).stream().pipeThrough(new DecompressionStream("gzip"));
  return new Uint8Array(await new Response(stream).arrayBuffer());
}

export function wholeNumbers(raw, at, n) { // four byte planes of zigzag numbers, see data_block.py
  const out = new Int32Array(n);
  for (let i = 0; i < n; i++) {
    const z = raw[at + i] | (raw[at + n + i] << 8) | (raw[at + 2 * n + i] << 16) | (raw[at + 3 * n + i] << 24);
    out[i] = (z >>> 1) ^ -(z & 1);
  }
  return out;
}

export function holds(shape, lot, px, py) { // even-odd rule over all rings of the lot
  let inside = false;
  for (let r = shape.lotStart[lot]; r < shape.lotStart[lot + 1]; r++) {
    const from = shape.ringStart[r], to = shape.ringStart[r + 1];
    for (let i = from, j = to - 1; i < to; j = i++) {
      if ((shape.y[i] > py) !== (shape.y[j] > py) &&
          px < (shape.x[j] - shape.x[i]) * (py - shape.y[i]) / (shape.y[j] - shape.y[i]) + shape.x[i]) inside = !inside;
    }
  }
  return inside;
}

export function running(differences, scale) { // sums of differences, times a scale
  let sum = 0;
  return Array.from(differences, (v) => { sum += v; return sum * scale; });
}

// ---------------------------------------------------------------- hatches
export const hatches = (paper) => [...Object.values(about.hatch), "ticked"] // states, then no value; a printed page is white
  .map((kind) => hatchCanvas(kind, about.ui.hatch, paper ? about.ui.sheet : about.ui.paper));

function drawHatch(ctx, kind, ink, ground) { // an 8 px square that repeats; lines every 4 px
  ctx.fillStyle = ground;
  ctx.fillRect(0, 0, 8, 8);
  ctx.strokeStyle = ctx.fillStyle = ink;
  ctx.lineWidth = 0.9;
  ctx.beginPath();
  for (let k = -8; k <= 16; k += 4) {
    if (kind === "rising" || kind === "crossed") { ctx.moveTo(k, 8); ctx.lineTo(k + 8, 0); }
    if (kind === "falling" || kind === "crossed") { ctx.moveTo(k, 0); ctx.lineTo(k + 8, 8); }
    if (kind === "level") { ctx.moveTo(0, k + 2); ctx.lineTo(8, k + 2); }
    if (kind === "upright") { ctx.moveTo(k + 2, 0); ctx.lineTo(k + 2, 8); }
  }
  if (kind === "rings") ctx.arc(4, 4, 2.4, 0, 2 * Math.PI);
  ctx.stroke();
  if (kind === "dotted") for (const p of [1, 5]) for (const q of [1, 5]) ctx.fillRect(p, q, 1.6, 1.6);
  if (kind === "ticked") for (const p of [0, 4]) ctx.fillRect(p, p, 1.2, 4);
}

function hatchCanvas(kind, ink, ground) {
  const canvas = document.createElement("canvas");
  canvas.width = canvas.height = 8;
  drawHatch(canvas.getContext("2d"), kind, ink, ground);
  return canvas;
}

const WIDE_PX = 12;
const SEAM_PX = 6;

// The outline of the lots of one class, false without one: on large lots what reads on the colour; on small ones, where light lines
// eat narrow dark lots, ink for the two palest classes and for states, and only a seam in the colour of the map for the others.
export function edgeOf(ctx, scale, c, px, paper) {
  const own = c >= scale.colors.length || scale.palest.includes(c), wide = px >= WIDE_PX;
  ctx.strokeStyle = wide && c < scale.colors.length ? scale.edges[c] : own ? about.ui.outline : paper ? about.ui.sheet : about.ui.field;
  ctx.lineWidth = wide ? 1 : Math.min(0.5, px / 24); // on tiny lots a full line would make the palest the darkest
  return own || px > SEAM_PX;
}

// ---------------------------------------------------------------- lengths in the chosen units
const MM_PER_INCH = 25.4;
export const units = { now: "us" };

const minus = (text) => text.replace(/^-(0(\.0)?)$/, "$1").replace("-", "−");
export const rounded = (mm) => minus(units.now === "us" ? (mm / MM_PER_INCH).toFixed(1) : Math.round(mm).toFixed(0)); // of a scale
// a movement as it is shown on every product: steps of 0.1 in or 2 mm, half a step away from zero
const inSteps = (mm) => minus((Math.sign(mm) * Math.floor(Math.abs(units.now === "us" ? mm / MM_PER_INCH * 10 : mm / 2) + 0.5) *
  (units.now === "us" ? 0.1 : 2)).toFixed(units.now === "us" ? 1 : 0));

export const unit = () => (units.now === "us" ? "in" : "mm");
export const length = (mm) => (mm === null ? "—" : inSteps(mm) + " " + unit());
export const signed = (mm) => (mm === null ? "—" : (/[1-9]/.test(inSteps(mm)) && mm > 0 ? "+" : "") + length(mm));
const FINE = { us: 2, si: 1 }; // digits of a change, which is often smaller than the steps of an estimate
const finely = (mm) => (units.now === "us" ? mm / MM_PER_INCH : mm).toFixed(FINE[units.now]).replace(/^-(0\.0*)$/, "$1").replace("-", "−");
export const signedFinely = (mm) => (mm === null ? "—" : (/[1-9]/.test(finely(mm)) && mm > 0 ? "+" : "") + finely(mm) + " " + unit());
export const distance = (m) => (units.now === "us" ? count(Math.round(m / 0.3048)) + " ft" : count(Math.round(m)) + " m");
export const percent = (share) => (share === null ? "—" : Math.round(100 * share) + " %");

export function classLabels(scale) {
  if (scale.classes.length) return scale.words.length ? scale.words : scale.classes;
  const at = scale.limits_mm, n = at.length, both = at[0] < 0, years = scale.unit === "years", share = scale.unit === "share";
  const shown = !years && !share && at.some((v) => Math.abs(v) < 0.1 * MM_PER_INCH) ? finely : rounded; // limits under a tenth of an inch
  const value = (v) => (share ? String(Math.round(100 * v)) : years ? String(v) : (both && v > 0 ? "+" : "") + shown(v));
  const of = " " + (share ? "%" : years ? "years" : unit());
  const between = both ? " to " : "–";
  return scale.colors.map((_, c) => {
    if (c === 0) return (both ? "below " : "under ") + value(at[0]) + of;
    if (c === n) return value(at[n - 1]) + of + (both ? " and above" : " and more");
    if (both && at[c - 1] === -at[c]) return "within ±" + shown(at[c]) + of;
    return value(at[c - 1]) + between + value(at[c]) + of;
  });
}

// ---------------------------------------------------------------- layers and legend
export const titleOf = (scale) => fill(scale.title, { mark: `${rounded(scale.mark_mm)} ${unit()}` });
const BEYOND = "beyond"; // one entry of the list for the layers that differ in their mark only

export function layerChoice(shown, chosen, show) { // the list of layers in its groups, and the mark beside it
  const choice = el("layer"), mark = el("mark"), marks = shown.filter((name) => about.scales[name].mark_mm);
  const offer = (group, value, title) => { put(group, "option", title).value = value; };
  for (const [title, names] of about.groups) {
    const group = put(choice, "optgroup"), here = names.filter((name) => shown.includes(name));
    group.label = title;
    here.filter((name) => !marks.includes(name)).forEach((name) => offer(group, name, about.scales[name].title));
    if (here.some((name) => marks.includes(name))) offer(group, BEYOND, about.beyond);
    if (!here.length) group.remove();
  }
  marks.forEach((name) => { put(mark, "option").value = name; });
  mark.selectedIndex = Math.floor(marks.length / 2);
  choice.value = chosen;
  const chose = () => {
    el("marks").hidden = choice.value !== BEYOND;
    const name = choice.value === BEYOND ? mark.value : choice.value;
    show(name);
    el("said").textContent = visible(`Layer: ${titleOf(about.scales[name])}`);
  };
  choice.addEventListener("change", chose);
  mark.addEventListener("change", chose);
}

export function nameMarks() { // in the unit of the page
  for (const node of el("mark").options) node.textContent = `${rounded(about.scales[node.value].mark_mm)} ${unit()}`;
}

export function swatch(item, draw) {
  const canvas = put(item, "canvas", null, "swatch");
  canvas.width = 24;
  canvas.height = 16;
  canvas.setAttribute("aria-hidden", "true");
  draw(canvas.getContext("2d"));
}

let legendStates = false; // whether a reader opened the list of states: it stays as it is from layer to layer

export function legendRows(box, scale, counts, style) { // classes with their limits, then, apart, what has none: hatched
  const k = scale.colors.length, none = scale.limits_mm.length ? "No estimate" : "Not known";
  const names = [...classLabels(scale), ...Object.values(about.states), scale.missing];
  const rows = (place, from, to) => {
    const table = put(place, "ul", null, "classes");
    for (let c = from; c < to; c++) {
      if (c >= k && !counts[c]) continue;
      const item = put(table, "li");
      swatch(item, (ctx) => { ctx.fillStyle = style(ctx, c); ctx.fillRect(0, 0, 24, 16); });
      put(item, "span", names[c], "name");
      put(item, "span", count(counts[c]), "count");
    }
  };
  rows(box, 0, k);
  const without = counts.slice(k).reduce((sum, n) => sum + n, 0);
  if (!without && counts.some((n) => n > 0)) put(box, "p", "Every lot has a class.", "note");
  if (!without) return;
  const others = put(box, "details"), head = put(others, "summary");
  swatch(head, (ctx) => { ctx.fillStyle = style(ctx, k + counts.slice(k).indexOf(Math.max(...counts.slice(k)))); ctx.fillRect(0, 0, 24, 16); });
  put(head, "span", `${none} (hatched): ${many(without, "lot")}`);
  others.open = legendStates;
  others.addEventListener("toggle", () => { legendStates = others.open; });
  rows(others, k, names.length);
}

export function legendFoot(box, lots, lost) {
  put(box, "p", many(lots, "lot") + "." + (lost ? ` ${count(lost)} without a shape: in the list only.` : ""), "note");
  put(box, "p", "When zoomed out, each square shows the median of the lots in it.", "note");
}

// ---------------------------------------------------------------- list, outline, view
export function keepInSight(box, node) {
  if (node.offsetTop < box.scrollTop) box.scrollTop = node.offsetTop;
  if (node.offsetTop + node.offsetHeight > box.scrollTop + box.clientHeight) {
    box.scrollTop = node.offsetTop + node.offsetHeight - box.clientHeight;
  }
}

export const RING = [7, 3]; // the chosen lot: 3 px of ink with 2 px of paper inside and outside, to be seen on every colour

export function outlined(rings) {
  const line = (color, weight) => L.polygon(rings, { color, weight, fill: false, interactive: false });
  return L.layerGroup([line(about.ui.paper, RING[0]), line(about.ui.ink, RING[1])]).addTo(map);
}

export function ringsOf(shape, k, at) { // the rings of one shape as latitudes and longitudes; `at` makes them from x and y
  const { x, y, ringStart, lotStart } = shape, rings = [];
  for (let r = lotStart[k]; r < lotStart[k + 1]; r++) {
    const ring = [];
    for (let i = ringStart[r]; i < ringStart[r + 1]; i++) ring.push(at(x[i], y[i]));
    rings.push(ring);
  }
  return rings;
}

export function room(below = 0) { // keep clear of the buttons, and of the sheet that lies over the foot of the map on a phone
  return { paddingTopLeft: [narrow() ? 12 : 50, 12], paddingBottomRight: [12, 30 + below], animate: false };
}

const ScaleBar = L.Control.Scale.extend({ // with thousands set off like every other number of the page
  _updateScale(line, text, ratio) {
    L.Control.Scale.prototype._updateScale.call(this, line, text, ratio);
    line.textContent = text.replace(/\d+/, (n) => count(Number(n)));
  },
});

let bar = null;

export function scaleBar() { // in the chosen units, in place of the last
  if (bar) bar.remove();
  const wide = 6 * parseFloat(getComputedStyle(document.body).fontSize); // room for its text, also when text is enlarged
  bar = new ScaleBar({ maxWidth: Math.max(100, wide), metric: units.now === "si", imperial: units.now === "us" }).addTo(map);
}

export function unitChoice(showUnits) {
  document.querySelectorAll("input[name=units]").forEach((node) => {
    node.checked = node.value === about.units;
    node.addEventListener("change", () => showUnits(node.value));
  });
}

export function pageHead() {
  el("area").textContent = visible(about.area);
  el("standing").textContent = `${about.cautions.standing} ${about.as_of}`;
  about.lines.concat(about.credits).forEach((line) => put(el("sources"), "p", line));
}

// ---------------------------------------------------------------- base map, only when the page was made with one
export function baseMap() {
  if (!about.basemap) return;
  const { url, attribution, host, max_zoom: deepest } = about.basemap, line = put(el("options"), "div", null, "line");
  const name = put(line, "label"), box = put(name, "input");
  let base = null;
  Object.assign(map.createPane("base").style, { zIndex: 100, pointerEvents: "none" });
  box.type = "checkbox";
  box.id = "base";
  put(name, "span", ` Base map, asks ${host} for pictures`);
  box.addEventListener("change", () => {
    if (base) base.remove();
    base = null;
    if (box.checked) {
      base = L.tileLayer(url, { pane: "base", maxZoom: map.getMaxZoom(), maxNativeZoom: deepest || 19, referrerPolicy: "no-referrer" })
        .once("tileerror", () => {
          base.remove();
          base = null;
          box.checked = false;
          box.disabled = true;
          northLine("The base map cannot be reached and is hidden.");
        }).addTo(map);
    }
    northLine(base ? attribution : "");
  });
}

const northLine = (text) => { el("north").textContent = visible("North is up. " + text).trim(); };
