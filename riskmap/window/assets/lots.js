// The table of lots: sort by a column, find, choose. Only a part is in the page; what is chosen stays chosen.
import {byId, element} from "./page.js";

const SHOWN = 200;

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
  table(form, told);
}

function table(form, {columns, rows}) {
  const chosen = new Map(), most = Number(form.dataset.most), head = byId("lots-table").tHead, body = byId("lots-table").tBodies[0];
  let order = rows.map((_, k) => k), sorted = -1, up = false, wanted = "";

  function draw() {
    const found = order.filter((k) => !wanted || rows[k].some((value) => String(value ?? "").toLowerCase().includes(wanted)));
    body.replaceChildren(...found.slice(0, SHOWN).map(line));
    byId("lots-shown").textContent = found.length > SHOWN
      ? `The first ${SHOWN} of ${found.length.toLocaleString("en-US")} lots are shown. Sort or find to see others.`
      : `${found.length.toLocaleString("en-US")} lots`;
  }

  function line(k) {
    const row = element("tr"), cell = element("td"), label = element("label", "", {class: "tick"});
    const tick = element("input", "", {type: "checkbox", "aria-label": `Choose lot ${rows[k][0]}`});
    tick.checked = chosen.has(k);
    tick.addEventListener("change", () => {
      if (tick.checked) chosen.set(k, rows[k][0]);
      else chosen.delete(k);
      count();
    });
    label.append(tick);
    cell.append(label);
    row.append(cell, ...columns.map((column, c) => {
      const value = rows[k][c];
      if (c === 0) return element("th", value ?? "", {scope: "row"});
      return column.decimals === null ? element("td", value ?? "") :
        element("td", value === null ? "" : value.toFixed(column.decimals), {class: "number"});
    }));
    return row;
  }

  function count() {
    byId("brief").disabled = !chosen.size || chosen.size > most;
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
    draw();
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
    draw();
  });
  form.addEventListener("submit", () => {
    for (const old of form.querySelectorAll("input[name=lot]")) old.remove();
    form.append(...[...chosen.values()].map((id) => element("input", "", {type: "hidden", name: "lot", value: id})));
  });
  const size = columns.findIndex((column) => column.decimals !== null);
  sort(Math.max(size, 0));
  count();
}
