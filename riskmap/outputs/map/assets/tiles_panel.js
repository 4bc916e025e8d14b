// The county page of riskmap, second part: choosing the tile file, legend, finding a lot, the lot panel.
const MISSING = -(2 ** 30), WORLD = 2 ** 29;
const stateNames = Object.keys(about.states);
const map = L.map("map_riskmap", { zoomAnimation: false, fadeAnimation: false, inertia: false, attributionControl: false,
  minZoom: about.zooms[0], maxZoom: 20, center: [0, 0], zoom: about.zooms[0] });
const layer = new CountyLayer({ keepBuffer: 1, updateWhenZooming: false });
const state = { archive: null, scale: "expected", chosen: null, list: [], from: 0, active: 0, bar: null, outline: null, asked: 0 };
const sideId = (name) => name || "(no id)";

// ---------------------------------------------------------------- opening
function tell(text) { el("trouble").textContent = visible(text); }

function failed(error) {
  tell(error instanceof Refusal ? error.message : DAMAGED);
}
layer.failed = failed;

async function use(source) {
  const asked = ++state.asked;
  tell("");
  performance.mark("riskmap-open");
  try {
    const archive = await open(source);
    if (asked !== state.asked) return;
    state.archive = layer.archive = archive;
  } catch (error) { failed(error); return; }
  el("open").hidden = true;
  layer.once("load", () => requestAnimationFrame(() => {
    performance.mark("riskmap-drawn");
    document.body.dataset.drawn = "yes";
  }));
  showScale(state.scale);
  await find();
  choose(null);
  if (about.all) { home(about.core); layer.addTo(map); } else tell("No lot of this run has a shape: lots stand in the list only.");
  if (document.activeElement === document.body) el("search").focus({ preventScroll: true });
  document.body.dataset.opened = "yes";
}

// ---------------------------------------------------------------- legend
function showScale(name) {
  state.scale = name;
  layer.show(name);
  legend();
  el("find-note").textContent = `Type how the id begins. Beside it: ${about.scales[shownBeside()].title.toLowerCase()}.`;
}

function legend() {
  const scale = about.scales[state.scale], box = el("legend");
  box.textContent = "";
  put(box, "h2", scale.title);
  put(box, "p", scale.note, "note");
  legendRows(box, scale, about.counts[state.scale], (ctx, c) => layer.paint(ctx, c));
  legendFoot(box, about.lots, about.lots - about.shapes);
  if (state.scale === "drought") about.credits.forEach((line) => put(box, "p", line, "note"));
}

// ---------------------------------------------------------------- finding a lot: ids in alphabetical order
const idBlock = (k) => state.archive.block("ids/" + k, "ids", k);

async function place(wanted) { // place of the first id that is not before the wanted text
  const { first_ids: first, sizes } = state.archive.meta.blocks;
  let low = 0, high = first.length;
  while (low < high) {
    const mid = (low + high) >> 1;
    if (first[mid] < wanted) low = mid + 1; else high = mid;
  }
  const k = Math.max(0, low - 1);
  if (k >= first.length) return 0;
  const ids = (await idBlock(k)).id;
  let i = 0;
  while (i < ids.length && ids[i].toLowerCase() < wanted) i++;
  return k * sizes.ids + i;
}

async function find() {
  const wanted = el("search").value.trim().toLowerCase(), asked = state.searched = (state.searched || 0) + 1;
  const begin = await place(wanted), end = wanted ? await place(wanted + "\uffff") : about.lots;
  if (asked !== state.searched) return;
  Object.assign(state, { begin, end });
  await turn(0);
}

async function turn(active) {
  if (!state.archive) return;
  const n = state.end - state.begin, box = el("lots"), size = state.archive.meta.blocks.sizes.ids, asked = state.turned = (state.turned || 0) + 1;
  const at = Math.max(0, Math.min(n - 1, active)), from = Math.floor(at / PAGE) * PAGE, to = Math.min(n, from + PAGE), rows = [];
  for (let k = state.begin + from; k < state.begin + to; k++) {
    const block = await idBlock(Math.floor(k / size)), i = k % size;
    rows.push({ id: block.id[i], lot: block.lot[i], value: (name) => block[name][i], state: block.state[i] });
  }
  if (asked !== state.turned) return;
  Object.assign(state, { list: rows, from, active: at });
  box.textContent = "";
  rows.forEach((row, i) => {
    const item = put(box, "li");
    item.id = "lot-" + i;
    item.setAttribute("role", "option");
    item.setAttribute("aria-selected", String(row.lot === state.chosen));
    put(item, "bdi", sideId(row.id));
    put(item, "span", briefly(row), "value");
    item.addEventListener("click", () => { mark(from + i); choose(row.lot, true); });
  });
  el("found").textContent = n > 0 ? `${count(from + 1)} to ${count(to)} of ${count(n)}` : "No lot has an id that begins so.";
  el("before").disabled = from === 0;
  el("after").disabled = to >= n;
  mark(at);
}

