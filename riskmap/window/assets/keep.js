// What was entered is kept when a form is sent: who comes back from an error finds it again, and nobody else.
// It is in the storage of this tab, which the browser forgets with the tab.
const AGAIN = "#kept";  // the links back from an error end in this

const place = (form) => `riskmap ${location.pathname} ${form.getAttribute("action")}`;
const fields = (form) => [...form.elements].filter((field) => field.name && !["hidden", "file", "submit", "button"].includes(field.type));
const nameOf = (field) => field.dataset.as ?? field.name;

export function keep(form) {
  const values = {};
  for (const field of fields(form)) (values[nameOf(field)] ??= []).push(field.value);
  sessionStorage.setItem(place(form), JSON.stringify(values));
}

function again() {
  return location.hash === AGAIN || performance.getEntriesByType("navigation")[0]?.type === "back_forward";
}

export function entered(rowsFor) {
  for (const form of document.querySelectorAll("form[data-keep]")) {
    form.addEventListener("submit", () => keep(form));
    const values = again() ? JSON.parse(sessionStorage.getItem(place(form)) ?? "{}") : {};
    rowsFor(form, values);
    const next = {};
    for (const field of fields(form)) {
      const name = nameOf(field), k = next[name] ?? 0, value = values[name]?.[k];
      next[name] = k + 1;
      if (value === undefined || value === field.value) continue;
      if (field.tagName === "SELECT" && ![...field.options].some((option) => option.value === value)) continue;
      field.value = value;
      for (let box = field.closest("details"); box; box = box.parentElement.closest("details")) box.open = true;
    }
    form.dispatchEvent(new Event("input"));
  }
}
