// What the one-file map and the county page show of one lot, in the same order and words. A `lot` answers
// `text(column)`, "" without one, and `number(column)`, null without one; `curve` is the ground since the pour, or null.
import { about } from "./context.js";
import { fill, put, rounded, length, signedFinely, distance, percent } from "./page.js";
import { growth } from "./growth.js";
import { BARS, three, answers, whatifYears, heading, steps, stepText, typicalLot } from "./tell.js";

export const said = (kind, code) => about.words[kind][code] || code;

export function tellLot(box, lot, place, past) { // `place`: latitude and longitude or null; `past` adds the history, if any
  const code = lot.text("state"), first = put(box, "dl");
  if (code) noNumber(first, lot, code); else questions(first, lot);
  if (!code) why(box, lot);
  growth(box, lot);
  const where = put(box, "dl");
  pourRow(where, lot);
  placeRow(where, place);
  cautions(box, lot, code);
  if (!code) numbers(put(box, "dl"), lot);
  past();
  const rest = put(box, "dl");
  soilAndSlab(rest, lot);
  const flags = lot.text("flags").split(";").filter(Boolean);
  if (!flags.length) return;
  const notes = put(row(rest, "Notes", null), "ul");
  flags.forEach((flag) => put(notes, "li", about.words.flags[flag] || flag));
}

function noNumber(facts, lot, code) {
  let reason = lot.text("state_reason");
  if (!reason.includes(about.cautions.not_low)) {
    reason = (reason ? reason.replace(/\.?$/, ". ") : "") + about.cautions.not_low;
  }
  put(row(facts, "No estimate", null), "strong", about.states[code] || code);
  row(facts, "Why", reason);
}

function questions(facts, lot) { // an answer in words, and its range as a bar
  for (const { question, name, answer } of answers(lot)) {
    const cell = row(facts, name, null);
    put(cell, "span", answer);
    if (question in BARS) rangeBar(cell, three(lot, BARS[question]));
    else put(cell, "div", [whatifYears(lot.text("cell_id")), about.cautions.whatif].filter(Boolean).join(" "), "note");
  }
  row(facts, "Bars", null).append("A bar covers 80 % of the model runs. All lots use the same scale.");
}

function why(box, lot) { // from the typical lot to this one; what nearly all lots share is said once, below the map
  if (lot.number("typical_lot_mm") === null) return;
  put(box, "h3", heading(lot));
  const list = put(box, "ul", null, "why");
  for (const step of steps(lot)) {
    const item = put(list, "li", null, step.kind);
    put(item, "span", stepText(step), "value");
    put(item, "span", " " + step.label);
  }
  put(box, "p", typicalLot(), "note");
}

function pourRow(facts, lot) {
  const early = lot.text("pour_from"), late = lot.text("pour_to");
  if (early) row(facts, "Pour date", `${early === late ? early : early + " to " + late}, ${said("pour_basis", lot.text("pour_date_basis"))}`);
}

function placeRow(facts, place) { // text to copy, and the link of RFC 5870, which a program of the reader's may take up
  if (!place) { row(facts, "On the map", "not drawn: the row has no usable shape"); return; }
  const [latitude, longitude] = place.map((v) => v.toFixed(5).replace(/^-(0\.0+)$/, "$1")), cell = row(facts, "Latitude, longitude", null);
  put(cell, "span", `${latitude}, ${longitude}`, "copy");
  Object.assign(put(cell, "a", "Open in maps"), { href: `geo:${latitude},${longitude}`, title: "Opens in a map program of this device, if it has one" });
}

function cautions(box, lot, code) {
  const c = about.cautions, early = lot.text("pour_from"), late = lot.text("pour_to"), lines = [c.main];
  if (!code && early !== late) lines.push(fill(c.date, { basis: said("pour_basis", lot.text("pour_date_basis")), lo: early, hi: late }));
  if (c.soil) lines.push(soilCaution());
  lines.push(c.not_seen);
  const block = put(box, "div", null, "cautions");
  lines.forEach((line) => put(block, "p", line));
}

export const soilCaution = () => fill(about.cautions.soil, { width: distance(about.soil.width_m) });

