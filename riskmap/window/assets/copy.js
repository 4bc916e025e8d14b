import {byId, say} from "./page.js";

export function copies() {
  for (const button of document.querySelectorAll("[data-copy]")) {
    button.addEventListener("click", async () => {
      const source = byId(button.dataset.copy);
      try {
        await navigator.clipboard.writeText(source.textContent);
        say("Copied.");
        button.textContent = "Copied";
      } catch {
        getSelection().selectAllChildren(source);
        say("Selected. Copy it with the keyboard.");
      }
    });
  }
}
