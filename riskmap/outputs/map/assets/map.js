// Part 6 of the map page: the page itself, from the controls to the layers.
let drought, edges, soilLines;

const monthOfWeek = (week) => data.past.history.months.indexOf(data.past.drought.weeks[week].slice(0, 7));
const lotPx = () => data.shape.typical * (state.sheet ? state.sheet.zoom : 2 ** map.getZoom());
// until a reader decides with the switch, soil lines wait until lots are large enough not to be buried by them
const linesShown = () => Boolean(data.past.lines) && (state.lines ?? lotPx() >= LINES_PX);
const bandNow = () => bandWidth(about.soil, map.getCenter().lat)(state.sheet ? Math.log2(state.sheet.zoom) : map.getZoom());
const still = () => window.matchMedia("(prefers-reduced-motion: reduce)").matches;

function weekWords() {
  const date = data.past.drought.weeks[state.week], month = date.slice(0, 7);
  return `Map of ${date}; lots at the end of ${month}` + (monthOfWeek(state.week) < 0 ? ": not computed for that month." : ".");
}

function recolor() {
  const scale = about.scales[state.scale], weeks = state.scale === "weeks";
  state.code = classify(data, scale, weeks ? monthOfWeek(state.week) : 0);
  lots.show(data, scale, state.code, state.paper);
  if (weeks) for (const layer of [drought, edges]) layer.show(data.past.drought, droughtColors(), state.week, layer === edges);
  legend();
}

function droughtColors() {
  const { classes, colors } = about.scales.drought;
  return data.past.drought.classes.map((name) => colors[classes.indexOf(name)]);
}

function showScale(name) {
  const weeks = name === "weeks";
  state.scale = name;
  el("weeks").hidden = !weeks;
  if (weeks) weekSaid();
  recolor();
  for (const layer of [drought, edges]) {
    if (layer && weeks) layer.addTo(map); else if (layer) layer.remove();
  }
  turn(state.active);
}

function showLines() {
  if (!data.past.lines) return;
  const shown = linesShown();
  el("lines").checked = shown;
  if (shown) soilLines.addTo(map); else soilLines.remove();
}

function weekSaid() {
  el("week").setAttribute("aria-valuetext", weekWords());
  el("week-said").textContent = data.past.drought.weeks[state.week];
}

function showWeek(week) {
  state.week = week;
  weekSaid();
  recolor();
  turn(state.active);
}

// ---------------------------------------------------------------- one lot
function choose(lot, how = {}) {
  state.chosen = lot;
  if (how.from === "list") state.held = true;
  if (state.outline) state.outline.remove();
  state.outline = null;
  el("lots").querySelectorAll("[role=option]").forEach((node, i) =>
    node.setAttribute("aria-selected", String(state.list[state.from + i] === lot)));
  details(how.others || []);
  el("said").textContent = lot < 0 ? "" : visible(summary(lot));
  if (lot < 0 || !data.shape.has(lot)) return;
  const { box } = data.shape;
  state.outline = outlined(ringsOf(data.shape, lot, latLng));
  if (how.from) map.fitBounds(bounds(box.subarray(4 * lot, 4 * lot + 4)), { ...room(), maxZoom: 18 });
  if (how.from === "search") { state.held = false; listSoon(); }
}

function lotsAt(point, reachPx = NEAR_PX) { // all lots under the point; else the nearest lot within a few pixels
  const reach = reachPx / 2 ** map.getZoom();
  const hit = data.shape.grid(point.x, point.y, point.x, point.y).filter((k) => holds(data.shape, k, point.x, point.y));
  if (hit.length) return hit.reverse();
  const far = (k) => Math.hypot(centre(k)[0] - point.x, centre(k)[1] - point.y);
  return data.shape.grid(point.x - reach, point.y - reach, point.x + reach, point.y + reach)
    .map((k) => [far(k), k]).filter(([d]) => d <= reach).sort((p, q) => p[0] - q[0]).slice(0, 1).map(([, k]) => k);
}

function step(by) { // the lot before or after the chosen one in the list
  const at = state.list.indexOf(state.chosen), to = Math.max(0, Math.min(state.list.length - 1, at < 0 ? state.active : at + by));
  if (!state.list.length) return;
  if (to < state.from || to >= state.from + PAGE) turn(to); else mark(to);
  choose(state.list[to], { from: "list" });
}

function mapKeys(event) { // beside the arrows, + and − of the map itself
  if (event.target !== map.getContainer() || event.ctrlKey || event.altKey || event.metaKey) return;
  if (/^[+=]$/.test(event.key)) zoomBy(1); // + is often Shift and =, for which the map's own keys leap three levels
  else if (/^[-_]$/.test(event.key)) zoomBy(-1);
  else if (event.key === "n") step(1);
  else if (event.key === "p") step(-1);
  else if (event.key === "Enter") {
    const [lot = -1, ...others] = lotsAt(map.options.crs.latLngToPoint(map.getCenter(), 0), 200);
    choose(lot, { others });
  } else return;
  event.preventDefault();
  event.stopPropagation();
}

function zoomBy(levels) {
  state.held = false;
  map.setZoom(map.getZoom() + levels, { animate: false });
}


