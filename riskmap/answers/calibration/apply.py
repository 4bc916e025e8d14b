"""A calibration applied to the lots of a run: median and range of bending now, expected movement and long run.

The weights move the medians of the run, and multiply both halves of each range; the conformal scale multiplies the
halves again. With even weights, no discrepancy and scale 1, every estimate equals that of the run to the last digit.
The statistical layer moves the bending now by its correction of the month, and the expected movement and the long run
by the mean of the next twelve months in the sense of the bending now (judgement: no survey measures the coming year or
thirty years, and the correction is not extended to an age that the lot does not have).
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from riskmap.answers.calibration import model_file, physical, predict, statistical, surveys
from riskmap.answers.calibration.crossval import Ranges
from riskmap.answers.calibration.model_file import Model
from riskmap.answers.calibration.physical import Weights
from riskmap.common import tables
from riskmap.common.errors import LayerError
from riskmap.common.month_numbers import month_number
from riskmap.common.problems import Problem
from riskmap.movement import draws as random
from riskmap.movement import draws_of_lots, kernels
from riskmap.outputs import calibrated
from riskmap.outputs.files import rounding
from riskmap.run import record

if TYPE_CHECKING:
    from riskmap.common.results import Results
    from riskmap.common.settings import Area

Array = NDArray[np.float64]

NUMBERS = tables.CALIBRATED_NUMBERS
_SIGNED = "bend_now_mm"  # the other estimates are sizes and never below 0
_NO_MATTER = {"history_months"}  # settings of movement that say what is recorded, not what is computed


def settings_digest(area: Area) -> str:
    """Return the sha256 of all settings that give the model runs their meaning."""
    settings = {"movement": area.movement.model_dump(exclude=_NO_MATTER), "climate": area.climate_settings.model_dump(),
                "soil": area.soil_settings.model_dump()}
    return hashlib.sha256(json.dumps(settings, sort_keys=True).encode()).hexdigest()


def to_run(results: Results, model: Model, *, workers: int | None = 1) -> pd.DataFrame:
    """Return the calibrated estimates of every lot.

    Parameters
    ----------
    results : Results
        A run with its inputs, of the same settings as the calibrated one; area, lots and weather may differ.
    model : Model
        Its physical layer must be on.

    Returns
    -------
    DataFrame
        One row per lot in the run's order: lot_row, lot_id, state, and for each of `NUMBERS` the run's value and
        `calibrated_<name>` with `_p10` and `_p90`; nan where the run has no estimate. [mm]

    Raises
    ------
    LayerError
        When the model is off or belongs to other settings or other code, or when the run has no record of its inputs.
    """
    if results.inputs is None:
        raise LayerError("E-CAL-211 the run has no record of what it was computed from; run the estimate again.")
    area = record.area_of(results)
    check(model, area, str(results.facts.get("code", "")))
    assert results.inputs is not None
    archetype = results.inputs.lot_archetype
    used = np.unique(archetype[archetype >= 0])
    draws = random.make(area.movement)
    stored = model.weights
    weights = Weights(np.array(stored.weight), stored.effective_sample_size, stored.effective_sample_size_untempered,
                      stored.exponent, stored.discrepancy_share, stored.near_share)
    steps = np.full((len(NUMBERS), 3, int(archetype.max(initial=0)) + 2), np.nan)  # the last place is used for -1
    for group in draws_of_lots.groups(results.inputs, used, area, workers=workers):
        expected_of = _expected(group, draws)
        for k, expected in enumerate(expected_of[name] for name in NUMBERS):
            before = Ranges(*physical.ranges(expected, physical.even(draws.count)))
            after = Ranges(*physical.ranges(expected, weights))
            steps[k][:, group.archetype_ids] = (after.middle - before.middle, after.low / np.maximum(before.low, 1e-9),
                                                after.high / np.maximum(before.high, 1e-9))
    return _table(results, model, steps[:, :, archetype])


def check(model: Model, area: Area, code: str) -> None:
    """Refuse a calibration that is off, or that does not belong to the settings or the code of a run.

    Parameters
    ----------
    model : Model
    area : Area
        Settings of the run.
    code : str
        Digest of the code that computed or will compute the run.

    Raises
    ------
    LayerError
    """
    if not model.physical.on:
        reasons = " ".join(f"{r.code}: {r.text}" for r in model.refused if r.layer == "physical")
        raise LayerError(f"E-CAL-210 the calibration is off and changes no estimate. {reasons}")
    if settings_digest(area) != model.run.settings_sha256 or area.movement.draws != len(model.weights.weight):
        raise LayerError("E-CAL-212 the calibration was made with other settings of the model runs, climate or soil "
                         "than this run: its weights would mean something else. Calibrate this run with the surveys.")
    if code != model.run.code:
        raise LayerError("E-CAL-213 the calibration was made by another version of the equations or libraries than "
                         "this run: its model runs would be others. Calibrate this run with the surveys.")


def beside(results: Results, model: Model, *, workers: int | None = 1) -> Results:
    """Return a run with the calibrated columns next to the model's own columns, which do not change.

    Parameters
    ----------
    results, model, workers
        As in `to_run`. If the run was estimated with a calibration, its columns are replaced.

    Returns
    -------
    Results
        Values are rounded as in the products; `tables.CALIBRATED` in `lots`, before the shapes; the fact `calibration`
        says which calibration it was and how far to trust it; findings are added to `problems`.

    Raises
    ------
    LayerError
        As `to_run`.
    """
    from riskmap.answers.calibration import card

    results = rounding.rounded(results)
    table = to_run(results, model, workers=workers)
    names = [column.name for column in tables.CALIBRATED]
    lots = results.lots.drop(columns=names, errors="ignore")
    place = lots.columns.get_loc(lots.geometry.name)
    for k, name in enumerate(names):
        lots.insert(place + k, name, table[name].to_numpy())
    found = findings(results, model)
    standing = " ".join([card.standing(model), *(f"{p.rule[:1].upper()}{p.rule[1:]}" for p in found)])
    fact = {"sha256": hashlib.sha256(model_file.text_of(model).encode()).hexdigest(), "area": model.run.area,
            "today": model.run.today, "standing": standing}
    return replace(results, lots=rounding.rounded_lots(lots), facts={**results.facts, calibrated.FACT: fact},
                   problems=[*results.problems, *found])


def findings(results: Results, model: Model) -> list[Problem]:
    """Return what a reader must know when the surveys come from another area than the run."""
    from riskmap.run import folder

    if folder.slug(results.area_name) == model.run.area:
        return []
    return [Problem("W-CAL-214", "calibration.json", value=results.area_name,
                    rule=f"the surveys are of {model.run.area}; nothing in this area was compared with a measurement.",
                    remedy="Survey houses here and calibrate this run with them.", action="numbers calibrated")]


def _expected(group: draws_of_lots.Group, draws: random.Draws) -> dict[str, predict.Expected]:
    """Return what each model run expects of `NUMBERS` for a group of lots; the replayed years add to the scatter."""
    def of(quantity: int) -> tuple[Array, Array]:
        return draws_of_lots.mixed(group, draws_of_lots.MM * group.block[:, :, quantity])

    replays = [of(kernels.REPLAY + r) for r in range(kernels.REPLAYS)]
    means = np.stack([mean for mean, _ in replays])
    variance = np.mean([var for _, var in replays], axis=0) + means.var(axis=0)
    return {"expected_movement_mm": predict.smooth(means.mean(axis=0), variance, draws),
            "long_run_mm": predict.smooth(*of(kernels.LONG_RUN), draws),
            "bend_now_mm": predict.smooth(*of(kernels.NOW), draws)}


def _table(results: Results, model: Model, steps: Array) -> pd.DataFrame:
    lots = results.lots
    out = pd.DataFrame({"lot_row": lots["lot_row"].to_numpy(), "lot_id": lots["lot_id"].to_numpy(),
                        "state": lots["state"].to_numpy()})
    scale = (model.statistical if model.statistical.on else model.physical).range_scale
    now, ahead = _corrections(results, model)
    for k, name in enumerate(NUMBERS):
        low, middle, high = (lots[f"{name}{end}"].to_numpy(float) for end in ("_p10", "", "_p90"))
        move, down, up = steps[k]
        median = middle + move + (now if name == _SIGNED else ahead)
        ends = {"": median, "_p10": median - (middle - low) * down * scale,
                "_p90": median + (high - middle) * up * scale}
        for end, was in (("", middle), ("_p10", low), ("_p90", high)):
            out[f"{name}{end}"] = was
        for end, values in ends.items():
            out[f"calibrated_{name}{end}"] = values if name == _SIGNED else np.maximum(values, 0.0)
    return out


def _corrections(results: Results, model: Model) -> tuple[Array, Array]:
    """Return what the statistical layer adds now, and to the sizes of the coming months; (n_lot,) each. [mm]"""
    lots = results.lots
    if not model.statistical.on:
        return np.zeros(len(lots)), np.zeros(len(lots))
    year, month = (int(part) for part in results.today.split("-"))
    today, pour = month_number(year, month), surveys.pour_months(lots)
    lep, coefficient = lots["linear_extensibility_pct"].to_numpy(float), np.array(model.coefficients_mm)

    def at(when: int) -> Array:
        movement: Array = statistical.terms(lep, (when - pour) / 12, np.full(len(lots), float(when % 12))) @ coefficient
        return movement

    ahead = np.mean([at(today + k) for k in range(1, 13)], axis=0)
    return at(today), np.sign(lots["bend_now_mm"].to_numpy(float)) * ahead
