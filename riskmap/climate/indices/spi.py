"""Standardised precipitation index: two-parameter gamma fitted per calendar month.

McKee, Doesken and Kleist (1993), 8th Conference on Applied Climatology. Parameters by Thom's (1958) approximation to
maximum likelihood, Monthly Weather Review 86, 117-122; location 0. Months without rain have the probability of the
whole dry mass (its upper end), as in most implementations. It is calibrated on the whole series. Values are limited to
+-5 (`_calendar.LIMIT`). It is checked in tests/verification/test_climate_indices_real.py.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from riskmap.climate.indices._calendar import LIMIT, MIN_YEARS, accumulated, by_calendar_month, held, unfolded

NAME = "spi"
UNIT = "standard deviations"
NEEDS = ("precipitation_mm",)
RANGE = (-LIMIT, LIMIT)
SOURCE = "McKee et al. (1993); gamma parameters by Thom (1958)"


def compute(precipitation_mm: NDArray[np.float64], *, first_calendar_month: int,
            accumulation_months: int) -> NDArray[np.float64]:
    """Return the index of rain summed over the last months.

    Parameters
    ----------
    precipitation_mm : array, shape (n_series, n_month)
        Rain of consecutive months, NaN where unknown. [mm]
    first_calendar_month : int
        Calendar month of the first column, 1-12.
    accumulation_months : int
        Number of months summed.

    Returns
    -------
    array, shape (n_series, n_month)
        Normal score of the sum among the same calendar months; NaN where the sum is unknown, where a calendar
        month has fewer than `MIN_YEARS` wet values or where all its values are equal.
    """
    total = by_calendar_month(accumulated(precipitation_mm, accumulation_months), first_calendar_month)
    return unfolded(held(_score(total)), first_calendar_month, precipitation_mm.shape[1])


def _score(total: NDArray[np.float64]) -> NDArray[np.float64]:
    from scipy.special import gammainc, gammaincc, ndtri

    wet = total > 0
    shape, scale = _thom(np.where(wet, total, np.nan), wet.sum(axis=1, keepdims=True))
    known = np.isfinite(total)
    dry_share = (total == 0).sum(axis=1, keepdims=True) / np.maximum(known.sum(axis=1, keepdims=True), 1)
    with np.errstate(invalid="ignore"):
        ratio = np.where(wet, total, 0.0) / scale
        below = dry_share + (1 - dry_share) * gammainc(shape, ratio)
        above = (1 - dry_share) * gammaincc(shape, ratio)
        score = np.where(below < 0.5, ndtri(below), -ndtri(above))  # so that small tails keep their digits
    return np.where(known, score, np.nan)


def _thom(wet_total: NDArray[np.float64], count: NDArray[np.int64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return gamma shape and scale per series and calendar month, shape (n_series, 1, 12). Thom (1958)."""
    enough = count >= MIN_YEARS
    size = np.where(enough, count, np.nan)
    mean = np.nansum(wet_total, axis=1, keepdims=True) / size
    mean_log = np.nansum(np.log(wet_total), axis=1, keepdims=True) / size
    log_gap = np.log(mean) - mean_log
    log_gap = np.where(log_gap > 1e-12, log_gap, np.nan)  # all values equal: no distribution
    shape = (1 + np.sqrt(1 + 4 * log_gap / 3)) / (4 * log_gap)
    return shape, mean / shape
