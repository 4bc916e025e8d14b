// Which layer, which week and which lines the map page shows.
import { about, map } from "../shared/context.js";
import { el, inWords } from "../shared/page.js";
import { classify } from "./draw.js";
import { data, drawn, state, monthOfWeek, linesShown, weekWords } from "./state.js";
import { legend } from "./legend.js";
import { turn } from "./list.js";
import { beside, stop } from "./weeks.js";

export function recolor() {
  const scale = about.scales[state.scale], weeks = state.scale === "weeks";
  state.code = classify(data, scale, weeks ? monthOfWeek(state.week) : 0);
  drawn.lots.show(data, scale, state.code, state.paper);
  if (weeks) drawn.drought.show(data.past.drought, droughtColors(), state.week);
  if (drawn.names) drawn.names.redraw();
  legend();
}

export function showContext() {
  if (!drawn.context) return;
  if (state.context) drawn.context.addTo(map); else drawn.context.remove();
  drawn.names.redraw();
}

function droughtColors() {
  const { classes, colors } = about.scales.drought;
  return data.past.drought.classes.map((name) => colors[classes.indexOf(name)]);
}

export function showScale(name) {
  const weeks = name === "weeks";
  state.scale = name;
  el("weeks").hidden = !weeks;
  if (weeks) weekSaid();
  else if (data.past.history && data.past.drought) stop();
  recolor();
  beside();
  if (drawn.drought && weeks) drawn.drought.addTo(map); else if (drawn.drought) drawn.drought.remove();
  turn(state.active);
}

export function showLines() {
  if (!data.past.lines) return;
  const shown = linesShown();
  el("lines").checked = shown;
  if (shown) drawn.soilLines.addTo(map); else drawn.soilLines.remove();
}

function weekSaid() {
  el("week").setAttribute("aria-valuetext", weekWords());
  el("week-said").textContent = inWords(data.past.drought.weeks[state.week]);
}

export function showWeek(week) {
  state.week = week;
  weekSaid();
  recolor();
  turn(state.active);
}
