// Part 4 of the map page: what is told about one lot.
const withRange = (column, lot) => ["", "_p10", "_p90"].map((end) => data.number(column + end, lot));
const said = (kind, code) => about.words[kind][code] || code;

function summary(lot) { // the lot in one sentence: for screen readers and for paper
  const code = data.text("state", lot), n = (name) => data.number(name, lot);
  if (code) return `Lot ${label(lot)}: no number, ${about.states[code]}.`;
  const range = (name, show) => `${show(n(name))} (range ${show(n(name + "_p10"))} to ${show(n(name + "_p90"))})`;
  return `Lot ${label(lot)}: expected in the next 12 months ${range("expected_movement_mm", length)}; deflection now ` +
    `${range("deflection_now_mm", signed)}; characteristic ${range("characteristic_movement_mm", length)}. ` +
    `${said("direction", data.text("direction", lot))}. Phase: ${said("phase", data.text("phase", lot))}.`;
}

function details(others) {
  const box = el("details"), lot = state.chosen;
  box.textContent = "";
  if (lot < 0) { put(box, "p", "Choose a lot on the map or in the list.", "note"); return; }
  put(put(box, "h2", "Lot "), "bdi", label(lot));
  put(box, "p", summary(lot), "paper");
  if (others.length) {
    const more = put(box, "p", "More lots lie at this spot: ", "note");
    others.slice(0, 12).forEach((k) => put(more, "button", label(k))
      .addEventListener("click", () => choose(k, { others: [lot, ...others.filter((o) => o !== k)] })));
  }
  const code = data.text("state", lot), facts = put(box, "dl");
  if (code) noNumber(facts, lot, code); else numbers(facts, lot);
  strip(box, lot);
  const rest = put(box, "dl");
  soilAndDates(rest, lot);
  const flags = data.text("flags", lot).split(";").filter(Boolean);
  if (flags.length) {
    const items = put(row(rest, "Notes", null), "ul");
    flags.forEach((flag) => put(items, "li", about.words.flags[flag] || flag));
  }
  cautions(box, lot, code);
  box.scrollTop = 0;
}

function noNumber(facts, lot, code) {
  let reason = data.text("state_reason", lot);
  if (!reason.includes(about.cautions.not_low)) {
    reason = code === "not_enough_data" ? fill(about.cautions.no_number, { list: reason })
      : reason.replace(/\.?$/, ". ") + about.cautions.not_low;
  }
  put(row(facts, "No number", null), "strong", about.states[code]);
  row(facts, "Why", reason);
}

function numbers(facts, lot) {
  const span = ["expected_movement_mm", "characteristic_movement_mm", "deflection_now_mm"].flatMap((name) =>
    [data.number(name + "_p10", lot), data.number(name + "_p90", lot)]);
  const axis = [Math.min(0, ...span), Math.max(10, ...span)];
  ranged(facts, "Expected, next 12 months", withRange("expected_movement_mm", lot), axis, length);
  ranged(facts, "Deflection now", withRange("deflection_now_mm", lot), axis, signed);
  row(facts, "Direction", said("direction", data.text("direction", lot)));
  ranged(facts, "Characteristic", withRange("characteristic_movement_mm", lot), axis, length);
  put(row(facts, "Range", null), "span", "The middle eight of ten draws. " + about.cautions.standing, "note");
  reasons(facts, lot);
  row(facts, "Phase", `${said("phase", data.text("phase", lot))} (${percent(data.number("phase_probability", lot))} of draws)`);
  if (data.has("change_mm")) row(facts, "Change", signed(data.number("change_mm", lot)) + " against the other run");
  row(facts, "Largest since pour", `dome ${signed(data.number("deflection_max_mm", lot))} ` +
    `(${data.text("deflection_max_date", lot)}); dish ${signed(data.number("deflection_min_mm", lot))}`);
  row(facts, "Edge, yearly swing", length(data.number("seasonal_range_mm", lot)) + ", ground at the slab edge");
  const years = about.outlook_years[data.text("cell_id", lot)] || [];
  const what = row(facts, "What-if seasons", null), seasons = put(what, "ul");
  ["dry", "normal", "wet"].forEach((name, i) => put(seasons, "li",
    `${name}: ${length(data.number("outlook_" + name + "_mm", lot))}` + (years[i] ? ` (as in ${years[i]})` : "")));
  put(what, "span", about.cautions.outlook, "note");
  tilt(facts, lot);
  row(facts, "Beyond length / 360", percent(data.number("share_beyond_l360", lot)) +
    " of draws and past years; not a probability of damage");
}

function reasons(facts, lot) { // the three largest signed parts of the difference from a named reference lot
  if (!data.text("driver_1", lot)) return;
  const cell = row(facts, "Why", null), parts = put(cell, "ul");
  [1, 2, 3].forEach((k) => put(parts, "li",
    `${signed(data.number("driver_" + k + "_mm", lot))} ${data.text("driver_" + k, lot)}`));
  put(cell, "span", `Largest differences from ${about.reference_lot}, which has ` +
    `${length(data.number("reference_movement_mm", lot))}.`, "note");
}

