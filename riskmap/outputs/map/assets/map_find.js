// Part 3 of the map page: lengths in the chosen units, legend, list in step with the view, search with suggestions.
let data, about, map, lots;
const state = { scale: "expected", code: null, week: 0, chosen: -1, list: [], from: 0, active: 0, held: false, bar: null,
  outline: null, paper: false, sheet: null, seen: null, suggested: [], suggestion: -1, low: null, lines: null };
const LINES_PX = 12; // a typical lot of that many px: a band of doubt no longer hides whole rows of lots

const label = (lot) => data.ids[lot] || "row " + (lot + 1) + " (no id)";
const latLng = (x, y) => map.options.crs.pointToLatLng(L.point(x, y), 0);
const bounds = (box) => L.latLngBounds(latLng(box[0], box[3]), latLng(box[2], box[1]));
const centre = (lot) => { const b = data.shape.box; return [(b[4 * lot] + b[4 * lot + 2]) / 2, (b[4 * lot + 1] + b[4 * lot + 3]) / 2]; };

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
  return (scale.limits_mm[0] < 0 ? signed : length)(valueOf(lot, scale));
}

// ---------------------------------------------------------------- legend
function legend() {
  const scale = about.scales[state.scale], box = el("legend");
  const counts = new Uint32Array(scale.colors.length + stateNames(about).length + 1);
  for (const c of state.code) counts[c]++;
  box.textContent = "";
  put(box, "h2", scale.title);
  put(box, "p", scale.note, "note");
  if (state.scale === "weeks") put(box, "p", weekWords(), "note");
  legendRows(box, scale, counts, (ctx, c) => paint(ctx, lots.fills[c]));
  if (state.scale === "weeks") droughtLegend(box);
  if (linesShown()) lineLegend(put(box, "ul", null, "classes lines"));
  else if (data.past.lines && state.lines === null && !state.paper) put(box, "p", "Soil lines appear nearer in, or tick “Soil lines”.", "note");
  let missing = 0;
  for (let lot = 0; lot < data.n; lot++) missing += !data.shape.has(lot);
  legendFoot(box, data.n, missing);
  if (state.scale === "drought" || state.scale === "weeks") about.credits.forEach((line) => put(box, "p", line, "note"));
}

function droughtLegend(box) {
  const { drought } = data.past, scale = about.scales.drought, here = new Set();
  drought.week.forEach((w, k) => { if (w === state.week) here.add(drought.classes[drought.category[k]]); });
  put(box, "h3", "Weekly drought map, beneath the lots");
  const table = put(box, "ul", null, "classes drought");
  scale.classes.forEach((name, c) => {
    if (!here.has(name)) return;
    const item = put(table, "li");
    swatch(item, (ctx) => { ctx.globalAlpha = DROUGHT_ALPHA; ctx.fillStyle = scale.colors[c]; ctx.fillRect(0, 0, 24, 16); });
    put(item, "span", scale.words[c], "name");
  });
  if (!here.size) put(box, "p", "No category was mapped here that week.", "note");
}

function lineLegend(table) {
  const item = put(table, "li"), wide = bandNow() > 0, soil = about.soil;
  swatch(item, (ctx) => {
    ctx.fillStyle = "#ffffff";
    ctx.fillRect(0, 0, 24, 16);
    if (wide) { ctx.fillStyle = ctx.createPattern(stripes(8), "repeat"); ctx.fillRect(0, 0, 24, 16); }
    ctx.fillStyle = "#1a1a1a";
    ctx.fillRect(0, 7, 24, 1.5);
  });
  const name = wide ? `soil line as a striped band: the change of soil may lie ${distance(soil.width_m)} either side`
    : soil.scale ? `soil line, mapped at 1:${count(soil.scale)}` : "soil line; its mapping scale is not recorded";
  put(item, "span", name, "name");
}

// ---------------------------------------------------------------- list, in step with the view
function inView() {
  const view = map.getBounds(), crs = map.options.crs, all = data.shape.all;
  const a = crs.latLngToPoint(view.getNorthWest(), 0), b = crs.latLngToPoint(view.getSouthEast(), 0);
  if (a.x <= all[0] && a.y <= all[1] && b.x >= all[2] && b.y >= all[3]) return null; // everything, shape or not
  return data.shape.grid(a.x, a.y, b.x, b.y);
}

function list() {
  const sort = el("order").value, seen = el("only-view").checked ? inView() : null;
  let found = seen;
  if (!found) found = Array.from({ length: data.n }, (_, lot) => lot);
  if (sort !== "file") {
    const key = Float64Array.from(found, (lot) => data.number(sort, lot) ?? -1), place = found.map((_, i) => i);
    place.sort((p, q) => key[q] - key[p] || found[p] - found[q]);
    found = place.map((i) => found[i]);
  }
  const same = found.length === state.list.length && found.every((lot, i) => lot === state.list[i]);
  state.list = found;
  if (!same) turn(Math.max(0, found.indexOf(state.chosen)));
}

