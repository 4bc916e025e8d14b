"""Invented surveys of the houses of a run for trying out the calibration: one single survey and one change per house.

Nothing here is measured. The files that it writes are for learning and for tests.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from riskmap.answers.calibration import surveys, trials
from riskmap.common import month_numbers
from riskmap.common.errors import LayerError
from riskmap.common.results import Results
from riskmap.outputs.files.csv_table import text_of
from riskmap.run import record

POURED_BEFORE = "2018"  # so that every invented survey is some years after the pour
SEED = 3


def rows(results: Results, houses: int | None = None) -> pd.DataFrame:
    """Return survey rows without values for the houses of a run that have an estimate and a pour date.

    Parameters
    ----------
    results : Results
        As returned by `record.read`.
    houses : int, optional
        Number of houses, chosen at random over the area; all by default.

    Returns
    -------
    DataFrame
        As `trials.Town.table`, with lot_row and lot_id. Each house has a single survey within the last two years and a
        change over two years.

    Raises
    ------
    LayerError
        When the run has no record of what it was computed from.
    """
    if results.inputs is None:
        raise LayerError("E-CAL-211 the run has no record of what it was computed from; run the estimate again.")
    lots = results.lots
    usable = (lots["state"] == "") & (lots["pour_date_basis"] != "none") & (lots["pour_to"] < POURED_BEFORE)
    place = np.flatnonzero(usable.to_numpy())
    if houses is not None and houses < place.size:
        place = np.sort(np.random.default_rng(SEED).choice(place, houses, replace=False))
    now = month_numbers.parse_month(results.today)
    one = pd.DataFrame({"house": np.arange(place.size), "lot_row": place, "lot_id": lots["lot_id"].to_numpy()[place],
                        "archetype": results.inputs.lot_archetype[place]})
    back = np.random.default_rng(SEED).integers(0, 24, place.size)
    both = [one.assign(kind="single", first_month=now - back, second_month=-1),
            one.assign(kind="change", first_month=now - 26, second_month=now - 2)]
    return surveys.with_ground(pd.concat(both, ignore_index=True), results)


def town(results: Results, truths: int, houses: int | None = None) -> trials.Town:
    """Return some or all houses of a run, with what `truths` different truths would give for every survey row."""
    table = rows(results, houses)
    assert results.inputs is not None
    return trials.town(table, results.inputs, record.area_of(results), truths)


def write(town: trials.Town, value_mm: NDArray[np.float64], path: Path, **columns: object) -> Path:
    """Write survey values as a file that `riskmap calibrate` reads.

    Parameters
    ----------
    town : Town
        From `town`.
    value_mm : array, shape (n_row,)
        From `trials.invent`. [mm]
    path : Path
    **columns
        Further columns for the file, such as source.
    """
    table = town.table
    change = table["kind"] == "change"
    text = pd.Series(np.round(value_mm, 2)).astype(str)
    frame = pd.DataFrame({
        "lot_id": table["lot_id"], "first_date": table["first_month"].map(month_numbers.month_name),
        "second_date": [month_numbers.month_name(m) if m >= 0 else "" for m in table["second_month"]],
        "change_mm": text.where(change, ""), "dome_mm": text.where(~change, ""),
        "reading_sd_mm": np.where(change, trials.CHANGE_SD_MM, trials.SINGLE_SD_MM), **columns})
    path.write_text(text_of(frame, numbers_stay=True), encoding="utf-8", newline="\n")
    return path
