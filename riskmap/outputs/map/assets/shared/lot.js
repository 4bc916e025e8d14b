// What the one-file map and the county page show of one lot, in the same order and words. A `lot` answers
// `text(column)`, "" without one, and `number(column)`, null without one; `curve` is the ground since the pour, or null.
import { about } from "./context.js";
import { fill, inWords, put, rounded, length, signedFinely, spanned, distance, percent, sketch, unit, units } from "./page.js";
import { growth } from "./growth.js";
import { section } from "./section.js";
import { three, answers, side, whatifYears, zero } from "./tell.js";
import { mostly, waterfall } from "./waterfall.js";

export const said = (kind, code) => about.words[kind][code] || code;

// Estimate and one sentence why; now and next; why; section; ground; history; place and data; then, folded, cautions and all numbers.
export function tellLot(box, lot, place, past) { // `place`: latitude and longitude or null; `past` adds the history, if any
  const code = lot.text("state"), [first, second, third, last] = ["answers", "reasons", "ground", "facts"].map((name) => put(box, "div", null, "part " + name)); // columns on paper
  put(first, "p", poured(lot), "note");
  if (code) noNumber(put(first, "dl"), lot, code); else estimate(first, lot);
  if (!code) waterfall(second, lot);
  if (!code) later(second, lot);
  if (!code) section(second, lot);
  growth(third, lot);
  past(third);
  const where = put(last, "dl");
  pourRow(where, lot);
  soilAndSlab(where, lot);
  placeRow(where, place);
  cautions(last, lot, code);
  const rest = put(folded(last, "All numbers of this lot"), "dl");
  if (!code) numbers(rest, lot);
  const flags = lot.text("flags").split(";").filter(Boolean);
  if (flags.length) {
    const notes = put(row(rest, "Notes", null), "ul");
    flags.forEach((flag) => put(notes, "li", about.words.flags[flag] || flag));
  }
  if (!rest.children.length) rest.parentNode.remove();
}

function folded(box, title, className) {
  const part = put(box, "details", null, className);
  put(part, "summary", title);
  return part;
}

function poured(lot) { // the lot in a line: pour and soil
  const early = lot.text("pour_from").slice(0, 4), late = lot.text("pour_to").slice(0, 4), soil = lot.text("map_unit_name").split(",")[0];
  const when = !early || lot.text("pour_date_basis") === "none" ? "Pour date not known" : `Poured ${early === late ? early : early + " to " + late}`;
  const swell = lot.text("shrink_swell_class");
  return when + (soil ? `; ${soil}` : "") + (swell ? `, ${swell} shrink-swell` : "");
}

function noNumber(facts, lot, code) {
  let reason = lot.text("state_reason");
  if (!reason.includes(about.cautions.not_low)) {
    reason = (reason ? reason.replace(/\.?$/, ". ") : "") + about.cautions.not_low;
  }
  put(row(facts, "No estimate", null), "strong", about.states[code] || code);
  row(facts, "Why", reason);
}

function estimate(box, lot) { // the one number, its range on the classes of the map, and the other questions in words
  const told = Object.fromEntries(answers(lot).map((one) => [one.question, one])), { name, answer } = told.expected;
  const [value, ...ends] = three(lot, "expected_movement_mm"), head = put(box, "div", null, "estimate");
  put(head, "p", name, "question");
  put(head, "p", length(value), "figure");
  put(head, "p", answer, "answer");
  classBar(head, value, ends);
  const why = mostly(lot), facts = put(box, "dl");
  if (why) put(head, "p", why, "mostly");
  for (const question of ["now", "next"]) row(facts, told[question].name, told[question].answer);
}

function later(box, lot) { // the two questions that can wait until the reasons are read
  const told = Object.fromEntries(answers(lot).map((one) => [one.question, one])), facts = put(box, "dl", null, "later");
  for (const question of ["long_run", "whatif"]) row(facts, told[question].name, told[question].answer);
  put(box, "p", [whatifYears(lot.text("cell_id")), about.cautions.whatif].filter(Boolean).join(" "), "note");
}

