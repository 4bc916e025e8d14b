import {byId, say} from "./page.js";

export function filters() {
  for (const choice of document.querySelectorAll("[data-filter]")) {
    choice.addEventListener("change", () => {
      let shown = 0;
      for (const row of byId(choice.dataset.filter).tBodies[0].rows) {
        row.hidden = choice.value !== "" && row.dataset.kind !== choice.value;
        if (!row.hidden) shown += 1;
      }
      say(`${shown} shown`);
    });
  }
}