function tilt(facts, lot) {
  const t = (name) => data.number("tilt_" + name + "_pct", lot), say = (v) => v.toFixed(1) + " %";
  if (t("now") === null) return;
  const cell = row(facts, "Tilt, side to side", `${say(t("now"))}, side not known`), what = put(cell, "ul");
  [["leak", "a leak on one side"], ["watering", "watering on one side"], ["tree", "a large tree on one side"]]
    .forEach(([name, words]) => put(what, "li", `${say(t(name))} with ${words} for two years`));
}

function soilAndDates(facts, lot) {
  const text = (name) => data.text(name, lot), number = (name) => data.number(name, lot);
  if (text("map_unit_name")) {
    const share = number("map_unit_share"), lep = number("linear_extensibility_pct");
    row(facts, "Soil unit", text("map_unit_name") + (share === null ? "" : `, ${percent(share)} of the lot`));
    if (lep !== null) row(facts, "Linear extensibility", `${lep.toFixed(1)} %, soil-survey class ${text("shrink_swell_class")}`);
  }
  if (number("soil_line_distance_m") !== null) {
    const share = number("neighbor_unit_share");
    row(facts, "Nearest soil line", `${distance(number("soil_line_distance_m"))} away` + (text("neighbor_unit_name")
      ? `; beyond it ${text("neighbor_unit_name")}` : "") + (share >= 0.01 ? ` (${percent(share)} likely under the slab)` : ""));
  }
  if (number("covered_pct") !== null) row(facts, "Soil described", `${number("covered_pct")} % of the lot`);
  const early = text("pour_date_early"), late = text("pour_date_late");
  if (early) {
    const dates = early === late ? early : early + " to " + late;
    row(facts, "Pour date", `${dates}, ${said("pour_basis", text("pour_date_basis"))}`);
  }
  if (number("slab_width_m") !== null) {
    row(facts, "Slab", `${distance(number("slab_width_m"))} short side, ${said("slab_class", text("slab_class"))}`);
  }
  row(facts, "Weather from", said("driver", text("driver_level")));
  droughtRow(facts, { text });
  row(facts, "Data quality", said("quality", text("data_quality")));
  if (data.shape.has(lot)) {
    const middle = bounds(data.shape.box.subarray(4 * lot, 4 * lot + 4)).getCenter();
    row(facts, "Latitude, longitude", `${middle.lat.toFixed(5)}, ${middle.lng.toFixed(5)}`);
  } else row(facts, "On the map", "not drawn: the row has no usable shape");
}

function cautions(box, lot, code) {
  const c = about.cautions, early = data.text("pour_date_early", lot), late = data.text("pour_date_late", lot);
  const lines = [c.main];
  if (!code && early !== late) lines.push(fill(c.date, { basis: said("pour_basis", data.text("pour_date_basis", lot)), lo: early, hi: late }));
  if (c.soil) lines.push(c.soil);
  lines.push(c.not_seen);
  const block = put(box, "div", null, "cautions");
  lines.forEach((line) => put(block, "p", line));
}

// ---------------------------------------------------------------- history strip: weather index, weekly category, slab
const SVG = "http://www.w3.org/2000/svg", STRIP = { width: 360, left: 42, index: [6, 62], weeks: [70, 80],
  slab: [90, 142], foot: 158 };

function draw(parent, tag, attributes, text) {
  const node = document.createElementNS(SVG, tag);
  for (const [name, value] of Object.entries(attributes)) node.setAttribute(name, value);
  if (text !== undefined) node.textContent = visible(text);
  parent.appendChild(node);
  return node;
}

function strip(box, lot) {
  const p = data.past, cell = data.text("cell_id", lot), today = monthNumber(about.today);
  const pour = data.text("pour_date_early", lot), from = pour ? monthNumber(pour) : null;
  const bars = indexOf(p.index, cell, from), weeks = weeksOf(p.weeks, cell, from), slab = slabOf(p.history, lot);
  if (!bars.length && !weeks.length && !slab.length) return;
  put(box, "h3", pour ? "History since the pour" : "History");
  const start = Math.min(...[bars, weeks, slab].filter((of) => of.length).map((of) => of[0].month));
  const end = Math.max(today + 1, start + 12), x = (m) => STRIP.left + (STRIP.width - STRIP.left) * (m - start) / (end - start);
  const svg = draw(box, "svg", { viewBox: `0 0 ${STRIP.width} ${STRIP.foot + 4}`, role: "img", class: "strip" });
  const lines = [indexStrip(svg, x, bars), weekStrip(svg, x, weeks), slabStrip(svg, x, slab)].filter(Boolean);
  const years = [...new Set([0, 0.5, 1].map((s) => Math.floor((start + s * (today - start)) / 12)))];
  years.forEach((year, i) => draw(svg, "text", { x: Math.min(Math.max(x(12 * year), STRIP.left), STRIP.width - 30), y: STRIP.foot }, String(year)));
  svg.setAttribute("aria-label", lines.join(" "));
  lines.forEach((line) => put(box, "p", line, "note"));
}

