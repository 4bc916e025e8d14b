// The map page itself: controls, keys, layers, start.
import { about, map, setAbout, setMap } from "../shared/context.js";
import { el, PAGE, lettered, put, units, scaleBar, many, unitChoice, layerChoice, nameMarks, pageHead, baseMap } from "../shared/page.js";
import { soilCaution } from "../shared/lot.js";
import { areaReasons } from "../shared/tell.js";
import { unpack, read } from "./data.js";
import { LotLayer, DroughtLayer, SoilLineLayer, ContextLayer, bandWidth } from "./draw.js";
import { data, setData, drawn, state, bounds } from "./state.js";
import { legend } from "./legend.js";
import { whenRowChosen, list, listSoon, turn, mark, listKeys } from "./list.js";
import { details, choose, home, lotsAt } from "./panel.js";
import { listen, speak } from "./around.js";
import { suggest, open, searchKeys } from "./search.js";
import { showScale, showLines, showContext, showWeek } from "./show.js";
import { NameLayer, Locator, farAway } from "./names.js";
import { weekControls } from "./weeks.js";
import { chips, sheetControls } from "../shared/sheet.js";
import { clearBox, paper } from "./paper.js";

const still = () => window.matchMedia("(prefers-reduced-motion: reduce)").matches;

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

// ---------------------------------------------------------------- units and view
function showUnits(name) {
  units.now = name;
  nameMarks();
  drawn.lots.repaint();
  scaleBar();
  sources();
  legend();
  turn(state.active);
  details([]);
}

function sources() { // what nearly all lots share, and the cautions for paper, in the unit of the page
  const box = el("sources");
  box.querySelectorAll(".of-unit").forEach((node) => node.remove());
  areaReasons().forEach((line) => put(box, "p", line, "of-unit"));
  [about.cautions.main, about.cautions.soil && soilCaution(), about.cautions.not_seen].filter(Boolean)
    .forEach((line) => put(box, "p", line, "paper of-unit"));
}

function missingWords() { // what this file does not contain, and why
  const far = farAway(), away = far ? `${many(far, "lot")} far from the others ${far === 1 ? "is" : "are"} outside the first view.` : "";
  return [about.no_past_weeks, data.past.lines ? "" : "Soil boundaries are not in this file.", about.context_note, away].filter(Boolean).join(" ");
}

// ---------------------------------------------------------------- start
function controls() {
  const p = data.past;
  layerChoice(Object.keys(about.scales).filter((name) => name !== "weeks" || (p.history && p.drought)), state.scale, showScale);
  unitChoice(showUnits);
  chips();
  if (p.history && p.drought) weekControls(showWeek, still);
  el("lines-line").hidden = !p.lines;
  el("lines").addEventListener("change", () => {
    state.lines = el("lines").checked;
    showLines();
    legend();
  });
  el("context-line").hidden = !p.context;
  el("context").addEventListener("change", () => {
    state.context = el("context").checked;
    showContext();
  });
  el("not-here").textContent = missingWords();
  el("search").addEventListener("input", suggest);
  el("search").addEventListener("keydown", searchKeys);
  el("search").addEventListener("blur", () => open(false));
  el("order").addEventListener("change", list);
  el("only-view").addEventListener("change", () => { state.held = false; list(); });
  whenRowChosen((lot) => choose(lot, { from: "list" }));
  el("lots").addEventListener("keydown", listKeys);
  el("before").addEventListener("click", () => turn(state.from - PAGE));
  el("after").addEventListener("click", () => turn(state.from + PAGE));
  el("whole").addEventListener("click", () => { state.held = false; home(data.shape.all); });
  document.addEventListener("keydown", (event) => { if (event.key === "Escape") choose(-1); });
}

function layers() {
  [["context", 160], ["other", 210], ["drought", 350], ["soil", 360], ["names", 370]].forEach(([name, z]) => {
    map.createPane(name).style.zIndex = z;
    map.getPane(name).style.pointerEvents = "none";
  });
  const grid = (pane) => ({ keepBuffer: 1, updateWhenZooming: false, pane });
  drawn.lots = new LotLayer(grid("tilePane"));
  if (data.past.drought) drawn.drought = new DroughtLayer(grid("drought"));
  if (data.past.context) drawn.context = new ContextLayer(grid("context")).show(data.past.context);
  drawn.names = new NameLayer();
  if (data.past.lines) {
    const middle = data.shape.all.every(Number.isFinite) ? bounds(data.shape.all).getCenter().lat : 0;
    drawn.soilLines = new SoilLineLayer(grid("soil")).show(data.past.lines.shape, bandWidth(about.soil, middle), drawn.lots);
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
  units.now = about.units;
  pageHead();
  map.options.zoomSnap = 0.25; // the first view fills the pane; the buttons and keys still go by whole steps
  layers();
  controls();
  baseMap();
  sheetControls(() => map.invalidateSize({ pan: false }));
  mapEvents();
  drawn.lots.once("load", () => requestAnimationFrame(() => {
    performance.mark("riskmap-drawn");
    document.body.dataset.ready = "yes";
    speak();
  }));
  state.list = Array.from({ length: data.n }, (_, lot) => lot);
  showScale(state.scale);
  showUnits(about.units);
  home(data.shape.core);
  showContext();
  drawn.lots.addTo(map);
  drawn.names.addTo(map);
  new Locator().addTo(map).redraw();
  showLines();
  legend();
}

listen();
Promise.all([unpack(el("data").textContent), lettered])
  .then(([raw]) => {
    setData(read(raw));
    setAbout(data.about);
    setMap(map_riskmap);
    performance.mark("riskmap-decoded");
    start();
  })
  .catch((error) => {
    el("details").textContent = "The map cannot be shown in this browser (" + error.message + "). " +
      "The same estimates are in lots.csv and lots.gpkg beside this file.";
    document.body.dataset.ready = "no";
  });