const shownBeside = () => (["now", "characteristic"].includes(state.scale) ? state.scale : "expected"); // the index holds these

function briefly(row) {
  if (row.state >= 0) return about.states[stateNames[row.state]];
  const name = shownBeside(), value = row.value(about.scales[name].column);
  return (name === "now" ? signed : length)(value === MISSING ? null : value * 0.1);
}

function mark(active) {
  const box = el("lots"), node = el("lot-" + (active - state.from));
  state.active = active;
  box.querySelectorAll(".active").forEach((other) => other.classList.remove("active"));
  if (!node) { box.removeAttribute("aria-activedescendant"); return; }
  node.classList.add("active");
  box.setAttribute("aria-activedescendant", node.id);
  keepInSight(box, node);
}

function keys(event) {
  const last = state.end - state.begin - 1, own = event.currentTarget === el("search");
  const to = { ArrowDown: state.active + 1, ArrowUp: state.active - 1, PageDown: state.active + 10, PageUp: state.active - 10,
    Home: own ? undefined : 0, End: own ? undefined : last }[event.key];
  if (to !== undefined && last >= 0) {
    const active = Math.max(0, Math.min(last, to));
    if (active < state.from || active >= state.from + PAGE) turn(active); else mark(active);
  } else if (event.key === "Enter" && state.list[state.active - state.from]) choose(state.list[state.active - state.from].lot, true);
  else return;
  event.preventDefault();
}

// ---------------------------------------------------------------- one lot
async function record(lot) { // the lot's own values, and its row of values that lots share
  const { sizes, steps } = state.archive.meta.blocks, texts = state.archive.texts;
  const own = await state.archive.block("lots/" + Math.floor(lot / sizes.lots), "lots", Math.floor(lot / sizes.lots)), i = lot % sizes.lots;
  const row = own.row[i], shared = await state.archive.block("rows/" + Math.floor(row / sizes.rows), "rows", Math.floor(row / sizes.rows));
  const raw = (name) => (name in own ? own[name][i] : name in shared ? shared[name][row % sizes.rows] : MISSING);
  return {
    id: own.id[i], x: own.x[i] / WORLD, y: own.y[i] / WORLD, shown: own.x[i] !== MISSING,
    number: (name) => (raw(name) === MISSING ? null : raw(name) * steps[name]),
    text: (name) => (name in texts ? texts[name][raw(name)] : ""),
  };
}

const latLng = (x, y) => map.options.crs.pointToLatLng(L.point(x * TILE, y * TILE), 0);

async function choose(lot, zoom, others) {
  const asked = state.choice = (state.choice || 0) + 1;
  state.chosen = lot;
  el("lots").querySelectorAll("[role=option]").forEach((node, i) =>
    node.setAttribute("aria-selected", String(lot !== null && state.list[i] && state.list[i].lot === lot)));
  if (state.outline) state.outline.remove();
  state.outline = null;
  if (lot === null) { nothing(); return; }
  try {
    const found = await record(lot);
    if (asked !== state.choice) return;
    await details(found, others || []);
    if (!zoom && !el("search").value) await turn(await place(found.id.toLowerCase())); // the list keeps step with the map
    if (!found.shown) return;
    const shape = await outline(found, lot);
    if (asked !== state.choice || !shape) return;
    state.outline = outlined(shape);
    if (zoom) map.fitBounds(L.latLngBounds(shape.flat()), { ...room(), maxZoom: 18 });
  } catch (error) { failed(error); }
}

async function outline(found, lot) { // rings of the lot from its tile at the top zoom
  const top = about.zooms[1], n = 2 ** top, x = Math.floor(found.x * n), y = Math.floor(found.y * n);
  const { lots } = await state.archive.tile(top + "/" + x + "/" + y, top, x, y);
  const k = lots ? lots.ids.indexOf(lot) : -1;
  return k < 0 ? null : ringsOf(lots, k, (px, py) => latLng((x + px / lots.extent) / n, (y + py / lots.extent) / n));
}

