// Classes, patterns, and the layers drawn on canvas tiles.
import { about } from "../shared/context.js";
import { TILE, BATCH, hatches, edgeOf, holds, length, signed, signedFinely } from "../shared/page.js";
import { MARK_FROM_PX, letters, lotMark } from "../shared/range.js";

const SMALL_PX = 3;
const CELL_PX = 4;
export const stateNames = (values) => Object.keys(values.states);

// Class number of every lot; after the classes come the states, then "no value here".
export function classify(data, scale, week) {
  const states = stateNames(data.about), k = scale.colors.length, code = new Uint8Array(data.n), row = data.row;
  const stateOf = data.column("state"), name = data.texts.state.map((s) => (states.includes(s) ? states.indexOf(s) : states.length));
  const own = classesOf(data, scale, week), none = k + states.length;
  for (let lot = 0; lot < data.n; lot++) {
    const c = own(lot);
    code[lot] = c >= 0 ? c : scale.column === "drought_category" ? none : k + name[stateOf[row[lot]]];
  }
  return code;
}

function classesOf(data, scale, week) { // function of a lot: its class, -1 without a value
  const limits = scale.limits_mm, classed = (v) => {
    if (v === null) return -1;
    let c = 0;
    while (c < limits.length && v >= limits[c]) c++;
    return c;
  };
  if (scale.column === "week_mm") {
    return (lot) => classed(data.past.history.value(lot, week));
  }
  const perRow = scale.unit === "share" || !data.has(scale.column) || data.entry(scale.column).shared;
  let of;
  if (scale.column === "age_years") {
    const age = ages(data);
    of = (r) => classed(age[r] < 0 ? null : age[r]);
  } else if (scale.classes.length) {
    const rank = data.texts[scale.column].map((text) => { // several values may share a class
      const at = scale.classes.indexOf(text);
      return at < 0 || !scale.class_of.length ? at : scale.class_of[at];
    }), column = data.column(scale.column);
    of = (r) => rank[column[r]];
  } else if (scale.unit === "share") { // the classes of all marks are digits of one number, the last mark last
    const column = data.column("share_classes"), base = scale.colors.length;
    const marks = Object.values(about.scales).map((other) => other.mark_mm).filter(Boolean);
    const digit = base ** (marks.length - 1 - marks.indexOf(scale.mark_mm));
    of = (r) => (column[r] === data.missing ? -1 : Math.floor(column[r] / digit) % base);
  } else {
    const column = data.column(scale.column), step = data.entry(scale.column).step;
    of = (r) => classed(column[r] === data.missing ? null : column[r] * step);
  }
  const n = perRow ? data.column("state").length : data.n, table = new Int8Array(n);
  for (let r = 0; r < n; r++) table[r] = of(r);
  return perRow ? (lot) => table[data.row[lot]] : (lot) => table[lot];
}

export const monthNumber = (text) => 12 * Number(text.slice(0, 4)) + Number(text.slice(5, 7)) - 1;

export function ages(data) { // years since the middle of the possible pour dates, per shared row; -1 when not known
  const now = monthNumber(data.about.today), basis = data.texts.pour_date_basis, ended = (t) => (t ? monthNumber(t) : NaN);
  const early = data.texts.pour_from.map(ended), late = data.texts.pour_to.map(ended);
  const e = data.column("pour_from"), l = data.column("pour_to"), b = data.column("pour_date_basis");
  return Float32Array.from(e, (code, r) => {
    const years = (now - (early[code] + late[l[r]]) / 2) / 12;
    return basis[b[r]] !== "none" && years >= 0 ? years : -1;
  });
}

export function paint(ctx, what, view) { // a colour, or a pattern that goes on from tile to tile
  if (typeof what === "string") return what;
  const pattern = ctx.createPattern(what, "repeat");
  if (view) pattern.setTransform(new DOMMatrix([1, 0, 0, 1, -(view.x * view.zoom) % what.width, -(view.y * view.zoom) % what.height]));
  return pattern;
}

function markText(scale, value) { // a number without its unit, which the legend has
  if (value === null) return "";
  const text = scale.column.startsWith("change_of_") ? signedFinely : scale.limits_mm[0] < 0 ? signed : length;
  return text(value).split(" ")[0];
}

