// What stays on the device. A browser may refuse to store (private windows, files from a mail): then the page goes on.
const KEY = `riskmap round ${location.pathname} ${document.body.dataset.run}`;

export function recalled() {
  try {
    const found = JSON.parse(window.localStorage.getItem(KEY) ?? "{}");
    return found && typeof found === "object" && !Array.isArray(found) ? found : {};
  } catch {
    return {};
  }
}

export function keep(state) { // whether it was stored
  try {
    window.localStorage.setItem(KEY, JSON.stringify(state));
    return true;
  } catch {
    return false;
  }
}

export function forget() {
  try {
    window.localStorage.removeItem(KEY);
  } catch {
    // nothing was stored
  }
}
