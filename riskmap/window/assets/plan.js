// A plain plan of the readings in a table, drawn as they are typed: where the points are, and how far each is above or below
// the mean of what is typed. The levels of the survey, with floors and zeros taken into account, are computed by riskmap.
const WIDE = 440, MARGIN = 56, LEAST = 180;
const SCALES = {us: [1, 2, 5, 10, 20, 50, 100], si: [1, 2, 5, 10, 20, 50]};

function sketch(parent, name, attributes = {}, text = "") {
  const node = document.createElementNS(parent.namespaceURI, name);
  for (const [key, value] of Object.entries(attributes)) node.setAttribute(key, value);
  node.textContent = text;
  parent.append(node);
  return node;
}

const number = (text) => (text.trim() === "" ? NaN : Number(text.trim()));

export function typed(table) {
  return [...table.tBodies[0].rows].map((row) => [...row.querySelectorAll("input")].map((input) => input.value))
    .map(([name, x, y, level]) => ({name, x: number(x), y: number(y), level: number(level)}))
    .filter(({x, y, level}) => [x, y, level].every(Number.isFinite));
}

export function signed(value, unit) {
  const text = Math.abs(value).toFixed(unit === "us" ? 2 : 1);
  return Number(text) === 0 ? text : (value > 0 ? "+" : "\u2212") + text;
}

function draw(svg, said, points, unit) {
  svg.replaceChildren();
  svg.toggleAttribute("hidden", points.length < 2);
  const mean = points.reduce((sum, {level}) => sum + level, 0) / points.length, ends = unit === "us" ? ["in", "ft"] : ["mm", "m"];
  if (points.length < 2) {
    said.textContent = "The plan appears with the second point that has x, y and an elevation.";
    return;
  }
  const xs = points.map(({x}) => x), ys = points.map(({y}) => y);
  const [left, right, low, high] = [Math.min(...xs), Math.max(...xs), Math.min(...ys), Math.max(...ys)];
  const scale = (WIDE - 2 * MARGIN) / Math.max(right - left, high - low, 1e-9), tall = Math.max((high - low) * scale, 0) + 2 * MARGIN;
  const height = Math.max(tall, LEAST), top = (height - tall) / 2 + MARGIN;
  const at = ({x, y}) => [MARGIN + (x - left) * scale, top + (high - y) * scale];
  svg.setAttribute("viewBox", `0 0 ${WIDE} ${Math.round(height + 30)}`);
  for (const point of points) {
    const [x, y] = at(point), off = point.level - mean;
    sketch(svg, "circle", {cx: x.toFixed(1), cy: y.toFixed(1), r: 6, class: off >= 0 ? "above" : "below"});
    sketch(svg, "text", {x: x.toFixed(1), y: (y - 12).toFixed(1), class: "level"}, signed(off, unit));
    sketch(svg, "text", {x: x.toFixed(1), y: (y + 22).toFixed(1), class: "name"}, point.name.slice(0, 12));
  }
  const bar = SCALES[unit].findLast((length) => length * scale <= WIDE / 3) ?? SCALES[unit][0], y = height + 8;
  if (bar * scale <= WIDE - 2 * MARGIN) {
    sketch(svg, "path", {d: `M${MARGIN} ${y - 6}v6h${(bar * scale).toFixed(1)}v-6`, class: "bar"});
    sketch(svg, "text", {x: MARGIN, y: y + 18, class: "name start"}, `${bar} ${ends[1]}`);
  }
  const order = [...points].sort((a, b) => a.level - b.level), [lowest, highest] = [order[0], order.at(-1)];
  const text = `${points.length} points. Highest: ${highest.name} (${signed(highest.level - mean, unit)} ${ends[0]}), lowest: ` +
    `${lowest.name} (${signed(lowest.level - mean, unit)} ${ends[0]}), against the mean of what is typed. Filled: above it; open: below.`;
  svg.setAttribute("aria-label", `Plan of the readings: ${text}`);
  said.textContent = text;
}

export function plans() {
  for (const figure of document.querySelectorAll("[data-plan]")) {
    const table = document.querySelector(`[data-readings="${figure.dataset.plan}"]`), form = table.closest("form");
    const unit = () => form.elements.units.value;
    const again = () => draw(figure.querySelector("svg"), figure.querySelector("figcaption"), typed(table), unit());
    figure.hidden = false;
    form.addEventListener("input", again);
    form.elements.units.addEventListener("change", again);
    again();
  }
}
