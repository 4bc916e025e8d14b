// The legend of the map page.
import { about } from "../shared/context.js";
import { el, count, put, distance, swatch, legendRows, legendFoot, titleOf } from "../shared/page.js";
import { rangeWords, spread } from "../shared/range.js";
import { stateNames, paint, stripes } from "./draw.js";
import { data, drawn, state, label, lotOf, linesShown, bandNow, weekWords } from "./state.js";

export function legend() {
  const scale = about.scales[state.scale], box = el("legend");
  const counts = new Uint32Array(scale.colors.length + stateNames(about).length + 1);
  for (const c of state.code) counts[c]++;
  box.textContent = "";
  put(box, "h2", titleOf(scale));
  put(box, "p", scale.note, "note");
  if (state.scale === "weeks") put(box, "p", weekWords(), "note");
  legendRows(box, scale, counts, (ctx, c) => paint(ctx, drawn.lots.fills[c]));
  put(box, "div").id = "spread";
  lotOnLegend();
  rangeWords(box, scale, true);
  if (state.scale === "weeks") droughtLegend(box);
  if (linesShown()) lineLegend(put(box, "ul", null, "classes lines"));
  else if (data.past.lines && state.lines === null && !state.paper) put(box, "p", "Soil boundaries appear when you zoom in, or tick “Soil boundaries”.", "note");
  let missing = 0;
  for (let lot = 0; lot < data.n; lot++) missing += !data.shape.has(lot);
  legendFoot(box, data.n, missing);
  if (state.scale === "drought" || state.scale === "weeks") about.credits.forEach((line) => put(box, "p", line, "note"));
}

export function lotOnLegend() { // the chosen lot on the histogram of all lots
  spread(about.scales[state.scale], state.chosen < 0 ? null : lotOf(state.chosen), state.chosen < 0 ? "" : label(state.chosen));
}

function droughtLegend(box) {
  const { drought } = data.past, scale = about.scales.drought, here = new Set();
  drought.week.forEach((w, k) => { if (w === state.week) here.add(drought.classes[drought.category[k]]); });
  put(box, "h3", "Weekly drought map, frames over the lots");
  const table = put(box, "ul", null, "classes drought");
  scale.classes.forEach((name, c) => {
    if (!here.has(name)) return;
    const item = put(table, "li");
    swatch(item, (ctx) => { ctx.fillStyle = scale.colors[c]; ctx.fillRect(0, 0, 24, 16); });
    put(item, "span", scale.words[c], "name");
  });
  if (!here.size) put(box, "p", "No category was mapped here that week.", "note");
}

function lineLegend(table) {
  const item = put(table, "li"), wide = bandNow() > 0, soil = about.soil;
  swatch(item, (ctx) => {
    ctx.fillStyle = about.ui.paper;
    ctx.fillRect(0, 0, 24, 16);
    if (wide) { ctx.fillStyle = ctx.createPattern(stripes(8), "repeat"); ctx.fillRect(0, 0, 24, 16); }
    ctx.fillStyle = about.ui.ink;
    ctx.fillRect(0, 7, 24, 1.5);
  });
  const name = wide ? `Soil boundary: somewhere in the hatched band (up to ${distance(soil.width_m)} either side of the line)`
    : soil.scale ? `Soil boundary, mapped at 1:${count(soil.scale)}` : "Soil boundary; its mapping scale is not recorded";
  put(item, "span", name, "name");
}
