// The table of lots: sort by a column, find, choose. Only a part is in the page; what is chosen stays chosen.
import {byId, element, say} from "./page.js";
import {mapFrame} from "./map_frame.js";

const SHOWN = 200, LONG = 24;  // rows in the page; characters from which on a column of texts is made wide

export async function lots() {
  const form = byId("lots");
  if (!form) return;
  const answer = await fetch(form.dataset.lots, {headers: {Accept: "application/json"}});
  const told = await answer.json();
  byId("figures").replaceChildren();
  if (!answer.ok) {
    byId("lots-wrong").textContent = told.message;
    byId("lots-wrong").hidden = false;
    return;
  }
  byId("figures").append(...told.figures.map((line) => element("li", line)));
  byId("five").append(...told.five.map(([said, number]) => {
    const one = element("div");
    one.append(element("dt", said), element("dd", number));
    return one;
  }));
  if (byId("as-modelled")) byId("as-modelled").hidden = told.calibrated;
  table(form, told);
}

function table(form, {columns, rows}) {
  const chosen = new Map(), most = Number(form.dataset.most), head = byId("lots-table").tHead, body = byId("lots-table").tBodies[0];
  const size = Math.max(columns.findIndex((column) => column.decimals !== null), 0);  // the estimate: empty where there is none
  const long = columns.map((column, c) => column.decimals === null && rows.some((row) => String(row[c] ?? "").length > LONG));
  const kinds = {all: () => true, with: (k) => rows[k][size] !== null, without: (k) => rows[k][size] === null, chosen: (k) => chosen.has(k)};
  let order = rows.map((_, k) => k), found = order, sorted = -1, up = false, wanted = "", which = "all", shown = -1, first = 0, onMap = false;

  const show = mapFrame((k, id) => {  // a lot was chosen in the map, or none any more
    if (k >= 0 && (k >= rows.length || String(rows[k][0] ?? "") !== id)) return;
    shown = k;
    if (k >= 0 && !found.includes(k)) {  // it is hidden by what was typed
      wanted = byId("find").value = "";
      which = byId("which").value = "all";
    }
    filter();
    if (k >= 0) {
      first = Math.max(found.indexOf(k) - SHOWN / 2, 0);
      draw();
      say(`Lot ${id} is chosen in the map.`);
      body.querySelector("[aria-current]")?.scrollIntoView({block: "nearest"});
    }
  }, () => {
    onMap = true;
    draw();
  });

  function filter() {
    found = order.filter((k) => kinds[which](k) &&
      (!wanted || rows[k].some((value) => String(value ?? "").toLowerCase().includes(wanted))));
    first = 0;
    draw();
    count();
  }

  function draw() {
    body.replaceChildren(...found.slice(first, first + SHOWN).map(line));
    const all = found.length.toLocaleString("en-US");
    byId("lots-shown").textContent = found.length > SHOWN
      ? `Lots ${first + 1} to ${Math.min(first + SHOWN, found.length)} of ${all} are shown. Sort or find to see others.`
      : found.length === 1 ? "1 lot" : `${all} lots`;
  }

  function line(k) {
    const row = element("tr"), cell = element("td"), label = element("label", "", {class: "tick"});
    const tick = element("input", "", {type: "checkbox", "aria-label": `Choose lot ${rows[k][0]}`});
    if (k === shown) row.setAttribute("aria-current", "true");
    tick.checked = chosen.has(k);
    tick.addEventListener("change", () => {
      if (tick.checked) {
        chosen.set(k, rows[k][0]);
        look(k);
      } else chosen.delete(k);
      count();
    });
    label.append(tick);
    cell.append(label);
    row.append(cell, ...columns.map((column, c) => {
      const value = rows[k][c];
      if (c === 0) return name(k, value ?? "");
      return column.decimals === null ? element("td", value ?? "", long[c] ? {class: "wide"} : {}) :
        element("td", value === null ? "" : value.toFixed(column.decimals), {class: "number"});
    }));
    return row;
  }

  function name(k, id) {  // the id; where the map listens, it shows the lot there
    if (!onMap) return element("th", id, {scope: "row"});
    const cell = element("th", "", {scope: "row"}), button = element("button", id, {type: "button", class: "look", title: "Show in the map"});
    button.addEventListener("click", () => look(k));
    cell.append(button);
    return cell;
  }

  function look(k) {
    if (!onMap) return;
    shown = k;
    body.querySelector("[aria-current]")?.removeAttribute("aria-current");
    body.rows[found.indexOf(k) - first]?.setAttribute("aria-current", "true");
    show(k, String(rows[k][0] ?? ""));
  }

  function count() {
    byId("brief").disabled = !chosen.size || chosen.size > most;
    byId("choose-found").disabled = !found.length || found.length > most;
    byId("choose-none").disabled = !chosen.size;
    byId("chosen").textContent = `${chosen.size} chosen${chosen.size > most ? `; a brief takes ${most}` : ""}`;
  }

  function sort(c) {
    up = sorted === c ? !up : columns[c].decimals === null;
    sorted = c;
    const sign = up ? 1 : -1, empty = (value) => value === null || value === "";
    order = rows.map((_, k) => k).sort((a, b) => {
      const [x, y] = [rows[a][c], rows[b][c]];
      if (empty(x) || empty(y)) return Number(empty(x)) - Number(empty(y)) || a - b;  // lots without a value last
      return sign * (columns[c].decimals === null ? String(x).localeCompare(String(y), "en") : x - y) || a - b;
    });
    for (const [k, cell] of [...head.rows[0].cells].entries()) {
      if (k) cell.setAttribute("aria-sort", k - 1 === c ? (up ? "ascending" : "descending") : "none");
    }
    filter();
  }

  const titles = element("tr");
  titles.append(element("td", "", {"aria-label": "Choose"}), ...columns.map((column, c) => {
    const cell = element("th", "", {scope: "col", class: column.decimals === null ? "" : "number", title: column.meaning});
    const button = element("button", column.label, {type: "button"});
    button.addEventListener("click", () => sort(c));
    cell.append(button);
    return cell;
  }));
  head.append(titles);
  byId("find").addEventListener("input", (event) => {
    wanted = event.target.value.trim().toLowerCase();
    filter();
  });
  byId("which").addEventListener("change", (event) => {
    which = event.target.value;
    filter();
  });
  byId("choose-found").addEventListener("click", () => {
    for (const k of found) chosen.set(k, rows[k][0]);
    draw();
    count();
  });
  byId("choose-none").addEventListener("click", () => {
    chosen.clear();
    filter();
  });
  form.addEventListener("submit", () => {
    for (const old of form.querySelectorAll("input[name=lot]")) old.remove();
    form.append(...[...chosen.values()].map((id) => element("input", "", {type: "hidden", name: "lot", value: id})));
  });
  sort(size);
}
