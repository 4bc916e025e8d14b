// Reads the data block of the map page.
import { TILE, inflate, running, wholeNumbers } from "../shared/page.js";

export async function unpack(base64) {
  const text = atob(base64.trim());
  const packed = new Uint8Array(text.length);
  for (let i = 0; i < text.length; i++) packed[i] = text.charCodeAt(i);
  return inflate(packed);
}

function summed(steps) {
  for (let i = 1; i < steps.length; i++) steps[i] += steps[i - 1];
  return steps;
}

export function read(raw) {
  const headLength = new DataView(raw.buffer).getUint32(0, true);
  const head = JSON.parse(new TextDecoder().decode(raw.subarray(4, 4 + headLength)));
  const array = {}, entries = {};
  let at = 4 + headLength;
  for (const entry of head.arrays) {
    array[entry.name] = wholeNumbers(raw, at, entry.length);
    entries[entry.name] = entry;
    at += 4 * entry.length;
    if (entry.base) unpredict(array[entry.name], array[entry.base], entry, head.missing);
  }
  summed(array.row);
  const place = (name, lot) => array[name][entries[name].shared ? array.row[lot] : lot];
  return {
    n: head.lots, ids: ids(head, array), about: head.about, texts: head.texts, row: array.row, missing: head.missing,
    shape: shapes(array, "", head.degree_step, head.lots), column: (name) => array[name], entry: (name) => entries[name],
    has: (name) => name in entries, past: past(head, array),
    number(name, lot) {
      const v = place(name, lot);
      return v === head.missing ? null : v * entries[name].step;
    },
    text: (name, lot) => head.texts[name][place(name, lot)],
  };
}

function unpredict(left, base, entry, missing) {
  for (let i = 0; i < left.length; i++) {
    if (left[i] !== missing && base[i] !== missing) left[i] += Math.floor(base[i] * entry.slope + entry.offset + 0.5);
  }
}

function ids(head, array) {
  const place = summed(array.id_head), number = summed(array.id_number), digits = array.id_digits;
  return Array.from(place, (h, k) => head.heads[h] + (digits[k] ? String(number[k]).padStart(digits[k], "0") : ""));
}

function past(head, array) { // past months, ground since the pour, drought shapes, soil boundaries, indices: null where the file has none
  const of = { history: null, growth: null, drought: null, lines: null, context: null, index: null, weeks: null, ...head.past };
  if (of.history) {
    const { series, months } = of.history, n = series, steps = array.history_steps;
    for (let i = n; i < n * months.length; i++) steps[i] += steps[i - n];
    const lot = summed(array.history_series), first = array.history_first;
    of.history.value = (k, m) => (lot[k] < 0 || m < first[lot[k]] ? null : steps[m * n + lot[k]] * of.history.step);
  }
  if (of.growth) {
    const curve = summed(array.growth_curve), years = array.growth_years, step = of.growth.step;
    const from = Array.from(summed(years.slice()), (end, k) => end - years[k]);
    of.growth.curve = (lot) => {
      const k = curve[lot], part = (name) => running(array[name].subarray(from[k], from[k] + years[k]), step);
      return k < 0 ? null : { pour: array.growth_pour[k], first: array.growth_first[k], middle: part("growth_middle"), edge: part("growth_edge") };
    };
  }
  if (of.drought) {
    of.drought.week = array.drought_week;
    of.drought.category = array.drought_class;
    of.drought.shape = shapes(array, "drought_", of.drought.degree_step, array.drought_week.length);
  }
  if (of.lines) of.lines.shape = shapes(array, "line_", of.lines.degree_step, array.line_rings.length);
  if (of.context) {
    of.context.shape = shapes(array, "context_", of.context.degree_step, array.context_rings.length);
    of.context.kind = array.context_kind;
    of.context.label = (k) => of.context.labels[array.context_labels[k]];
    of.context.layer = (k) => of.context.layers[array.context_layers[k]];
  }
  if (of.index) of.index.steps = array.index_steps;
  if (of.weeks) of.weeks.classes = array.week_classes;
  return of;
}

