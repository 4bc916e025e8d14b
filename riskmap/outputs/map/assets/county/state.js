// What the county page shows now: its values, its map, its layer, the choices of the reader.
import { about, setAbout, setMap } from "../shared/context.js";
import { el, visible } from "../shared/page.js";
import { Refusal, DAMAGED } from "./archive.js";
import { CountyLayer } from "./draw.js";

setAbout(JSON.parse(new TextDecoder().decode(Uint8Array.from(atob(el("data").textContent.trim()), (c) => c.charCodeAt(0)))));
setMap(L.map("map_riskmap", { zoomAnimation: false, fadeAnimation: false, inertia: false, attributionControl: false,
  minZoom: about.zooms[0], maxZoom: 20, center: [0, 0], zoom: about.zooms[0] }));

export const MISSING = -(2 ** 30);
export const stateNames = Object.keys(about.states);
export const layer = new CountyLayer({ keepBuffer: 1, updateWhenZooming: false });
export const state = { archive: null, scale: "expected", chosen: null, list: [], from: 0, active: 0, outline: null, asked: 0 };
export const sideId = (name) => name || "(no id)";
export function tell(text) { el("trouble").textContent = visible(text); }

export function failed(error) {
  tell(error instanceof Refusal ? error.message : DAMAGED);
}
