"""What all standardised indices share: sums over months, and a series arranged by calendar month.

Method: notebooks/method.md, section 3.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Series = NDArray[np.float64]

# A calendar month with fewer values is not fitted. Judgement: 30 years is the usual advice, and three moments of fewer
# than ten values mean nothing.
MIN_YEARS = 10

# Values are limited to +-5 standard deviations: a month outside the fitted range has no finite score, and a score of 5
# has a return period of 290,000 years, so it only means "outside the record". `at_limit` finds such values.
LIMIT = 5.0


def accumulated(monthly: Series, months: int) -> Series:
    """Return sums over the `months` months that end with each month; NaN while a month of the sum is unknown.

    Parameters
    ----------
    monthly : array, shape (n_series, n_month)
        Monthly amounts, for example in mm.
    months : int
        Length of the sum, 1 or more.
    """
    if months < 1:
        raise ValueError(f"accumulation_months must be 1 or more, got {months}")
    total = np.full(monthly.shape, np.nan)
    if monthly.shape[1] >= months:
        windows = np.lib.stride_tricks.sliding_window_view(monthly, months, axis=1)
        total[:, months - 1:] = windows.sum(axis=-1)
    return total


def by_calendar_month(series: Series, first_calendar_month: int) -> Series:
    """Return the series arranged as (n_series, n_year, 12), January first; NaN before and after the record."""
    if not 1 <= first_calendar_month <= 12:
        raise ValueError(f"first_calendar_month must be 1-12, got {first_calendar_month}")
    before = first_calendar_month - 1
    years = -(-(before + series.shape[1]) // 12)
    folded = np.full((series.shape[0], years * 12), np.nan)
    folded[:, before:before + series.shape[1]] = series
    return folded.reshape(series.shape[0], years, 12)


def unfolded(folded: Series, first_calendar_month: int, n_month: int) -> Series:
    """Return the inverse of `by_calendar_month`."""
    flat = folded.reshape(folded.shape[0], folded.shape[1] * 12)
    return flat[:, first_calendar_month - 1:first_calendar_month - 1 + n_month]


def held(score: Series) -> Series:
    """Return scores limited to +-`LIMIT`; NaN remains NaN."""
    return np.clip(score, -LIMIT, LIMIT)


def at_limit(score: Series) -> NDArray[np.bool_]:
    """Return True where a score was cut at the limit, because the month lies outside the range of the fit."""
    return np.abs(score) >= LIMIT
