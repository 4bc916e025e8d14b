// On a phone the panel is one sheet over the foot of the map, with three heights: the number only, short, all. Layers are chips.
import { el, narrow, put } from "./page.js";

const HEIGHTS = ["low", "short", "tall"];

function sheetHeight(name) {
  document.body.dataset.sheet = name;
  el("handle").setAttribute("aria-label", { low: "Show more of this sheet", short: "Show all of this sheet", tall: "Make this sheet low" }[name]);
}

export function intoSight(part) { // a part of the panel below its choices, which stay at the top; a low sheet rises to show it
  if (document.body.dataset.sheet === "low") sheetHeight("short");
  const top = narrow() ? el("handle").getBoundingClientRect().bottom : el("choices").getBoundingClientRect().bottom;
  part.parentNode.scrollTop += part.getBoundingClientRect().top - top;
}

export function sheetControls(moved) { // `moved`: what to do when the height has changed
  sheetHeight("short");
  new ResizeObserver(() => { // the buttons of the map stand below the sentence above it, however many lines it takes
    document.body.style.setProperty("--lead-end", `${el("standing").getBoundingClientRect().bottom}px`);
  }).observe(el("standing"));
  const handle = el("handle"), turnTo = (name) => { sheetHeight(name); moved(); };
  let from = null, dragged = false;
  handle.addEventListener("click", () => {
    if (!dragged) turnTo(HEIGHTS[(HEIGHTS.indexOf(document.body.dataset.sheet) + 1) % 3]);
    dragged = false;
  });
  handle.addEventListener("pointerdown", (event) => { from = event.clientY; dragged = false; handle.setPointerCapture(event.pointerId); });
  handle.addEventListener("pointerup", (event) => {
    const by = from === null ? 0 : event.clientY - from, at = HEIGHTS.indexOf(document.body.dataset.sheet);
    from = null;
    if (Math.abs(by) < 24) return;
    dragged = true;
    turnTo(HEIGHTS[Math.max(0, Math.min(2, at + (by < 0 ? 1 : -1)))]);
  });
}

export function chips() { // one list for each group of layers, in step with the list of all of them
  const box = el("chips"), all = el("layer");
  for (const group of all.querySelectorAll("optgroup")) {
    const chip = put(box, "select", null, "chip"), name = put(chip, "option", group.label);
    name.value = "";
    chip.setAttribute("aria-label", `Layers: ${group.label}`);
    for (const node of group.children) put(chip, "option", node.textContent).value = node.value;
    chip.addEventListener("change", () => {
      if (!chip.value) return;
      all.value = chip.value;
      all.dispatchEvent(new Event("change"));
    });
  }
  const mark = () => box.querySelectorAll("select").forEach((chip) => {
    const own = [...chip.options].some((node) => node.value && node.value === all.value);
    chip.value = own ? all.value : "";
    chip.classList.toggle("on", own);
  });
  all.addEventListener("change", mark);
  mark();
}

export const coveredBelow = () => (narrow() ? el("handle").parentNode.offsetHeight : 0); // px of the map that the sheet covers
