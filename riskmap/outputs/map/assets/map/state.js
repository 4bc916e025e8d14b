// What the map page shows now: its data, its layers, the choices of the reader, and what follows from them.
import { about, map } from "../shared/context.js";
import { inWords } from "../shared/page.js";
import { bandWidth } from "./draw.js";

export let data = null;
export function setData(read) { data = read; }
export const drawn = { lots: null, drought: null, soilLines: null, context: null, names: null, other: null }; // the layers of the map

export const state = { scale: "expected", code: null, week: 0, chosen: -1, list: [], from: 0, active: 0, held: false,
  outline: null, paper: false, sheet: null, seen: null, suggested: [], suggestion: -1, low: null, lines: null, context: true, other: null };

const LINES_PX = 12; // a typical lot of that many px: a band of doubt no longer hides whole rows of lots
export const label = (lot) => data.ids[lot] || "row " + (lot + 1) + " (no id)";
export const lotOf = (k) => ({ text: (name) => data.text(name, k), number: (name) => (data.has(name) ? data.number(name, k) : null),
  curve: data.past.growth ? data.past.growth.curve(k) : null });
export const latLng = (x, y) => map.options.crs.pointToLatLng(L.point(x, y), 0);
export const bounds = (box) => L.latLngBounds(latLng(box[0], box[3]), latLng(box[2], box[1]));
export const centre = (lot) => { const b = data.shape.box; return [(b[4 * lot] + b[4 * lot + 2]) / 2, (b[4 * lot + 1] + b[4 * lot + 3]) / 2]; };
export const monthOfWeek = (week) => data.past.history.months.indexOf(data.past.drought.weeks[week].slice(0, 7));
const lotPx = () => data.shape.typical * (state.sheet ? state.sheet.zoom : 2 ** map.getZoom());

// until a reader decides with the switch, soil boundaries wait until lots are large enough not to be buried by them
export const linesShown = () => Boolean(data.past.lines) && (state.lines ?? lotPx() >= LINES_PX);

export const contextShown = () => Boolean(data.past.context) && state.context;

export const bandNow = () => bandWidth(about.soil, map.getCenter().lat)(state.sheet ? Math.log2(state.sheet.zoom) : map.getZoom());

export function weekWords() {
  const date = data.past.drought.weeks[state.week], month = date.slice(0, 7);
  return `Map of ${inWords(date)}; lots at the end of ${inWords(month)}` + (monthOfWeek(state.week) < 0 ? ": not computed for that month." : ".");
}
