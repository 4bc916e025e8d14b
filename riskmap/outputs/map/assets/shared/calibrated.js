// Where a calibration was given: the calibrated figure of a lot first, the model's own in brackets.
export function withRange(lot, column) { // median, p10, p90; with a calibration the model's own median after them
  const of = (name) => ["", "_p10", "_p90"].map((end) => lot.number(name + end)), calibrated = of("calibrated_" + column);
  return calibrated[0] === null ? of(column) : [...calibrated, lot.number(column)];
}

export const figure = (show, value, asModelled) =>
  asModelled === undefined ? show(value) : `${show(value)} calibrated (${show(asModelled)} as modelled)`;
