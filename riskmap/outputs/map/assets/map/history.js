// The history strip of a lot: weather index, weekly category, slab.
import { about } from "../shared/context.js";
import { inWords, put, sketch } from "../shared/page.js";
import { side } from "../shared/tell.js";
import { monthNumber } from "./draw.js";
import { data } from "./state.js";

const STRIP = { width: 360, left: 42, index: [6, 62], weeks: [70, 80], slab: [90, 142], foot: 158 };
const LATELY = 24; // months of the second chart

export function strip(box, lot) { // the weather since the pour, in years; then the last two years with weeks and slab, in months
  const p = data.past, cell = data.text("cell_id", lot), today = monthNumber(about.today);
  const pour = data.text("pour_from", lot), from = pour ? monthNumber(pour) : null;
  const bars = indexOf(p.index, cell, from), weeks = weeksOf(p.weeks, cell, from), cut = cutByPour(p.history, lot);
  const slab = cut ? [] : slabOf(p.history, lot), unknown = pour && data.text("pour_date_basis", lot) === "none";
  if (!bars.length && !weeks.length && !slab.length) return;
  put(box, "h3", unknown ? "Weather since the earliest possible pour" : pour ? "Weather since the pour" : "Weather");
  if (bars.length) chart(box, { from: bars[0].month, today, ticks: yearsBetween, parts: [(svg, x) => indexStrip(svg, x, bars)] });
  if (cut) put(box, "p", "History of the slab is not shown: " + cut + ".", "note");
  const start = today - LATELY, late = (of) => of.filter((one) => one.month >= start);
  const parts = [[late(bars), indexStrip], [late(weeks), weekStrip], [late(slab), slabStrip]].filter(([of]) => of.length);
  if (!parts.length) return;
  put(box, "h3", "The last two years");
  chart(box, { from: start, today, ticks: monthsBetween, parts: parts.map(([of, draw]) => (svg, x) => draw(svg, x, of, lot)), low: slab.length });
}

function chart(box, { from, today, ticks, parts, low }) {
  const end = Math.max(today + 1, from + 12), x = (m) => STRIP.left + (STRIP.width - STRIP.left) * (m - from) / (end - from);
  const bottom = low ? STRIP.foot : STRIP.foot - STRIP.slab[1] + (parts.length > 1 ? STRIP.weeks[1] : STRIP.index[1]); // no empty space
  const svg = sketch(box, "svg", { viewBox: `0 0 ${STRIP.width} ${bottom + 4}`, role: "img", class: "strip" });
  const lines = parts.map((draw) => draw(svg, x)).filter(Boolean);
  for (const [month, text] of ticks(from, today)) {
    sketch(svg, "text", { x: Math.min(Math.max(x(month), STRIP.left), STRIP.width - 30).toFixed(1), y: bottom }, text);
  }
  svg.setAttribute("aria-label", lines.join(" "));
  lines.forEach((line) => put(box, "p", line, "note"));
}

function yearsBetween(from, to) { // round years, at most six of them
  const [first, last] = [Math.ceil(from / 12), Math.floor(to / 12)], step = [1, 2, 5, 10, 20, 50].find((n) => (last - first) / n < 6) || 100, found = [];
  for (let year = Math.ceil(first / step) * step; year <= last; year += step) found.push([12 * year, String(year)]);
  return found.length ? found : [[from, String(Math.floor(from / 12))]];
}

const MONTHS = ["January", "", "", "April", "", "", "July", "", "", "October", "", ""];

function monthsBetween(from, to) { // the first month of every half year, with its year
  const found = [];
  for (let m = Math.ceil(from / 6) * 6; m <= to; m += 6) found.push([m, `${MONTHS[m % 12].slice(0, 3)} ${Math.floor(m / 12)}`]);
  return found;
}

function indexOf(index, cell, from) {
  const at = index ? index.cells.indexOf(cell) : -1, first = at < 0 ? 0 : monthNumber(index.first), found = [];
  for (let m = 0; at >= 0 && m < index.months; m++) {
    const v = index.steps[at * index.months + m];
    if (v !== data.missing && (from === null || first + m >= from)) found.push({ month: first + m, value: v * index.step });
  }
  return found;
}

function weeksOf(weeks, cell, from) {
  const at = weeks ? weeks.cells.indexOf(cell) : -1;
  if (at < 0) return [];
  return weeks.dates.map((date, w) => ({ date, month: monthNumber(date) + (Number(date.slice(8)) - 1) / 31,
    category: weeks.classes[at * weeks.dates.length + w] })).filter((w) => w.category >= 0 && (from === null || w.month >= from));
}

// Past months are shown from the latest possible pour on. Where that cuts them short and the pour is known less closely
// than those months are long, they would begin at an assumption: the reason is returned, "" where they mean something.
function cutByPour(history, lot) {
  const early = data.text("pour_from", lot), late = data.text("pour_to", lot);
  if (!history || !early || data.text("state", lot) || history.value(lot, 0) !== null) return "";
  if (data.text("pour_date_basis", lot) === "none") return "pour date not known";
  return monthNumber(late) - monthNumber(early) >= history.months.length ? "pour date known too loosely" : "";
}

