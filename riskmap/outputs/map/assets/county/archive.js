// Reads the one tile file of the county page in pieces. Formats: PMTiles 3 and vector tiles 2.1, both open
// specifications; blocks: see tiles.py.
import { about } from "../shared/context.js";
import { inflate, wholeNumbers } from "../shared/page.js";

const ROOM = 16384;
const LARGEST = 2 ** 26;
const KEPT_TILES = 64;
export class Refusal extends Error {}
export const DAMAGED = "The tile file is damaged or was cut off. Copy it again, or make it again with riskmap map --tiles.";

export const fromFile = (file) => ({
  async read(at, size) {
    const part = await file.slice(at, at + size).arrayBuffer()
      .catch(() => { throw new Refusal("The tile file changed or went away. Load this page again and choose it again."); });
    return new Uint8Array(part);
  },
});

export const fromServer = (address) => ({
  async read(at, size) {
    const answer = await fetch(address, { headers: { Range: `bytes=${at}-${at + size - 1}` }, credentials: "omit" })
      .catch(() => { throw new Refusal("The tile file cannot be reached: does riskmap map --serve still run?"); });
    if (answer.status !== 206) throw new Refusal(`The server answered ${answer.status} instead of a part of ${about.file}.`);
    return new Uint8Array(await answer.arrayBuffer());
  },
});

function reader(raw) { // variable-length whole numbers up to 2^53
  const at = { pos: 0, end: raw.length };
  at.number = () => {
    let value = 0, scale = 1, byte;
    do {
      if (at.pos >= raw.length || scale > 2 ** 49) throw new Refusal(DAMAGED);
      byte = raw[at.pos++];
      value += (byte & 0x7f) * scale;
      scale *= 128;
    } while (byte > 127);
    return value;
  };
  at.text = (size) => new TextDecoder().decode(raw.subarray(at.pos, at.pos += size));
  return at;
}

function directory(raw) {
  const r = reader(raw), n = r.number(), column = () => Array.from({ length: n }, r.number);
  if (n > 2 ** 22) throw new Refusal(DAMAGED);
  const id = column(), run = column(), size = column(), at = column();
  for (let k = 1; k < n; k++) id[k] += id[k - 1];
  for (let k = 0; k < n; k++) at[k] = at[k] ? at[k] - 1 : at[k - 1] + size[k - 1];
  return { id, run, size, at };
}

function entry(dir, id) {
  let low = 0, high = dir.id.length - 1;
  while (low <= high) {
    const mid = (low + high) >> 1;
    if (dir.id[mid] <= id) low = mid + 1; else high = mid - 1;
  }
  if (high < 0 || (dir.run[high] && id >= dir.id[high] + dir.run[high])) return null;
  return { size: dir.size[high], at: dir.at[high], leaf: dir.run[high] === 0 };
}

function tileId(z, x, y) { // place on the Hilbert curve, after all smaller zooms
  let id = (4 ** z - 1) / 3;
  for (let side = 2 ** (z - 1); side >= 1; side /= 2) {
    const right = (x & side) > 0 ? 1 : 0, below = (y & side) > 0 ? 1 : 0;
    id += side * side * ((3 * right) ^ below);
    x &= side - 1;
    y &= side - 1;
    if (!below) {
      if (right) { x = side - 1 - x; y = side - 1 - y; }
      [x, y] = [y, x];
    }
  }
  return id;
}

const kept = (limit, make) => { // the answers used last
  const store = new Map();
  return (key, ...rest) => {
    const found = store.get(key) || make(key, ...rest);
    store.delete(key);
    store.set(key, found);
    found.catch(() => store.delete(key)); // a failure is not kept
    if (store.size > limit) store.delete(store.keys().next().value);
    return found;
  };
};

