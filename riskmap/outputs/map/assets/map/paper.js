// The map on paper: a plate, lying, with one picture of what is seen at the scale that fills it, and beside it title, legend and
// what was used; the chosen lot follows on a page of its own.
import { about, map } from "../shared/context.js";
import { el, RING, TILE, count, units } from "../shared/page.js";
import { trace, metersPerPx } from "./draw.js";
import { TYPE } from "../shared/range.js";
import { data, drawn, state, latLng, linesShown, contextShown } from "./state.js";
import { locate, write } from "./names.js";
import { recolor } from "./show.js";

const MM = 96 / 25.4; // CSS px
const SHEET = { width: 188 * MM, height: 162 * MM, dots: 2 }; // two dots each are about 190 dots an inch on paper; fits Letter and A4

export function clearBox() { // world px of what is seen now beside the legend, cut to where the lots are
  const size = map.getSize(), all = data.shape.all;
  const world = (x, y) => map.options.crs.latLngToPoint(map.containerPointToLatLng([x, y]), 0);
  const a = world(0, 0), b = world(size.x, size.y);
  const cut = [Math.max(a.x, all[0]), Math.max(a.y, all[1]), Math.min(b.x, all[2]), Math.min(b.y, all[3])];
  return cut[2] > cut[0] && cut[3] > cut[1] ? cut : [a.x, a.y, b.x, b.y];
}

export function paper(on) {
  if (state.paper === on) return;
  state.paper = on;
  state.sheet = on ? sheetView() : null;
  recolor();
  document.querySelectorAll("#legend details").forEach((part) => { part.open = on || part.open; });
  if (on) sheet();
}

function sheetView() { // scale and corner that fill the sheet with what is seen; null without any lot
  const box = state.seen, { width, height } = SHEET;
  if (!box || data.shape.all[2] < data.shape.all[0]) return null;
  const zoom = Math.min(0.94 * width / (box[2] - box[0]), 0.9 * height / (box[3] - box[1]), 2 ** 20);
  return { zoom, x: (box[0] + box[2]) / 2 - width / 2 / zoom, y: (box[1] + box[3]) / 2 - height / 2 / zoom };
}

function sheet() {
  const canvas = el("sheet"), ctx = canvas.getContext("2d"), { width, height, dots } = SHEET;
  canvas.width = width * dots;
  canvas.height = height * dots;
  if (!state.sheet) return;
  const { zoom, x: left, y: top } = state.sheet;
  const weeks = state.scale === "weeks", edge = TILE / zoom;
  const shown = [contextShown() && drawn.context, drawn.lots, weeks && drawn.drought, linesShown() && drawn.soilLines].filter(Boolean);
  for (const layer of shown) {
    for (let i = 0; i * TILE < width; i++) for (let j = 0; j * TILE < height; j++) {
      ctx.setTransform(dots, 0, 0, dots, i * TILE * dots, j * TILE * dots);
      ctx.save();
      ctx.beginPath();
      ctx.rect(0, 0, TILE, TILE);
      ctx.clip();
      layer.draw({ ctx, zoom, x: left + i * edge, y: top + j * edge, edge, side: TILE, memory: null });
      ctx.restore();
    }
  }
  ctx.setTransform(dots, 0, 0, dots, 0, 0);
  write({ ctx, zoom, x: left, y: top, width, height });
  chosenOn({ ctx, zoom, x: left, y: top });
  const meters = metersPerPx(Math.log2(zoom), latLng(left, top + height / 2 / zoom).lat);
  el("plate-scale").textContent = `Scale 1:${count(round2(meters * 1000 * MM))} when printed at full size.`;
  northOn(ctx);
  ctx.save();
  ctx.translate(8, 8);
  locate(ctx, [left, top, left + width / zoom, top + height / zoom], true);
  ctx.restore();
  scaleOn(ctx, meters);
}

const round2 = (n) => Number(n.toPrecision(2)); // a scale is known to no more figures than that

function northOn(ctx) { // Mercator: north is up
  const x = SHEET.width - 22;
  ctx.save();
  ctx.fillStyle = about.ui.sheet;
  ctx.fillRect(x - 12, 6, 24, 44);
  ctx.fillStyle = ctx.strokeStyle = about.ui.ink;
  ctx.beginPath();
  for (const [dx, y] of [[0, 10], [6, 24], [0, 20], [-6, 24]]) ctx.lineTo(x + dx, y);
  ctx.fill();
  ctx.font = `bold 13px ${TYPE}`;
  ctx.textAlign = "center";
  ctx.fillText("N", x, 44);
  ctx.restore();
}

function chosenOn(view) {
  if (state.chosen < 0 || !data.shape.has(state.chosen)) return;
  view.ctx.beginPath();
  trace(view, data.shape, state.chosen, true);
  for (const [color, width] of [[about.ui.sheet, RING[0]], [about.ui.ink, RING[1]]]) {
    view.ctx.strokeStyle = color;
    view.ctx.lineWidth = width;
    view.ctx.stroke();
  }
}

function scaleOn(ctx, meters) { // the longest round length of at most 140 px
  const us = units.now === "us", foot = 0.3048, mile = 5280 * foot;
  const miles = us && 140 * meters > mile, unitM = !us ? 1 : miles ? mile : foot, most = 140 * meters / unitM;
  const ten = 10 ** Math.floor(Math.log10(most)), round = ten * [5, 2, 1].find((k) => k * ten <= most);
  const px = round * unitM / meters, y = SHEET.height - 12;
  const name = us ? `${count(round)} ${miles ? "mi" : "ft"}` : round >= 1000 ? `${count(round / 1000)} km` : `${round} m`;
  ctx.font = `12px ${TYPE}`;
  ctx.textAlign = "start";
  ctx.textBaseline = "alphabetic";
  ctx.fillStyle = about.ui.sheet;
  ctx.fillRect(4, y - 18, Math.max(px, ctx.measureText(name).width) + 16, 28);
  ctx.fillStyle = ctx.strokeStyle = about.ui.ink;
  ctx.lineWidth = 1.5;
  ctx.beginPath();
  for (const [x, to] of [[12, y - 6], [12, y], [12 + px, y], [12 + px, y - 6]]) ctx.lineTo(x, to);
  ctx.stroke();
  ctx.fillText(name, 16, y - 5);
}
