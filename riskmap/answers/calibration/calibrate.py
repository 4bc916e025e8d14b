"""From a run and a file of surveys to a calibration: what is compared, the model, and the table of comparisons."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from riskmap.answers.calibration import blocks, fitting, model_file, physical, predict, statistical, surveys
from riskmap.answers.calibration.apply import settings_digest
from riskmap.answers.calibration.fitting import Fit, Layer, SurveyRows
from riskmap.answers.calibration.model_file import Model
from riskmap.answers.calibration.physical import Rows
from riskmap.common import settings as area_file
from riskmap.common.errors import LayerError, counted
from riskmap.common.month_numbers import month_name
from riskmap.common.problems import Problem, kept_by_refusal
from riskmap.common.results import Results
from riskmap.common.version import __version__
from riskmap.movement import draws as random
from riskmap.run import record

Array = NDArray[np.float64]

RANGE_LIMITS_M = (50.0, 20_000.0)  # judgement: from a street to a county


@dataclass(frozen=True)
class Calibration:
    """Result.

    Attributes
    ----------
    model : Model
        The content of `calibration.json`.
    comparisons : DataFrame
        One row for every row of the survey file (see `_comparisons`); empty when no surveys were read.
    problems : list of Problem
    """

    model: Model
    comparisons: pd.DataFrame
    problems: list[Problem]

    @property
    def whole(self) -> bool:
        """Whether every row of surveys could be compared and the calibration is on."""
        barred = not self.comparisons.empty and bool((self.comparisons["status"] == "not_used").any())
        return not barred and self.model.physical.on

    @property
    def lines(self) -> list[str]:
        """Lines for people: what was compared, which layers are on, what was refused, and how far to trust it."""
        from riskmap.answers.calibration import card

        c, run = self.model.counts, self.model.run
        lines = card.answer(self.model)
        lines += [f"put to this run as it was made on {run.area}, {run.today}"] if self.comparisons.empty else []
        lines.append(f"{counted(c.rows, 'row')}, {c.compared} compared, {c.quarantined} set aside, {c.not_used} not "
                     f"used; {counted(c.houses, 'house')} in {counted(c.blocks, 'block')}")
        lines += [f"{name} layer: {'on' if layer.on else 'off'}" for name, layer in
                  (("physical", self.model.physical), ("statistical", self.model.statistical))]
        lines += [f"  {refusal.code} {refusal.layer} layer: {refusal.text}" for refusal in self.model.refused]
        return [*lines, card.standing(self.model)]


def calibrate(results: Results, path: Path, *, range_m: float = blocks.RANGE_M, workers: int | None = 1,
              warn: Callable[[str], None] | None = None, latest: int | None = None) -> Calibration:
    """Compare a run with surveys and fit both layers.

    Parameters
    ----------
    results : Results
        As returned by `record.read`.
    path : Path
        CSV of survey results (`surveys.read`).
    range_m : float
        Shortest correlation range of what the model leaves unexplained. It is the size of the blocks and the width of
        the buffers. [m]
    workers : int, optional
        Number of threads; the result does not depend on it.
    warn : callable, optional
        Called before the computation when there are too few houses or blocks to succeed.
    latest : int, optional
        The present month (`tables.month_number`): no survey can be later.

    Raises
    ------
    LayerError
        When the file is not a table of surveys, or the run cannot be computed again or has too few model runs.
    """
    if results.inputs is None:
        raise LayerError("E-CAL-211 the run has no record of what it was computed from; run the estimate again.")
    if not RANGE_LIMITS_M[0] <= range_m <= RANGE_LIMITS_M[1]:
        raise LayerError(f"E-CAL-008 the correlation range lies between {RANGE_LIMITS_M[0]:g} and "
                         f"{RANGE_LIMITS_M[1]:g} m, not {range_m:g}.")
    area = record.area_of(results)
    if area.movement.draws < predict.FEWEST_DRAWS:
        raise LayerError(f"E-CAL-009 the run has {area.movement.draws} draws; weights over them need "
                         f"{predict.FEWEST_DRAWS}. Set [movement] draws and run the estimate again.")
    table, problems = surveys.read(path)
    more: list[Problem] = []
    with kept_by_refusal(problems), kept_by_refusal(more):
        table, of_lots = surveys.match(table, results, path.name, latest)
        more += of_lots
        draws = random.make(area.movement)
        table["archetype"] = table["archetype"].where(table["why"] == "", -1)
        if warn is not None and (few := _few(table, range_m)):
            warn(few)
        mean, variance = predict.of_rows(pd.concat([table, _last_bending(table)], ignore_index=True), results.inputs,
                                         area, draws, workers=workers)
        count = len(table)
        last = mean[count:], variance[count:]
        mean, variance = mean[:count], variance[:count]
        marker = surveys.RowMarker(path.name, table, more)
        _bar_before_pour(marker, table, (table["archetype"] >= 0).to_numpy() & np.isnan(mean).any(axis=1), results)
        use = (table["why"] == "").to_numpy()
        survey = _survey(table[use].reset_index(drop=True), predict.smooth(mean[use], variance[use], draws),
                         predict.smooth(last[0][use], last[1][use], draws))
        fit = fitting.fit(survey, range_m) if use.any() else None
        if fit is not None:
            problems += _findings(table, use, fit, range_m, path.name)
        model = _model(results, area, table, use, fit, draws, range_m)
        return Calibration(model, _comparisons(table, use, survey.rows, fit), [*problems, *more])


def _few(table: pd.DataFrame, range_m: float) -> str:
    """Return why the usable rows cannot switch a calibration on; empty when they can."""
    rows = table[table["archetype"] >= 0]
    houses = rows["lot_row"].nunique()
    named = [set(blocks.by_place(rows["x_m"].to_numpy(float), rows["y_m"].to_numpy(float), range_m))]
    named += [set(rows["block"])] if (rows["block"] != "").all() else []
    count = min(map(len, named))
    if houses >= fitting.FEWEST_HOUSES and count >= fitting.FEWEST_BLOCKS:
        return ""
    return (f"The rows reach at most {counted(houses, 'house')} in {counted(count, 'block')}; a "
            f"calibration needs {fitting.FEWEST_HOUSES} houses in {fitting.FEWEST_BLOCKS} blocks and stays off. They "
            "are compared; nothing is tested by leaving blocks out.")


def _bar_before_pour(marker: surveys.RowMarker, table: pd.DataFrame, mask: NDArray[np.bool_], results: Results) -> None:
    """Bar rows for which some model run has no expectation: the slab may not be poured yet, or no weather is known."""
    lots = results.lots[["pour_date_basis", "pour_from", "pour_to"]].reset_index(drop=True)
    lots = lots.reindex(table["lot_row"].to_numpy()).fillna("")
    early = lots["pour_from"].to_numpy(dtype=object)
    window = early + ".." + lots["pour_to"].to_numpy(dtype=object)
    month = pd.Series(table["first_month"].clip(lower=0).map(month_name))
    assert results.inputs is not None
    in_record = (table["first_month"] >= results.inputs.history.first_month).to_numpy()
    undated = (lots["pour_date_basis"] == "none").to_numpy() & in_record & (month.to_numpy(dtype=object) >= early)
    for dates in sorted(set(window[mask])):
        here = mask & (window == dates)
        marker.bar(here & undated, "E-CAL-024", "first_date", month, rule="the pour date of this lot is not known "
                   f"({dates}).", remedy="Give it in the lot file and run the estimate again; then this survey can be "
                   "used.")
        marker.bar(here & ~undated, "E-CAL-023", "first_date", month, rule="surveyed before the slab may have been "
                   f"poured ({dates}), or before the weather record.", remedy="Check survey date and pour date.")
    dated = (lots["pour_date_basis"] != "none").to_numpy() & in_record & (month.to_numpy(dtype=object) < early)
    surveys.bar_rest_of_house(marker, table, mask & dated)


def _last_bending(table: pd.DataFrame) -> pd.DataFrame:
    """Return a row for the bending of each house at its last survey: what a single survey there would have measured."""
    last = table[["first_month", "second_month"]].max(axis=1)
    return table.assign(kind="single", first_month=last, second_month=-1)


def _survey(table: pd.DataFrame, expected: predict.Expected, bending: predict.Expected) -> SurveyRows:
    rows = Rows(table["value_mm"].to_numpy(float), table["reading_sd_mm"].to_numpy(float),
                (table["kind"] == "single").to_numpy(), pd.factorize(table["lot_row"])[0].astype(np.int64),
                table["x_m"].to_numpy(float), table["y_m"].to_numpy(float))
    of_rows = list(table["block"]) if len(table) and (table["block"] != "").all() else None
    return SurveyRows(rows, expected, statistical.of_rows(table), of_rows, list(table["source"]),
                      bending)


def _findings(table: pd.DataFrame, use: NDArray[np.bool_], fit: Fit, range_m: float, name: str) -> list[Problem]:
    out = []
    rows = table["row"].to_numpy()[use]
    for k in np.flatnonzero(fit.quarantined).tolist():
        out.append(Problem("W-CAL-060", name, rule=f"lies {abs(fit.z[k]):.1f} robust standard deviations from the "
                           f"other rows, beyond {fitting.OUTLIER_Z}.", remedy="Check date, sign, unit, house and "
                           "whether it was repaired.", action="Set aside: listed here and in comparisons.csv, not "
                           "fitted.", row=int(rows[k]), column="change_mm or dome_mm",
                           value=f"{table['value_mm'].to_numpy()[use][k]:.1f}"))
    blanks = (table["block"][use] == "").sum()
    if 0 < blanks < use.sum():
        out.append(Problem("W-CAL-061", name, rule=f"{blanks} rows have no block while others do.",
                           remedy="Give every row one.", action="All blocks are made by place.",
                           column="block"))
    if fit.range_m > range_m:
        out.append(Problem("W-CAL-062", name, rule=f"what the model leaves is alike over more than {range_m:g} m.",
                           remedy="Name another one with --range-m.", action=f"{fit.range_m:g} m is used for blocks "
                           "and buffers."))
    return out


# ---------------------------------------------------------------- the model
def _model(results: Results, area: area_file.Area, table: pd.DataFrame, use: NDArray[np.bool_], fit: Fit | None,
           draws: random.Draws, range_m: float) -> Model:
    from riskmap.run import folder

    kind = table["kind"][use]
    counts = {"rows": len(table), "compared": int(use.sum()) - (int(fit.quarantined.sum()) if fit else 0),
              "changes": int((kind == "change").sum()), "singles": int((kind == "single").sum()),
              "quarantined": int(fit.quarantined.sum()) if fit else 0, "not_used": int((~use).sum()),
              "houses": fit.houses if fit else 0, "blocks": fit.blocks if fit else 0}
    head = {"riskmap": __version__, "counts": counts,
            "run": {"area": folder.slug(results.area_name), "today": results.today,
                    "code": str(results.facts.get("code", "")), "settings_sha256": settings_digest(area)}}
    if fit is None:
        none = fitting.Refusal("E-CAL-100", "physical", "no row can be compared.")
        return Model.model_validate({
            **head, "correlation_range_m": float(range_m), "uncalibrated_error_mm": None, "constant_error_mm": None,
            "coverage_uncalibrated": None, "physical": _layer(Layer()), "statistical": _layer(Layer()),
            "parameters": [], "weights": _weights(physical.even(draws.count), False), "terms": [],
            "coefficients_mm": [], "penalty": 0.0, "factors": [], "sources": [], "quarantined": [],
            "refused": [vars(none)]})
    rows = table["row"].to_numpy()[use]
    return Model.model_validate({
        **head, "correlation_range_m": float(fit.range_m), "uncalibrated_error_mm": _known(fit.uncalibrated_mm),
        "constant_error_mm": _known(fit.constant_mm), "coverage_uncalibrated": _known(fit.coverage_before),
        "physical": _layer(fit.physical), "weights": _weights(fit.weights, fit.physical.on),
        "parameters": _parameters(fit, draws), "statistical": _layer(fit.statistical),
        "terms": list(statistical.TERMS), "coefficients_mm": [float(v) for v in fit.coefficients],
        "penalty": float(fit.penalty), "factors": [vars(factor) for factor in fit.factors],
        "sources": [{"name": s.name, "rows": s.rows, "moves_mm": s.moves_mm, "moves_share_of_range": s.moves_share,
                     "offset_sd": s.offset, "gains_without": s.gains_without}
                    for s in fit.sources[:model_file.MOST_SOURCES]],
        "quarantined": [{"row": int(rows[k]), "robust_z": float(fit.z[k])}
                        for k in np.flatnonzero(fit.quarantined).tolist()],
        "refused": [vars(refusal) for refusal in fit.refusals]})


def _known(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


def _layer(layer: Layer) -> dict[str, Any]:
    return {"on": layer.on, "blocked_error_mm": _known(layer.blocked_mm), "random_error_mm": _known(layer.random_mm),
            "gain": _known(layer.gain), "gain_sd": _known(layer.gain_sd), "coverage": _known(layer.coverage),
            "coverage_scaled": _known(layer.coverage_scaled), "range_scale": float(layer.scale)}


def _weights(weights: physical.Weights, on: bool) -> dict[str, Any]:
    return {"weight": weights.weight.tolist() if on else [], "effective_sample_size": weights.ess,
            "effective_sample_size_untempered": weights.ess_untempered, "exponent": weights.exponent,
            "discrepancy_share": weights.discrepancy, "near_share": weights.near_share}


def _parameters(fit: Fit, draws: random.Draws) -> list[dict[str, Any]]:
    if fit.left is None:
        return []
    values, flat = predict.parameters(draws), physical.even(draws.count).weight
    return [{"name": name, "unit": unit,
             "before": physical.quantiles(values[name][None, :], flat)[:, 0].tolist(),
             "after": physical.quantiles(values[name][None, :], fit.weights.weight)[:, 0].tolist()}
            for name, unit in predict.SUMMARISED.items()]


# ---------------------------------------------------------------- the table
def _comparisons(table: pd.DataFrame, use: NDArray[np.bool_], rows: Rows, fit: Fit | None) -> pd.DataFrame:
    """Return every row of the survey file: values measured, expected, and predicted by surveys of other blocks. [mm]

    `status` is compared, set_aside (an outlier) or not_used, with the code in `why`. Ranges are those of the movement
    itself; a measured value also has `noise_sd_mm`.
    """
    def dates(column: str) -> list[str]:
        return [month_name(month) if month >= 0 else "" for month in table[column].tolist()]

    out = pd.DataFrame({"row": table["row"], "lot_id": table["lot_id"], "kind": table["kind"],
                        "first_date": dates("first_month"), "second_date": dates("second_month"),
                        "source": table["source"], "block": table["block"],
                        "status": np.where(use, "compared", "not_used"), "why": table["why"],
                        "measured_mm": table["value_mm"]})
    wide: dict[str, Array] = {"noise_sd_mm": rows.noise_mm}
    if fit is not None:
        before = fit.ranges_before
        wide |= {"robust_z": fit.z, "expected_mm": before.middle, "expected_p10_mm": before.middle - before.low,
                 "expected_p90_mm": before.middle + before.high}
        if fit.left is not None:
            layer = fit.left.statistical if fit.statistical.on else fit.left.physical
            wide |= {"left_out_mm": layer.middle, "left_out_p10_mm": layer.middle - layer.low,
                     "left_out_p90_mm": layer.middle + layer.high, "constant_mm": fit.left.constant}
        out.loc[use, "block"] = fit.block
        aside = np.flatnonzero(use)[fit.quarantined]
        out.loc[aside, "status"], out.loc[aside, "why"] = "set_aside", "W-CAL-060"
    for name, values in wide.items():
        out[name] = np.nan
        out.loc[use, name] = np.round(values, 3)
    return out