function slabOf(history, lot) {
  if (!history) return [];
  return history.months.map((name, m) => ({ month: monthNumber(name) + 1, name, value: history.value(lot, m) }))
    .filter((one) => one.value !== null);
}

const monthName = (m) => `${about.months[m % 12]} ${Math.floor(m / 12)}`;
const plain = (v) => (v > 0.05 ? "+" : "") + v.toFixed(1).replace("-0.0", "0.0").replace("-", "−");
const most = (of, better) => of.reduce((a, b) => (better(b.value, a.value) ? b : a));

function indexStrip(svg, x, bars) {
  if (!bars.length) return "";
  const [top, low] = STRIP.index, zero = (top + low) / 2, half = (low - top) / 2;
  const width = Math.max(x(bars[0].month + 1) - x(bars[0].month), 0.4).toFixed(2);
  for (const [wet, name] of [[true, "wet"], [false, "dry"]]) {
    const path = bars.filter((b) => (b.value > 0) === wet && b.value !== 0).map((b) => {
      const to = zero - half * Math.max(-1, Math.min(1, b.value / 3));
      return `M${x(b.month).toFixed(2)} ${zero}V${to.toFixed(1)}h${width}V${zero}z`;
    }).join("");
    sketch(svg, "path", { d: path, class: name });
  }
  sketch(svg, "path", { d: `M${STRIP.left} ${zero}H${STRIP.width}`, class: "axis" });
  sketch(svg, "text", { x: 0, y: top + 9 }, "+ wet");
  sketch(svg, "text", { x: 0, y: low }, "− dry");
  const dry = most(bars, (a, b) => a < b), wet = most(bars, (a, b) => a > b), last = bars[bars.length - 1];
  return `Index of rain less evaporation over 12 months (SPEI-12), ${monthName(bars[0].month)} to ${monthName(last.month)}: ` +
    `driest ${plain(dry.value)} (${monthName(dry.month)}), wettest ${plain(wet.value)} (${monthName(wet.month)}), last ${plain(last.value)}.`;
}

function weekStrip(svg, x, weeks, lot) { // the weeks are those of the climate cell; the lot can differ on the newest map
  if (!weeks.length) return "";
  const [top, low] = STRIP.weeks, scale = about.scales.drought;
  weeks.forEach((w, k) => {
    const to = k + 1 < weeks.length ? Math.min(weeks[k + 1].month, w.month + 0.5) : w.month + 0.25;
    sketch(svg, "rect", { x: x(w.month).toFixed(2), y: top, width: Math.max(x(to) - x(w.month), 0.5).toFixed(2), height: low - top,
      fill: scale.colors[w.category] });
  });
  const a = x(weeks[0].month), last = weeks[weeks.length - 1];
  sketch(svg, "rect", { x: a.toFixed(2), y: top, width: Math.max(x(last.month + 0.25) - a, 1).toFixed(2), height: low - top, class: "frame" });
  const worst = Math.max(...weeks.map((w) => w.category)), least = Math.min(...weeks.map((w) => w.category)), name = (c) => scale.words[c];
  const letters = least === worst ? scale.classes[worst] : least === 0 ? `to ${scale.classes[worst]}` : `${scale.classes[least]}–${scale.classes[worst]}`;
  sketch(svg, "text", { x: 0, y: low - 1 }, letters); // weeks are too narrow for letters of their own, and in grey their colours are one
  const own = data.text("drought_category", lot), at = scale.classes.indexOf(own);
  return `Weekly drought maps, ${inWords(weeks[0].date)} to ${inWords(last.date)}, in most of this climate cell: at most “${name(worst)}”, now ` +
    `“${name(last.category)}”` + (own ? `; at the lot “${name(at)}” on ${inWords(data.text("drought_valid_date", lot))}.` : ".");
}

function slabStrip(svg, x, slab) {
  if (!slab.length) return "";
  const [top, low] = STRIP.slab, high = most(slab, (a, b) => a > b), deep = most(slab, (a, b) => a < b);
  const above = Math.max(high.value, 5), below = Math.min(deep.value, -5);
  const y = (mm) => low - (low - top) * (mm - below) / (above - below);
  sketch(svg, "path", { d: `M${STRIP.left} ${y(0).toFixed(1)}H${STRIP.width}`, class: "axis" });
  sketch(svg, "path", { d: "M" + slab.map((s) => `${x(s.month).toFixed(2)} ${y(s.value).toFixed(1)}`).join("L"), class: "slab" });
  sketch(svg, "text", { x: 0, y: top + 9 }, "middle");
  sketch(svg, "text", { x: 0, y: low }, "edge");
  return `Slab, ${slab[0].name} to ${slab[slab.length - 1].name}: at its highest ${side(high.value)} (${high.name}), ` +
    `at its lowest ${side(deep.value)} (${deep.name}).`;
}
