// Ticks and readings of a round: they stay in this browser's storage for this file, and readings can be saved as a CSV
// that `riskmap survey` reads as it is. Nothing is sent.
import { csvOf, fileName, gridPoints, NAMES, wrongIn } from "./readings.js";
import { forget, keep, recalled } from "./storage.js";

const stops = [...document.querySelectorAll("details.stop")];
const kept = document.getElementById("kept");
const state = recalled();

function said(stored) {
  kept.textContent = stored
    ? "Ticks and readings stay on this device only, in this browser's storage for this file. Nothing is sent."
    : "This browser stores nothing for this page: ticks and readings are lost when it is closed. Save the readings as CSV before that.";
}

const own = (stop) => (state[stop.dataset.stop] ??= {});
const rowsOf = (stop) => [...stop.querySelectorAll(".row")];
const cells = (row) => Object.fromEntries(NAMES.map((name) => [name, row.querySelector(`[name=${name}]`).value.trim()]));
const written = (stop) => rowsOf(stop).map(cells).filter((row) => NAMES.some((name) => row[name] !== ""));

function store() {
  said(keep(state));
}

function addRow(stop, values = {}) {
  const list = stop.querySelector(".rows"), row = list.lastElementChild.cloneNode(true), number = list.children.length + 1;
  for (const input of row.querySelectorAll("input")) {
    input.value = values[input.name] ?? "";
    input.removeAttribute("aria-invalid");
    input.setAttribute("aria-label", input.getAttribute("aria-label").replace(/\d+$/, String(number)));
  }
  list.appendChild(row);
  return row;
}

function fillRow(stop, values) { // the first empty row, or a new one
  const free = rowsOf(stop).find((row) => NAMES.every((name) => cells(row)[name] === ""));
  if (!free) return addRow(stop, values);
  for (const input of free.querySelectorAll("input")) input.value = values[input.name] ?? "";
  return free;
}

function show(stop) { // what is ticked and read, in the line of the stop
  const signs = [...stop.querySelectorAll("[name^=sign]")].filter((box) => box.checked).length;
  const readings = written(stop).filter((row) => row.reading !== "").length;
  const visited = stop.querySelector("[name=visited]").checked;
  const many = (n, word) => (n ? [`${n} ${word}${n === 1 ? "" : "s"}`] : []);
  stop.classList.toggle("visited", visited);
  stop.querySelector("summary .state").textContent = [...(visited ? ["visited"] : []), ...many(signs, "sign"), ...many(readings, "reading")].join(", ");
  stop.querySelector("summary .told").textContent = readings ? `(${readings})` : "";
  for (const row of rowsOf(stop)) {
    const wrong = wrongIn(cells(row));
    for (const input of row.querySelectorAll("input")) {
      if (wrong[input.name]) input.setAttribute("aria-invalid", "true");
      else input.removeAttribute("aria-invalid");
    }
  }
}

function remember(stop) {
  const one = own(stop);
  one.ticks = [...stop.querySelectorAll("[type=checkbox]")].filter((box) => box.checked).map((box) => box.name);
  for (const name of ["date", "unit", "instrument"]) one[name] = stop.querySelector(`[name=${name}]`).value;
  one.rows = written(stop);
  show(stop);
  store();
}

function recall(stop) {
  const one = own(stop), today = new Date();
  today.setMinutes(today.getMinutes() - today.getTimezoneOffset()); // the day of this place, not that of Greenwich
  for (const box of stop.querySelectorAll("[type=checkbox]")) box.checked = Array.isArray(one.ticks) && one.ticks.includes(box.name);
  stop.querySelector("[name=date]").value = one.date ?? today.toISOString().slice(0, 10);
  if (one.unit) stop.querySelector("[name=unit]").value = one.unit;
  stop.querySelector("[name=instrument]").value = one.instrument ?? "";
  if (Array.isArray(one.rows)) one.rows.forEach((row) => fillRow(stop, row));
  show(stop);
}

function say(stop, text) {
  const line = stop.querySelector("p.told");
  line.hidden = false;
  line.textContent = text;
}

function layOut(stop) {
  const [across, deep, every] = ["across", "deep", "every"].map((name) => Number(stop.querySelector(`[name=${name}]`).value));
  const points = gridPoints(across, deep, every);
  if (!points.length) {
    say(stop, "Give whole numbers from 1 to 26 across and deep, and the distance between the points.");
    return;
  }
  const there = new Set(written(stop).map((row) => row.point));
  const fresh = points.filter((point) => !there.has(point.point));
  fresh.forEach((point) => fillRow(stop, point));
  say(stop, `${fresh.length} points added, from ${points[0].point} to ${points[points.length - 1].point}.`);
  remember(stop);
}

function save(stop) {
  const rows = written(stop), details = stop.querySelector(".readings");
  if (!rows.some((row) => row.reading !== "")) {
    say(stop, "There is no reading yet.");
    return;
  }
  const about = { lot: details.dataset.lot, place: details.dataset.place };
  for (const name of ["date", "unit", "instrument"]) about[name] = stop.querySelector(`[name=${name}]`).value;
  const text = csvOf(rows, about), name = fileName(about);
  const address = window.URL.createObjectURL(new Blob([text], { type: "text/csv" }));
  const link = Object.assign(document.createElement("a"), { href: address, download: name });
  document.body.appendChild(link);
  link.click();
  link.remove();
  setTimeout(() => window.URL.revokeObjectURL(address), 60000);
  const box = stop.querySelector(".text");
  box.hidden = false;
  box.querySelector("textarea").value = text;
  const odd = rowsOf(stop).map((row, k) => (Object.keys(wrongIn(cells(row))).length ? k + 1 : 0)).filter(Boolean);
  const count = rows.filter((row) => row.reading !== "").length;
  say(stop, `Saved as ${name}: ${count} reading${count === 1 ? "" : "s"}.`
    + (odd.length ? ` Not complete, or not a number: row ${odd.join(", ")}. riskmap survey will list them.` : ""));
}

for (const stop of stops) {
  recall(stop);
  for (const hidden of stop.querySelectorAll(".grid, .do")) hidden.hidden = false;
  stop.addEventListener("input", () => remember(stop));
  stop.addEventListener("click", (event) => {
    const what = event.target.dataset?.do;
    if (what === "grid") layOut(stop);
    if (what === "save") save(stop);
    if (what === "row") {
      addRow(stop).querySelector("input").focus();
      remember(stop);
    }
  });
}

const erase = document.getElementById("forget");
erase.hidden = false;
erase.addEventListener("click", () => {
  if (!window.confirm("Forget all ticks and readings of this page on this device?")) return;
  forget();
  location.reload();
});
store();

let opened = [];
window.addEventListener("beforeprint", () => {
  opened = [...document.querySelectorAll("details:not([open])")];
  for (const one of opened) one.open = true;
});
window.addEventListener("afterprint", () => {
  for (const one of opened) one.open = false;
});
