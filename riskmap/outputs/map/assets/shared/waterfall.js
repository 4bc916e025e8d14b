// Why a lot's estimate is what it is: bars from the typical lot to this one, and the largest reason in a sentence.
import { about } from "./context.js";
import { fill, length, put } from "./page.js";
import { heading, steps, stepText, typicalLot } from "./tell.js";

export function mostly(lot) { // one sentence, as in waterfall.py: more or less than the typical lot, and the largest reasons for it
  if (lot.number("typical_lot_mm") === null) return "";
  const lines = steps(lot), [typical, own] = [lines[0], lines[lines.length - 1]].map((line) => length(line.mm));
  const reasons = lines.filter((line) => line.kind === "reason"), difference = lines[lines.length - 1].mm - lines[0].mm;
  const kind = typical === own ? "same" : difference > 0 ? "more" : "less";
  let chosen = reasons.filter((line) => line.mm * difference > 0).slice(0, 2);
  if (kind === "same") {
    const named = [1, -1].map((sign) => reasons.find((line) => line.mm * sign > 0));
    chosen = named.every(Boolean) ? named.sort((p, q) => Math.abs(q.mm) - Math.abs(p.mm)) : [];
  }
  const said = chosen.map((line) => `${line.label} (${stepText(line)})`).join(" and ");
  return fill(about.why[kind], { typical }) + (chosen.length ? fill(about.why[kind === "same" ? "set_off" : "because"], { reasons: said }) : ".");
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
    const track = put(item, "span", null, "track"), bar = put(track, "i", null, line.kind + (line.mm < 0 ? " minus" : " plus"));
    if (line.kind === "lot") bar.style.background = colorOf(line.mm);
    put(track, "b").style.left = at(0);
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