function lotMarks(data, scale) { // function of a lot: what is written inside a large one; null for a layer without it
  if ((scale.unit !== "mm" || !scale.limits_mm.length) && scale.column !== "drought_category") return null;
  if (scale.column === "drought_category") return (lot) => ({ text: letters(data.text(scale.column, lot)) });
  if (!data.has(scale.column)) return null;
  const ends = ["_p10", "_p90"].map((end) => scale.column + end), ranged = ends.every((name) => data.has(name));
  return (lot) => {
    const value = data.number(scale.column, lot), [low, high] = ranged ? ends.map((name) => data.number(name, lot)) : [null, null];
    return { text: markText(scale, value), value, low, high, signed: scale.limits_mm[0] < 0 };
  };
}

// A layer whose tiles are canvases that are drawn at once, and drawn again in place when only colours change. Between two whole
// zooms the tiles of the nearer one are enlarged or reduced by the map; their canvases have as many dots as the screen shows.
const CanvasLayer = L.GridLayer.extend({
  getEvents() {
    return { ...L.GridLayer.prototype.getEvents.call(this), zoomend: this.rescale };
  },

  createTile(coords) { // one parameter only: with a second one Leaflet waits for a call that never comes
    const canvas = document.createElement("canvas"), edge = TILE / 2 ** coords.z;
    canvas.view = { ctx: canvas.getContext("2d"), level: coords.z, x: coords.x * edge, y: coords.y * edge, edge, memory: null };
    this.fit(canvas);
    return canvas;
  },

  fit(canvas) {
    const { view } = canvas, ratio = window.devicePixelRatio || 1;
    view.zoom = 2 ** this._map.getZoom();
    view.side = view.edge * view.zoom;
    view.memory = null;
    canvas.width = canvas.height = Math.max(1, Math.round(view.side * ratio));
    view.ctx.scale(canvas.width / view.side, canvas.height / view.side);
    this.draw(view);
  },

  rescale() {
    for (const { el: canvas } of Object.values(this._tiles || {})) {
      if (canvas.view.level === this._tileZoom && canvas.view.zoom !== 2 ** this._map.getZoom()) this.fit(canvas);
    }
  },

  repaint() {
    for (const { el: canvas } of Object.values(this._tiles || {})) {
      canvas.view.ctx.clearRect(0, 0, canvas.view.side, canvas.view.side);
      this.draw(canvas.view);
    }
    return this;
  },
});

function near(view, shape, px) { // shapes that touch the tile or its margin
  const margin = px / view.zoom;
  return shape.grid(view.x - margin, view.y - margin, view.x + view.edge + margin, view.y + view.edge + margin);
}

export function trace(view, shape, k, closed) { // the rings or lines of one shape, added to the path
  const { ctx, zoom } = view, { x, y, ringStart, lotStart } = shape;
  for (let r = lotStart[k]; r < lotStart[k + 1]; r++) {
    let i = ringStart[r];
    ctx.moveTo((x[i] - view.x) * zoom, (y[i] - view.y) * zoom);
    for (i++; i < ringStart[r + 1]; i++) ctx.lineTo((x[i] - view.x) * zoom, (y[i] - view.y) * zoom);
    if (closed) ctx.closePath();
  }
}

