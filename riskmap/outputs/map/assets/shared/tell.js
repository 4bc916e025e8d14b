// What a lot's numbers say, as answers to questions, and why. The words come with the data of the page (telling.py,
// waterfall.py); this fills them in the unit of the page, by the same rules as there.
import { about } from "./context.js";
import { fill, count, units, length } from "./page.js";

export const zero = (mm) => !/[1-9]/.test(length(mm));
const calibrated = (lot) => lot.number("calibrated_long_run_mm") !== null;
const sentence = (name, lot) => about.tell[calibrated(lot) ? name + "_calibrated" : name];
const asModelled = (answer, lot) => (calibrated(lot) ? fill(about.tell.as_modelled, { answer }) : answer);
const bare = (mm) => length(mm).replace(/ [^ ]*$/, "");

export function three(lot, column) { // median, p10, p90: calibrated where the lot has it, else the model's
  const before = lot.number("calibrated_" + column) === null ? "" : "calibrated_";
  return ["", "_p10", "_p90"].map((end) => lot.number(before + column + end));
}

function sizeOf(lot, column) { // 1.8 in calibrated (1.4 in as modelled), or the model's alone
  const modelled = length(lot.number(column)), value = lot.number("calibrated_" + column);
  return value === null ? modelled : fill(about.tell.calibrated, { figure: length(value), modelled });
}

export function side(mm) { // a bending with its direction
  if (zero(mm)) return about.tell.level;
  return fill(about.tell[mm > 0 ? "middle_high" : "edge_high"], { size: length(Math.abs(mm)) });
}

function higher(mm) { // a change of bending with its direction
  if (zero(mm)) return about.tell.as_today;
  return fill(about.tell[mm > 0 ? "higher" : "lower"], { size: length(Math.abs(mm)) });
}

function sizes(low, high) { // a range of sizes without their unit, the smaller first
  const [a, b] = [Math.abs(low), Math.abs(high)].sort((p, q) => p - q);
  return fill(about.tell.range, { lo: bare(a), hi: bare(b) });
}

function range([middle, low, high], say) { // sizes where all have the sign of the middle, else each end with its side
  const same = [low, high].every((end) => zero(end) || (!zero(middle) && end * middle > 0));
  return same ? sizes(low, high) : fill(about.tell.range, { lo: say(low), hi: say(high) });
}

function sideNow(lot) { // near level is a word for the model's figure, as its direction is
  const modelled = lot.number("bend_now_mm"), [value] = three(lot, "bend_now_mm"), level = lot.text("direction") === "near_level";
  const own = side(modelled), told = !level ? own : zero(modelled) ? about.tell.near_level : fill(about.tell.near_level_side, { side: own });
  if (!calibrated(lot)) return told;
  const sameSide = !level && value * modelled > 0 && !zero(value) && !zero(modelled); // the side need not be said twice
  return fill(about.tell.calibrated, { figure: side(value), modelled: sameSide ? length(Math.abs(modelled)) : told });
}

function now(lot) {
  return fill(sentence("now", lot), { side: sideNow(lot), range: range(three(lot, "bend_now_mm"), side) });
}

function next(lot) {
  const rise = lot.number("rise_next_mm"), fall = lot.number("fall_next_mm"), values = three(lot, "change_next_mm");
  if (rise === null) return about.tell.not_computed;
  const seasons = fill(about.tell.seasons, { dry: thanToday(higher(rise)), wet: thanToday(higher(fall)) });
  const after = fill(about.tell.after, { higher: higher(values[0]), range: range(values, higher) });
  return asModelled(fill(about.tell.next, { moves: zero(rise) && zero(fall) ? about.tell.still : seasons, month: about.tell.last_month, after }), lot);
}

const thanToday = (told) => (told === about.tell.as_today ? told : fill(about.tell.than_today, { higher: told }));

function expected(lot) {
  const [, low, high] = three(lot, "expected_movement_mm"), code = lot.text("direction");
  const today = fill(about.tell.today, { size: length(Math.abs(lot.number("bend_now_mm"))), side: about.tell.direction[code] || code });
  return fill(sentence("expected", lot), { size: sizeOf(lot, "expected_movement_mm"), range: sizes(low, high),
    today: calibrated(lot) ? sideNow(lot) : today });
}