function classBar(box, value, [low, high]) { // the classes of the map from zero on, the range below them, and a line at the middle
  const { colors, limits_mm: limits } = about.scales.expected, most = Math.max(about.axis_mm[1], limits[limits.length - 1] * 1.2);
  if (low === null || high === null) return;
  const svg = sketch(box, "svg", { viewBox: "0 0 360 46", class: "class-bar", "aria-hidden": "true" });
  const x = (mm) => (358 * Math.min(mm, most) / most + 1).toFixed(1);
  colors.forEach((color, c) => {
    const from = c ? limits[c - 1] : 0, to = c < limits.length ? limits[c] : most;
    if (from < most) sketch(svg, "rect", { x: x(from), y: 4, width: x(to) - x(from), height: 12, fill: color, class: "class" });
  });
  sketch(svg, "rect", { x: x(low), y: 20, width: Math.max(x(high) - x(low), 2).toFixed(1), height: 7, class: "range" });
  sketch(svg, "rect", { x: (x(value) - 1.5).toFixed(1), y: 0, width: 3, height: 29, class: "median" });
  const taken = [];
  for (const mm of [0, ...limits.slice().reverse()]) {
    const place = Number(x(mm));
    if (mm >= most || place > 338 || (mm && place < 46) || taken.some((other) => Math.abs(other - place) < 32)) continue;
    taken.push(place);
    sketch(svg, "text", { x: place, y: 42, "text-anchor": mm ? "middle" : "start" }, mm ? rounded(mm) : "0 " + unit());
  }
}

function pourRow(facts, lot) {
  const early = lot.text("pour_from"), late = lot.text("pour_to");
  if (early) row(facts, "Pour", `${spanned(early, late)}, ${said("pour_basis", lot.text("pour_date_basis"))}`);
}

function placeRow(facts, place) { // text to copy, and the link of RFC 5870, which a program of the reader's may take up
  if (!place) { row(facts, "On the map", "not drawn: the row has no usable shape"); return; }
  const [latitude, longitude] = place.map((v) => v.toFixed(5).replace(/^-(0\.0+)$/, "$1")), cell = row(facts, "Latitude, longitude", null);
  put(cell, "span", `${latitude}, ${longitude}`, "copy");
  Object.assign(put(cell, "a", "Open in maps"), { href: `geo:${latitude},${longitude}`, title: "Opens in a map program of this device, if it has one" });
}

function cautions(box, lot, code) {
  const c = about.cautions, early = lot.text("pour_from"), late = lot.text("pour_to"), lines = [c.main];
  if (!code && early !== late) lines.push(fill(c.date, { basis: said("pour_basis", lot.text("pour_date_basis")), lo: inWords(early), hi: inWords(late) }));
  if (c.soil) lines.push(soilCaution());
  lines.push(c.not_seen);
  const block = folded(box, "Cautions: what this estimate does not know", "cautions");
  lines.forEach((line) => put(block, "p", line));
}

export const soilCaution = () => fill(about.cautions.soil, { width: distance(about.soil.width_m) });

// "All" only where every model run agrees: a share that would be rounded to 100 % is shown as 99 %.
const agreeing = (share) => (share >= 1 ? about.words.agree.all
  : about.words.agree.some.replace("{share}", Math.min(Math.floor((Math.round(1000 * share) + 5) / 10), 99)));

function largest(lot) { // a side that is shown as zero is left out
  const [up, down] = ["up", "down"].map((way) => lot.number(`bend_largest_${way}_mm`)), month = lot.text("bend_largest_up_date");
  const told = [zero(up) ? "" : `${side(up)}${month ? ` (about ${inWords(month)})` : ""}`, zero(down) ? "" : side(down)];
  return told.filter(Boolean).join(", ") || about.tell.level;
}