function indexOf(index, cell, from) {
  const at = index ? index.cells.indexOf(cell) : -1, first = at < 0 ? 0 : monthNumber(index.first), found = [];
  for (let m = 0; at >= 0 && m < index.months; m++) {
    const v = index.steps[at * index.months + m];
    if (v !== data.missing && (from === null || first + m >= from)) found.push({ month: first + m, value: v * index.step });
  }
  return found;
}

function weeksOf(weeks, cell, from) {
  const at = weeks ? weeks.cells.indexOf(cell) : -1;
  if (at < 0) return [];
  return weeks.dates.map((date, w) => ({ date, month: monthNumber(date) + (Number(date.slice(8)) - 1) / 31,
    category: weeks.classes[at * weeks.dates.length + w] })).filter((w) => w.category >= 0 && (from === null || w.month >= from));
}

function slabOf(history, lot) {
  if (!history) return [];
  return history.months.map((name, m) => ({ month: monthNumber(name) + 1, name, value: history.value(lot, m) }))
    .filter((one) => one.value !== null);
}

const monthName = (m) => Math.floor(m / 12) + "-" + String(m % 12 + 1).padStart(2, "0");
const plain = (v) => (v > 0.05 ? "+" : "") + v.toFixed(1).replace("-0.0", "0.0").replace("-", "−");
const most = (of, better) => of.reduce((a, b) => (better(b.value, a.value) ? b : a));

function indexStrip(svg, x, bars) {
  if (!bars.length) return "";
  const [top, low] = STRIP.index, zero = (top + low) / 2, half = (low - top) / 2;
  const width = Math.max(x(bars[0].month + 1) - x(bars[0].month), 0.4).toFixed(2);
  for (const [wet, name] of [[true, "wet"], [false, "dry"]]) {
    const path = bars.filter((b) => (b.value > 0) === wet && b.value !== 0).map((b) => {
      const to = zero - half * Math.max(-1, Math.min(1, b.value / 3));
      return `M${x(b.month).toFixed(2)} ${zero}V${to.toFixed(1)}h${width}V${zero}z`;
    }).join("");
    draw(svg, "path", { d: path, class: name });
  }
  draw(svg, "path", { d: `M${STRIP.left} ${zero}H${STRIP.width}`, class: "axis" });
  draw(svg, "text", { x: 0, y: top + 9 }, "+ wet");
  draw(svg, "text", { x: 0, y: low }, "− dry");
  const dry = most(bars, (a, b) => a < b), wet = most(bars, (a, b) => a > b), last = bars[bars.length - 1];
  return `Index of rain less evaporation over 12 months (SPEI-12), ${monthName(bars[0].month)} to ${monthName(last.month)}: ` +
    `driest ${plain(dry.value)} (${monthName(dry.month)}), wettest ${plain(wet.value)} (${monthName(wet.month)}), last ${plain(last.value)}.`;
}

function weekStrip(svg, x, weeks) {
  if (!weeks.length) return "";
  const [top, low] = STRIP.weeks, scale = about.scales.drought;
  weeks.forEach((w, k) => {
    const to = k + 1 < weeks.length ? Math.min(weeks[k + 1].month, w.month + 0.5) : w.month + 0.25;
    draw(svg, "rect", { x: x(w.month).toFixed(2), y: top, width: Math.max(x(to) - x(w.month), 0.5).toFixed(2), height: low - top,
      fill: scale.colors[w.category] });
  });
  const a = x(weeks[0].month), last = weeks[weeks.length - 1];
  draw(svg, "rect", { x: a.toFixed(2), y: top, width: Math.max(x(last.month + 0.25) - a, 1).toFixed(2), height: low - top, class: "frame" });
  const worst = Math.max(...weeks.map((w) => w.category)), name = (c) => scale.words[c];
  return `Weekly drought map, ${weeks[0].date} to ${last.date}: strongest “${name(worst)}”, last “${name(last.category)}”.`;
}

function slabStrip(svg, x, slab) {
  if (!slab.length) return "";
  const [top, low] = STRIP.slab, high = most(slab, (a, b) => a > b), deep = most(slab, (a, b) => a < b);
  const above = Math.max(high.value, 5), below = Math.min(deep.value, -5);
  const y = (mm) => low - (low - top) * (mm - below) / (above - below);
  draw(svg, "path", { d: `M${STRIP.left} ${y(0).toFixed(1)}H${STRIP.width}`, class: "axis" });
  draw(svg, "path", { d: "M" + slab.map((s) => `${x(s.month).toFixed(2)} ${y(s.value).toFixed(1)}`).join("L"), class: "slab" });
  draw(svg, "text", { x: 0, y: top + 9 }, "+ dome");
  draw(svg, "text", { x: 0, y: low }, "− dish");
  return `Slab, middle against edge, ${slab[0].name} to ${slab[slab.length - 1].name}: highest ${signed(high.value)} (${high.name}), ` +
    `lowest ${signed(deep.value)} (${deep.name}).`;
}
