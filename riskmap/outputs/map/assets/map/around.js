// The page of `riskmap open` shows this map in a frame without an origin, beside its table of lots. A lot that is chosen here
// is named to that page, and the reverse. Only the page around is heard, only when it comes from this computer, and nothing
// but the place and the id of a lot goes either way; a map that is opened alone, or framed by another host, stays silent.
import { map } from "../shared/context.js";
import { el, narrow, put } from "../shared/page.js";
import { centre, data, latLng, state } from "./state.js";
import { choose, home, whenChosen } from "./panel.js";

const HERE = ["127.0.0.1", "localhost", "[::1]"];
let other = null; // the origin of the page around, once it has spoken
let ready = false;
let more = null; // the button that opens the panel; none while the map is alone
let asked = false; // the reader opened the panel, so it stays open

function ofThisComputer(origin) { // "null" for a page without an origin
  const [scheme, host = ""] = origin.split("//");
  return scheme === "http:" && HERE.includes(host.replace(/:\d{1,5}$/, ""));
}

function tellAround(what) {
  if (other && ready) window.parent.postMessage(what, other);
}

// Next to the table the map has the whole width: the panel is a line above it, and opens when a lot is chosen or the reader asks.
function fold(yes) {
  const panel = more.closest("aside"), within = panel.contains(document.activeElement);
  document.body.classList.toggle("folded", yes);
  more.setAttribute("aria-expanded", String(!yes));
  panel.scrollTop = 0;
  if (within && yes) more.focus(); // what had the focus may be gone
  map.invalidateSize({ pan: false });
}

function makeRoom() {
  if (more) return;
  more = put(el("choices"), "button", "Figures, list and settings");
  more.type = "button";
  more.id = "more";
  more.addEventListener("click", () => {
    asked = more.getAttribute("aria-expanded") === "false";
    fold(!asked);
  });
  document.body.classList.add("beside");
  fold(state.chosen < 0);
  if (state.chosen < 0) home(data.shape.core);
}

function openFor(row) { // for a chosen lot, which stays in sight in the narrower map
  if (!more || narrow()) return;
  fold(row < 0 && !asked);
  if (row >= 0 && data.shape.has(row)) map.panInside(latLng(...centre(row)), { padding: [40, 40], animate: false });
}

function hear(event) {
  const said = event.data;
  if (event.source !== window.parent || !ofThisComputer(event.origin) || typeof said !== "object" || !said) return;
  if (said.riskmap === "hello") {
    other = event.origin;
    if (ready) makeRoom();
    tellAround({ riskmap: "ready" });
  } else if (!ready || event.origin !== other) return;
  else if (said.riskmap === "print") window.print();
  else if (said.riskmap === "lot" && Number.isInteger(said.row) && said.row >= 0 && said.row < data.n && data.ids[said.row] === said.id
    && said.row !== state.chosen) choose(said.row, { from: "around" });
}

export function listen() { // before the data are read: the page around may speak first
  if (window.parent !== window) window.addEventListener("message", hear);
}

export function speak() {
  ready = true;
  if (other) makeRoom();
  whenChosen((row) => {
    openFor(row);
    tellAround({ riskmap: "lot", row, id: row < 0 ? "" : data.ids[row] });
  });
  tellAround({ riskmap: "ready" });
}
