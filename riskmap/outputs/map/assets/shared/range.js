// How sure a colour is: all lots as a histogram with the chosen lot and its range on it, and the range inside a large lot.
import { about } from "./context.js";
import { count, el, length, put, rounded, signed, sketch, unit } from "./page.js";

export const MARK_FROM_PX = 40;
export const TYPE = "'Riskmap Sans', sans-serif";
const MARK = { line: 36, most_mm: 75, font: `bold 14px ${TYPE}` };
const SPREAD = { width: 272, bars: 56, foot: 70, range: [77, 84], height: 90 };

export const letters = (category) => category.match(/^D\d|$/)[0]; // of a drought category; none for no category

// Number, and below it the range on a line from 0 to 75 mm (of a change: from −75 mm): paper from the 10th to the 90th percentile,
// ink at the median. `halo`: a ground for a text that lies on several colours.
export function lotMark(ctx, place, { text, value = null, low = null, high = null, signed: both }, ink, halo) {
  const [x, y] = place.map(Math.round); // tiles are whole pixels wide: both halves of a mark meet at their edge
  ctx.save();
  ctx.font = MARK.font;
  ctx.textAlign = "center";
  const bar = value !== null && low !== null && high !== null;
  if (halo) {
    ctx.lineWidth = 4;
    ctx.strokeStyle = halo;
    ctx.strokeText(text, x, y + 5);
  }
  ctx.fillStyle = ctx.strokeStyle = ink;
  ctx.fillText(text, x, y + (bar ? -2 : 5));
  if (bar) {
    const from = both ? -MARK.most_mm : 0, share = (mm) => (Math.max(from, Math.min(MARK.most_mm, mm)) - from) / (MARK.most_mm - from);
    const at = (mm) => x - MARK.line / 2 + Math.round(MARK.line * share(mm)), wide = Math.max(at(high) - at(low), 1);
    ctx.fillRect(x - MARK.line / 2, y + 9, MARK.line, 1);
    ctx.fillStyle = about.ui.paper;
    ctx.fillRect(at(low), y + 6, wide, 7);
    ctx.lineWidth = 1;
    ctx.strokeStyle = ctx.fillStyle = about.ui.ink;
    ctx.strokeRect(at(low) - 0.5, y + 5.5, wide + 1, 8);
    ctx.fillRect(at(value) - 1, y + 4, 2, 11);
  }
  ctx.restore();
}

export function rangeWords(box, scale, marks) { // what a colour does not say, and where the screen says it
  if (!scale.spans || !scale.spans[1]) return;
  const [wide, all] = scale.spans, most = `${rounded(MARK.most_mm)} ${unit()}`;
  const line = scale.limits_mm[0] < 0 ? `−${most} to +${most}` : `0 to ${most}`;
  put(box, "p", `Read a colour as the middle of a range: for ${count(wide)} of ${count(all)} lots it spans three classes or more.`, "note");
  put(box, "p", marks ? `Zoom in for the bars (line: ${line}; box: 80 % of the model runs).` : "The panel has the range of each lot.", "note screen");
}

export function spread(scale, lot, name) { // into its place in the legend; `lot` null without a chosen one
  const box = el("spread"), of = scale.histogram;
  if (!box) return;
  box.textContent = "";
  if (!of) return;
  const svg = sketch(box, "svg", { viewBox: `0 0 ${SPREAD.width} ${SPREAD.height}`, role: "img", class: "histogram" });
  const to = of.from_mm + of.step_mm * of.lots.length, ends = lot ? ["", "_p10", "_p90"].map((end) => lot.number(scale.column + end)) : [null];
  const low = Math.min(of.from_mm, ...ends.slice(1).filter((v) => v !== null && scale.limits_mm[0] < 0));
  const x = (mm) => SPREAD.width * (Math.max(low, Math.min(to, mm)) - low) / (to - low);
  histogramBars(svg, scale, x);
  limitTicks(svg, scale, x, [low, to]);
  svg.setAttribute("aria-label", `Histogram of ${count(of.lots.reduce((sum, n) => sum + n, 0))} lots by this number`);
  if (ends[0] === null) return;
  const [median, p10, p90] = ends, as = scale.limits_mm[0] < 0 ? signed : length, ranged = p10 !== null && p90 !== null;
  if (ranged) rangeOnAxis(svg, x, [p10, p90], to);
  sketch(svg, "rect", { x: (x(median) - 1).toFixed(1), y: 0, width: 2, height: SPREAD.height, class: "median" });
  const range = ranged ? `; 80 % of the model runs: ${as(p10).split(" ")[0]} to ${as(p90)}` : "";
  put(box, "p", `Lot ${name}: ${as(median)}${range}`, "note");
}

function rangeOnAxis(svg, x, [p10, p90], to) { // with a point where it goes on beyond the largest lot
  const [top, foot] = SPREAD.range, end = x(p90) - (p90 > to ? 6 : 0);
  const point = p90 > to ? `L${SPREAD.width} ${(top + foot) / 2}` : "";
  sketch(svg, "path", { d: `M${x(p10).toFixed(1)} ${top}H${Math.max(end, x(p10) + 1).toFixed(1)}${point}L${Math.max(end, x(p10) + 1).toFixed(1)} ${foot}H${x(p10).toFixed(1)}z`, class: "range" });
}

function histogramBars(svg, scale, x) {
  const { from_mm: from, step_mm: step, lots } = scale.histogram, most = Math.max(...lots);
  lots.forEach((n, k) => {
    const middle = from + (k + 0.5) * step, c = scale.limits_mm.filter((limit) => middle >= limit).length, high = n ? Math.max(SPREAD.bars * n / most, 1) : 0;
    if (n) sketch(svg, "rect", { x: x(from + k * step).toFixed(1), y: (SPREAD.bars - high).toFixed(1), width: Math.max(x(from + (k + 1) * step) - x(from + k * step) - 0.6, 0.8).toFixed(1),
      height: high.toFixed(1), fill: scale.colors[c], class: scale.palest.includes(c) ? "pale" : "" });
  });
  sketch(svg, "path", { d: `M0 ${SPREAD.bars + 0.5}H${SPREAD.width}`, class: "axis" });
}

function limitTicks(svg, scale, x, [low, to]) { // zero and the class limits, where their texts have room
  const both = scale.limits_mm[0] < 0, limits = scale.limits_mm.filter((mm) => mm >= low && mm < to);
  const taken = [], at = [0, ...limits.sort((a, b) => Math.abs(b) - Math.abs(a))];
  for (const mm of at) {
    const place = x(mm), near = taken.some((other) => Math.abs(other - place) < 34);
    if (near) continue;
    taken.push(place);
    const plus = both && mm > 0 ? "+" : "", anchor = place < 14 ? "start" : place > SPREAD.width - 24 ? "end" : "middle";
    sketch(svg, "text", { x: place.toFixed(1), y: SPREAD.foot, "text-anchor": anchor }, mm === 0 ? "0 " + unit() : plus + rounded(mm));
  }
}
