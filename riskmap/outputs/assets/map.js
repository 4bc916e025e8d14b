// The map page of riskmap. Every text that comes from data reaches the page through `put`, as text, never as markup.
"use strict";
(function () {
  const el = (id) => document.getElementById(id);
  const MM_PER_INCH = 25.4, TILE = 256, BATCH = 200, SMALL_PX = 3, CELL_PX = 4, PAGE = 50, NEAR_PX = 8;
  performance.mark("riskmap-start");

  // ---------------------------------------------------------------- text
  const HIDDEN = /[\u0000-\u001f\u007f-\u009f\u200b-\u200f\u2028-\u202e\u2066-\u2069\ufeff]/g;
  const visible = (text) => String(text).replace(HIDDEN, (c) => "\\u" + c.charCodeAt(0).toString(16).padStart(4, "0"));
  const fill = (text, parts) => text.replace(/\{(\w+)\}/g, (all, name) => (name in parts ? parts[name] : all));
  const count = (n) => n.toLocaleString("en-US");

  function put(parent, tag, text, className) {
    const node = document.createElement(tag);
    if (text !== undefined && text !== null) node.textContent = visible(text);
    if (className) node.className = className;
    parent.appendChild(node);
    return node;
  }

  // ---------------------------------------------------------------- data block
  async function unpack(base64) {
    const text = atob(base64.trim());
    const packed = new Uint8Array(text.length);
    for (let i = 0; i < text.length; i++) packed[i] = text.charCodeAt(i);
    const stream = new Blob([packed]).stream().pipeThrough(new DecompressionStream("gzip"));
    return new Uint8Array(await new Response(stream).arrayBuffer());
  }

  function wholeNumbers(raw, at, n) { // four byte planes of zigzag numbers, see encode.py
    const out = new Int32Array(n);
    for (let i = 0; i < n; i++) {
      const z = raw[at + i] | (raw[at + n + i] << 8) | (raw[at + 2 * n + i] << 16) | (raw[at + 3 * n + i] << 24);
      out[i] = (z >>> 1) ^ -(z & 1);
    }
    return out;
  }

  function read(raw) {
    const headLength = new DataView(raw.buffer).getUint32(0, true);
    const head = JSON.parse(new TextDecoder().decode(raw.subarray(4, 4 + headLength)));
    const array = {}, about = {};
    let at = 4 + headLength;
    for (const entry of head.arrays) {
      array[entry.name] = wholeNumbers(raw, at, entry.length);
      about[entry.name] = entry;
      at += 4 * entry.length;
    }
    const place = (name, lot) => array[name][about[name].shared ? array.row[lot] : lot];
    return {
      n: head.lots, ids: head.ids, about: head.about, shape: shapes(head, array),
      number(name, lot) {
        const v = place(name, lot);
        return v === head.missing ? null : v * about[name].step;
      },
      text: (name, lot) => head.texts[name][place(name, lot)],
      texts: head.texts,
    };
  }

  function shapes(head, array) { // world pixels at zoom 0, boxes and centres per lot
    const n = head.lots, total = array.x.length;
    const x = new Float64Array(total), y = new Float64Array(total);
    for (let i = 0, lon = 0, lat = 0; i < total; i++) {
      lon += array.x[i];
      lat += array.y[i];
      const s = Math.sin(lat * head.degree_step * Math.PI / 180);
      x[i] = (lon * head.degree_step + 180) / 360 * TILE;
      y[i] = (0.5 - Math.log((1 + s) / (1 - s)) / (4 * Math.PI)) * TILE;
    }
    const ringStart = new Uint32Array(array.vertices.length + 1);
    for (let r = 0; r < array.vertices.length; r++) ringStart[r + 1] = ringStart[r] + array.vertices[r];
    const lotStart = new Uint32Array(n + 1);
    for (let k = 0; k < n; k++) lotStart[k + 1] = lotStart[k] + array.rings[k];
    const box = new Float64Array(4 * n), all = [Infinity, Infinity, -Infinity, -Infinity], sizes = [];
    for (let k = 0; k < n; k++) {
      let a = Infinity, b = Infinity, c = -Infinity, d = -Infinity;
      for (let i = ringStart[lotStart[k]]; i < ringStart[lotStart[k + 1]]; i++) {
        a = Math.min(a, x[i]); b = Math.min(b, y[i]); c = Math.max(c, x[i]); d = Math.max(d, y[i]);
      }
      box.set([a, b, c, d], 4 * k);
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

  function index(shape) { // square cells over the extent; a lot stands in every cell its box touches
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

  function holds(shape, lot, px, py) { // even-odd rule over all rings of the lot
    let inside = false;
    for (let r = shape.lotStart[lot]; r < shape.lotStart[lot + 1]; r++) {
      const from = shape.ringStart[r], to = shape.ringStart[r + 1];
      for (let i = from, j = to - 1; i < to; j = i++) {
        if ((shape.y[i] > py) !== (shape.y[j] > py) &&
            px < (shape.x[j] - shape.x[i]) * (py - shape.y[i]) / (shape.y[j] - shape.y[i]) + shape.x[i]) inside = !inside;
      }
    }
    return inside;
  }

  // ---------------------------------------------------------------- classes and patterns
  const stateNames = (about) => Object.keys(about.states);

  function classify(data, scale) { // class number; after the classes come the states, then "no value here"
    const states = stateNames(data.about), k = scale.colors.length, code = new Uint8Array(data.n);
    const named = scale.classes.length > 0, rank = new Map(scale.classes.map((name, i) => [name, i]));
    for (let lot = 0; lot < data.n; lot++) {
      let c = -1;
      if (named) {
        c = rank.has(data.text(scale.column, lot)) ? rank.get(data.text(scale.column, lot)) : -1;
      } else {
        const v = data.number(scale.column, lot);
        if (v !== null) c = scale.limits_mm.reduce((sum, limit) => sum + (v >= limit), 0);
      }
      const s = states.indexOf(data.text("state", lot));
      code[lot] = c >= 0 ? c : k + (s >= 0 ? s : states.length);
    }
    return code;
  }

  function drawHatch(ctx, kind, ink) { // an 8 px square that repeats; lines every 4 px
    ctx.fillStyle = "#ffffff";
    ctx.fillRect(0, 0, 8, 8);
    ctx.strokeStyle = ctx.fillStyle = ink;
    ctx.lineWidth = 0.9;
    ctx.beginPath();
    for (let k = -8; k <= 16; k += 4) {
      if (kind === "rising" || kind === "crossed") { ctx.moveTo(k, 8); ctx.lineTo(k + 8, 0); }
      if (kind === "falling" || kind === "crossed") { ctx.moveTo(k, 0); ctx.lineTo(k + 8, 8); }
      if (kind === "level") { ctx.moveTo(0, k + 2); ctx.lineTo(8, k + 2); }
      if (kind === "upright") { ctx.moveTo(k + 2, 0); ctx.lineTo(k + 2, 8); }
    }
    ctx.stroke();
    if (kind === "dotted") for (const p of [1, 5]) for (const q of [1, 5]) ctx.fillRect(p, q, 1.6, 1.6);
  }

  function hatchCanvas(kind, ink) {
    const canvas = document.createElement("canvas");
    canvas.width = canvas.height = 8;
    drawHatch(canvas.getContext("2d"), kind, ink);
    return canvas;
  }

  // ---------------------------------------------------------------- drawing
  const LotLayer = L.GridLayer.extend({
    show(data, scale, code) {
      this.data = data;
      this.code = code;
      const kinds = [...Object.values(data.about.hatch), "level"];
      this.fills = [...scale.colors, ...kinds.map((kind) => hatchCanvas(kind, data.about.outline))];
      this.classes = scale.colors.length;
      return this._map ? this.redraw() : this;
    },

    createTile(coords) { // one parameter only: with a second one Leaflet waits for a call that never comes
      const canvas = document.createElement("canvas"), ratio = window.devicePixelRatio || 1;
      canvas.width = canvas.height = TILE * ratio;
      const ctx = canvas.getContext("2d");
      ctx.scale(ratio, ratio);
      const zoom = 2 ** coords.z, edge = TILE / zoom, margin = 2 / zoom;
      const view = { ctx, zoom, x: coords.x * edge, y: coords.y * edge };
      const found = this.data.shape.grid(view.x - margin, view.y - margin, view.x + edge + margin, view.y + edge + margin);
      const small = [], large = this.fills.map(() => []), box = this.data.shape.box;
      for (const lot of found) {
        const size = Math.max(box[4 * lot + 2] - box[4 * lot], box[4 * lot + 3] - box[4 * lot + 1]) * zoom;
        if (size < SMALL_PX) small.push(lot); else large[this.code[lot]].push(lot);
      }
      this.drawCells(view, small);
      large.forEach((lots, c) => this.drawLots(view, lots, c));
      return canvas;
    },

    paint(ctx, c) {
      return c < this.classes ? this.fills[c] : ctx.createPattern(this.fills[c], "repeat");
    },

    drawLots(view, lots, c) {
      if (!lots.length) return;
      const { ctx, zoom } = view, { x, y, ringStart, lotStart, typical } = this.data.shape;
      ctx.fillStyle = this.paint(ctx, c);
      ctx.strokeStyle = this.data.about.outline;
      ctx.lineWidth = 0.6;
      for (let from = 0; from < lots.length; from += BATCH) { // one path for all is many times slower
        ctx.beginPath();
        for (const lot of lots.slice(from, from + BATCH)) {
          for (let i = ringStart[lotStart[lot]], r = lotStart[lot]; r < lotStart[lot + 1]; r++) {
            ctx.moveTo((x[i] - view.x) * zoom, (y[i] - view.y) * zoom);
            for (i++; i < ringStart[r + 1]; i++) ctx.lineTo((x[i] - view.x) * zoom, (y[i] - view.y) * zoom);
            ctx.closePath();
          }
        }
        ctx.fill(); // shells and holes turn opposite ways: overlapping lots stay filled, holes stay open
        if (typical * zoom > 6 || c >= this.classes) ctx.stroke();
      }
    },

    drawCells(view, lots) { // middle class of the lots of each small square, so that none covers the others
      const { ctx, zoom } = view, box = this.data.shape.box, side = TILE / CELL_PX, kinds = this.fills.length;
      const tally = new Map();
      for (const lot of lots) {
        const i = Math.floor(((box[4 * lot] + box[4 * lot + 2]) / 2 - view.x) * zoom / CELL_PX);
        const j = Math.floor(((box[4 * lot + 1] + box[4 * lot + 3]) / 2 - view.y) * zoom / CELL_PX);
        if (i < 0 || j < 0 || i >= side || j >= side) continue;
        const cell = j * side + i;
        if (!tally.has(cell)) tally.set(cell, new Uint32Array(kinds));
        tally.get(cell)[this.code[lot]]++;
      }
      const cells = this.fills.map(() => []);
      for (const [cell, counts] of tally) cells[middle(counts, this.classes)].push(cell);
      cells.forEach((of, c) => {
        if (of.length) ctx.fillStyle = this.paint(ctx, c);
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

  // ---------------------------------------------------------------- lengths in the chosen units
  const units = { now: "us" };
  const rounded = (mm) => (units.now === "us" ? (mm / MM_PER_INCH).toFixed(1) : Math.round(mm).toFixed(0))
    .replace(/^-(0(\.0)?)$/, "$1").replace("-", "−");
  const unit = () => (units.now === "us" ? "in" : "mm");
  const length = (mm) => (mm === null ? "—" : rounded(mm) + " " + unit());
  const signed = (mm) => (mm === null ? "—" : (/[1-9]/.test(rounded(mm)) && mm > 0 ? "+" : "") + length(mm));
  const distance = (m) => (units.now === "us" ? count(Math.round(m / 0.3048)) + " ft" : count(Math.round(m)) + " m");
  const percent = (share) => Math.round(100 * share) + " %";

  function classLabels(scale) {
    if (scale.classes.length) return scale.words.length ? scale.words : scale.classes;
    const at = scale.limits_mm, n = at.length, both = at[0] < 0, value = (mm) => (both && mm > 0 ? "+" : "") + rounded(mm);
    const between = both ? " to " : "–";
    return scale.colors.map((_, c) => {
      if (c === 0) return (both ? "below " : "under ") + value(at[0]) + " " + unit();
      if (c === n) return value(at[n - 1]) + " " + unit() + (both ? " and above" : " and more");
      if (both && at[c - 1] === -at[c]) return "within ±" + rounded(at[c]) + " " + unit();
      return value(at[c - 1]) + between + value(at[c]) + " " + unit();
    });
  }

  // ---------------------------------------------------------------- the page
  function page(data, map) {
    const about = data.about, lots = new LotLayer({ keepBuffer: 1, updateWhenZooming: false });
    const state = { scale: "expected", code: null, chosen: -1, list: null, from: 0, active: 0, bar: null, outline: null };
    const label = (lot) => data.ids[lot] || "row " + (lot + 1) + " (no id)";
    units.now = about.units;

    const latLng = (x, y) => map.options.crs.pointToLatLng(L.point(x, y), 0);
    const bounds = (box) => L.latLngBounds(latLng(box[0], box[3]), latLng(box[2], box[1]));

    function showScale(name) {
      state.scale = name;
      state.code = classify(data, about.scales[name]);
      lots.show(data, about.scales[name], state.code);
      legend();
      list();
    }

    function legend() {
      const scale = about.scales[state.scale], box = el("legend"), k = scale.colors.length;
      const names = [...classLabels(scale), ...stateNames(about).map((s) => about.states[s]), "no value for this lot"];
      const counts = new Array(names.length).fill(0);
      state.code.forEach((c) => counts[c]++);
      box.textContent = "";
      put(box, "h2", scale.title);
      put(box, "p", scale.note, "note");
      const table = put(box, "ul", null, "classes");
      names.forEach((name, c) => {
        if (c >= k && !counts[c]) return;
        const item = put(table, "li"), swatch = put(item, "canvas", null, "swatch");
        swatch.width = 24;
        swatch.height = 16;
        const ctx = swatch.getContext("2d");
        ctx.fillStyle = c < k ? scale.colors[c] : ctx.createPattern(lots.fills[c], "repeat");
        ctx.fillRect(0, 0, 24, 16);
        put(item, "span", name, "name");
        put(item, "span", count(counts[c]), "count");
      });
      let missing = 0;
      for (let lot = 0; lot < data.n; lot++) missing += !data.shape.has(lot);
      const lost = missing ? " " + count(missing) + " without a shape: in the list only." : "";
      put(box, "p", count(data.n) + " lots." + lost, "note");
      put(box, "p", "Zoomed out, a small square shows the middle class of its lots.", "note");
      if (state.scale === "drought") about.credits.forEach((line) => put(box, "p", line, "note"));
    }

    // ------------------------------------------------------------ finding a lot
    function list() {
      const wanted = el("search").value.trim().toLowerCase(), sort = el("order").value;
      let found = [];
      for (let lot = 0; lot < data.n; lot++) if (!wanted || label(lot).toLowerCase().includes(wanted)) found.push(lot);
      if (wanted) { // ids that begin with the text come first
        const begins = (lot) => !label(lot).toLowerCase().startsWith(wanted);
        found = found.filter((lot) => !begins(lot)).concat(found.filter(begins));
      }
      if (sort !== "file") {
        const key = new Map(found.map((lot) => [lot, data.number(sort, lot)]));
        found.sort((p, q) => (key.get(q) ?? -1) - (key.get(p) ?? -1) || p - q);
      }
      state.list = found;
      turn(0);
    }

    function turn(active) {
      const found = state.list, box = el("lots"), scale = about.scales[state.scale];
      state.active = Math.max(0, Math.min(found.length - 1, active));
      state.from = Math.floor(state.active / PAGE) * PAGE;
      box.textContent = "";
      found.slice(state.from, state.from + PAGE).forEach((lot, i) => {
        const item = put(box, "li");
        item.id = "lot-" + (state.from + i);
        item.setAttribute("role", "option");
        item.setAttribute("aria-selected", String(lot === state.chosen));
        put(item, "bdi", label(lot));
        put(item, "span", briefly(lot, scale), "value");
        item.addEventListener("click", () => { mark(state.from + i); choose(lot, true); });
      });
      const to = Math.min(found.length, state.from + PAGE);
      el("found").textContent = found.length ? `${count(state.from + 1)} to ${count(to)} of ${count(found.length)}`
        : "No lot has this text in its id.";
      el("before").disabled = state.from === 0;
      el("after").disabled = to >= found.length;
      mark(state.active);
    }

    function briefly(lot, scale) {
      const c = state.code[lot], k = scale.colors.length;
      if (c >= k) return about.states[data.text("state", lot)] || "no value";
      if (scale.classes.length) return data.text(scale.column, lot);
      return (scale.limits_mm[0] < 0 ? signed : length)(data.number(scale.column, lot));
    }

    function mark(active) {
      state.active = active;
      el("lots").querySelectorAll(".active").forEach((node) => node.classList.remove("active"));
      const node = el("lot-" + active);
      if (!node) { el("lots").removeAttribute("aria-activedescendant"); return; }
      node.classList.add("active");
      el("lots").setAttribute("aria-activedescendant", node.id);
      const box = el("lots");
      if (node.offsetTop < box.scrollTop) box.scrollTop = node.offsetTop;
      if (node.offsetTop + node.offsetHeight > box.scrollTop + box.clientHeight) {
        box.scrollTop = node.offsetTop + node.offsetHeight - box.clientHeight;
      }
    }

    function keys(event) {
      const last = state.list.length - 1;
      const to = { ArrowDown: state.active + 1, ArrowUp: state.active - 1, PageDown: state.active + 10,
        PageUp: state.active - 10, Home: 0, End: last }[event.key];
      if (to !== undefined) {
        const active = Math.max(0, Math.min(last, to));
        if (active < state.from || active >= state.from + PAGE) turn(active); else mark(active);
      } else if (event.key === "Enter" && last >= 0) choose(state.list[state.active], true);
      else return;
      event.preventDefault();
    }

    // ------------------------------------------------------------ one lot
    function choose(lot, zoom, others) {
      state.chosen = lot;
      if (state.outline) state.outline.remove();
      state.outline = null;
      el("lots").querySelectorAll("[role=option]").forEach((node, i) =>
        node.setAttribute("aria-selected", String(state.list[state.from + i] === lot)));
      details(others || []);
      if (lot < 0 || !data.shape.has(lot)) return;
      const { x, y, ringStart, lotStart, box } = data.shape, rings = [];
      for (let r = lotStart[lot]; r < lotStart[lot + 1]; r++) {
        const ring = [];
        for (let i = ringStart[r]; i < ringStart[r + 1]; i++) ring.push(latLng(x[i], y[i]));
        rings.push(ring);
      }
      const line = (color, weight) => L.polygon(rings, { color, weight, fill: false, interactive: false });
      state.outline = L.layerGroup([line("#ffffff", 6), line("#1a1a1a", 3)]).addTo(map);
      if (zoom) map.fitBounds(bounds(box.subarray(4 * lot, 4 * lot + 4)), { ...room(), maxZoom: 18 });
    }

    function row(parent, name, value) {
      put(parent, "dt", name);
      return put(parent, "dd", value);
    }

    function ranged(parent, name, column, lot, axis, show, extra) {
      const v = data.number(column, lot), lo = data.number(column + "_p10", lot), hi = data.number(column + "_p90", lot);
      const cell = row(parent, name, null);
      put(cell, "strong", show(v));
      put(cell, "span", " range " + show(lo).replace(" " + unit(), "") + " to " + show(hi) + (extra ? ", " + extra : ""));
      const bar = put(cell, "div", null, "bar"), at = (mm) => 100 * (mm - axis[0]) / (axis[1] - axis[0]) + "%";
      bar.setAttribute("aria-hidden", "true");
      const band = put(bar, "i", null, "band");
      band.style.left = at(lo);
      band.style.width = 100 * (hi - lo) / (axis[1] - axis[0]) + "%";
      put(bar, "i", null, "zero").style.left = at(0);
      put(bar, "i", null, "median").style.left = at(v);
    }

    function details(others) {
      const box = el("details"), lot = state.chosen;
      box.textContent = "";
      if (lot < 0) { put(box, "p", "Choose a lot on the map or in the list.", "note"); return; }
      put(put(box, "h2", "Lot "), "bdi", label(lot));
      if (others.length) {
        const more = put(box, "p", "More lots lie at this spot: ", "note");
        others.slice(0, 12).forEach((k) => put(more, "button", label(k))
          .addEventListener("click", () => choose(k, false, [lot, ...others.filter((o) => o !== k)])));
      }
      const code = data.text("state", lot), facts = put(box, "dl");
      if (code) noNumber(facts, lot, code); else numbers(facts, lot);
      soilAndDates(facts, lot);
      const flags = data.text("flags", lot).split(";").filter(Boolean);
      if (flags.length) {
        const items = put(row(facts, "Notes", null), "ul");
        flags.forEach((flag) => put(items, "li", about.words.flags[flag] || flag));
      }
      cautions(box, lot, code);
    }

    function noNumber(facts, lot, code) {
      let reason = data.text("state_reason", lot) || about.states[code];
      if (!reason.includes(about.cautions.not_low)) {
        reason = code === "not_enough_data" ? fill(about.cautions.no_number, { list: reason })
          : reason.replace(/\.?$/, ". ") + about.cautions.not_low;
      }
      put(row(facts, "No number", null), "strong", about.states[code]);
      row(facts, "Why", reason);
    }

    function numbers(facts, lot) {
      const w = about.words, say = (kind, code) => w[kind][code] || code;
      const span = ["expected_movement_mm", "characteristic_movement_mm", "deflection_now_mm"].flatMap((name) =>
        [data.number(name + "_p10", lot), data.number(name + "_p90", lot)]);
      const axis = [Math.min(0, ...span), Math.max(10, ...span)];
      ranged(facts, "Expected, next 12 months", "expected_movement_mm", lot, axis, length);
      ranged(facts, "Deflection now", "deflection_now_mm", lot, axis, signed);
      row(facts, "Direction", say("direction", data.text("direction", lot)));
      ranged(facts, "Characteristic", "characteristic_movement_mm", lot, axis, length);
      put(facts, "dd", "Range: the middle eight of ten draws. " + about.cautions.standing, "note across");
      reasons(facts, lot);
      row(facts, "Phase", `${say("phase", data.text("phase", lot))} (${percent(data.number("phase_probability", lot))} of draws)`);
      row(facts, "Largest since pour", `dome ${signed(data.number("deflection_max_mm", lot))} ` +
        `(${data.text("deflection_max_date", lot)}); dish ${signed(data.number("deflection_min_mm", lot))}`);
      row(facts, "Edge, yearly swing", length(data.number("seasonal_range_mm", lot)) + ", ground at the slab edge");
      const years = about.outlook_years[data.text("cell_id", lot)] || [];
      const what = row(facts, "What-if seasons", null), seasons = put(what, "ul");
      ["dry", "normal", "wet"].forEach((name, i) => put(seasons, "li",
        `${name}: ${length(data.number("outlook_" + name + "_mm", lot))}` + (years[i] ? ` (as in ${years[i]})` : "")));
      put(what, "span", about.cautions.outlook, "note");
      tilt(facts, lot);
      row(facts, "Beyond length / 360", percent(data.number("share_beyond_l360", lot)) +
        " of draws and past years; not a probability of damage");
    }

    function reasons(facts, lot) { // the three largest signed parts of the difference from a named reference lot
      if (!data.text("driver_1", lot)) return;
      const cell = row(facts, "Why", null), parts = put(cell, "ul");
      [1, 2, 3].forEach((k) => put(parts, "li",
        `${signed(data.number("driver_" + k + "_mm", lot))} ${data.text("driver_" + k, lot)}`));
      put(cell, "span", `Largest differences from ${about.reference_lot}, which has ` +
        `${length(data.number("reference_movement_mm", lot))}.`, "note");
    }

    function tilt(facts, lot) {
      const t = (name) => data.number("tilt_" + name + "_pct", lot), say = (v) => v.toFixed(1) + " %";
      if (t("now") === null) return;
      const cell = row(facts, "Tilt, side to side", `${say(t("now"))}, side not known`), what = put(cell, "ul");
      [["leak", "a leak on one side"], ["watering", "watering on one side"], ["tree", "a large tree on one side"]]
        .forEach(([name, words]) => put(what, "li", `${say(t(name))} with ${words} for two years`));
    }

    function soilAndDates(facts, lot) {
      const w = about.words, text = (name) => data.text(name, lot), number = (name) => data.number(name, lot);
      if (text("map_unit_name")) {
        const share = number("map_unit_share"), lep = number("linear_extensibility_pct");
        row(facts, "Soil unit", text("map_unit_name") + (share === null ? "" : `, ${percent(share)} of the lot`));
        if (lep !== null) row(facts, "Linear extensibility", `${lep.toFixed(1)} %, soil-survey class ${text("shrink_swell_class")}`);
      }
      if (number("soil_line_distance_m") !== null) {
        const share = number("neighbor_unit_share");
        row(facts, "Nearest soil line", `${distance(number("soil_line_distance_m"))} away` + (text("neighbor_unit_name")
          ? `; beyond it ${text("neighbor_unit_name")}` : "") + (share >= 0.01 ? ` (${percent(share)} likely under the slab)` : ""));
      }
      const early = text("pour_date_early"), late = text("pour_date_late");
      if (early) {
        const dates = early === late ? early : early + " to " + late;
        row(facts, "Pour date", `${dates}, ${w.pour_basis[text("pour_date_basis")] || text("pour_date_basis")}`);
      }
      if (number("slab_width_m") !== null) {
        row(facts, "Slab", `${distance(number("slab_width_m"))} short side, ${w.slab_class[text("slab_class")] || text("slab_class")}`);
      }
      row(facts, "Weather from", w.driver[text("driver_level")] || text("driver_level"));
      if (text("drought_category")) {
        row(facts, "Drought category", `${text("drought_category")} on the map of ${text("drought_valid_date")}`);
      }
      row(facts, "Data quality", w.quality[text("data_quality")] || text("data_quality"));
      if (data.shape.has(lot)) {
        const middle = bounds(data.shape.box.subarray(4 * lot, 4 * lot + 4)).getCenter();
        row(facts, "Latitude, longitude", `${middle.lat.toFixed(5)}, ${middle.lng.toFixed(5)}`);
      } else row(facts, "On the map", "not drawn: the row has no usable shape");
    }

    function cautions(box, lot, code) {
      const c = about.cautions, early = data.text("pour_date_early", lot), late = data.text("pour_date_late", lot);
      const said = [c.main];
      if (!code && early !== late) said.push(fill(c.date, { basis: about.words.pour_basis[data.text("pour_date_basis", lot)], lo: early, hi: late }));
      if (c.soil) said.push(c.soil);
      said.push(c.not_seen);
      const block = put(box, "div", null, "cautions");
      said.forEach((line) => put(block, "p", line));
    }

    // ------------------------------------------------------------ clicks, units, start
    function lotsAt(point) { // all lots under the point; else the nearest lot within a few pixels
      const zoom = 2 ** map.getZoom(), { box } = data.shape, reach = NEAR_PX / zoom;
      const hit = data.shape.grid(point.x, point.y, point.x, point.y).filter((k) => holds(data.shape, k, point.x, point.y));
      if (hit.length) return hit.reverse();
      const far = (k) => Math.hypot((box[4 * k] + box[4 * k + 2]) / 2 - point.x, (box[4 * k + 1] + box[4 * k + 3]) / 2 - point.y);
      return data.shape.grid(point.x - reach, point.y - reach, point.x + reach, point.y + reach)
        .sort((p, q) => far(p) - far(q)).slice(0, 1).filter((k) => far(k) <= reach);
    }

    function showUnits(name) {
      units.now = name;
      if (state.bar) state.bar.remove();
      state.bar = L.control.scale({ metric: name === "si", imperial: name === "us" }).addTo(map);
      legend();
      turn(state.active);
      details([]);
    }

    function start() {
      el("area").textContent = visible(about.area);
      el("standing").textContent = about.cautions.standing;
      about.lines.concat(about.credits).forEach((line) => put(el("sources"), "p", line));
      const choice = el("layer");
      Object.entries(about.scales).forEach(([name, scale]) => { put(choice, "option", scale.title).value = name; });
      choice.addEventListener("change", () => showScale(choice.value));
      document.querySelectorAll("input[name=units]").forEach((node) => {
        node.checked = node.value === about.units;
        node.addEventListener("change", () => showUnits(node.value));
      });
      el("search").addEventListener("input", list);
      el("search").addEventListener("keydown", keys);
      el("order").addEventListener("change", list);
      el("lots").addEventListener("keydown", keys);
      el("before").addEventListener("click", () => turn(state.from - PAGE));
      el("after").addEventListener("click", () => turn(state.from + PAGE));
      el("whole").addEventListener("click", () => home(data.shape.all));
      document.addEventListener("keydown", (event) => { if (event.key === "Escape") choose(-1); });
      map.on("click", (event) => {
        const [lot = -1, ...others] = lotsAt(map.options.crs.latLngToPoint(event.latlng, 0));
        choose(lot, false, others);
        if (lot >= 0 && narrow()) el("details").scrollIntoView({ block: "nearest" });
      });
      lots.once("load", () => requestAnimationFrame(() => {
        performance.mark("riskmap-drawn");
        document.body.dataset.ready = "yes";
      }));
      showScale("expected");
      showUnits(about.units);
      window.matchMedia("print").addEventListener("change", () => map.invalidateSize({ animate: false }));
      home(data.shape.core);
      lots.addTo(map);
    }

    function home(box) {
      if (data.shape.all[2] >= data.shape.all[0]) map.fitBounds(bounds(box), { ...room(), maxZoom: 18 });
    }

    function room() { // keep clear of the legend where it lies on the map
      const over = narrow() ? 0 : el("legend").offsetWidth + 10;
      return { paddingTopLeft: [50, 12], paddingBottomRight: [over + 12, 30], animate: false };
    }

    const narrow = () => window.matchMedia("(max-width: 46rem)").matches;
    start();
  }

  unpack(el("data").textContent)
    .then((raw) => {
      const data = read(raw);
      performance.mark("riskmap-decoded");
      page(data, map_riskmap);
    })
    .catch((error) => {
      el("details").textContent = "The map cannot be shown in this browser (" + error.message + "). " +
        "The same numbers are in lots.csv and lots.gpkg beside this file.";
      document.body.dataset.ready = "no";
    });
})();
