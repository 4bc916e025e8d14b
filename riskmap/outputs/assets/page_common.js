// What the one-file map and the county page share: text, hatches, lengths, class labels, ranges, the base map. Joined in
// front of the parts of either page, inside one function. `about` and `map` are the page's own.
// Every text that comes from data reaches a page through `put`, as text, never as markup.
const el = (id) => document.getElementById(id);
const MM_PER_INCH = 25.4, TILE = 256, BATCH = 200, SMALL_PX = 3, CELL_PX = 4, PAGE = 50, NEAR_PX = 8;
const narrow = () => window.matchMedia("(max-width: 46rem)").matches;
performance.mark("riskmap-start");

const HIDDEN = /[\u0000-\u001f\u007f-\u009f\u00ad\u200b-\u200f\u2028-\u202e\u2060\u2066-\u2069\ufeff]/g;
const visible = (text) => String(text).replace(HIDDEN, (c) => "\\u" + c.charCodeAt(0).toString(16).padStart(4, "0"));
const fill = (text, parts) => text.replace(/\{(\w+)\}/g, (all, name) => (name in parts ? parts[name] : all));
const count = (n) => n.toLocaleString("en-US");

function put(parent, tag, text, className) {
  const node = document.createElement(tag);
  if (text !== undefined && text !== null) node.textContent = visible(text);
  if (className) node.className = className;
  parent.appendChild(node);
  return node;
}

// ---------------------------------------------------------------- hatches
const hatches = () => [...Object.values(about.hatch), "ticked"].map((kind) => hatchCanvas(kind, about.outline)); // states, then no value

function drawHatch(ctx, kind, ink, ground) { // an 8 px square that repeats; lines every 4 px
  ctx.fillStyle = ground;
  ctx.fillRect(0, 0, 8, 8);
  ctx.strokeStyle = ctx.fillStyle = ink;
  ctx.lineWidth = 0.9;
  ctx.beginPath();
  for (let k = -8; k <= 16; k += 4) {
    if (kind === "rising" || kind === "crossed") { ctx.moveTo(k, 8); ctx.lineTo(k + 8, 0); }
    if (kind === "falling" || kind === "crossed") { ctx.moveTo(k, 0); ctx.lineTo(k + 8, 8); }
    if (kind === "level") { ctx.moveTo(0, k + 2); ctx.lineTo(8, k + 2); }
    if (kind === "upright") { ctx.moveTo(k + 2, 0); ctx.lineTo(k + 2, 8); }
  }
  ctx.stroke();
  if (kind === "dotted") for (const p of [1, 5]) for (const q of [1, 5]) ctx.fillRect(p, q, 1.6, 1.6);
  if (kind === "ticked") for (const p of [0, 4]) ctx.fillRect(p, p, 1.2, 4);
}

function hatchCanvas(kind, ink, ground = "#ffffff") {
  const canvas = document.createElement("canvas");
  canvas.width = canvas.height = 8;
  drawHatch(canvas.getContext("2d"), kind, ink, ground);
  return canvas;
}

function edgeOf(ctx, edge, px) { // outline by the colour of the class, so that it shows on the darkest too; a state has ink
  ctx.strokeStyle = edge || "#1a1a1a";
  ctx.lineWidth = px > 24 || !edge ? 1 : 0.6;
}

// ---------------------------------------------------------------- lengths in the chosen units
const units = { now: "us" };
const rounded = (mm) => (units.now === "us" ? (mm / MM_PER_INCH).toFixed(1) : Math.round(mm).toFixed(0))
  .replace(/^-(0(\.0)?)$/, "$1").replace("-", "−");
const unit = () => (units.now === "us" ? "in" : "mm");
const length = (mm) => (mm === null ? "—" : rounded(mm) + " " + unit());
const signed = (mm) => (mm === null ? "—" : (/[1-9]/.test(rounded(mm)) && mm > 0 ? "+" : "") + length(mm));
const distance = (m) => (units.now === "us" ? count(Math.round(m / 0.3048)) + " ft" : count(Math.round(m)) + " m");
const percent = (share) => (share === null ? "—" : Math.round(100 * share) + " %");

function classLabels(scale) {
  if (scale.classes.length) return scale.words.length ? scale.words : scale.classes;
  const at = scale.limits_mm, n = at.length, both = at[0] < 0, years = scale.unit === "years";
  const value = (v) => (years ? String(v) : (both && v > 0 ? "+" : "") + rounded(v)), of = " " + (years ? "years" : unit());
  const between = both ? " to " : "–";
  return scale.colors.map((_, c) => {
    if (c === 0) return (both ? "below " : "under ") + value(at[0]) + of;
    if (c === n) return value(at[n - 1]) + of + (both ? " and above" : " and more");
    if (both && at[c - 1] === -at[c]) return "within ±" + rounded(at[c]) + of;
    return value(at[c - 1]) + between + value(at[c]) + of;
  });
}

// ---------------------------------------------------------------- facts of a lot
function row(parent, name, value) {
  put(parent, "dt", name);
  return put(parent, "dd", value);
}

function droughtRow(facts, lot) { // a day without a current map is not a day without drought
  const scale = about.scales.drought, category = lot.text("drought_category");
  if (!scale) return;
  const words = scale.words[scale.classes.indexOf(category)] || category;
  row(facts, "Drought category", category ? `${words} on the map of ${lot.text("drought_valid_date")}` : scale.missing);
}

function ranged(parent, name, [v, lo, hi], axis, show) { // a number and its range, as text and as a bar
  const cell = row(parent, name, null);
  put(cell, "strong", show(v));
  if (v === null || lo === null || hi === null) return;
  put(cell, "span", " range " + show(lo).replace(" " + unit(), "") + " to " + show(hi));
  const bar = put(cell, "div", null, "bar"), at = (mm) => 100 * (mm - axis[0]) / (axis[1] - axis[0]) + "%";
  bar.setAttribute("aria-hidden", "true");
  const band = put(bar, "i", null, "band");
  band.style.left = at(lo);
  band.style.width = 100 * (hi - lo) / (axis[1] - axis[0]) + "%";
  put(bar, "i", null, "zero").style.left = at(0);
  put(bar, "i", null, "median").style.left = at(v);
}

// ---------------------------------------------------------------- base map, only when the page was made with one
function baseMap() {
  if (!about.basemap) return;
  const { url, attribution, host, max_zoom: deepest } = about.basemap, line = put(el("choices"), "div", null, "line");
  const name = put(line, "label"), box = put(name, "input");
  let base = null;
  Object.assign(map.createPane("base").style, { zIndex: 100, pointerEvents: "none" });
  box.type = "checkbox";
  box.id = "base";
  put(name, "span", ` Base map, asks ${host} for pictures`);
  box.addEventListener("change", () => {
    if (base) base.remove();
    base = null;
    if (box.checked) {
      base = L.tileLayer(url, { pane: "base", maxZoom: map.getMaxZoom(), maxNativeZoom: deepest || 19, referrerPolicy: "no-referrer" })
        .once("tileerror", () => {
          base.remove();
          base = null;
          box.checked = false;
          box.disabled = true;
          northLine("The base map cannot be reached and is hidden.");
        }).addTo(map);
    }
    northLine(base ? attribution : "No base map: lots only.");
  });
}

const northLine = (text) => { el("north").textContent = visible("North is up. " + text); };