function shapes(array, prefix, step, n) { // world pixels at zoom 0, boxes and centres per shape
  const vertices = array[prefix + "vertices"], rings = array[prefix + "rings"];
  const dx = array[prefix + "x"], dy = array[prefix + "y"], total = dx.length;
  const x = new Float64Array(total), y = new Float64Array(total);
  for (let i = 0, lon = 0, lat = 0; i < total; i++) {
    lon += dx[i];
    lat += dy[i];
    const s = Math.sin(lat * step * Math.PI / 180);
    x[i] = (lon * step + 180) / 360 * TILE;
    y[i] = (0.5 - Math.log((1 + s) / (1 - s)) / (4 * Math.PI)) * TILE;
  }
  const ringStart = new Uint32Array(vertices.length + 1);
  for (let r = 0; r < vertices.length; r++) ringStart[r + 1] = ringStart[r] + vertices[r];
  const lotStart = new Uint32Array(n + 1);
  for (let k = 0; k < n; k++) lotStart[k + 1] = lotStart[k] + rings[k];
  const box = new Float64Array(4 * n), all = [Infinity, Infinity, -Infinity, -Infinity], sizes = [];
  for (let k = 0; k < n; k++) {
    let a = Infinity, b = Infinity, c = -Infinity, d = -Infinity;
    for (let i = ringStart[lotStart[k]]; i < ringStart[lotStart[k + 1]]; i++) {
      a = Math.min(a, x[i]); b = Math.min(b, y[i]); c = Math.max(c, x[i]); d = Math.max(d, y[i]);
    }
    box[4 * k] = a; box[4 * k + 1] = b; box[4 * k + 2] = c; box[4 * k + 3] = d;
    if (c < a) continue;
    all[0] = Math.min(all[0], a); all[1] = Math.min(all[1], b);
    all[2] = Math.max(all[2], c); all[3] = Math.max(all[3], d);
    if (k % 16 === 0 || n < 2000) sizes.push(Math.max(c - a, d - b));
  }
  sizes.sort((p, q) => p - q);
  const shape = { n, x, y, ringStart, lotStart, box, all, core: core(box, n), typical: sizes[sizes.length >> 1] || 0 };
  shape.has = (k) => box[4 * k + 2] >= box[4 * k];
  shape.grid = index(shape);
  return shape;
}

function core(box, n) { // box of the middle 98 % of the lots: a lone lot far away must not shrink all others to dots
  const sides = [0, 1, 2, 3].map((s) => {
    const of = new Float64Array(n);
    for (let k = 0; k < n; k++) of[k] = box[4 * k + s];
    return of.filter(Number.isFinite).sort();
  });
  const at = (s, share) => sides[s][Math.round(share * (sides[s].length - 1))];
  return [at(0, 0.01), at(1, 0.01), at(2, 0.99), at(3, 0.99)];
}

function index(shape) { // square cells over the extent; a lot is in every cell that its box touches
  const { n, box, all } = shape;
  const side = Math.max(1, Math.min(512, Math.ceil(Math.sqrt(n) / 2)));
  const w = Math.max((all[2] - all[0]) / side, 1e-12), h = Math.max((all[3] - all[1]) / side, 1e-12);
  const clamp = (v) => Math.max(0, Math.min(side - 1, Math.floor(v)));
  const span = (a, b, c, d) => [clamp((a - all[0]) / w), clamp((b - all[1]) / h),
    clamp((c - all[0]) / w), clamp((d - all[1]) / h)];
  const start = new Uint32Array(side * side + 1), wide = [], stamp = new Uint32Array(n);
  const each = (act) => {
    for (let k = 0; k < n; k++) {
      if (!shape.has(k)) continue;
      const [i0, j0, i1, j1] = span(box[4 * k], box[4 * k + 1], box[4 * k + 2], box[4 * k + 3]);
      if ((i1 - i0 + 1) * (j1 - j0 + 1) > 64) act(k, -1);
      else for (let j = j0; j <= j1; j++) for (let i = i0; i <= i1; i++) act(k, j * side + i);
    }
  };
  each((k, cell) => { if (cell < 0) wide.push(k); else start[cell + 1]++; });
  for (let c = 0; c < side * side; c++) start[c + 1] += start[c];
  const next = start.slice(), member = new Uint32Array(start[side * side]);
  each((k, cell) => { if (cell >= 0) member[next[cell]++] = k; });
  let asked = 0;
  return function query(a, b, c, d) {
    const found = [], now = ++asked;
    if (c < all[0] || a > all[2] || d < all[1] || b > all[3]) return found;
    const take = (k) => {
      if (stamp[k] === now) return;
      stamp[k] = now;
      if (box[4 * k] <= c && box[4 * k + 2] >= a && box[4 * k + 1] <= d && box[4 * k + 3] >= b) found.push(k);
    };
    wide.forEach(take);
    const [i0, j0, i1, j1] = span(a, b, c, d);
    for (let j = j0; j <= j1; j++) for (let i = i0; i <= i1; i++) {
      for (let m = start[j * side + i]; m < start[j * side + i + 1]; m++) take(member[m]);
    }
    return found.sort((p, q) => p - q); // file order: a later row lies on top, whatever the tile
  };
}