export const LotLayer = CanvasLayer.extend({
  show(data, scale, code, paper) {
    this.data = data;
    this.code = code;
    this.fills = [...scale.colors, ...hatches(paper)];
    this.scale = scale;
    this.paper = paper;
    this.classes = scale.colors.length;
    this.bars = lotMarks(data, scale);
    if (this.above && this.above._map) this.above.repaint(); // it leaves room for what is written in the lots
    return this._map ? this.repaint() : this;
  },

  draw(view) {
    const shape = this.data.shape, box = shape.box;
    if (!view.memory) {
      const small = [], large = [];
      for (const lot of near(view, shape, 2)) {
        const size = Math.max(box[4 * lot + 2] - box[4 * lot], box[4 * lot + 3] - box[4 * lot + 1]) * view.zoom;
        (size < SMALL_PX ? small : large).push(lot);
      }
      view.memory = { small, large };
    }
    const large = this.fills.map(() => []);
    for (const lot of view.memory.large) large[this.code[lot]].push(lot);
    this.drawCells(view, view.memory.small);
    large.forEach((lots, c) => this.drawLots(view, lots, c));
    if (this.bars) for (const lot of view.memory.large) this.drawMark(view, lot);
  },

  markAt({ zoom, x, y }, lot) { // where something is written in a lot; null where there is no room or no value
    const box = this.data.shape.box, wide = (box[4 * lot + 2] - box[4 * lot]) * zoom, high = (box[4 * lot + 3] - box[4 * lot + 1]) * zoom;
    if (Math.min(wide, high) < MARK_FROM_PX || this.code[lot] >= this.classes) return null;
    const whole = (k, from) => Math.round((box[4 * lot + k] + box[4 * lot + k + 2]) / 2 * zoom) - from * zoom; // the same dot on every tile
    return [whole(0, x), whole(1, y)];
  },

  drawMark(view, lot) {
    const at = this.markAt(view, lot);
    if (at) lotMark(view.ctx, at, this.bars(lot), this.scale.labels[this.code[lot]]);
  },

  marks(view) { // places of all marks of a view, each once
    if (!this.bars || this.data.shape.typical * view.zoom < MARK_FROM_PX / 4) return [];
    const at = near(view, this.data.shape, MARK_FROM_PX).map((lot) => this.markAt(view, lot)).filter(Boolean);
    return [...new Map(at.map((place) => [place.join(), place])).values()];
  },

  drawLots(view, lots, c) {
    if (!lots.length) return;
    const { ctx, zoom } = view, shape = this.data.shape;
    ctx.fillStyle = paint(ctx, this.fills[c], view);
    const edged = edgeOf(ctx, this.scale, c, shape.typical * zoom, this.paper);
    for (let from = 0; from < lots.length; from += BATCH) { // one path for all is many times slower
      ctx.beginPath();
      for (const lot of lots.slice(from, from + BATCH)) trace(view, shape, lot, true);
      ctx.fill(); // shells and holes turn opposite ways: overlapping lots stay filled, holes stay open
      if (edged) ctx.stroke();
    }
  },

  drawCells(view, lots) { // median class of the lots in each small square, so that none covers the others
    const { ctx, zoom } = view, box = this.data.shape.box, side = Math.ceil(view.side / CELL_PX), kinds = this.fills.length;
    const tally = new Uint16Array(side * side * kinds), used = new Uint8Array(side * side);
    for (const lot of lots) {
      const i = Math.floor(((box[4 * lot] + box[4 * lot + 2]) / 2 - view.x) * zoom / CELL_PX);
      const j = Math.floor(((box[4 * lot + 1] + box[4 * lot + 3]) / 2 - view.y) * zoom / CELL_PX);
      if (i < 0 || j < 0 || i >= side || j >= side) continue;
      used[j * side + i] = 1;
      tally[(j * side + i) * kinds + this.code[lot]]++;
    }
    const cells = this.fills.map(() => []);
    for (let cell = 0; cell < used.length; cell++) {
      if (used[cell]) cells[middle(tally.subarray(cell * kinds, (cell + 1) * kinds), this.classes)].push(cell);
    }
    cells.forEach((of, c) => {
      if (of.length) ctx.fillStyle = paint(ctx, this.fills[c], view);
      for (const cell of of) ctx.fillRect((cell % side) * CELL_PX, Math.floor(cell / side) * CELL_PX, CELL_PX, CELL_PX);
    });
  },
});

function middle(counts, classes) { // median class; the commonest state where states outnumber numbers
  let numbers = 0, states = 0, most = classes;
  counts.forEach((n, c) => {
    if (c < classes) numbers += n; else states += n;
    if (c >= classes && n > counts[most]) most = c;
  });
  if (states > numbers) return most;
  let c = 0, seen = counts[0];
  while (2 * seen < numbers) seen += counts[++c];
  return c;
}

const FRAME_PX = 6; // width of a category along its edge

// Polygons of the weekly drought map: a frame in the colour of the category with a dashed edge, above the lots. A fill would be
// taken for the lots'.
export const DroughtLayer = CanvasLayer.extend({
  show(drought, colors, week) {
    Object.assign(this, { drought, colors, week });
    return this._map ? this.repaint() : this;
  },

  draw(view) {
    const { ctx } = view, { shape, category, week } = this.drought;
    for (const k of near(view, shape, FRAME_PX)) {
      if (week[k] !== this.week) continue;
      ctx.save();
      ctx.beginPath();
      trace(view, shape, k, true);
      ctx.clip("evenodd"); // the frame lies inside, so that neighbours keep theirs
      ctx.strokeStyle = this.colors[category[k]];
      ctx.lineWidth = 2 * FRAME_PX;
      ctx.stroke();
      ctx.restore();
      ctx.strokeStyle = about.ui.ink;
      ctx.lineWidth = 1.5;
      ctx.setLineDash([6, 4]);
      ctx.stroke();
      ctx.setLineDash([]);
    }
    this.letter(view);
  },

  letter({ ctx, x, y, edge, side }) { // colours of the categories are one grey in print: the letters of the one in the middle of the tile
    if (Math.round(x / edge) % 2 || Math.round(y / edge) % 2) return; // one tile of four is enough
    const { shape, category, week, classes } = this.drought, at = [x + edge / 2, y + edge / 2];
    const here = shape.grid(...at, ...at).filter((k) => week[k] === this.week && holds(shape, k, ...at)).map((k) => category[k]);
    if (!here.length) return;
    lotMark(ctx, [side / 2, side / 2], { text: classes[Math.max(...here)] }, about.ui.ink, about.ui.paper);
  },
});

