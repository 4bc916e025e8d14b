// The county page itself: the tile file, the legend, controls, start.
import { about, map } from "../shared/context.js";
import {
  el, PAGE, lettered, put, units, legendRows, legendFoot, room, scaleBar, unitChoice, pageHead, baseMap,
  layerChoice, nameMarks, titleOf,
} from "../shared/page.js";
import { areaReasons } from "../shared/tell.js";
import { chips, coveredBelow, sheetControls } from "../shared/sheet.js";
import { rangeWords } from "../shared/range.js";
import { fromFile, fromServer, open } from "./archive.js";
import { layer, state, tell, failed } from "./state.js";
import { whenRowChosen, find, turn, shownBeside, keys } from "./list.js";
import { choose, pick, nothing, details, lotOnLegend } from "./panel.js";

async function use(source) {
  const asked = ++state.asked;
  tell("");
  performance.mark("riskmap-open");
  try {
    const archive = await open(source);
    await lettered;
    if (asked !== state.asked) return;
    state.archive = layer.archive = archive;
  } catch (error) { failed(error); return; }
  el("open").hidden = true;
  layer.once("load", () => requestAnimationFrame(() => {
    performance.mark("riskmap-drawn");
    document.body.dataset.drawn = "yes";
  }));
  showScale(state.scale);
  await find();
  choose(null);
  if (about.all) { home(about.core); layer.addTo(map); } else tell("No lot of this run has a shape; all lots are in the list.");
  if (document.activeElement === document.body) el("search").focus({ preventScroll: true });
  document.body.dataset.opened = "yes";
}

function showScale(name) {
  state.scale = name;
  layer.show(name);
  legend();
  el("find-note").textContent = `Type how the id begins. Beside it: ${about.scales[shownBeside()].title.toLowerCase()}.`;
}

function legend() {
  const scale = about.scales[state.scale], box = el("legend");
  box.textContent = "";
  put(box, "h2", titleOf(scale));
  put(box, "p", scale.note, "note");
  legendRows(box, scale, about.counts[state.scale], (ctx, c) => layer.paint(ctx, c));
  put(box, "div").id = "spread";
  lotOnLegend();
  rangeWords(box, scale, false);
  legendFoot(box, about.lots, about.lots - about.shapes);
  if (state.scale === "drought") about.credits.forEach((line) => put(box, "p", line, "note"));
}

function home(box) {
  if (box) map.fitBounds([[box[1], box[0]], [box[3], box[2]]], { ...room(coveredBelow()), maxZoom: 18 });
}

function showUnits(name) {
  units.now = name;
  nameMarks();
  if (layer._map) layer.redraw();
  scaleBar();
  sources();
  legend();
  turn(state.active).catch(failed);
  if (state.archive && state.chosen !== null && state.shown) details(state.shown.lot, state.shown.others).catch(failed);
}

function sources() { // what nearly all lots share, said once, in the unit of the page
  const box = el("sources");
  box.querySelectorAll(".of-unit").forEach((node) => node.remove());
  areaReasons().forEach((line) => put(box, "p", line, "of-unit"));
}

function start() {
  layer.failed = failed;
  whenRowChosen((lot) => choose(lot, true));
  pageHead();
  layerChoice(Object.keys(about.scales), state.scale, (name) => { showScale(name); turn(state.active).catch(failed); });
  chips();
  sheetControls(() => map.invalidateSize({ pan: false }));
  unitChoice(showUnits);
  el("search").addEventListener("input", () => { if (state.archive) find().catch(failed); });
  ["search", "lots"].forEach((id) => el(id).addEventListener("keydown", keys));
  el("before").addEventListener("click", () => turn(state.from - PAGE).catch(failed));
  el("after").addEventListener("click", () => turn(state.from + PAGE).catch(failed));
  el("whole").addEventListener("click", () => home(about.all));
  document.addEventListener("keydown", (event) => { if (event.key === "Escape" && state.archive) choose(null); });
  map.on("click", (event) => pick(event.latlng).catch(failed));
  const field = map.getContainer();
  field.setAttribute("role", "application");
  field.setAttribute("aria-label", "Map of the lots");
  field.setAttribute("aria-describedby", "map-keys");
  field.addEventListener("keydown", (event) => {
    if (event.key === "Enter" && event.target === field) pick(map.getCenter()).catch(failed);
  });
  put(field, "div", null, "middle").setAttribute("aria-hidden", "true");
  baseMap();
  el("file").addEventListener("change", () => { if (el("file").files.length) use(fromFile(el("file").files[0])); });
  document.addEventListener("dragover", (event) => event.preventDefault());
  document.addEventListener("drop", (event) => {
    event.preventDefault();
    if (event.dataTransfer.files.length) use(fromFile(event.dataTransfer.files[0]));
  });
  layer.show(state.scale);
  showUnits(about.units);
  nothing();
  document.body.dataset.ready = "yes";
  if (location.protocol === "http:" || location.protocol === "https:") {
    el("open").hidden = true;
    use(fromServer(about.file)).then(() => { if (!state.archive) el("open").hidden = false; });
  }
}

start();
