// Why a lot's estimate is what it is: bars from the typical lot to this one, and the largest reason in a sentence.
import { about } from "./context.js";
import { fill, length, put } from "./page.js";
import { heading, steps, stepText, typicalLot } from "./tell.js";

export function mostly(lot) { // one sentence: more or less than the typical lot, and the largest reason for it
  if (lot.number("typical_lot_mm") === null) return "";
  const lines = steps(lot), typical = lines[0].mm, more = lines[lines.length - 1].mm - typical;
  const own = lines.filter((line) => line.kind === "reason" && line.mm * more > 0).sort((p, q) => Math.abs(q.mm) - Math.abs(p.mm));
  const kind = !own.length || !/[1-9]/.test(length(Math.abs(more))) ? "alike" : more > 0 ? "more" : "less";
  return fill(about.why[kind], { typical: length(typical), reason: own.length ? own[0].label : "", part: own.length ? stepText(own[0]) : "" });
}

export function waterfall(box, lot) {
  if (lot.number("typical_lot_mm") === null) return;
  put(box, "h3", heading(lot));
  const list = put(box, "ul", null, "why"), lines = steps(lot), spans = spansOf(lines);
  const ends = spans.flat(), low = Math.min(0, ...ends), high = Math.max(...ends, 1);
  const at = (mm) => (100 * (mm - low) / (high - low)).toFixed(2) + "%";
  lines.forEach((line, k) => {
    const item = put(list, "li", null, line.kind);
    put(item, "span", line.label, "label");
    const bar = put(put(item, "span", null, "track"), "i", null, line.kind + (line.mm < 0 ? " minus" : " plus"));
    if (line.kind === "lot") bar.style.background = colorOf(line.mm);
    bar.style.left = at(Math.min(...spans[k]));
    bar.style.width = (100 * Math.abs(spans[k][1] - spans[k][0]) / (high - low)).toFixed(2) + "%";
    put(item, "span", " " + stepText(line), "value");
  });
  put(box, "p", about.why.note, "note");
  put(box, "p", typicalLot(), "note");
}

function colorOf(mm) { // that of the map
  const { limits_mm: limits, colors } = about.scales.expected;
  return colors[limits.filter((limit) => mm >= limit).length];
}

function spansOf(lines) { // where each bar begins and ends: the first and the last begin at zero, every other at the end of the one before
  let sum = 0;
  return lines.map(({ kind, mm }) => {
    const from = ["typical", "lot"].includes(kind) ? 0 : sum;
    sum = from + mm;
    return [from, sum];
  });
}
