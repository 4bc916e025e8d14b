// What the modules share. Texts reach the page only through textContent.
export const byId = (id) => document.getElementById(id);

export const token = () => document.querySelector("meta[name=riskmap-token]").content;

export function element(name, text = "", attributes = {}) {
  const node = document.createElement(name);
  node.textContent = text;
  for (const [key, value] of Object.entries(attributes)) node.setAttribute(key, value);
  return node;
}

export function say(text) {
  byId("said").textContent = text;
}