// "All" only where every model run agrees: a share that would be rounded to 100 % is shown as 99 %.
const agreeing = (share) => (share >= 1 ? about.words.agree.all
  : about.words.agree.some.replace("{share}", Math.min(Math.floor((Math.round(1000 * share) + 5) / 10), 99)));

function numbers(facts, lot) {
  row(facts, "Phase", `${said("phase", lot.text("phase"))} (${agreeing(lot.number("phase_probability"))}).`);
  const change = lot.number("change_of_now_mm"), before = about.change && (about.change.before === about.change.after ? "the other run" : about.change.before);
  if (change !== null) row(facts, "Change", `Since ${before}: bending ${signedFinely(change)}, expected ${signedFinely(lot.number("change_of_expected_mm"))}`);
  const month = lot.text("bend_largest_up_date");
  row(facts, "Largest so far", `middle high by ${length(lot.number("bend_largest_up_mm"))}${month ? ` (about ${month})` : ""}, ` +
    `edge high by ${length(Math.abs(lot.number("bend_largest_down_mm")))}`);
  const young = about.young[lot.text("pour_weather")];
  if (young) row(facts, "Young slab", young.replace("{share}", percent(lot.number("edge_high_pct") / 100))
    .replace("{down}", length(Math.abs(lot.number("bend_largest_down_mm")))));
  row(facts, "Edge, yearly swing", length(lot.number("seasonal_range_mm")) + ", ground at the slab edge");
  if (about.ground) row(facts, ...about.ground);
  tilt(facts, lot);
  row(facts, "Beyond length / 360", `In ${percent(lot.number("share_beyond_l360"))} of the model runs the slab bends by more than its length / 360 within 12 months. ` +
    "That is not the chance of damage.");
}

function tilt(facts, lot) {
  const t = (name) => lot.number("tilt_" + name + "_pct"), say = (v) => v.toFixed(1) + " %";
  if (t("now") === null) return;
  const cell = row(facts, "Tilt, side to side", `${say(t("now"))}, side not known`), what = put(cell, "ul");
  [["leak", "a leak on one side"], ["watering", "watering on one side"], ["tree", "a large tree on one side"]]
    .forEach(([name, words]) => put(what, "li", `${say(t(name))} with ${words} for two years`));
}

function soilAndSlab(facts, lot) {
  const { text, number } = lot;
  if (text("map_unit_name")) {
    const share = number("map_unit_share"), lep = number("linear_extensibility_pct");
    row(facts, "Soil unit", text("map_unit_name") + (share === null ? "" : `, ${percent(share)} of the lot`));
    if (lep !== null) row(facts, "Linear extensibility", `${lep.toFixed(1)} %, soil-survey class ${text("shrink_swell_class")}`);
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
  row(facts, "Data quality", said("quality", text("data_quality")));
}

function droughtRow(facts, lot) { // a day without a current map is not a day without drought
  const scale = about.scales.drought, category = lot.text("drought_category");
  if (!scale) return;
  const words = scale.words[scale.classes.indexOf(category)] || category;
  row(facts, "Drought category", category ? `${words} on the map of ${lot.text("drought_valid_date")}` : scale.missing);
}

// ---------------------------------------------------------------- facts of a lot
function row(parent, name, value) {
  put(parent, "dt", name);
  return put(parent, "dd", value);
}

function rangeBar(cell, [v, lo, hi]) { // a range as a bar with the ends of the run; the answer above it has the numbers
  const axis = about.axis_mm;
  if (v === null || lo === null || hi === null) return;
  const chart = put(cell, "div", null, "chart"), line = put(chart, "div", null, "bar"), ends = put(chart, "div", null, "ends");
  const at = (mm) => 100 * (mm - axis[0]) / (axis[1] - axis[0]) + "%";
  chart.setAttribute("aria-hidden", "true");
  const band = put(line, "i", null, "band");
  band.style.left = at(lo);
  band.style.width = 100 * (hi - lo) / (axis[1] - axis[0]) + "%";
  put(line, "i", null, "zero").style.left = at(0);
  put(line, "i", null, "median").style.left = at(v);
  if (axis[0] < 0) put(ends, "span", rounded(axis[0]));
  const zero = put(ends, "span", "0", "origin");
  zero.style.left = at(0);
  put(ends, "span", length(axis[1]), "last");
}
