// The whole area in a few figures, shown while no lot is chosen. The figures and words come with the data (town.py).
import { about } from "./context.js";
import { count, fill, length, put, rounded, sketch, unit } from "./page.js";

const GROUPS = { width: 360, left: 144, right: 340, row: 20, top: 6 };

export function town(box) {
  const t = about.town, w = t.words;
  put(box, "h2", w.heading);
  put(box, "p", w.choose, "note");
  if (!t.mm.length) return;
  const [low, middle, high] = t.mm.map(length), many = (group, code) => count(t[group][code] || 0);
  const lines = [fill(w.lots, { known: count(t.known), lots: count(t.lots) }), fill(w.middle, { name: about.tell.names.expected, middle }), fill(w.ends, { low, high }),
    fill(w.sides, { up: many("direction", "center_lift"), down: many("direction", "edge_lift"), level: many("direction", "near_level") })];
  if (t.phase.dome_growing) lines.push(fill(w.rising, { rising: many("phase", "dome_growing") }));
  if (about.change && about.change.moved) lines.push(fill(w.change, { ...about.change, ...about.change.moved, middle: length(about.change.moved.middle) }) + " " + about.change.why);
  const list = put(box, "ul", null, "five");
  lines.forEach((line) => put(list, "li", line));
  groupRows(box, w.by_soil, t.soils);
  if (t.more_soils) put(box, "p", fill(w.more_soils, { count: count(t.more_soils) }), "note");
  groupRows(box, fill(w.by_years, { soil: t.of_soil }), t.years);
}

function groupRows(box, title, rows) { // the median of each group as a dot, eight of ten lots as a bar
  if (rows.length < 2) return;
  const head = put(box, "h3", title), most = Math.max(...about.town.soils.map((row) => row.mm[2]), 1), foot = GROUPS.top + GROUPS.row * rows.length;
  put(head, "span", about.town.words.key, "key");
  const svg = sketch(box, "svg", { viewBox: `0 0 ${GROUPS.width} ${foot + 18}`, role: "img", class: "groups" });
  const x = (mm) => GROUPS.left + (GROUPS.right - GROUPS.left) * mm / most, { limits_mm: limits, colors } = about.scales.expected;
  limits.filter((mm) => mm < most).forEach((mm) => sketch(svg, "path", { d: `M${x(mm).toFixed(1)} ${GROUPS.top}V${foot}`, class: "rule" }));
  rows.forEach(({ name, lots, mm: [p10, middle, p90] }, k) => {
    const y = GROUPS.top + GROUPS.row * (k + 0.5), c = limits.filter((limit) => middle >= limit).length;
    sketch(svg, "text", { x: GROUPS.left - 8, y: y + 4, "text-anchor": "end" }, name.length > 20 ? name.slice(0, 19) + "…" : name);
    sketch(svg, "rect", { x: x(p10).toFixed(1), y: y - 3, width: Math.max(x(p90) - x(p10), 1).toFixed(1), height: 6, class: "range" });
    const dot = sketch(svg, "circle", { cx: x(middle).toFixed(1), cy: y, r: 5, fill: colors[c] });
    sketch(dot, "title", {}, `${name}: ${count(lots)} lots`);
  });
  let free = -Infinity;
  for (const mm of [0, ...limits.filter((limit) => limit < most)]) {
    if (x(mm) - free < 30) continue;
    free = x(mm);
    sketch(svg, "text", { x: x(mm).toFixed(1), y: foot + 14, "text-anchor": "middle" }, mm === 0 ? "0 " + unit() : rounded(mm));
  }
  svg.setAttribute("aria-label", `${title}: ` + rows.map(({ name, lots, mm }) => `${name}, ${count(lots)} lots, middle ${length(mm[1])}, ` +
    `8 of 10 from ${length(mm[0])} to ${length(mm[2])}`).join("; "));
}
