// A table of readings: cells are pasted from a spreadsheet, and rows are added where they are needed.
import {say} from "./page.js";

function more(table, wanted) {
  const body = table.tBodies[0];
  while (body.rows.length < wanted) {
    const row = body.rows[0].cloneNode(true), number = body.rows.length + 1;
    for (const input of row.querySelectorAll("input")) {
      input.setAttribute("aria-label", input.getAttribute("aria-label").replace(/\d+$/, number));
      input.value = input.name.endsWith("-point") ? `P${number}` : "";
    }
    body.append(row);
  }
}

export function rowsFor(form, values) {  // as many rows as were entered
  for (const table of form.querySelectorAll("[data-readings]")) more(table, (values[table.querySelector("input").name] ?? []).length);
}

export function readings() {
  for (const table of document.querySelectorAll("[data-readings]")) {
    const button = table.parentElement.nextElementSibling.querySelector("[data-more]");
    button.hidden = false;
    button.addEventListener("click", () => more(table, table.tBodies[0].rows.length + 12));
    table.addEventListener("paste", (event) => {
      const text = event.clipboardData.getData("text").replace(/\r/g, "").replace(/\n+$/, "");
      if (!/[\t\n]/.test(text)) return;  // one value: as usual
      event.preventDefault();
      const cell = event.target.closest("td"), first = cell.parentElement.sectionRowIndex;
      const lines = text.split("\n").map((line) => line.split("\t"));
      if (lines.length > 1 && lines[0].every((value) => value.trim() === "" || Number.isNaN(Number(value)))) lines.shift();  // its headings
      more(table, first + lines.length);
      for (const [r, line] of lines.entries()) {
        for (const [c, value] of line.entries()) {
          const input = table.tBodies[0].rows[first + r].cells[cell.cellIndex + c]?.firstElementChild;
          if (input) input.value = value.trim();
        }
      }
      table.dispatchEvent(new Event("input", {bubbles: true}));
      say(`${lines.length} rows pasted`);
    });
  }
}
