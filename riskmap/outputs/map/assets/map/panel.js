// What the map page shows of one lot, and choosing it.
import { about, map } from "../shared/context.js";
import { el, NEAR_PX, visible, put, holds, outlined, ringsOf, room } from "../shared/page.js";
import { said, tellLot } from "../shared/lot.js";
import { answers } from "../shared/tell.js";
import { coveredBelow, intoSight } from "../shared/sheet.js";
import { town } from "../shared/town.js";
import { data, state, label, latLng, bounds, centre, lotOf } from "./state.js";
import { listSoon, mark } from "./list.js";
import { strip } from "./history.js";
import { lotOnLegend } from "./legend.js";

function summary(lot) { // the lot in one sentence: for screen readers and for paper
  const code = data.text("state", lot);
  if (code) return `Lot ${label(lot)}: no estimate, ${about.states[code]}.`;
  const spoken = answers(lotOf(lot)).map(({ name, answer }) => `${name}: ${answer}.`).join(" ");
  return `Lot ${label(lot)}. ${spoken} Phase: ${said("phase", data.text("phase", lot))}.`;
}

export function details(others) {
  const box = el("details"), lot = state.chosen;
  box.textContent = "";
  document.body.classList.toggle("chosen", lot >= 0);
  mark(state.active);
  if (lot < 0) { town(box); return; }
  const head = put(box, "div", null, "lot-head"), title = put(head, "h2", "Lot ");
  lotSteps(head);
  put(title, "bdi", label(lot));
  if (about.labels && about.labels[lot]) put(put(title, "span", null, "known-as"), "bdi", about.labels[lot]);
  put(box, "p", summary(lot), "paper");
  if (others.length) {
    const more = put(box, "p", "More lots lie at this spot: ", "note");
    others.slice(0, 12).forEach((k) => put(more, "button", label(k))
      .addEventListener("click", () => choose(k, { others: [lot, ...others.filter((o) => o !== k)] })));
  }
  let place = null;
  if (data.shape.has(lot)) {
    const middle = bounds(data.shape.box.subarray(4 * lot, 4 * lot + 4)).getCenter();
    place = [middle.lat, middle.lng];
  }
  tellLot(box, lotOf(lot), place, (part) => strip(part, lot));
}

function lotSteps(box) { // to the lots beside it in the list, and back to the whole area
  const line = put(box, "p", null, "steps");
  for (const [text, name, to] of [["‹", "Previous lot of the list", -1], ["›", "Next lot of the list", 1]]) {
    const button = put(line, "button", text), at = state.list.indexOf(state.chosen) + to;
    button.setAttribute("aria-label", name);
    button.disabled = at < 0 || at >= state.list.length;
    button.addEventListener("click", () => {
      const next = state.list.indexOf(state.chosen) + to; // the list may be another since: that of the lots in view
      if (next < 0 || next >= state.list.length) return;
      choose(state.list[next], { from: "list" });
      const again = el("details").querySelector(`.steps button[aria-label="${name}"]`);
      if (again) again.focus();
    });
  }
  put(line, "button", "Whole area").addEventListener("click", () => { choose(-1); el("details").focus(); });
}

export function home(box) { // the view of a part of the area
  if (data.shape.all[2] >= data.shape.all[0]) map.fitBounds(bounds(box), { ...room(coveredBelow()), maxZoom: 18 });
}

let toOthers = () => {};
export function whenChosen(heard) { toOthers = heard; }

export function choose(lot, how = {}) {
  state.chosen = lot;
  toOthers(lot);
  if (how.from === "list") state.held = true;
  if (state.outline) state.outline.remove();
  state.outline = null;
  el("lots").querySelectorAll("[role=option]").forEach((node, i) =>
    node.setAttribute("aria-selected", String(state.list[state.from + i] === lot)));
  details(how.others || []);
  lotOnLegend();
  if (lot >= 0) intoSight(el("details"));
  el("said").textContent = lot < 0 ? "" : visible(summary(lot));
  if (lot < 0 || !data.shape.has(lot)) return;
  const { box } = data.shape;
  state.outline = outlined(ringsOf(data.shape, lot, latLng));
  if (how.from) map.fitBounds(bounds(box.subarray(4 * lot, 4 * lot + 4)), { ...room(coveredBelow()), maxZoom: 18 });
  if (how.from === "search" || how.from === "around") { state.held = false; listSoon(); }
}

export function lotsAt(point, reachPx = NEAR_PX) { // all lots under the point; else the nearest lot within a few pixels
  const reach = reachPx / 2 ** map.getZoom();
  const hit = data.shape.grid(point.x, point.y, point.x, point.y).filter((k) => holds(data.shape, k, point.x, point.y));
  if (hit.length) return hit.reverse();
  const far = (k) => Math.hypot(centre(k)[0] - point.x, centre(k)[1] - point.y);
  return data.shape.grid(point.x - reach, point.y - reach, point.x + reach, point.y + reach)
    .map((k) => [far(k), k]).filter(([d]) => d <= reach).sort((p, q) => p[0] - q[0]).slice(0, 1).map(([, k]) => k);
}
