"""Surface suction of one record by day steps for every model run; some months are known only by index or weekly
category.

In measured months the bucket is stepped day by day. The other months use the usual season of the same model run,
shifted by their score, as with the monthly bucket. Where rain data begin again, the bucket starts from the filling that
corresponds to the suction there.
Method: notebooks/method.md, section 4.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from riskmap.movement import day_steps, surface

Array = NDArray[np.float64]
FULL = 1.0  # filling before the first day of the axis; after thirty repeated years it no longer matters


@dataclass(frozen=True)
class Drawn:
    """Sampled parameters of the driver, each of shape (n_draw,)."""

    no_stress_share: Array
    curve_number: Array
    capacity_mm: Array
    low: Array  # filling at the dry limit
    high: Array  # filling at the wet limit
    wet_pf: Array
    dry_pf: Array
    pet_scale: Array  # 1; up to 1.4 in semi-arid climates

    def suction(self, filled: Array) -> Array:
        """Return the suction for fillings, shape (n_draw, n_month). [pF]"""
        return day_steps.suction(filled, wet_pf=self.wet_pf[:, None], dry_pf=self.dry_pf[:, None],
                                 low=self.low[:, None], high=self.high[:, None])

    def filling_at(self, suction_pf: Array) -> Array:
        """Return the filling that corresponds to a suction, shape (n_draw,). [-]"""
        return day_steps.filling_at(suction_pf, wet_pf=self.wet_pf, dry_pf=self.dry_pf, low=self.low, high=self.high)

    def run(self, days: day_steps.Days, start: Array) -> Array:
        """Return the filling at month ends from a given start, shape (n_draw, n_month). [-]"""
        return day_steps.filling(days.rain_mm, days.pet_mm, days.month_stop, self.no_stress_share, self.curve_number,
                                 self.capacity_mm, self.pet_scale, start)


def suction(days: day_steps.Days, measured: NDArray[np.bool_], score: Array, *, calendar: NDArray[np.int64],
            use: NDArray[np.bool_], drawn: Drawn, slope: float) -> Array:
    """Return surface suction at month ends for every model run, shape (n_draw, n_month). [pF]

    Parameters
    ----------
    days : Days
        Weather of the months of the axis, including the repeated years.
    measured : bool array, shape (n_month,)
        Months with rain and temperature.
    score : array, shape (n_draw, n_month)
        Standardised score of the other months, wet is positive, including the sampled part that it leaves unexplained.
        Values in measured months are ignored.
    calendar : int array, shape (n_month,)
        0 for January.
    use : bool array, shape (n_month,)
        Measured months from which the usual season is computed.
    drawn : Drawn
    slope : float
        Share of the monthly standard deviation per unit of the score.
    """
    full = np.full(drawn.wet_pf.size, FULL)
    if measured.all():
        return drawn.suction(drawn.run(days, full))
    unknown = np.repeat(~measured, np.diff(np.concatenate([[0], days.month_stop])))
    known = day_steps.Days(np.where(unknown, np.nan, days.rain_mm), days.pet_mm, days.month_stop)
    bridged = drawn.suction(drawn.run(known, full))
    season = [surface.monthly_climatology(one, calendar, use) for one in bridged]
    mean, sd = (np.array([part[k] for part in season])[:, calendar] for k in (0, 1))
    out = np.clip(surface.from_score(score, mean, sd, slope=slope), drawn.wet_pf[:, None], drawn.dry_pf[:, None])
    edges = np.flatnonzero(np.diff(np.concatenate([[False], measured, [False]]).astype(np.int8)))
    for first, stop in edges.reshape(-1, 2):
        start = full if first == 0 else drawn.filling_at(out[:, first - 1])
        out[:, first:stop] = drawn.suction(drawn.run(known.take(np.arange(first, stop)), start))
    return out
