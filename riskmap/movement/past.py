"""Past months: the slab's middle above edge of every archetype at month ends, told like the deflection of now.

Method: notebooks/method.md, section 9.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from riskmap.common.month_numbers import month_name
from riskmap.common.results import History
from riskmap.movement.kernels_past import gather_median

if TYPE_CHECKING:
    from riskmap.movement.driver import Driver

PREFIX = "deflection_mm_"  # of the columns that carry a past month, with the month as YYYY-MM
MM = 1000.0


def room(driver: Driver, units: int, draws: int, months: int) -> NDArray[np.float32]:
    """Return the array that `Engine.run` fills, shape (n_unit, n_draw, n_past).

    Of `months` calendar months the last is now, which the engine gives anyway, and none lies before the cell's record:
    the years ahead of it are a repeated climate, not weather that was.
    """
    return np.empty((units, draws, max(min(months - 1, driver.now - driver.record), 0)), np.float32)


def medians(past: NDArray[np.float32], chosen: NDArray[np.int64], months: int, first_month: int, now: int,
            plan_factor: NDArray[np.float64]) -> pd.DataFrame:
    """Return one row per archetype, one column per month before now: the median over the mixture of the draws. [mm]

    Parameters
    ----------
    past : array, shape (n_unit, n_draw, n_past)
        As `Engine.run` filled it. [m]
    chosen : int array, shape (n_archetype, n_draw)
        Unit that stands for each draw (`summary.choose_units`).
    months : int
        Calendar months asked for, with now.
    first_month, now : int
        Month number of axis place 0; axis place of now.
    plan_factor : array, shape (n_archetype,)
        As in `summary.summarise`.
    """
    before = max(months - 1, 0)
    out = np.full((len(chosen), before), np.nan, np.float32)
    median = np.empty((len(chosen), past.shape[2]), np.float32)
    gather_median(past, chosen, median)
    out[:, before - past.shape[2]:] = median * (MM * plan_factor[:, None])
    names = [PREFIX + month_name(first_month + now - before + m) for m in range(before)]
    return pd.DataFrame(out, columns=names)


def split(archetype: pd.DataFrame, lot_archetype: NDArray[np.int64], months: int, today: int) \
        -> tuple[pd.DataFrame, History | None]:
    """Take the past months out of the table of archetypes.

    Parameters
    ----------
    archetype : DataFrame
        `Movement.archetype`.
    lot_archetype : int array, shape (n_lot,)
        Archetype of each lot, -1 for a lot without one.
    months : int
        Calendar months asked for, with now; 0 for none.
    today : int
        Month number of now.

    Returns
    -------
    DataFrame, History or None
        The rest of the table, and the past: archetypes alike in every month share a series. No history without months.
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
    of_archetype = np.full(int(archetype.index.max()) + 2, -1, np.int64)  # the last place answers for -1
    of_archetype[archetype.index[known]] = number.ravel()
    return rest, History(months_named, series.view(np.float32), of_archetype[lot_archetype])