let waiting = 0;
function listSoon() { // after the map has come to rest; a list that is being stepped through stays as it is
  clearTimeout(waiting);
  waiting = setTimeout(() => { if (el("only-view").checked && !state.held && !state.paper) list(); }, 200);
}

function option(box, id, lot, scale) {
  const item = put(box, "li");
  item.id = id;
  item.setAttribute("role", "option");
  item.setAttribute("aria-selected", String(lot === state.chosen));
  put(item, "bdi", label(lot));
  put(item, "span", briefly(lot, scale), "value");
  return item;
}

function turn(active) {
  const found = state.list, box = el("lots"), scale = about.scales[state.scale];
  state.active = Math.max(0, Math.min(found.length - 1, active));
  state.from = Math.floor(state.active / PAGE) * PAGE;
  box.textContent = "";
  found.slice(state.from, state.from + PAGE).forEach((lot, i) => option(box, "lot-" + (state.from + i), lot, scale)
    .addEventListener("click", () => { mark(state.from + i); choose(lot, { from: "list" }); }));
  const to = Math.min(found.length, state.from + PAGE), some = found.length < data.n;
  el("found").textContent = found.length ? `${count(state.from + 1)} to ${count(to)} of ${count(found.length)}` +
    (some ? ` in view, ${count(data.n)} in all` : "") : "No lot in view.";
  el("before").disabled = state.from === 0;
  el("after").disabled = to >= found.length;
  mark(state.active);
}

function mark(active) {
  const box = el("lots"), node = point(box, box, "lot-" + active);
  state.active = active;
  if (node) keepInSight(box, node);
}

function point(owner, box, id) { // make one option the active one of the list that `owner` controls
  box.querySelectorAll(".active").forEach((node) => node.classList.remove("active"));
  const node = el(id);
  if (!node) { owner.removeAttribute("aria-activedescendant"); return null; }
  node.classList.add("active");
  owner.setAttribute("aria-activedescendant", id);
  return node;
}

function listKeys(event) {
  const last = state.list.length - 1;
  const to = { ArrowDown: state.active + 1, ArrowUp: state.active - 1, PageDown: state.active + 10,
    PageUp: state.active - 10, Home: 0, End: last }[event.key];
  if (to !== undefined) {
    const active = Math.max(0, Math.min(last, to));
    if (active < state.from || active >= state.from + PAGE) turn(active); else mark(active);
  } else if ((event.key === "Enter" || event.key === " ") && last >= 0) choose(state.list[state.active], { from: "list" });
  else return;
  event.preventDefault();
}

// ---------------------------------------------------------------- search: an editable combobox with a list of options
function suggest() {
  const wanted = el("search").value.trim().toLowerCase(), first = [], then = [];
  state.low ||= Array.from({ length: data.n }, (_, lot) => label(lot).toLowerCase());
  if (wanted) {
    for (let lot = 0; lot < data.n; lot++) { // ids that begin with the text come first
      const at = state.low[lot].indexOf(wanted);
      if (at === 0) first.push(lot); else if (at > 0) then.push(lot);
    }
  }
  const found = first.concat(then);
  state.suggested = found.slice(0, PAGE);
  const box = el("suggestions"), scale = about.scales[state.scale];
  box.textContent = "";
  state.suggested.forEach((lot, i) => {
    const item = option(box, "hit-" + i, lot, scale);
    item.setAttribute("aria-selected", "false");
    item.addEventListener("pointerdown", (event) => event.preventDefault()); // the field keeps the focus
    item.addEventListener("click", () => take(i));
  });
  open(state.suggested.length > 0);
  el("hits").textContent = !wanted ? "" : !found.length ? "No lot has this text in its id."
    : `${count(found.length)} ${found.length === 1 ? "id has" : "ids have"} this text` +
      (found.length > PAGE ? `; the first ${PAGE} are listed.` : ".");
}

function open(shown) {
  el("suggestions").hidden = !shown;
  el("search").setAttribute("aria-expanded", String(shown));
  state.suggestion = -1;
  point(el("search"), el("suggestions"), "");
}

function take(i) {
  const lot = state.suggested[i];
  open(false);
  el("search").value = label(lot);
  el("hits").textContent = "";
  choose(lot, { from: "search" });
}

function searchKeys(event) {
  const box = el("suggestions"), n = state.suggested.length, shown = !box.hidden;
  if (event.key === "ArrowDown" || event.key === "ArrowUp") {
    if (!shown) suggest();
    if (!state.suggested.length) return;
    const step = event.key === "ArrowDown" ? 1 : -1, m = state.suggested.length;
    state.suggestion = state.suggestion < 0 ? (step > 0 ? 0 : m - 1) : (state.suggestion + step + m) % m;
    box.querySelectorAll("[role=option]").forEach((node, i) => node.setAttribute("aria-selected", String(i === state.suggestion)));
    const node = point(el("search"), box, "hit-" + state.suggestion);
    if (node) node.scrollIntoView({ block: "nearest" });
  } else if (event.key === "Enter" && shown && n) take(Math.max(0, state.suggestion));
  else if (event.key === "Escape" && shown) { open(false); event.stopPropagation(); }
  else return;
  event.preventDefault();
}
