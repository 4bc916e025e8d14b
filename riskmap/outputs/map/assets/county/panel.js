// What the county page shows of one lot, and choosing it.
import { about, map } from "../shared/context.js";
import { el, TILE, NEAR_PX, many, put, running, holds, outlined, ringsOf, room } from "../shared/page.js";
import { tellLot } from "../shared/lot.js";
import { coveredBelow, intoSight } from "../shared/sheet.js";
import { town } from "../shared/town.js";
import { spread } from "../shared/range.js";
import { MISSING, state, sideId, failed } from "./state.js";
import { place, turn, mark } from "./list.js";

const WORLD = 2 ** 29;

async function record(lot) { // the lot's own values, and its row of values that lots share
  const { sizes, steps } = state.archive.meta.blocks, texts = state.archive.texts;
  const own = await state.archive.block("lots/" + Math.floor(lot / sizes.lots), "lots", Math.floor(lot / sizes.lots)), i = lot % sizes.lots;
  const row = own.row[i], shared = await state.archive.block("rows/" + Math.floor(row / sizes.rows), "rows", Math.floor(row / sizes.rows));
  const raw = (name) => (name in own ? own[name][i] : name in shared ? shared[name][row % sizes.rows] : MISSING);
  const curve = "curve" in own && own.curve[i] >= 0 ? await growthCurve(own.curve[i]) : null;
  return {
    curve, id: own.id[i], x: own.x[i] / WORLD, y: own.y[i] / WORLD, shown: own.x[i] !== MISSING,
    number: (name) => (raw(name) === MISSING ? null : raw(name) * steps[name]),
    text: (name) => (name in texts ? texts[name][raw(name)] : ""),
  };
}

async function growthCurve(number) { // one curve out of its block
  const { sizes, curve_step: step } = state.archive.meta.blocks, k = Math.floor(number / sizes.curves), i = number % sizes.curves;
  const block = await state.archive.block("curves/" + k, "curves", k), from = block.years.slice(0, i).reduce((sum, n) => sum + n, 0);
  const part = (name) => running(block[name].subarray(from, from + block.years[i]), step);
  return { pour: block.pour[i], first: block.first[i], middle: part("middle"), edge: part("edge") };
}

const latLng = (x, y) => map.options.crs.pointToLatLng(L.point(x * TILE, y * TILE), 0);

export async function choose(lot, zoom, others) {
  const asked = state.choice = (state.choice || 0) + 1;
  state.chosen = lot;
  el("lots").querySelectorAll("[role=option]").forEach((node, i) =>
    node.setAttribute("aria-selected", String(lot !== null && state.list[i] && state.list[i].lot === lot)));
  if (state.outline) state.outline.remove();
  state.outline = null;
  if (lot === null) { nothing(); return; }
  try {
    const found = await record(lot);
    if (asked !== state.choice) return;
    await details(found, others || []);
    if (!zoom && !el("search").value) await turn(await place(found.id.toLowerCase())); // the list keeps step with the map
    if (!found.shown) return;
    const shape = await outline(found, lot);
    if (asked !== state.choice || !shape) return;
    state.outline = outlined(shape);
    if (zoom) map.fitBounds(L.latLngBounds(shape.flat()), { ...room(coveredBelow()), maxZoom: 18 });
  } catch (error) { failed(error); }
}

async function outline(found, lot) { // rings of the lot from its tile at the top zoom
  const top = about.zooms[1], n = 2 ** top, x = Math.floor(found.x * n), y = Math.floor(found.y * n);
  const { lots } = await state.archive.tile(top + "/" + x + "/" + y, top, x, y);
  const k = lots ? lots.ids.indexOf(lot) : -1;
  return k < 0 ? null : ringsOf(lots, k, (px, py) => latLng((x + px / lots.extent) / n, (y + py / lots.extent) / n));
}

export async function pick(latlng) { // all lots under the point; else the nearest within a few pixels
  if (!state.archive) return;
  const zoom = Math.min(map.getZoom(), about.zooms[1]), n = 2 ** zoom, at = map.options.crs.latLngToPoint(latlng, 0).divideBy(TILE);
  const x = Math.floor(at.x * n), y = Math.floor(at.y * n);
  const { lots, cells } = await state.archive.tile(zoom + "/" + x + "/" + y, zoom, x, y);
  const px = (at.x * n - x), py = (at.y * n - y), hit = [];
  let near = -1, nearest = NEAR_PX / (TILE * 2 ** (map.getZoom() - zoom));
  if (lots) {
    const u = px * lots.extent, v = py * lots.extent, b = lots.box;
    for (let k = 0; k < lots.n; k++) {
      if (b[4 * k] <= u && b[4 * k + 2] >= u && b[4 * k + 1] <= v && b[4 * k + 3] >= v && holds(lots, k, u, v)) hit.push(lots.ids[k]);
      const far = Math.hypot((b[4 * k] + b[4 * k + 2]) / 2 - u, (b[4 * k + 1] + b[4 * k + 3]) / 2 - v) / lots.extent;
      if (far < nearest) { nearest = far; near = lots.ids[k]; }
    }
  }
  if (hit.length) { const [lot, ...others] = hit.reverse(); return choose(lot, false, others); }
  if (cells) {
    const u = px * cells.extent, v = py * cells.extent, b = cells.box;
    for (let k = 0; k < cells.n; k++) {
      if (b[4 * k] <= u && b[4 * k + 2] > u && b[4 * k + 1] <= v && b[4 * k + 3] > v) {
        await choose(null);
        put(el("details"), "p", `${many(cells.tags.lots[k], "lot")} in this square. Zoom in to choose one.`);
        return;
      }
    }
  }
  return choose(near >= 0 ? near : null);
}

export function lotOnLegend() { // the chosen lot on the histogram of all lots
  const shown = state.chosen === null ? null : state.shown;
  spread(about.scales[state.scale], shown ? shown.lot : null, shown ? sideId(shown.lot.id) : "");
}

export function nothing() {
  lotOnLegend();
  const box = el("details");
  box.textContent = "";
  document.body.classList.remove("chosen");
  town(box);
}

export async function details(lot, others) {
  state.shown = { lot, others };
  lotOnLegend();
  const names = await Promise.all(others.map(async (other) => [other, (await record(other)).id]));
  const box = el("details");
  box.textContent = "";
  document.body.classList.add("chosen");
  mark(state.active);
  const head = put(box, "div", null, "lot-head"), title = put(head, "h2", "Lot ");
  put(put(head, "p", null, "steps"), "button", "Whole area").addEventListener("click", () => { choose(null); box.focus(); });
  put(title, "bdi", sideId(lot.id));
  if (names.length) {
    const line = put(box, "p", "More lots lie at this spot: ", "note");
    names.forEach(([other, id]) => put(line, "button", sideId(id)).addEventListener("click", () =>
      choose(other, false, [state.chosen, ...others.filter((k) => k !== other)])));
  }
  const middle = lot.shown ? latLng(lot.x, lot.y) : null;
  tellLot(box, lot, middle && [middle.lat, middle.lng], () => {});
  intoSight(box);
}
