"""The compiled path of a series of months: how far it swings.

Method: notebooks/method.md, section 9.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from riskmap.movement.compiled import compiled

Array = NDArray[np.float64]


@compiled
def range_of(values: Array) -> float:
    """Return the largest minus the smallest value."""
    low = high = values[0]
    for value in values:
        low, high = min(low, value), max(high, value)
    return high - low


@compiled
def yearly_swing(series: Array, first: int, last: int, first_calendar: int) -> float:
    """Return the median over full calendar years of largest minus smallest value. [m] (method.md, section 9)"""
    start = first + (-(first_calendar + first)) % 12
    years = max((last + 1 - start) // 12, 0)
    swings = np.empty(years)
    for y in range(years):
        swing, place = range_of(series[start + 12 * y : start + 12 * y + 12]), y
        while place > 0 and swings[place - 1] > swing:  # the swings so far stay in ascending order
            swings[place] = swings[place - 1]
            place -= 1
        swings[place] = swing
    if years == 0:
        return np.nan
    return (swings[(years - 1) // 2] + swings[years // 2]) / 2
