// The layer of lots of the county page.
import { about } from "../shared/context.js";
import { MARK_FROM_PX, letters, lotMark } from "../shared/range.js";
import { TILE, BATCH, hatches, edgeOf } from "../shared/page.js";

export const CountyLayer = L.GridLayer.extend({
  show(name) {
    const scale = about.scales[name];
    this.scale = name;
    this.fills = [...scale.colors, ...hatches()];
    this.own = scale;
    this.classes = scale.colors.length;
    return this._map ? this.redraw() : this;
  },

  createTile(coords, done) { // the tile comes later: Leaflet waits for `done`
    const canvas = document.createElement("canvas"), ratio = window.devicePixelRatio || 1;
    canvas.width = canvas.height = TILE * ratio;
    const zoom = Math.min(coords.z, about.zooms[1]), deep = 2 ** (coords.z - zoom);
    const x = Math.floor(coords.x / deep), y = Math.floor(coords.y / deep);
    this.archive.tile(zoom + "/" + x + "/" + y, zoom, x, y).then((tile) => {
      const ctx = canvas.getContext("2d");
      ctx.scale(ratio, ratio);
      const view = { ctx, deep, left: (coords.x - x * deep) * TILE, top: (coords.y - y * deep) * TILE, world: TILE * 2 ** coords.z };
      if (tile.cells) this.drawCells(view, tile.cells);
      if (tile.lots) { this.drawLots(view, tile.lots); this.drawLetters(view, tile.lots); }
      done(null, canvas);
    }).catch((error) => { this.failed(error); done(error, canvas); });
    return canvas;
  },

  // a pattern starts at the tile's corner, tiles are whole patterns wide: hatches meet at tile edges
  paint(ctx, c) { return c < this.classes ? this.fills[c] : ctx.createPattern(this.fills[c], "repeat"); },

  byClass(layer, scale, view) { // numbers of the features in view, class by class
    const code = layer.tags[this.scale], box = layer.box, found = this.fills.map(() => []), reach = 2;
    const low = [(view.left - reach) / scale, (view.top - reach) / scale];
    const high = [(view.left + TILE + reach) / scale, (view.top + TILE + reach) / scale];
    for (let k = 0; k < layer.n; k++) {
      if (box[4 * k + 2] < low[0] || box[4 * k + 3] < low[1] || box[4 * k] > high[0] || box[4 * k + 1] > high[1]) continue;
      (found[code[k]] || found[found.length - 1]).push(k);
    }
    return found;
  },

  drawLots(view, layer) {
    const { ctx } = view, scale = TILE * view.deep / layer.extent, { x, y, ringStart, lotStart } = layer;
    this.byClass(layer, scale, view).forEach((lots, c) => {
      const edged = edgeOf(ctx, this.own, c, about.typical * view.world);
      if (lots.length) ctx.fillStyle = this.paint(ctx, c);
      for (let from = 0; from < lots.length; from += BATCH) { // one path for all is many times slower
        ctx.beginPath();
        for (const lot of lots.slice(from, from + BATCH)) {
          for (let i = ringStart[lotStart[lot]], r = lotStart[lot]; r < lotStart[lot + 1]; r++) {
            ctx.moveTo(x[i] * scale - view.left, y[i] * scale - view.top);
            for (i++; i < ringStart[r + 1]; i++) ctx.lineTo(x[i] * scale - view.left, y[i] * scale - view.top);
            ctx.closePath();
          }
        }
        ctx.fill(); // shells and holes turn opposite ways: overlapping lots stay filled, holes stay open
        if (edged) ctx.stroke();
      }
    });
  },

  drawLetters({ ctx, left, top, deep }, layer) { // of the drought categories: their colours are one grey in print
    const code = layer.tags[this.scale], scale = TILE * deep / layer.extent, box = layer.box;
    if (this.own.column !== "drought_category") return;
    for (let k = 0; k < layer.n; k++) {
      const [a, b, c, d] = [box[4 * k] * scale - left, box[4 * k + 1] * scale - top, box[4 * k + 2] * scale - left, box[4 * k + 3] * scale - top];
      if (Math.min(c - a, d - b) < MARK_FROM_PX || c < 0 || d < 0 || a > TILE || b > TILE || !(code[k] < this.classes)) continue;
      lotMark(ctx, [(a + c) / 2, (b + d) / 2], { text: letters(this.own.classes[code[k]]) }, this.own.labels[code[k]]);
    }
  },

  drawCells(view, layer) {
    const { ctx } = view, scale = TILE * view.deep / layer.extent, box = layer.box;
    this.byClass(layer, scale, view).forEach((cells, c) => {
      if (cells.length) ctx.fillStyle = this.paint(ctx, c);
      for (const k of cells) {
        ctx.fillRect(box[4 * k] * scale - view.left, box[4 * k + 1] * scale - view.top,
          (box[4 * k + 2] - box[4 * k]) * scale, (box[4 * k + 3] - box[4 * k + 1]) * scale);
      }
    });
  },
});