function longRun(lot) {
  const [, low, high] = three(lot, "long_run_mm");
  return fill(sentence("long_run", lot), { size: sizeOf(lot, "long_run_mm"), range: sizes(low, high),
    once: lot.text("phase") === about.tell.at_rest ? "" : about.tell.once });
}

function whatif(lot) {
  const years = ["dry", "average", "wet"].map((year) => [year, lot.number("whatif_" + year + "_mm")]);
  if (years[0][1] === null) return about.tell.not_computed;
  return asModelled(fill(about.tell.whatif, Object.fromEntries(years.map(([year, mm]) => [year, higher(mm)]))), lot);
}

export function answers(lot) { // question -> what stands before the answer, and the answer
  const told = { now: now(lot), next: next(lot), expected: expected(lot), long_run: longRun(lot), whatif: whatif(lot) };
  return Object.entries(told).map(([question, answer]) => ({ question, name: about.tell.names[question], answer }));
}

export function whatifYears(cell) {
  const years = about.whatif_years[cell] || [];
  return years.length === 3 ? fill(about.tell.whatif_years, { dry: years[0], average: years[1], wet: years[2] }) : "";
}

// ---------------------------------------------------------------- why
function part(mm) { // signed, finer than a movement is shown, so that parts add up
  const [value, digits, name] = units.now === "us" ? [mm / 25.4, 2, "in"] : [mm, 1, "mm"];
  const whole = Math.floor(Math.abs(value) * 10 ** digits + 0.5 + 1e-9); // half a step away from zero
  return (whole ? (value < 0 ? "−" : "+") : "") + (whole / 10 ** digits).toFixed(digits) + " " + name;
}

function named(name, mm) {
  return about.why.reasons[name][Math.abs(mm) < about.why.least_mm ? 2 : mm > 0 ? 0 : 1];
}

export function steps(lot) { // from the typical lot to this one, as in waterfall.py
  const names = Object.keys(about.why.reasons), mm = Object.fromEntries(names.map((name) => [name, lot.number("part_" + name + "_mm")]));
  const shared = about.why.shared.map((one) => one.name), total = (some) => some.reduce((sum, name) => sum + mm[name], 0);
  const others = names.filter((name) => !shared.includes(name)), own = others.filter((name) => Math.abs(mm[name]) >= about.why.least_mm);
  const rest = total(others.filter((name) => !own.includes(name)));
  const out = [{ kind: "typical", label: about.why.typical, mm: lot.number("typical_lot_mm") }];
  own.sort((p, q) => Math.abs(mm[q]) - Math.abs(mm[p])).forEach((name) => out.push({ kind: "reason", label: named(name, mm[name]), mm: mm[name] }));
  if (shared.length) out.push({ kind: "shared", mm: total(shared),
    label: fill(about.why.shared_label, { reasons: shared.map((name) => named(name, mm[name])).join(" and ") }) });
  if (Math.abs(rest) >= about.why.shown_mm) out.push({ kind: "small", label: about.why.small, mm: rest });
  out.push({ kind: "gaps", label: about.why.gaps, mm: lot.number("part_gaps_mm") });
  out.push({ kind: "lot", label: about.why.lot, mm: lot.number("expected_movement_mm") });
  return out;
}

export const stepText = (step) => (["typical", "lot"].includes(step.kind) ? part(step.mm).replace(/^\+/, "") : part(step.mm));
export const heading = (lot) => fill(about.why.heading, { typical: length(lot.number("typical_lot_mm")) });
export const typicalLot = () => fill(about.why.typical_lot, { typical_lot: about.why.of_typical[units.now] });

export function areaReasons() { // what nearly all lots share, said once for the area
  return about.why.shared.map((one) => fill(about.why.area, { count: count(one.lots), total: count(one.total),
    reason: named(one.name, one.median_mm), part: part(one.median_mm) }));
}
