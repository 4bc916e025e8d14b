// The page of `riskmap open` shows this map in a frame without an origin, beside its table of lots. A lot that is chosen here
// is named to that page, and the reverse. Only the page around is heard, only when it comes from this computer, and nothing
// but the place and the id of a lot goes either way; a map that is opened alone, or framed by another host, stays silent.
import { data, state } from "./state.js";
import { choose, whenChosen } from "./panel.js";

const HERE = ["127.0.0.1", "localhost", "[::1]"];
let other = null; // the origin of the page around, once it has spoken
let ready = false;

function ofThisComputer(origin) { // "null" for a page without an origin
  const [scheme, host = ""] = origin.split("//");
  return scheme === "http:" && HERE.includes(host.replace(/:\d{1,5}$/, ""));
}

function tellAround(what) {
  if (other && ready) window.parent.postMessage(what, other);
}

function hear(event) {
  const said = event.data;
  if (event.source !== window.parent || !ofThisComputer(event.origin) || typeof said !== "object" || !said) return;
  if (said.riskmap === "hello") {
    other = event.origin;
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
  whenChosen((row) => tellAround({ riskmap: "lot", row, id: row < 0 ? "" : data.ids[row] }));
  tellAround({ riskmap: "ready" });
}