export function stripes(px) { // open stripes, nothing between them; 8 and 16 px divide a tile, so that they run on
  const canvas = document.createElement("canvas"), ctx = canvas.getContext("2d");
  canvas.width = canvas.height = px;
  for (const [color, width] of [[about.ui.paper, 2], [about.ui.hatch, 0.9]]) {
    ctx.strokeStyle = color;
    ctx.lineWidth = width;
    ctx.beginPath();
    for (const k of [-px, 0, px]) { ctx.moveTo(k, px); ctx.lineTo(k + px, 0); }
    ctx.stroke();
  }
  return canvas;
}

const MARK_ROOM_PX = [MARK_FROM_PX, 15, 16]; // width, and height above and below the middle, of a number with its bar

// Soil boundaries: thin up to the scale they were mapped at; beyond it a band as wide as the boundary is uncertain on the ground.
export const SoilLineLayer = CanvasLayer.extend({
  show(shape, width, lots) {
    Object.assign(this, { shape, width, lots });
    lots.above = this;
    return this;
  },

  draw(view) {
    const { ctx } = view, band = this.width(Math.log2(view.zoom)), [wide, up, down] = MARK_ROOM_PX;
    ctx.save();
    ctx.beginPath();
    ctx.rect(0, 0, view.side, view.side);
    for (const [x, y] of this.lots.marks(view)) ctx.rect(x - wide / 2, y - up, wide, up + down);
    ctx.clip("evenodd"); // no stripe runs over a number or its bar
    ctx.lineJoin = ctx.lineCap = "round";
    ctx.beginPath();
    for (const k of near(view, this.shape, band / 2 + 3)) trace(view, this.shape, k, false);
    const line = (width, color) => { ctx.lineWidth = width; ctx.strokeStyle = color; ctx.stroke(); };
    if (band) line(band, paint(ctx, stripes(band < 32 ? 8 : 16), view)); // a tint would change the classes beneath
    else line(3, about.ui.paper);
    line(1.2, about.ui.ink);
    ctx.restore();
  },
});

// Roads, water and other shapes of the user's own, thin and grey beneath the lots; places are small rings.
export const ContextLayer = CanvasLayer.extend({
  show(context) {
    this.context = context;
    return this;
  },

  draw(view) {
    const { ctx, zoom } = view, { shape, kind } = this.context, found = near(view, shape, 6);
    ctx.lineJoin = ctx.lineCap = "round";
    ctx.strokeStyle = about.ui.line;
    ctx.fillStyle = about.ui.line;
    ctx.globalAlpha = 0.35;
    ctx.beginPath();
    for (const k of found) if (kind[k] === 2) trace(view, shape, k, true);
    ctx.fill("evenodd");
    ctx.globalAlpha = 1;
    ctx.lineWidth = Math.min(4, Math.max(1, zoom / 2 ** 15));
    ctx.beginPath();
    for (const k of found) if (kind[k]) trace(view, shape, k, kind[k] === 2);
    ctx.stroke();
    ctx.strokeStyle = about.ui.outline;
    ctx.lineWidth = 1;
    for (const k of found) if (!kind[k]) {
      ctx.beginPath();
      ctx.arc((shape.box[4 * k] - view.x) * zoom, (shape.box[4 * k + 1] - view.y) * zoom, 2.5, 0, 2 * Math.PI);
      ctx.stroke();
    }
  },
});

const CSS_PX_PER_M = 96 / 0.0254; // a CSS pixel is 1/96 inch

export function metersPerPx(zoom, latitude) { // web Mercator, WGS84 radius
  return 2 * Math.PI * 6378137 * Math.cos(latitude * Math.PI / 180) / (TILE * 2 ** zoom);
}

export function bandWidth(soil, latitude) { // px at a zoom: 0 up to the mapping scale, then both sides of the line
  return (zoom) => {
    const meters = metersPerPx(zoom, latitude);
    return soil.scale && meters * CSS_PX_PER_M < soil.scale ? 2 * soil.width_m / meters : 0;
  };
}
