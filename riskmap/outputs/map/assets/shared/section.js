// The house and its ground, cut across: slab, gap, soil layers down to where the weather reaches. Slab and ground touch at the
// crown of a dome; of the curve only the middle and the edge are computed. The words come with the data of the page (below.py).
import { about } from "./context.js";
import { distance, fill, length, put, signed, sketch, units } from "./page.js";
import { side, three } from "./tell.js";

const PLAN = { width: 372, left: 96, right: 270, wall: 46, roof: 26, top: 40, slab: 5, overhang_m: 0.4, beside_m: 0.9, points: 40 };
const TIMES = [20, 10, 5, 2, 1]; // how much too tall: the first for which the bending fits
const MOST_PX = 46;
const REST = 0.55; // share of the half width over which a dome's crown is drawn as touching

export function section(box, lot) {
  const below = about.below, [bend] = three(lot, "bend_now_mm"), width = lot.number("slab_width_m"), which = lot.number("profile");
  if (!below.soils || bend === null || width === null || which === null) return;
  const soil = below.soils[which], words = below.words, [gap, gapLow, gapHigh] = ["", "_p10", "_p90"].map((end) => lot.number("edge_gap_now_mm" + end));
  const depth = below.depth_m, deep = soil.rock_m === null ? depth[0] : Math.min(soil.rock_m, depth[0]);
  const scale = (PLAN.right - PLAN.left) / (width + 2 * PLAN.beside_m);
  const times = TIMES.find((n) => (Math.abs(bend) + gap) / 1000 * n * scale <= MOST_PX) || 1, px = (mm) => mm / 1000 * times * scale;
  const part = put(box, "div", null, "section"), lines = [drawnNow(words, bend, gap, gapLow, gapHigh)];
  put(part, "h3", words.heading);
  const high = Math.max(px(bend), 0), crown = PLAN.top + PLAN.roof + PLAN.wall, low = crown + Math.max(px(Math.abs(bend)), 0) + px(gap);
  const foot = low + deep * scale + 6, svg = sketch(part, "svg", { viewBox: `0 0 ${PLAN.width} ${foot.toFixed(0)}`, role: "img", class: "cut" });
  const shape = { crown, bend: px(bend), gap: px(gap), scale, width, deep, middle: (PLAN.left + PLAN.right) / 2 };
  soilBands(svg, shape, soil, words);
  house(svg, shape);
  writing(svg, shape, words, { bend, gap, high });
  lines.push(words.parts, fill(words.weather, { depth: roughly(depth[0]), lo: unitless(roughly(depth[1])), hi: unitless(roughly(depth[2])) }));
  const described = Math.max(...soil.layers.filter((layer) => !layer[4]).map(([, bottom]) => bottom), 0), rocky = soil.rock_m !== null && soil.rock_m < depth[0];
  lines.push(fill(rocky ? words.on_rock : words.of_soil, { soil: soil.name, share: "", depth: tenth(rocky ? soil.rock_m : described) }));
  lines.push(times === 1 ? words.true : fill(words.times, { times: String(times) }), words.curve);
  svg.setAttribute("aria-label", `${words.heading}. ${lines.join(" ")}`);
  put(part, "p", lines[0]);
  put(part, "p", lines.slice(1).join(" "), "note");
}

// Depths, as in section.py: to a tenth, and those that are not known well in whole feet.
const tenth = (m) => (units.now === "us" ? `${Number((m / 0.3048).toFixed(1))} ft` : `${Number(m.toFixed(1))} m`);
const roughly = (m) => (units.now === "us" ? distance(m) : tenth(m));
const unitless = (told) => told.split(" ")[0];

function drawnNow(words, bend, gap, low, high) {
  const none = !/[1-9]/.test(length(gap) + length(high));
  const edge = none ? words.drawn_rests : fill(words.drawn_gap, { gap: length(gap), lo: length(low).split(" ")[0], hi: length(high) });
  return fill(words.drawn, { middle: side(bend), edge });
}

// Heights of slab and ground, in px below the highest point, from the middle (0) to the edge (1) and beyond it.
const slabAt = (shape, t) => (shape.bend >= 0 ? shape.bend * t * t : -shape.bend * (1 - t * t));
function groundAt(shape, t) {
  const inside = Math.min(t, 1), away = Math.max(0, (inside - REST) / (1 - REST));
  return slabAt(shape, inside) + shape.gap * away * away;
}

