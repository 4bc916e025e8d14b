// The stages of a job as they come; at its end the browser goes on to what was made.
import {byId, element} from "./page.js";

function show(now) {
  const list = byId("stages");
  for (const [k, stage] of now.stages.entries()) {
    const line = list.children[k] ?? list.appendChild(element("li"));
    if (!line.firstChild) {
      line.append(element("span", stage.stage), element("progress", "", {max: "1", "aria-label": stage.stage}), element("span"));
    }
    const [, bar, left] = line.children;
    const over = stage.share >= 1 || k < now.stages.length - 1;
    if (over || stage.share > 0 || now.state !== "running") bar.value = over ? 1 : stage.share;
    left.textContent = over ? "done" : stage.left_s === null ? "" : `about ${stage.left_s} s left`;
  }
}

export function job() {
  const box = byId("job");
  if (!box || box.dataset.state !== "running") return;
  const events = new EventSource(`/jobs/${box.dataset.job}/events`);
  let stage = "";
  events.addEventListener("message", (event) => {
    const now = JSON.parse(event.data);
    show(now);
    if (now.state === "running") {
      const newest = now.stages.at(-1)?.stage ?? "";
      if (newest !== stage) byId("job-state").textContent = `Working: ${newest}`;  // said once a stage
      stage = newest;
      return;
    }
    events.close();
    byId("cancel")?.remove();
    document.querySelector(`.working a[href="/jobs/${box.dataset.job}"]`)?.remove();
    if (!document.querySelector(".working a")) document.querySelector(".working")?.remove();
    if (now.state === "done") {
      location.replace(now.after);
    } else {
      byId("job-state").textContent = now.state === "cancelled" ? "Cancelled. The files as given and earlier runs are whole."
        : "It did not work.";
      byId("job-message").textContent = now.message;
      byId("job-message").hidden = now.message === "";
      if (now.state === "unfinished" && byId("otherwise")) byId("otherwise").hidden = false;
    }
  });
}