// ---------------------------------------------------------------- units, paper, start
function showUnits(name) {
  units.now = name;
  scaleBar();
  legend();
  turn(state.active);
  details([]);
}

function home(box) {
  if (data.shape.all[2] >= data.shape.all[0]) map.fitBounds(bounds(box), { ...room(), maxZoom: 18 });
}

function missingWords() { // what this file does not hold, and why
  return [about.no_past_weeks, data.past.lines ? "" : "Soil lines are not in this file."].filter(Boolean).join(" ");
}

function controls() {
  const p = data.past, choice = el("layer");
  const shown = Object.entries(about.scales).filter(([name]) => name !== "weeks" || (p.history && p.drought));
  shown.forEach(([name, scale]) => { put(choice, "option", scale.title).value = name; });
  choice.addEventListener("change", () => showScale(choice.value));
  unitChoice();
  if (p.drought) {
    el("week").max = p.drought.weeks.length - 1;
    el("week").value = state.week = p.drought.weeks.length - 1;
  }
  el("week").addEventListener("input", () => showWeek(Number(el("week").value)));
  el("lines-line").hidden = !p.lines;
  el("lines").addEventListener("change", () => {
    state.lines = el("lines").checked;
    showLines();
    legend();
  });
  el("not-here").textContent = missingWords();
  el("search").addEventListener("input", suggest);
  el("search").addEventListener("keydown", searchKeys);
  el("search").addEventListener("blur", () => open(false));
  el("order").addEventListener("change", list);
  el("only-view").addEventListener("change", () => { state.held = false; list(); });
  el("lots").addEventListener("keydown", listKeys);
  el("before").addEventListener("click", () => turn(state.from - PAGE));
  el("after").addEventListener("click", () => turn(state.from + PAGE));
  el("whole").addEventListener("click", () => { state.held = false; home(data.shape.all); });
  document.addEventListener("keydown", (event) => { if (event.key === "Escape") choose(-1); });
}

function layers() {
  [["drought", 150], ["edges", 350], ["soil", 360]].forEach(([name, z]) => {
    map.createPane(name).style.zIndex = z;
    map.getPane(name).style.pointerEvents = "none";
  });
  const grid = (pane) => ({ keepBuffer: 1, updateWhenZooming: false, pane });
  lots = new LotLayer(grid("tilePane"));
  if (data.past.drought) {
    drought = new DroughtLayer(grid("drought"));
    edges = new DroughtLayer(grid("edges"));
  }
  if (data.past.lines) {
    const middle = data.shape.all.every(Number.isFinite) ? bounds(data.shape.all).getCenter().lat : 0;
    soilLines = new SoilLineLayer(grid("soil")).show(data.past.lines.shape, bandWidth(about.soil, middle));
  }
}

function mapEvents() {
  const box = map.getContainer();
  box.setAttribute("role", "application");
  box.setAttribute("aria-label", "Map of the lots");
  box.setAttribute("aria-describedby", "map-keys");
  box.addEventListener("keydown", mapKeys);
  if (still()) map.panBy = (by, how) => L.Map.prototype.panBy.call(map, by, { ...how, animate: false });
  map.on("click", (event) => {
    const [lot = -1, ...others] = lotsAt(map.options.crs.latLngToPoint(event.latlng, 0));
    choose(lot, { others });
    if (lot >= 0 && narrow()) el("details").scrollIntoView({ block: "nearest" });
  });
  map.on("moveend", () => {
    if (!state.paper) state.seen = clearBox();
    listSoon();
  });
  map.on("dragstart", () => { state.held = false; });
  box.addEventListener("wheel", () => { state.held = false; }, { passive: true });
  box.addEventListener("keydown", (event) => { if (event.key.startsWith("Arrow")) state.held = false; });
  box.querySelectorAll(".leaflet-control-zoom a").forEach((node) => node.addEventListener("click", () => { state.held = false; }));
  map.on("zoomend", () => {
    showLines();
    if (data.past.lines) legend();
  });
  const print = window.matchMedia("print");
  print.addEventListener("change", () => paper(print.matches));
  window.addEventListener("beforeprint", () => paper(true));
  window.addEventListener("afterprint", () => paper(false));
}

function start() {
  about = data.about;
  units.now = about.units;
  pageHead();
  [about.cautions.main, about.cautions.soil, about.cautions.not_seen].filter(Boolean)
    .forEach((line) => put(el("sources"), "p", line, "paper"));
  layers();
  controls();
  baseMap();
  mapEvents();
  lots.once("load", () => requestAnimationFrame(() => {
    performance.mark("riskmap-drawn");
    document.body.dataset.ready = "yes";
  }));
  state.list = Array.from({ length: data.n }, (_, lot) => lot);
  showScale("expected");
  showUnits(about.units);
  home(data.shape.core);
  lots.addTo(map);
  showLines();
  legend();
}

unpack(el("data").textContent)
  .then((raw) => {
    data = read(raw);
    map = map_riskmap;
    performance.mark("riskmap-decoded");
    start();
  })
  .catch((error) => {
    el("details").textContent = "The map cannot be shown in this browser (" + error.message + "). " +
      "The same numbers are in lots.csv and lots.gpkg beside this file.";
    document.body.dataset.ready = "no";
  });
