// The list of lots of the map page, in step with the view.
import { about, map } from "../shared/context.js";
import { el, PAGE, count, many, put, length, classLabels, keepInSight, signed, signedFinely } from "../shared/page.js";
import { stateNames, ages } from "./draw.js";
import { data, state, label, monthOfWeek } from "./state.js";

let rowChosen = null; // shows the lot of a chosen row; handed in, since showing a lot marks its row here
export function whenRowChosen(act) { rowChosen = act; }

function valueOf(lot, scale) { // the number of a layer at a lot, null without one
  if (scale.column === "week_mm") return data.past.history.value(lot, monthOfWeek(state.week));
  if (scale.column === "age_years") return (state.years ||= ages(data))[data.row[lot]];
  return data.number(scale.column, lot);
}

function briefly(lot, scale) { // the value of a layer at a lot in a few words
  const c = state.code[lot], k = scale.colors.length;
  if (c === k + stateNames(about).length) return scale.missing.split(" (")[0];
  if (c >= k) return about.states[data.text("state", lot)];
  if (scale.classes.length) return ["phase", "drought_category"].includes(scale.column) ? scale.words[c] : data.text(scale.column, lot);
  if (scale.unit === "years") return many(Math.floor(valueOf(lot, scale)), "year");
  if (scale.unit === "share") return classLabels(scale)[c];
  const finer = scale.column.startsWith("change_of_");
  return (finer ? signedFinely : scale.limits_mm[0] < 0 ? signed : length)(valueOf(lot, scale));
}

function inView() {
  const view = map.getBounds(), crs = map.options.crs, all = data.shape.all;
  const a = crs.latLngToPoint(view.getNorthWest(), 0), b = crs.latLngToPoint(view.getSouthEast(), 0);
  if (a.x <= all[0] && a.y <= all[1] && b.x >= all[2] && b.y >= all[3]) return null; // everything, shape or not
  return data.shape.grid(a.x, a.y, b.x, b.y);
}

export function list() {
  const sort = el("order").value, seen = el("only-view").checked ? inView() : null;
  let found = seen;
  if (!found) found = Array.from({ length: data.n }, (_, lot) => lot);
  if (sort !== "file") {
    const key = Float64Array.from(found, (lot) => data.number(sort, lot) ?? -1), place = found.map((_, i) => i);
    const next = Float64Array.from(found, (lot) => data.number("change_next_mm", lot) ?? -Infinity);
    // equal ones in the order of a round of visits: the larger change of the next twelve months, then the lot id
    const byId = (p, q) => (data.ids[found[p]] < data.ids[found[q]] ? -1 : data.ids[found[p]] > data.ids[found[q]] ? 1 : 0);
    place.sort((p, q) => key[q] - key[p] || next[q] - next[p] || byId(p, q) || found[p] - found[q]);
    found = place.map((i) => found[i]);
  }
  const same = found.length === state.list.length && found.every((lot, i) => lot === state.list[i]);
  state.list = found;
  if (!same) turn(Math.max(0, found.indexOf(state.chosen)));
}

let waiting = 0;

export function listSoon() { // after the map has come to rest; a list that is being stepped through stays as it is
  clearTimeout(waiting);
  waiting = setTimeout(() => { if (el("only-view").checked && !state.held && !state.paper) list(); }, 200);
}

export function option(box, id, lot, scale) {
  const item = put(box, "li");
  item.id = id;
  item.setAttribute("role", "option");
  item.setAttribute("aria-selected", String(lot === state.chosen));
  put(item, "bdi", label(lot));
  put(item, "span", briefly(lot, scale), "value");
  return item;
}

export function turn(active) {
  const found = state.list, box = el("lots"), scale = about.scales[state.scale];
  state.active = Math.max(0, Math.min(found.length - 1, active));
  state.from = Math.floor(state.active / PAGE) * PAGE;
  box.textContent = "";
  found.slice(state.from, state.from + PAGE).forEach((lot, i) => option(box, "lot-" + (state.from + i), lot, scale)
    .addEventListener("click", () => { mark(state.from + i); rowChosen(lot); }));
  const to = Math.min(found.length, state.from + PAGE), some = found.length < data.n;
  el("found").textContent = found.length ? `${count(state.from + 1)} to ${count(to)} of ${count(found.length)}` +
    (some ? ` in view, ${count(data.n)} in all` : "") : "No lot in view.";
  el("before").disabled = state.from === 0;
  el("after").disabled = to >= found.length;
  mark(state.active);
}

export function mark(active) {
  const box = el("lots"), node = point(box, box, "lot-" + active);
  state.active = active;
  if (node) keepInSight(box, node);
}

export function point(owner, box, id) { // make one option the active one of the list that `owner` controls
  box.querySelectorAll(".active").forEach((node) => node.classList.remove("active"));
  const node = el(id);
  if (!node) { owner.removeAttribute("aria-activedescendant"); return null; }
  node.classList.add("active");
  owner.setAttribute("aria-activedescendant", id);
  return node;
}

export function listKeys(event) {
  const last = state.list.length - 1;
  const to = { ArrowDown: state.active + 1, ArrowUp: state.active - 1, PageDown: state.active + 10,
    PageUp: state.active - 10, Home: 0, End: last }[event.key];
  if (to !== undefined) {
    const active = Math.max(0, Math.min(last, to));
    if (active < state.from || active >= state.from + PAGE) turn(active); else mark(active);
  } else if ((event.key === "Enter" || event.key === " ") && last >= 0) rowChosen(state.list[state.active]);
  else return;
  event.preventDefault();
}