async function pick(latlng) { // all lots under the point; else the nearest within a few pixels
  if (!state.archive) return;
  const zoom = Math.min(map.getZoom(), about.zooms[1]), n = 2 ** zoom, at = map.options.crs.latLngToPoint(latlng, 0).divideBy(TILE);
  const x = Math.floor(at.x * n), y = Math.floor(at.y * n);
  const { lots, cells } = await state.archive.tile(zoom + "/" + x + "/" + y, zoom, x, y);
  const px = (at.x * n - x), py = (at.y * n - y), hit = [];
  let near = -1, nearest = NEAR_PX / (TILE * 2 ** (map.getZoom() - zoom));
  if (lots) {
    const u = px * lots.extent, v = py * lots.extent, b = lots.box;
    for (let k = 0; k < lots.n; k++) {
      if (b[4 * k] <= u && b[4 * k + 2] >= u && b[4 * k + 1] <= v && b[4 * k + 3] >= v && holds(lots, k, u, v)) hit.push(lots.ids[k]);
      const far = Math.hypot((b[4 * k] + b[4 * k + 2]) / 2 - u, (b[4 * k + 1] + b[4 * k + 3]) / 2 - v) / lots.extent;
      if (far < nearest) { nearest = far; near = lots.ids[k]; }
    }
  }
  if (hit.length) { const [lot, ...others] = hit.reverse(); return choose(lot, false, others); }
  if (cells) {
    const u = px * cells.extent, v = py * cells.extent, b = cells.box;
    for (let k = 0; k < cells.n; k++) {
      if (b[4 * k] <= u && b[4 * k + 2] > u && b[4 * k + 1] <= v && b[4 * k + 3] > v) {
        await choose(null);
        put(el("details"), "p", `${many(cells.tags.lots[k], "lot")} in this square. Zoom in to choose one.`);
        return;
      }
    }
  }
  return choose(near >= 0 ? near : null);
}

// ---------------------------------------------------------------- the lot panel
function nothing() {
  const box = el("details");
  box.textContent = "";
  document.body.classList.remove("chosen");
  put(box, "h2", "Choose a lot");
  put(box, "p", "Click a lot on the map, or find its id in the list. Arrow keys move in the list, Enter shows the lot.", "note");
}

async function details(lot, others) {
  state.shown = { lot, others };
  const names = await Promise.all(others.map(async (other) => [other, (await record(other)).id]));
  const box = el("details");
  box.textContent = "";
  document.body.classList.add("chosen");
  mark(state.active); // the list is lower while a lot is told: its active row stays in sight
  const title = put(box, "h2", "Lot ");
  put(title, "bdi", sideId(lot.id));
  if (names.length) {
    const line = put(box, "p", "More lots lie at this spot: ", "note");
    names.forEach(([other, id]) => put(line, "button", sideId(id)).addEventListener("click", () =>
      choose(other, false, [state.chosen, ...others.filter((k) => k !== other)])));
  }
  const middle = lot.shown ? latLng(lot.x, lot.y) : null;
  tellLot(box, lot, middle && [middle.lat, middle.lng], () => {});
  box.scrollTop = 0;
}


function home(box) {
  if (box) map.fitBounds([[box[1], box[0]], [box[3], box[2]]], { ...room(), maxZoom: 18 });
}

function showUnits(name) {
  units.now = name;
  scaleBar();
  legend();
  turn(state.active).catch(failed);
  if (state.archive && state.chosen !== null && state.shown) details(state.shown.lot, state.shown.others).catch(failed);
}

function start() {
  pageHead();
  Object.entries(about.scales).forEach(([name, scale]) => { put(el("layer"), "option", scale.title).value = name; });
  el("layer").addEventListener("change", () => { showScale(el("layer").value); turn(state.active).catch(failed); });
  unitChoice();
  el("search").addEventListener("input", () => { if (state.archive) find().catch(failed); });
  ["search", "lots"].forEach((id) => el(id).addEventListener("keydown", keys));
  el("before").addEventListener("click", () => turn(state.from - PAGE).catch(failed));
  el("after").addEventListener("click", () => turn(state.from + PAGE).catch(failed));
  el("whole").addEventListener("click", () => home(about.all));
  document.addEventListener("keydown", (event) => { if (event.key === "Escape" && state.archive) choose(null); });
  map.on("click", (event) => pick(event.latlng).catch(failed));
  const field = map.getContainer();
  field.setAttribute("role", "application");
  field.setAttribute("aria-label", "Map of the lots");
  field.setAttribute("aria-describedby", "map-keys");
  field.addEventListener("keydown", (event) => {
    if (event.key === "Enter" && event.target === field) pick(map.getCenter()).catch(failed);
  });
  put(field, "div", null, "middle").setAttribute("aria-hidden", "true");
  baseMap();
  el("file").addEventListener("change", () => { if (el("file").files.length) use(fromFile(el("file").files[0])); });
  document.addEventListener("dragover", (event) => event.preventDefault());
  document.addEventListener("drop", (event) => {
    event.preventDefault();
    if (event.dataTransfer.files.length) use(fromFile(event.dataTransfer.files[0]));
  });
  layer.show(state.scale);
  showUnits(about.units);
  nothing();
  document.body.dataset.ready = "yes";
  if (location.protocol === "http:" || location.protocol === "https:") {
    el("open").hidden = true;
    use(fromServer(about.file)).then(() => { if (!state.archive) el("open").hidden = false; });
  }
}
start();
