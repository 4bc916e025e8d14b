// Finding a lot on the county page: ids in alphabetical order.
import { about } from "../shared/context.js";
import { el, PAGE, count, put, length, keepInSight, signed } from "../shared/page.js";
import { MISSING, stateNames, state, sideId } from "./state.js";

let rowChosen = null; // shows the lot of a chosen row; handed in, since showing a lot turns this list
export function whenRowChosen(act) { rowChosen = act; }

const idBlock = (k) => state.archive.block("ids/" + k, "ids", k);

export async function place(wanted) { // place of the first id that is not before the wanted text
  const { first_ids: first, sizes } = state.archive.meta.blocks;
  let low = 0, high = first.length;
  while (low < high) {
    const mid = (low + high) >> 1;
    if (first[mid] < wanted) low = mid + 1; else high = mid;
  }
  const k = Math.max(0, low - 1);
  if (k >= first.length) return 0;
  const ids = (await idBlock(k)).id;
  let i = 0;
  while (i < ids.length && ids[i].toLowerCase() < wanted) i++;
  return k * sizes.ids + i;
}

export async function find() {
  const wanted = el("search").value.trim().toLowerCase(), asked = state.searched = (state.searched || 0) + 1;
  const begin = await place(wanted), end = wanted ? await place(wanted + "\uffff") : about.lots;
  if (asked !== state.searched) return;
  Object.assign(state, { begin, end });
  await turn(0);
}

export async function turn(active) {
  if (!state.archive) return;
  const n = state.end - state.begin, box = el("lots"), size = state.archive.meta.blocks.sizes.ids, asked = state.turned = (state.turned || 0) + 1;
  const at = Math.max(0, Math.min(n - 1, active)), from = Math.floor(at / PAGE) * PAGE, to = Math.min(n, from + PAGE), rows = [];
  for (let k = state.begin + from; k < state.begin + to; k++) {
    const block = await idBlock(Math.floor(k / size)), i = k % size;
    rows.push({ id: block.id[i], lot: block.lot[i], value: (name) => block[name][i], state: block.state[i] });
  }
  if (asked !== state.turned) return;
  Object.assign(state, { list: rows, from, active: at });
  box.textContent = "";
  rows.forEach((row, i) => {
    const item = put(box, "li");
    item.id = "lot-" + i;
    item.setAttribute("role", "option");
    item.setAttribute("aria-selected", String(row.lot === state.chosen));
    put(item, "bdi", sideId(row.id));
    put(item, "span", briefly(row), "value");
    item.addEventListener("click", () => { mark(from + i); rowChosen(row.lot); });
  });
  el("found").textContent = n > 0 ? `${count(from + 1)} to ${count(to)} of ${count(n)}` : "No lot has an id that begins so.";
  el("before").disabled = from === 0;
  el("after").disabled = to >= n;
  mark(at);
}

export const shownBeside = () => (["now", "next", "long_run"].includes(state.scale) ? state.scale : "expected"); // the index has these

function briefly(row) {
  if (row.state >= 0) return about.states[stateNames[row.state]];
  const name = shownBeside(), value = row.value(about.scales[name].column);
  return (["now", "next"].includes(name) ? signed : length)(value === MISSING ? null : value * 0.1);
}

export function mark(active) {
  const box = el("lots"), node = el("lot-" + (active - state.from));
  state.active = active;
  box.querySelectorAll(".active").forEach((other) => other.classList.remove("active"));
  if (!node) { box.removeAttribute("aria-activedescendant"); return; }
  node.classList.add("active");
  box.setAttribute("aria-activedescendant", node.id);
  keepInSight(box, node);
}

export function keys(event) {
  const last = state.end - state.begin - 1, own = event.currentTarget === el("search");
  const to = { ArrowDown: state.active + 1, ArrowUp: state.active - 1, PageDown: state.active + 10, PageUp: state.active - 10,
    Home: own ? undefined : 0, End: own ? undefined : last }[event.key];
  if (to !== undefined && last >= 0) {
    const active = Math.max(0, Math.min(last, to));
    if (active < state.from || active >= state.from + PAGE) turn(active); else mark(active);
  } else if (event.key === "Enter" && state.list[state.active - state.from]) rowChosen(state.list[state.active - state.from].lot);
  else return;
  event.preventDefault();
}
