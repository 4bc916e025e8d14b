"""A young slab: what the weather before the pour decides (method.md, section 7).

The pour matters only through the moisture profile that it leaves under the slab. For seven years it decides the sign of
the bending: after a dry pour the edge is high at times and the dome follows; after a wet pour the edge drops first.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from riskmap.common.constants import YOUNG_SLAB_YEARS

if TYPE_CHECKING:
    from riskmap.movement.driver import Driver

Array = NDArray[np.float64]

SETTLED_MONTHS = 12 * YOUNG_SLAB_YEARS
POUR_MONTHS = 5  # the edge of a slab follows the running mean of about five months (r .92, computed)
WET, MIDDLE, DRY = 0, 1, 2
SEVERAL = "several"  # the possible pour months are in several thirds, so the month would decide
WORDS = ("wet", "middle", "dry")


def thirds(suction_pf: Array, pours: NDArray[np.int64], years: slice) -> NDArray[np.int64]:
    """Return the third of the months in which each pour falls: 0 wettest, 1 middle, 2 driest, shape (n_pour,).

    Parameters
    ----------
    suction_pf : array, shape (n_month,)
        Surface suction at month ends. [pF]
    pours : array of int, shape (n_pour,)
        Positions of the pour months, POUR_MONTHS - 1 or more.
    years : slice
        Positions of the months over which the thirds are taken.

    Notes
    -----
    The judgement uses the mean over the five months that end with the pour, because the edge depends on no more.
    """
    sums = np.concatenate([[0.0], np.cumsum(suction_pf)])
    mean = np.full(suction_pf.size, np.nan)
    mean[POUR_MONTHS - 1 :] = (sums[POUR_MONTHS:] - sums[:-POUR_MONTHS]) / POUR_MONTHS
    known = mean[years]
    limits = np.quantile(known[np.isfinite(known)], (1 / 3, 2 / 3))
    return np.searchsorted(limits, mean[pours], side="right").astype(np.int64)


def pour_weather(driver: Driver, early: NDArray[np.int64], late: NDArray[np.int64], *, first_year: int,
                 last_year: int) -> NDArray[np.object_]:
    """Return the weather before the pour of slabs under seven years old: wet, middle, dry or several, otherwise empty.

    Method: method.md, section 5.2.

    Parameters
    ----------
    driver : Driver
        Its mean over the model runs is judged.
    early, late : array of int, shape (n_slab,)
        First and last possible pour month as month numbers.
    first_year, last_year : int
        Years over which the thirds are taken, as in the rule of the covered equilibrium; the whole record where it
        contains fewer than thirty of them.
    """
    suction = driver.suction_pf.mean(axis=0)
    first = max(12 * first_year - driver.first_month, driver.record)
    stop = min(12 * (last_year + 1) - driver.first_month, driver.now + 1)
    years = slice(first, stop) if stop - first >= 360 else slice(driver.record, driver.now + 1)
    start = max(driver.now - SETTLED_MONTHS, POUR_MONTHS - 1)
    third = thirds(suction, np.arange(start, driver.now + 1), years)
    seen = np.zeros((3, third.size + 1), dtype=np.int64)
    for k in range(3):
        seen[k, 1:] = np.cumsum(third == k)
    low, high = early - driver.first_month - start, np.minimum(late - driver.first_month, driver.now) - start
    young = low >= 0
    low, high = (np.where(young, place, 0) for place in (low, high))
    present = seen[:, high + 1] > seen[:, low]
    words = np.where(present.sum(axis=0) == 1, np.array(WORDS, dtype=object)[present.argmax(axis=0)], SEVERAL)
    return np.where(young, words, "").astype(object)
