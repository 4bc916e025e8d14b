"""Driver history per cell: rain and evapotranspiration where they are recorded, elsewhere a score or nothing.

Sources, best first: 1 rain and temperature, 2 index grid, 3 weekly categories, 4 the usual season (climatology). The
score z says how many standard deviations wetter (+) or drier (-) than usual a month is; the movement driver turns it
into suction with the cell's own monthly climatology.
Method: notebooks/method.md, section 3.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from riskmap.climate.evapotranspiration import calendar_means
from riskmap.common.weather import BEFORE, CATEGORY, CLIMATOLOGY, INDEX, RECORD


def combine(precipitation_mm: NDArray[np.float64], pet_mm: NDArray[np.float64], index_z: NDArray[np.float64],
            category_z: NDArray[np.float64]) -> tuple[NDArray[np.int8], NDArray[np.float64]]:
    """Return source and z of each cell and month from what is known of it. (method.md, section 3)

    Parameters
    ----------
    precipitation_mm, pet_mm, index_z, category_z : array, shape (n_cell, n_month)
        NaN where not known.

    Returns
    -------
    source : array of int8, z : array, shape (n_cell, n_month)
        As in `ClimateHistory`. A record begins at the first month with both rain and evapotranspiration.
    """
    recorded = np.isfinite(precipitation_mm) & np.isfinite(pet_mm)
    begun = np.logical_or.accumulate(recorded, axis=1)
    source = np.select([~begun, recorded, np.isfinite(index_z), np.isfinite(category_z)],
                       [BEFORE, RECORD, INDEX, CATEGORY], CLIMATOLOGY).astype(np.int8)
    z = np.select([source == INDEX, source == CATEGORY, source == CLIMATOLOGY], [index_z, category_z, 0.0], np.nan)
    return source, z


def on_axis(cell: NDArray[np.int64], month: NDArray[np.int64], value: NDArray[np.float64], n_cell: int,
            first_month: int, n_month: int) -> NDArray[np.float64]:
    """Return long values as an array (n_cell, n_month), NaN where there is none. Months off the axis are left out."""
    grid = np.full((n_cell, n_month), np.nan)
    position = month - first_month
    inside = (position >= 0) & (position < n_month)
    grid[cell[inside], position[inside]] = value[inside]
    return grid


def recent_level(source: NDArray[np.int8], recent_months: int) -> NDArray[np.int64]:
    """Return the least reliable source of the last months per cell: 1, 2, 3, or 4 for climatology; 0 without a record.

    Method: method.md, section 3.
    """
    return source[:, -recent_months:].astype(np.int64).max(axis=1, initial=0)


def coldest_normal(temperature_c: NDArray[np.float64], first_month: int, first_year: int,
                   last_year: int) -> NDArray[np.float64]:
    """Return the lowest calendar-month mean temperature per cell, over the normal period where it has all months.

    Method: method.md, section 4. [degC]
    """
    year = (first_month + np.arange(temperature_c.shape[1])) // 12
    normal_period = np.where((year >= first_year) & (year <= last_year), temperature_c, np.nan)
    calendar_month = first_month % 12 + 1
    normal = calendar_means(normal_period, calendar_month)
    whole = calendar_means(temperature_c, calendar_month)
    complete = np.isfinite(normal).all(axis=1, keepdims=True)
    known = np.where(complete, normal, whole)
    coldest = np.min(np.where(np.isnan(known), np.inf, known), axis=1, initial=np.inf)
    return np.where(np.isfinite(coldest), coldest, np.nan)
