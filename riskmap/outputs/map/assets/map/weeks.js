// Past weeks: the slider with its years, playing through them, and two weeks next to each other with a border to move.
import { about, map } from "../shared/context.js";
import { el, put } from "../shared/page.js";
import { classify, LotLayer } from "./draw.js";
import { data, drawn, state, monthOfWeek } from "./state.js";

const PACE_MS = 500;
let playing = 0;

export function weekControls(show, calm) { // `show` a week; `calm`: whether nothing should move by itself
  const { weeks } = data.past.drought, slider = el("week"), other = el("other-week");
  slider.max = weeks.length - 1;
  slider.value = state.week = weeks.length - 1;
  slider.addEventListener("input", () => { stop(); show(Number(slider.value)); });
  yearMarks(weeks);
  el("play").hidden = calm();
  el("play").addEventListener("click", () => (playing ? stop() : play(weeks.length, show)));
  weeks.forEach((date, k) => { put(other, "option", date).value = String(k); });
  other.value = "0";
  el("two-weeks").addEventListener("change", beside);
  other.addEventListener("change", beside);
  el("divide").addEventListener("input", clip);
  map.on("move zoomend resize", clip);
}

function yearMarks(weeks) { // the first week of each year under the slider
  const box = el("week-scale"), last = Math.max(weeks.length - 1, 1);
  weeks.forEach((date, k) => {
    if (k && date.slice(0, 4) === weeks[k - 1].slice(0, 4)) return;
    if (k && k < last * 0.14) return; // the year of the first week is written there
    const mark = put(box, "span", date.slice(0, 4));
    mark.style.left = (100 * k / last).toFixed(1) + "%";
  });
}

function play(count, show) {
  el("play").textContent = "Stop";
  const step = () => {
    const next = (state.week + 1) % count;
    el("week").value = next;
    show(next);
    if (next === count - 1) stop();
  };
  if (state.week === count - 1) { el("week").value = 0; show(0); }
  playing = setInterval(step, PACE_MS);
}

export function stop() {
  clearInterval(playing);
  playing = 0;
  el("play").textContent = "Play";
}

export function beside() { // the other week on the left of a border, with the same colours
  const on = state.scale === "weeks" && el("two-weeks").checked;
  el("swipe").hidden = el("other-week").hidden = !on;
  if (drawn.other) drawn.other.remove();
  drawn.other = null;
  map.getPane("other").style.clip = "";
  if (!on) return;
  const scale = about.scales.weeks, month = monthOfWeek(Number(el("other-week").value));
  drawn.other = new LotLayer({ keepBuffer: 1, updateWhenZooming: false, pane: "other" });
  drawn.other.show(data, scale, classify(data, scale, month), false).addTo(map);
  clip();
}

function clip() {
  if (!drawn.other) return;
  const size = map.getSize(), at = map.containerPointToLayerPoint([0, 0]), share = Number(el("divide").value) / 100;
  map.getPane("other").style.clip = `rect(${at.y}px, ${at.x + size.x * share}px, ${at.y + size.y}px, ${at.x}px)`;
  el("swipe").style.setProperty("--swipe-at", `${(100 * share).toFixed(1)}%`);
  const words = [data.past.drought.weeks[Number(el("other-week").value)], data.past.drought.weeks[state.week]];
  el("divide").setAttribute("aria-valuetext", `${words[0]} left of ${Math.round(100 * share)} % of the width, ${words[1]} right of it`);
  el("swipe").dataset.left = words[0];
  el("swipe").dataset.right = words[1];
}
