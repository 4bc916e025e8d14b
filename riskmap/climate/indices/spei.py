"""Standardised precipitation evapotranspiration index: log-logistic by unbiased probability-weighted moments.

Vicente-Serrano, Begueria and Lopez-Moreno (2010), Journal of Climate 23, 1696-1718, with the unbiased moments of
Begueria et al. (2014), International Journal of Climatology 34, 3001-3023. The three-parameter log-logistic is the
generalised logistic of Hosking and Wallis (1997), appendix A.7, which is used here because it is also valid for zero
and negative skew. It is calibrated on the whole series. Values outside the fitted support and beyond +-5 are set to +-5
(`_calendar.LIMIT`). It is checked in tests/verification/test_climate_indices_real.py.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from riskmap.climate.indices._calendar import LIMIT, MIN_YEARS, accumulated, by_calendar_month, held, unfolded

NAME = "spei"
UNIT = "standard deviations"
NEEDS = ("precipitation_mm", "pet_mm")
RANGE = (-LIMIT, LIMIT)
SOURCE = "Vicente-Serrano et al. (2010); Begueria et al. (2014)"

NO_SKEW = 1e-7  # below it the generalised logistic equals the logistic; the difference is below rounding


def compute(precipitation_mm: NDArray[np.float64], pet_mm: NDArray[np.float64], *, first_calendar_month: int,
            accumulation_months: int) -> NDArray[np.float64]:
    """Return the index of rain minus potential evapotranspiration summed over the last months.

    Parameters
    ----------
    precipitation_mm, pet_mm : array, shape (n_series, n_month)
        Rain and potential evapotranspiration of consecutive months, NaN where unknown. [mm]
    first_calendar_month : int
        Calendar month of the first column, 1-12.
    accumulation_months : int
        Number of months summed.

    Returns
    -------
    array, shape (n_series, n_month)
        Normal score of the sum among the same calendar months; NaN where the sum is unknown, where a calendar
        month has fewer than `MIN_YEARS` values or where all its values are equal.
    """
    balance = by_calendar_month(accumulated(precipitation_mm - pet_mm, accumulation_months), first_calendar_month)
    return unfolded(held(_score(balance)), first_calendar_month, precipitation_mm.shape[1])


def _l_moments(values: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return the first three L-moments over axis 1, from unbiased probability-weighted moments.

    b_r = 1/n sum_j [(j-1)...(j-r)] / [(n-1)...(n-r)] x_j for ascending x_j (Hosking and Wallis 1997, eq. 2.59).
    """
    ascending = np.sort(values, axis=1)  # NaN last
    count = np.isfinite(values).sum(axis=1, keepdims=True)
    size = np.where(count >= MIN_YEARS, count, np.nan)
    rank = np.arange(values.shape[1], dtype=float)[None, :, None]
    first = rank / (size - 1)
    second = first * (rank - 1) / (size - 2)
    b0 = np.nansum(ascending, axis=1, keepdims=True) / size
    b1 = np.nansum(first * ascending, axis=1, keepdims=True) / size
    b2 = np.nansum(second * ascending, axis=1, keepdims=True) / size
    return b0, 2 * b1 - b0, 6 * b2 - 6 * b1 + b0


def _score(balance: NDArray[np.float64]) -> NDArray[np.float64]:
    from scipy.special import expit, ndtri

    location_moment, spread_moment, skew_moment = _l_moments(balance)
    spread_moment = np.where(spread_moment > 1e-9, spread_moment, np.nan)  # all values equal: no distribution
    shape = -skew_moment / spread_moment
    scale = spread_moment * np.sinc(shape)
    flat = np.abs(shape) < NO_SKEW
    steep = np.where(flat, 1.0, shape)
    location = location_moment - np.where(flat, 0.0, scale * (1 / steep - np.pi / np.sin(np.pi * steep)))
    reduced = (balance - location) / scale
    inside = 1 - steep * reduced
    with np.errstate(invalid="ignore"):
        logit = np.where(flat, reduced, -np.log(np.where(inside > 0, inside, np.nan)) / steep)
        # outside the support: above its upper end when the shape is positive, below its lower end when negative
        logit = np.where(~flat & (inside <= 0), np.sign(shape) * np.inf, logit)
        return -np.sign(logit) * ndtri(expit(-np.abs(logit)))