export async function open(source) {
  const first = await source.read(0, ROOM), view = new DataView(first.buffer);
  if (first.length < 127 || new TextDecoder().decode(first.subarray(0, 7)) !== "PMTiles" || first[7] !== 3) {
    throw new Refusal(`This is not a tile file of riskmap. Choose ${about.file}, which came with this page.`);
  }
  const long = (at) => view.getUint32(at, true) + view.getUint32(at + 4, true) * 2 ** 32;
  const [rootAt, rootSize, metaAt, metaSize, leafAt, , dataAt] = [8, 16, 24, 32, 40, 48, 56].map(long);
  if (first[97] !== 2 || first[98] !== 2 || rootAt + rootSize > ROOM) throw new Refusal(DAMAGED);
  const part = async (at, size) => { // one compressed part; whatever is wrong with it, the file is damaged
    if (!(size > 0) || size > LARGEST) throw new Refusal(DAMAGED);
    const raw = await source.read(at, size);
    if (raw.length !== size) throw new Refusal(DAMAGED);
    return inflate(raw).catch(() => { throw new Refusal(DAMAGED); });
  };
  const root = directory(await inflate(first.subarray(rootAt, rootAt + rootSize)).catch(() => { throw new Refusal(DAMAGED); }));
  const told = new TextDecoder().decode(await part(metaAt, metaSize));
  let meta;
  try { meta = JSON.parse(told).riskmap || {}; } catch { throw new Refusal(DAMAGED); }
  if (!meta.archive) throw new Refusal(`This tile file was not made by riskmap. Choose ${about.file}, which came with this page.`);
  if (meta.archive !== about.archive) {
    throw new Refusal(`This tile file belongs to another run (content ${meta.archive}; this page belongs to ${about.archive}). ` +
      `Choose the ${about.file} that came with this page.`);
  }
  const leaf = kept(16, async (at, size) => directory(await part(leafAt + at, size)));
  const texts = JSON.parse(new TextDecoder().decode(await part(...meta.blocks.texts)));
  return {
    meta, texts,
    tile: kept(KEPT_TILES, async (key, z, x, y) => {
      const id = tileId(z, x, y);
      let found = entry(root, id);
      if (found && found.leaf) found = entry(await leaf(found.at, found.size), id);
      return found ? decode(await part(dataAt + found.at, found.size)) : {};
    }),
    block: kept(48, async (key, kind, k) => columns(await part(...meta.blocks[kind][k]))),
  };
}

function columns(raw) { // JSON header with texts, then zigzag numbers in four byte planes
  const size = new DataView(raw.buffer).getUint32(0, true);
  const head = JSON.parse(new TextDecoder().decode(raw.subarray(4, 4 + size))), made = { ...head.texts }, n = head.n;
  let at = 4 + size;
  for (const name of head.numbers) {
    made[name] = wholeNumbers(raw, at, n);
    at += 4 * n;
  }
  return made;
}

// ---------------------------------------------------------------- vector tiles
function decode(raw) {
  const r = reader(raw), found = {};
  while (r.pos < raw.length) {
    if (r.number() !== 0x1a) throw new Refusal(DAMAGED);
    const end = r.number() + r.pos, layer = decodeLayer(r, end);
    found[layer.name] = layer;
  }
  return found;
}

function decodeLayer(r, end) {
  const layer = { name: "", extent: 4096 }, at = [], keys = [], values = [];
  while (r.pos < end) {
    const field = r.number(), size = (field & 7) === 2 ? r.number() : 0, from = r.pos;
    if (field === 0x0a) layer.name = r.text(size);
    else if (field === 0x12) { at.push(from, from + size); r.pos = from + size; }
    else if (field === 0x1a) keys.push(r.text(size));
    else if (field === 0x22) { r.number(); values.push(signedNumber(r.number())); r.pos = from + size; }
    else if (field === 0x28) layer.extent = r.number();
    else if ((field & 7) === 0) r.number();
    else r.pos = from + size;
  }
  const n = layer.n = at.length / 2, x = [], y = [], ringStart = [], lotStart = new Uint32Array(n + 1);
  layer.ids = new Uint32Array(n);
  layer.tags = {};
  keys.forEach((key) => { layer.tags[key] = new Int32Array(n).fill(-(2 ** 30)); });
  layer.box = new Int32Array(4 * n);
  for (let k = 0; k < n; k++) {
    lotStart[k] = ringStart.length;
    r.pos = at[2 * k];
    while (r.pos < at[2 * k + 1]) {
      const field = r.number();
      if (field === 0x08) layer.ids[k] = r.number();
      else if (field === 0x12) {
        for (const stop = r.number() + r.pos; r.pos < stop;) layer.tags[keys[r.number()]][k] = values[r.number()];
      } else if (field === 0x22) rings(r, r.number() + r.pos, x, y, ringStart);
      else r.number();
    }
    let a = Infinity, b = Infinity, c = -Infinity, d = -Infinity;
    for (let i = ringStart[lotStart[k]]; i < x.length; i++) {
      a = Math.min(a, x[i]); b = Math.min(b, y[i]); c = Math.max(c, x[i]); d = Math.max(d, y[i]);
    }
    layer.box.set([a, b, c, d], 4 * k);
  }
  r.pos = end;
  lotStart[n] = ringStart.length;
  ringStart.push(x.length);
  return Object.assign(layer, { lotStart, ringStart: Uint32Array.from(ringStart), x: Int32Array.from(x), y: Int32Array.from(y) });
}

const signedNumber = (z) => (z % 2 ? -(z + 1) / 2 : z / 2);

function rings(r, end, x, y, ringStart) {
  let px = 0, py = 0;
  while (r.pos < end) {
    const command = r.number(), times = Math.floor(command / 8);
    if ((command & 7) === 7) continue;
    if ((command & 7) === 1) ringStart.push(x.length);
    for (let k = 0; k < times; k++) {
      x.push(px += signedNumber(r.number()));
      y.push(py += signedNumber(r.number()));
    }
  }
}