function numbers(facts, lot) {
  row(facts, "Phase", `${said("phase", lot.text("phase"))} (${agreeing(lot.number("phase_probability"))}).`);
  const change = lot.number("change_of_now_mm"), before = about.change && (about.change.before === about.change.after ? "the other run" : about.change.before);
  if (change !== null) row(facts, "Change", `Since ${before}: bending ${signedFinely(change)}, expected ${signedFinely(lot.number("change_of_expected_mm"))}. ${about.change.why}`.trim());
  row(facts, "Largest so far", largest(lot));
  const young = about.young[lot.text("pour_weather")];
  const down = Math.abs(lot.number("bend_largest_down_mm"));
  if (young) row(facts, "Young slab", young.replace(zero(down) ? about.young_most : "", "")
    .replace("{share}", percent(lot.number("edge_high_pct") / 100)).replace("{down}", length(down)));
  row(facts, "Edge, yearly swing", length(lot.number("seasonal_range_mm")) + ", ground at the slab edge");
  if (about.ground) row(facts, ...about.ground);
  tilt(facts, lot);
  row(facts, "Beyond length / 360", `In ${percent(lot.number("share_beyond_l360"))} of the model runs the slab bends by more than its length / 360 within 12 months. ` +
    "That is not the chance of damage.");
}

function tilt(facts, lot) {
  const t = (name) => lot.number("tilt_" + name + "_pct"), say = (v) => v.toFixed(1) + " %";
  if (t("now") === null) return;
  const cell = row(facts, "Tilt, size", `${say(t("now"))}, side not known`), what = put(cell, "ul");
  [["leak", "a leak on one side"], ["watering", "watering on one side"], ["tree", "a large tree on one side"]]
    .forEach(([name, words]) => put(what, "li", `${say(t(name))} with ${words} for two years`));
}

function soilAndSlab(facts, lot) {
  const { text, number } = lot;
  if (text("map_unit_name")) {
    const share = number("map_unit_share"), lep = number("linear_extensibility_pct");
    const symbol = about.symbols[text("map_unit_name")];
    row(facts, "Soil", text("map_unit_name") + (symbol ? ` (${symbol})` : "") + (share === null ? "" : `, ${percent(share)} of the lot`));
    if (lep !== null) row(facts, "Shrink-swell", `${text("shrink_swell_class")}, ${fill(about.swell.text, { pct: lep.toFixed(1), depths: about.swell[units.now] })}`);
  }
  if (number("soil_line_distance_m") !== null) {
    const share = number("neighbor_unit_share");
    row(facts, "Nearest soil boundary", `${distance(number("soil_line_distance_m"))} away` + (text("neighbor_unit_name")
      ? `; beyond it ${text("neighbor_unit_name")}` : "") + (share >= 0.01 ? ` (${percent(share)} likely under the slab)` : ""));
  }
  if (number("covered_pct") !== null) row(facts, "Soil described", `${number("covered_pct")} % of the lot`);
  if (number("slab_width_m") !== null) {
    row(facts, "Slab", `${distance(number("slab_width_m"))} short side, ${said("slab_class", text("slab_class"))}`);
  }
  row(facts, "Weather from", said("weather_source", text("weather_source")));
  droughtRow(facts, lot);
  row(facts, "Data", said("quality", text("data_quality")));
}

function droughtRow(facts, lot) { // a day without a current map is not a day without drought
  const scale = about.scales.drought, category = lot.text("drought_category");
  if (!scale) return;
  const words = scale.words[scale.classes.indexOf(category)] || category;
  row(facts, "Drought category", category ? `${words} on the map of ${inWords(lot.text("drought_valid_date"))}` : scale.missing);
}

// ---------------------------------------------------------------- facts of a lot
function row(parent, name, value) {
  put(parent, "dt", name);
  return put(parent, "dd", value);
}
