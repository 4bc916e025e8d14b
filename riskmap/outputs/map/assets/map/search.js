// The search of the map page: an editable combobox with a list of suggestions.
import { about } from "../shared/context.js";
import { el, PAGE, count } from "../shared/page.js";
import { data, state, label } from "./state.js";
import { option, point } from "./list.js";
import { choose } from "./panel.js";

const plainId = (text) => text.replace(/[\s\p{P}]+/gu, "") || text; // 001-23 and 00123 are one id to a reader

export function suggest() {
  const typed = el("search").value.trim().toLowerCase(), wanted = typed && plainId(typed), first = [], then = [];
  const also = about.labels || []; // addresses or the like, where the map was asked to show them
  const plain = (text) => plainId(text.toLowerCase());
  state.low ||= Array.from({ length: data.n }, (_, lot) => plain(label(lot)) + (also[lot] ? "\n" + plain(also[lot]) : ""));
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
  el("hits").textContent = !wanted ? "" : !found.length ? `No lot has this text in its id${about.labels ? " or label" : ""}.`
    : `${count(found.length)} ${found.length === 1 ? "id has" : "ids have"} this text` +
      (found.length > PAGE ? `; the first ${PAGE} are listed.` : ".");
}

export function open(shown) {
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

export function searchKeys(event) {
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
