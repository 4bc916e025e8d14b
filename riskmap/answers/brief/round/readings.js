// Readings of one house as rows of texts, and the CSV that `riskmap survey` reads: its columns are in
// answers/survey/readings.py. Texts are written unchanged, except for an apostrophe before what could run as a formula.
export const NAMES = ["point", "x", "y", "reading", "floor", "zero"];
const MOST = 26; // points across: one letter each
const LENGTH = /^[+-]?\s*(?:\d+(?:\.\d*)?|\.\d+|(?:\d+[ -]+)?\d+\/\d+|\d*\s*[½¼¾⅓⅔⅛⅜⅝⅞]|\d+\s*(?:'|ft)\s*-?\s*[\d ./]*)\s*(?:in|ft|mm|cm|m|"|')?$/;
const RUNS = /^'*[=+\-@\t\r\n\u0000\uff1d\uff0b\uff0d\uff20]/; // as in outputs/files/csv_table.py

const isLength = (text) => LENGTH.test(text);

export function wrongIn(row) { // which boxes of a row are missing or no number
  const wrong = {};
  for (const name of ["x", "y", "reading"]) if (row[name] !== "" && !isLength(row[name])) wrong[name] = true;
  if (row.point === "" && NAMES.some((name) => row[name] !== "")) wrong.point = true;
  if ((row.x === "") !== (row.y === "")) wrong[row.x === "" ? "x" : "y"] = true;
  return wrong;
}

export function gridPoints(across, deep, every) {
  const fits = (n) => Number.isInteger(n) && n >= 1 && n <= MOST;
  if (!fits(across) || !fits(deep) || !(every > 0)) return [];
  const points = [], told = (k) => String(Math.round(k * every * 1000) / 1000);
  for (let j = 0; j < deep; j++) {
    for (let i = 0; i < across; i++) points.push({ point: `${String.fromCharCode(65 + i)}${j + 1}`, x: told(i), y: told(j) });
  }
  return points;
}

function cell(text, number) {
  const safe = RUNS.test(text) && !(number && isLength(text)) ? `'${text}` : text;
  return /[",\r\n;]/.test(safe) ? `"${safe.replace(/"/g, '""')}"` : safe;
}

export function csvOf(rows, about) {
  const { place, unit } = about;
  const heads = ["point", `x_${place}`, `y_${place}`, `elevation_${unit}`, "floor", "zero", "date", "lot_id", "instrument"];
  const lines = rows.filter((row) => row.reading !== "").map((row) => [
    cell(row.point), cell(row.x, true), cell(row.y, true), cell(row.reading, true), cell(row.floor), cell(row.zero),
    cell(about.date), cell(about.lot), cell(about.instrument)].join(","));
  return [heads.join(","), ...lines].join("\r\n") + "\r\n";
}

export function fileName(about) {
  const safe = about.lot.replace(/[^\w-]+/g, "_").slice(0, 40) || "house";
  return `readings_${safe}_${about.date || "undated"}.csv`;
}
