"""Drought indices of the weather of a run, and a history whose last months are known only by an index.

Method: notebooks/method.md, section 3.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from riskmap.climate import indices
from riskmap.common.weather import CLIMATOLOGY, INDEX, RECORD

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    from riskmap.common.weather import ClimateHistory


def scores(history: ClimateHistory, *, accumulation_months: int, folder: Path | None = None) \
        -> dict[str, NDArray[np.float64]]:
    """Return every drought index of the weather of a run.

    Parameters
    ----------
    history : ClimateHistory
        As in `results.inputs.history`: rain and potential evapotranspiration per cell and month. [mm]
    accumulation_months : int
        Number of months summed.
    folder : Path, optional
        A further folder of index files, as in `indices.modules`.

    Returns
    -------
    dict of str to array, shape (n_cell, n_month)
        Values by name of the index, in its unit; wet is positive; NaN where the sum is unknown.

    Raises
    ------
    LayerError
        As in `indices.modules`.
    ValueError
        `accumulation_months` is below 1.

    References
    ----------
    Each index names its own in `SOURCE`.

    Examples
    --------
    >>> import riskmap
    >>> history = riskmap.read("latest", outputs).inputs.history
    >>> found = scores(history, accumulation_months=6)
    >>> {name: values.shape for name, values in found.items()}
    {'spei': (2, 550), 'spi': (2, 550)}
    """
    inputs = {"precipitation_mm": history.precipitation_mm, "pet_mm": history.pet_mm}
    return {module.NAME: module.compute(*(inputs[need] for need in module.NEEDS),
                                        first_calendar_month=history.first_month % 12 + 1,
                                        accumulation_months=accumulation_months)
            for module in indices.modules(folder)}


def carried_by(history: ClimateHistory, score: NDArray[np.float64], months: int) -> ClimateHistory:
    """Return the history as if its last months had an index instead of rain, as with an index grid in an area file.

    Parameters
    ----------
    history : ClimateHistory
    score : array, shape (n_cell, n_month)
        Normal score of each month, wet is positive; for example one of `scores`. A month with rain but without a score
        becomes climatology.
    months : int
        Number of months at the end. Those without rain do not change.

    Returns
    -------
    ClimateHistory
        `source` is 2 (index) or 4 (climatology) where it was 1 in these months, and unchanged elsewhere.

    Raises
    ------
    ValueError
        Another shape of `score`, or `months` outside the history.

    Examples
    --------
    >>> import riskmap
    >>> history = riskmap.read("latest", outputs).inputs.history
    >>> dry = carried_by(history, scores(history, accumulation_months=6)["spei"], 24)
    >>> dry.source[0, -26:].tolist() == [1, 1] + 22 * [2] + [3, 3]  # the last two have weekly maps only
    True
    """
    shape = history.source.shape
    if score.shape != shape or not 0 < months <= shape[1]:
        raise ValueError(f"a score of shape {shape} and 1 to {shape[1]} months are needed, not {score.shape}, {months}")
    last = np.zeros(shape, dtype=bool)
    last[:, -months:] = True
    last &= history.source == RECORD
    known = np.isfinite(score)
    return replace(
        history.without_weather(last), z=np.where(last, np.where(known, score, 0.0), history.z),
        source=np.where(last, np.where(known, INDEX, CLIMATOLOGY), history.source).astype(np.int8))
