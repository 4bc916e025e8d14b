"""Past months: the height of the slab's middle above its edge for every archetype at month ends, defined like present
bending.

Method: notebooks/method.md, section 9.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from riskmap.common.month_numbers import month_name
from riskmap.common.results import History

if TYPE_CHECKING:
    from riskmap.movement.driver import Driver

PREFIX = "deflection_mm_"  # prefix of the columns with a past month, followed by the month as YYYY-MM
MM = 1000.0
TOGETHER = 100  # archetypes that are sorted together, so that the values stay in the cache of a core


def room(driver: Driver, units: int, draws: int, months: int) -> NDArray[np.float32]:
    """Return the array that `Engine.run` fills, shape (n_unit, n_draw, n_past).

    The last of `months` calendar months is the present one, which the engine computes anyway. None lies before the
    cell's record, because the years before it are a repeated climate and not real weather.
    """
    return np.empty((units, draws, max(min(months - 1, driver.now - driver.record), 0)), np.float32)


def medians(past: NDArray[np.float32], chosen: NDArray[np.int64], months: int, first_month: int, now: int,
            plan_factor: NDArray[np.float64]) -> pd.DataFrame:
    """Return one row per archetype and one column per past month: the median over the model runs of the mixture. [mm]

    Parameters
    ----------
    past : array, shape (n_unit, n_draw, n_past)
        As filled by `Engine.run`. [m]
    chosen : int array, shape (n_archetype, n_draw)
        Unit that each model run uses (`summary.choose_units`).
    months : int
        Number of calendar months, including the present one.
    first_month, now : int
        Month number of axis position 0; axis position of the present month.
    plan_factor : array, shape (n_archetype,)
        As in `summary.summarise`.
    """
    before = max(months - 1, 0)
    out = np.full((len(chosen), before), np.nan, np.float32)
    out[:, before - past.shape[2]:] = _medians(past, chosen) * (MM * plan_factor[:, None])
    names = [PREFIX + month_name(first_month + now - before + m) for m in range(before)]
    return pd.DataFrame(out, columns=names)


def _medians(past: NDArray[np.float32], chosen: NDArray[np.int64]) -> NDArray[np.float32]:
    """Return the median over the model runs, shape (n_archetype, n_past); nan where a model run has no value."""
    draws, months = chosen.shape[1], past.shape[2]
    by_run = past.reshape(past.shape[0] * draws, months)
    out = np.empty((len(chosen), months), np.float32)
    for first in range(0, len(chosen), TOGETHER):
        runs = by_run.take(chosen[first : first + TOGETHER] * draws + np.arange(draws), axis=0)
        values = np.ascontiguousarray(runs.transpose(0, 2, 1))
        values.sort(axis=2)  # NumPy sorts much faster than the compiler; nan is last
        out[first : first + TOGETHER] = np.where(np.isnan(values[:, :, -1]), np.nan,
                                                 (values[:, :, (draws - 1) // 2] + values[:, :, draws // 2]) / 2)
    return out


def split(archetype: pd.DataFrame, lot_archetype: NDArray[np.int64], months: int, today: int) \
        -> tuple[pd.DataFrame, History | None]:
    """Separate the past months from the table of archetypes.

    Parameters
    ----------
    archetype : DataFrame
        `Movement.archetype`.
    lot_archetype : int array, shape (n_lot,)
        Archetype of each lot, -1 for a lot without one.
    months : int
        Number of calendar months, including the present one; 0 for none.
    today : int
        Number of the present month.

    Returns
    -------
    DataFrame, History or None
        The rest of the table, and the past. Archetypes that are equal in every month share a series. Without months
        there is no history.
    """
    names = [name for name in archetype if str(name).startswith(PREFIX)]
    rest = archetype.drop(columns=names)
    if not months:
        return rest, None
    months_named = tuple(month_name(today - months + 1 + m) for m in range(months))
    if "bend_now_mm" not in archetype:
        return rest, History(months_named, np.empty((0, months), np.float32), np.full(len(lot_archetype), -1, np.int64))
    past = archetype[[PREFIX + month for month in months_named[:-1]]].to_numpy(np.float32)
    values = np.column_stack([past, archetype["bend_now_mm"].to_numpy(np.float32)])
    known = np.isfinite(values[:, -1])
    series, number = np.unique(values[known].view(np.uint32), axis=0, return_inverse=True)
    of_archetype = np.full(int(archetype.index.max()) + 2, -1, np.int64)  # the last place is used for -1
    of_archetype[archetype.index[known]] = number.ravel()
    return rest, History(months_named, series.view(np.float32), of_archetype[lot_archetype])
