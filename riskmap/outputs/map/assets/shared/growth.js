// The ground since the pour, December by December: a drawing, the same in a sentence, and what the lines are. The words
// come with the data of the page (growth_curves.py). A lot without a curve gets the reason, and nothing is drawn.
import { about } from "./context.js";
import { fill, length, put, sketch, units } from "./page.js";

const PLOT = { width: 360, height: 196, left: 34, right: 302, top: 24, low: 172 };
const LEAST = { us: 0.4, si: 10 }; // the least height of the axis in its unit: a still ground must not look restless
const REACHED = 0.9;

export function growth(box, lot) {
  const w = about.growth, part = put(box, "div", null, "growth"), reason = without(lot);
  put(part, "h3", w.heading);
  if (reason) { put(part, "p", reason, "note"); return; }
  const { curve } = lot, lines = sentences(lot, curve);
  const svg = sketch(part, "svg", { viewBox: `0 0 ${PLOT.width} ${PLOT.height}`, role: "img", class: "curve" });
  svg.setAttribute("aria-label", `${w.heading}. ${lines.join(" ")}`);
  plot(svg, lot, curve);
  put(part, "p", lines.join(" "));
  const { first, pour } = curve, start = follows(curve) ? fill(w.taken, { month: monthOf(pour) }) : fill(w.begins, { year: first });
  put(part, "p", `${w.method} ${start}`, "note");
}

function without(lot) { // why there is no curve; "" with one
  const w = about.growth, code = lot.text("state");
  if (code) return code === "not_yet_poured" ? w.not_yet_poured : w.no_estimate;
  if (lot.text("pour_date_basis") === "none") return w.pour_unknown;
  return w.absent || (lot.curve ? "" : w.no_december);
}

const monthOf = (month) => Math.floor(month / 12) + "-" + String(month % 12 + 1).padStart(2, "0");
const follows = ({ first, pour }) => 12 * first + 11 - pour < 12; // the first December after the pour: the line starts at it

function height(mm) {
  const size = length(Math.abs(mm));
  return /[1-9]/.test(size) ? fill(about.growth[mm > 0 ? "higher" : "lower"], { size }) : about.growth.as_high;
}

function sentences(lot, curve) {
  const w = about.growth, n = curve.middle.length, last = curve.middle[n - 1], size = length(Math.abs(last));
  const year = curve.first + n - 1, k = curve.middle.findIndex((mm) => mm >= REACHED * last);
  const kind = !/[1-9]/.test(size) ? "level" : last < 0 ? "fell" : k === 0 && !follows(curve) ? "rose_before" : "rose";
  const lines = [fill(w[kind], { year, size, by: curve.first + k }), fill(w.edge_then, { year, height: height(curve.edge[n - 1]) })];
  const [middle, edge] = medians(lot);
  if (middle !== null && edge !== null) lines.push(fill(w.now, { middle: height(middle), edge: height(edge) }));
  return lines;
}

const medians = (lot) => ["middle_now_mm", "edge_now_mm"].map((name) => lot.number(name));

function roundValues(low, high, sizes, most) { // round values between two ends
  const step = sizes.find((s) => Math.floor(high / s) - Math.ceil(low / s) < most) || sizes[sizes.length - 1], found = [];
  for (let k = Math.ceil(low / step); k * step <= high; k++) found.push(k * step);
  return { step, found };
}

const tick = (v, step) => (v > 0 ? "+" : v < 0 ? "−" : "") + Math.abs(v).toFixed(step < 1 && v ? 1 : 0);

function plot(svg, lot, curve) {
  const w = about.growth, per = units.now === "us" ? 25.4 : 1, n = curve.middle.length, today = monthAfter(about.today);
  const start = follows(curve) ? curve.pour + 1 : 12 * (curve.first + 1), dots = medians(lot);
  const values = [0, ...curve.middle, ...curve.edge, ...dots.filter((v) => v !== null)].map((v) => v / per);
  const over = Math.max(...values) - Math.min(...values), spare = Math.max(0.04 * over, (LEAST[units.now] - over) / 2);
  const high = Math.max(...values) + spare, low = Math.min(...values) - spare;
  const x = (month) => PLOT.left + (PLOT.right - PLOT.left) * (month - start) / Math.max(today - start, 1);
  const y = (v) => PLOT.low - (PLOT.low - PLOT.top) * (v - low) / (high - low);
  heightTicks(svg, roundValues(low, high, [0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100, 200, 500], 5), y);
  yearTicks(svg, roundValues(start / 12, today / 12, [1, 2, 5, 10, 20], 6).found, x);
  sketch(svg, "text", { x: 0, y: 11 }, w[units.now]);
  sketch(svg, "path", { d: `M${PLOT.right} ${PLOT.top - 8}V${PLOT.low}`, class: "today" });
  sketch(svg, "text", { x: PLOT.right, y: 11, "text-anchor": "middle" }, w.today);
  const ends = ["edge", "middle"].map((name, k) => {
    const points = curve[name].map((mm, i) => [12 * (curve.first + i + 1), mm / per]), mm = dots[1 - k];
    if (follows(curve)) points.unshift([curve.pour + 1, 0]);
    sketch(svg, "path", { d: "M" + points.map(([m, v]) => `${x(m).toFixed(1)} ${y(v).toFixed(1)}`).join("L"), class: name });
    sketch(svg, "circle", { cx: x(12 * (curve.first + n)).toFixed(1), cy: y(curve[name][n - 1] / per).toFixed(1), r: 2, class: name + " end" });
    if (mm !== null) sketch(svg, "circle", { cx: PLOT.right, cy: y(mm / per).toFixed(1), r: 4, class: name });
    return { name, at: y(curve[name][n - 1] / per) + 4 };
  }).sort((p, q) => p.at - q.at);
  const apart = Math.max(0, 14 - (ends[1].at - ends[0].at)) / 2; // names must not lie on each other
  ends.forEach(({ name, at }, k) => sketch(svg, "text", { x: PLOT.right + 9, y: (at + (k ? apart : -apart)).toFixed(1), class: `name of-${name}` }, w[name]));
}

function monthAfter(name) { // the end of a month such as 2025-10 on the axis of months
  const [year, month] = name.split("-").map(Number);
  return 12 * year + month;
}

function heightTicks(svg, { step, found }, y) {
  for (const v of found) {
    sketch(svg, "path", { d: `M${PLOT.left} ${y(v).toFixed(1)}H${PLOT.right}`, class: v === 0 ? "axis" : "rule" });
    sketch(svg, "text", { x: PLOT.left - 5, y: (y(v) + 4).toFixed(1), "text-anchor": "end" }, tick(v, step));
  }
}

function yearTicks(svg, found, x) {
  sketch(svg, "path", { d: `M${PLOT.left} ${PLOT.low}H${PLOT.right}`, class: "rule" });
  for (const year of found) {
    sketch(svg, "path", { d: `M${x(12 * year).toFixed(1)} ${PLOT.low}v4`, class: "rule" });
    sketch(svg, "text", { x: x(12 * year).toFixed(1), y: PLOT.low + 18, "text-anchor": "middle" }, String(year));
  }
}
