"""Surface suction from the weather: a monthly bucket, its covered equilibrium, and months known only by an index.

The bucket's filling s is converted to suction by a straight line between the dry and the wet limit. The seasonal cycle
emerges by itself. All months are month ends.
Method: notebooks/method.md, section 3 and 4; equilibrium section 5.2.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from riskmap.movement.compiled import compiled

Array = NDArray[np.float64]


@compiled
def filling(precipitation_mm: Array, pet_mm: Array, rain_factor: float, capacity_mm: float, start: float) -> Array:
    """Return the filling of the monthly bucket, 0 dry to 1 full. [-] (method.md, section 3)

    W rises by rain_factor * P - PET up to the capacity and dries as W exp(D / capacity).

    Parameters
    ----------
    precipitation_mm, pet_mm : array, shape (n_month,)
        Monthly sums. A missing value leaves the filling of the month before unchanged.
    rain_factor : float
        Share of the rain that enters the ground.
    capacity_mm : float
    start : float
        Filling before the first month.

    Returns
    -------
    array, shape (n_month,)
        Filling at month ends. It has check values: twelve months of fifteen drivers within 0.001 pF of an independent
        solution (tests/validation).
    """
    out = np.empty(precipitation_mm.size)
    store = start * capacity_mm
    for j in range(out.size):
        balance = rain_factor * precipitation_mm[j] - pet_mm[j]
        if balance >= 0:
            store = min(capacity_mm, store + balance)
        elif balance < 0:
            store *= np.exp(balance / capacity_mm)
        out[j] = store / capacity_mm
    return out


def monthly_climatology(suction_pf: Array, calendar_month: NDArray[np.int64], use: NDArray[np.bool_]) \
        -> tuple[Array, Array]:
    """Return mean and population standard deviation by calendar month (0 January), shape (12,) each; nan if none.

    Method: method.md, section 4. [pF]
    """
    mean, sd = np.full(12, np.nan), np.full(12, np.nan)
    for m in range(12):
        values = suction_pf[use & (calendar_month == m)]
        if values.size:
            mean[m], sd[m] = values.mean(), values.std()
    return mean, sd


def from_score(score: Array, mean_pf: Array, sd_pf: Array, *, slope: float) -> Array:
    """Return suction for standardised scores (wet is positive): mean - slope sd score, element by element.

    Method: method.md, section 4. [pF]
    """
    return mean_pf - slope * sd_pf * score


def equilibrium(suction_pf: Array, *, window: int, percentile: float) -> float:
    """Return the covered equilibrium: a low percentile of the running mean of surface suction. [pF]

    Method: method.md, section 5.2.
    It is calibrated, not measured: it was chosen so that the edge of an old slab of 6 m half width on even clay is high
    in about 2 % of months, a rule of thumb in Texas. On other ground and in single model runs it is 0 to 12 %. The
    window is calibrated too: the edge follows the mean of about five months. Linear interpolation between order
    statistics.

    Parameters
    ----------
    suction_pf : array, shape (n_month,)
        Values at consecutive month ends; the running means that fit inside are used.
    """
    if suction_pf.size < window:
        return float("nan")
    sums = np.concatenate([[0.0], np.cumsum(suction_pf)])
    return float(np.percentile((sums[window:] - sums[:-window]) / window, percentile))
