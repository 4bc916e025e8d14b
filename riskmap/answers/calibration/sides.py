"""Calibration on the two sides of a comparison: both sides must have the same one, or neither may have any."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from riskmap.common import tables
from riskmap.common.errors import LayerError
from riskmap.outputs import calibrated

if TYPE_CHECKING:
    import pandas as pd

    from riskmap.common.results import Results


def same_calibration(a: Results, b: Results) -> None:
    """Refuse two runs when only one is calibrated, or when they have different calibrations.

    Raises
    ------
    LayerError
    """
    one, two = (run.facts.get(calibrated.FACT, {}).get("sha256") for run in (a, b))
    if one == two:
        return
    if one and two:
        found = "the two runs were estimated with two different calibrations"
    else:
        found = f"the {'first' if one else 'second'} run is calibrated and the {'second' if one else 'first'} is not"
    raise LayerError(f"E-CAL-215 {found}: the difference would not be a change of the ground. Give one calibration to "
                     "both: riskmap compare BEFORE AFTER --calibration calibration.json.")


def with_calibrated(change: pd.DataFrame, a: Results, b: Results) -> pd.DataFrame:
    """Return the table of a comparison with the calibrated medians of both sides and their change.

    Parameters
    ----------
    change : DataFrame
        As returned by `compare`, with lot_row_before and lot_row_after (-1 where a side does not have the lot).
    a, b : Results
        Both sides. Without calibrated columns the table is returned unchanged.
    """
    if not calibrated.has(a.lots.columns) or not calibrated.has(b.lots.columns):
        return change
    out = change.copy()
    for name in (f"{calibrated.PREFIX}{name}" for name in tables.CALIBRATED_NUMBERS):
        for side, run in (("before", a), ("after", b)):
            out[f"{name}_{side}"] = _of_rows(run.lots[name].to_numpy(float), change[f"lot_row_{side}"].to_numpy())
        out[f"{name}_change"] = out[f"{name}_after"] - out[f"{name}_before"]
    return out


def _of_rows(values: NDArray[np.float64], row: NDArray[np.int64]) -> NDArray[np.float64]:
    return np.where(row >= 0, values[np.maximum(row, 0)], np.nan)
