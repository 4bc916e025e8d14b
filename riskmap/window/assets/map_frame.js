// The map of a run, in its frame: which lot is shown there. The frame has no origin (sandbox), so what comes from it is taken
// only from this frame, and only in the shape that is expected; what goes to it is the place and the id of a lot.
import {byId} from "./page.js";

export function mapFrame(whenChosen, whenReady) {
  const frame = byId("map");
  if (!frame) return () => {};
  const send = (what) => frame.contentWindow.postMessage(what, "*");  // no origin can be named: the frame has none
  window.addEventListener("message", (event) => {
    const said = event.data;
    if (event.source !== frame.contentWindow || event.origin !== "null" || typeof said !== "object" || !said) return;
    if (said.riskmap === "ready") {
      byId("print").hidden = false;
      whenReady();
    } else if (said.riskmap === "lot" && Number.isInteger(said.row) && typeof said.id === "string") {
      whenChosen(said.row, said.id);
    }
  });
  byId("print").addEventListener("click", () => send({riskmap: "print"}));
  frame.addEventListener("load", () => send({riskmap: "hello"}));
  send({riskmap: "hello"});
  return (row, id) => send({riskmap: "lot", row, id});
}