function across(shape, height, over) { // points from the left end to the right end; `over`: how far beyond the edge, over half width
  const half = shape.width / 2 * shape.scale, points = [];
  for (let k = -PLAN.points; k <= PLAN.points; k++) {
    const t = k / PLAN.points * (1 + over);
    points.push([shape.middle + t * half, height(Math.abs(t))]);
  }
  return points;
}

const pathOf = (points) => points.map(([x, y]) => `${x.toFixed(1)} ${y.toFixed(1)}`).join("L");

function soilBands(svg, shape, soil, words) { // each layer follows the ground, less with depth
  const over = 2 * PLAN.beside_m / shape.width;
  const at = (z) => across(shape, (t) => shape.crown + PLAN.slab + z * shape.scale + groundAt(shape, t) * Math.max(0, 1 - z / shape.deep), over);
  const bands = soil.layers.map(([top, bottom, pct, k, assumed]) => [top, bottom, pct, k, assumed ? " " + words.assumed : ""]);
  const right = shape.middle + (1 + over) * shape.width / 2 * shape.scale;
  let free = -Infinity;
  words.extensibility.split(" ").forEach((word, k) => // there is no room for both on one line
    sketch(svg, "text", { x: right + 6, y: (shape.crown + PLAN.slab + groundAt(shape, 1) - 26 + 16 * k).toFixed(1) }, word));
  for (const [top, bottom, pct, k, more] of bands) {
    const [upper, lower] = [at(top), at(bottom)];
    sketch(svg, "path", { d: `M${pathOf(upper)}L${pathOf(lower.slice().reverse())}z`, fill: about.below.colors[k], class: more ? "assumed" : "band" });
    const y = (upper[upper.length - 1][1] + lower[lower.length - 1][1]) / 2 + 4;
    if (y - free < 12) continue;
    free = y;
    sketch(svg, "text", { x: right + 6, y: y.toFixed(1) }, `${Number(pct.toFixed(1))} %${more}`);
  }
  const floor = at(shape.deep);
  sketch(svg, "path", { d: "M" + pathOf(floor), class: soil.rock_m === null ? "floor" : "rock" });
  sketch(svg, "path", { d: "M" + pathOf(at(0)), class: "surface" });
}

function house(svg, shape) { // outline, and the slab as thick as a line can be seen
  const half = shape.width / 2 * shape.scale, out = PLAN.overhang_m * shape.scale, edge = shape.crown + slabAt(shape, 1);
  const eaves = PLAN.top + PLAN.roof - 4, [left, right] = [shape.middle - half, shape.middle + half];
  const top = across(shape, (t) => shape.crown + slabAt(shape, t), 0), bottom = across(shape, (t) => shape.crown + PLAN.slab + slabAt(shape, t), 0);
  sketch(svg, "path", { d: `M${pathOf(top)}L${pathOf(bottom.slice().reverse())}z`, class: "slab" });
  sketch(svg, "path", { d: `M${left} ${edge}V${eaves}M${right} ${edge}V${eaves}M${left - out} ${eaves}L${shape.middle} ${PLAN.top - 22}L${right + out} ${eaves}z`, class: "house" });
}

function writing(svg, shape, words, { bend, gap }) {
  const level = !/[1-9]/.test(length(Math.abs(bend))), sign = bend > 0 ? "dome" : "dish", edge = shape.crown + slabAt(shape, 1);
  const text = level ? words.level : bend > 0 ? words.middle : words.middle_low;
  sketch(svg, "text", { x: shape.middle, y: PLAN.top + PLAN.roof + 10, "text-anchor": "middle" }, text);
  if (!level) {
    sketch(svg, "text", { x: shape.middle, y: PLAN.top + PLAN.roof + 30, "text-anchor": "middle", class: "number " + sign }, signed(bend));
    const half = shape.width / 2 * shape.scale;
    sketch(svg, "path", { d: `M${shape.middle - half} ${edge.toFixed(1)}H${shape.middle + half}`, class: "chord" });
  }
  if (!/[1-9]/.test(length(gap)) || shape.gap < 3) return;
  const x = shape.middle - shape.width / 2 * shape.scale - 3, from = edge + PLAN.slab, to = from + shape.gap;
  sketch(svg, "path", { d: `M${x} ${from.toFixed(1)}V${to.toFixed(1)}M${x - 3} ${from.toFixed(1)}h6M${x - 3} ${to.toFixed(1)}h6`, class: "gap" });
  sketch(svg, "text", { x: 0, y: (from - 4).toFixed(1), class: "strong" }, words.gap);
  sketch(svg, "text", { x: 0, y: (from + 10).toFixed(1) }, fill(words.about, { gap: length(gap) }));
}
