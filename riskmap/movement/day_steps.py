"""Surface suction by day steps: runoff, one bucket, evapotranspiration under stress; values at month ends.

A day's rain less its runoff enters the bucket, which overflows at its capacity; then the evapotranspiration for that
filling leaves it. With monthly data a quarter of the month's rain falls on each of four days, and all of its days have
the month's mean temperature. The filling between two limits becomes suction by a straight line. The limits are
in-sample for size: they were chosen at one probe (Manhattan, Kansas), out of about 100 settings. Runoff follows
Technical Release 55 of the Soil Conservation Service (1986), stress after FAO Irrigation and Drainage Paper 56 (Allen
and others 1998), evapotranspiration after Oudin and others (2005).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from riskmap.common.weather import days_in_months
from riskmap.movement import oudin
from riskmap.movement.compiled import compiled

Array = NDArray[np.float64]
Months = NDArray[np.int64]

RAINS_A_MONTH = 4  # one rain per week; six unequal rains in six rotations gave the same in every comparison (computed)
ABSTRACTED = 0.2  # initial abstraction over retention, TR-55, eq. 2-2
RETENTION_MM, RETENTION_OFFSET_MM = 25400.0, 254.0  # TR-55, eq. 2-4 in millimetres


@dataclass(frozen=True)
class Days:
    """Weather of complete months, day by day.

    Attributes
    ----------
    rain_mm, pet_mm : array, shape (n_day,)
        Rain and potential evapotranspiration, nan on every day of an unknown month.
    month_stop : int array, shape (n_month,)
        Place after the last day of each month; the first month begins at place 0.
    """

    rain_mm: Array
    pet_mm: Array
    month_stop: Months

    def take(self, months: Months) -> Days:
        """Return the days of these months in this order, each with its own number of days. A month may occur twice.

        The years before a record repeat its first years, where a February of 29 days keeps its 29 days.
        """
        start = np.concatenate([[0], self.month_stop[:-1]])[months]
        length = self.month_stop[months] - start
        stop = np.cumsum(length)
        place = np.arange(int(length.sum())) + np.repeat(start - (stop - length), length)
        return Days(self.rain_mm[place], self.pet_mm[place], stop)

    def or_else(self, other: Days) -> Days:
        """Return these days, replaced by those of `other` where a month is unknown here; both have the same months."""
        unknown = np.isnan(self.rain_mm)
        return Days(np.where(unknown, other.rain_mm, self.rain_mm), np.where(unknown, other.pet_mm, self.pet_mm),
                    self.month_stop)


def days_of_year(first_month: int, count: int) -> Months:
    """Return the day of the year, 1 to 366, of every day of consecutive months, shape (n_day,)."""
    edges = np.array([first_month, first_month + count]) - 1970 * 12
    first, stop = edges.astype("datetime64[M]").astype("datetime64[D]").astype(np.int64)
    day = np.arange(first, stop).astype("datetime64[D]")
    return np.asarray((day - day.astype("datetime64[Y]").astype("datetime64[D]")).astype(np.int64) + 1)


def rain_a_week(rain_mm: Array, days: Months) -> Array:
    """Return daily rain for monthly rain: a quarter on each of the days floor((k + 0.5) n / 4), k = 0 to 3. [mm]

    Parameters
    ----------
    rain_mm : array, shape (n_month,)
        Rain of consecutive months; an unknown month (nan) is nan on all of its days.
    days : int array, shape (n_month,)
        Number of days n of each month.

    Returns
    -------
    array, shape (n_day,)
        Its sum over a month is the month's rain.
    """
    stop = np.cumsum(days)
    out = np.where(np.isnan(np.repeat(rain_mm, days)), np.nan, 0.0)
    rain_day = ((2 * np.arange(RAINS_A_MONTH) + 1) * days[:, None]) // (2 * RAINS_A_MONTH)
    out[(stop - days)[:, None] + rain_day] = (rain_mm / RAINS_A_MONTH)[:, None]
    return out


def from_months(rain_mm: Array, temperature_c: Array, *, first_month: int, latitude_deg: float) -> Days:
    """Return the days of a monthly record: one rain per week, and the month's temperature on every day.

    Parameters
    ----------
    rain_mm, temperature_c : array, shape (n_month,)
        Values of consecutive months, nan where not known. A month without one of the two counts as unknown.
    first_month : int
        Month number of the first month.
    latitude_deg : float
        North positive.
    """
    days = days_in_months(first_month, rain_mm.size)
    return _days(rain_a_week(rain_mm, days), np.repeat(temperature_c, days), days, first_month, latitude_deg)


def from_days(rain_mm: Array, temperature_c: Array, *, first_month: int, n_month: int, latitude_deg: float) -> Days:
    """Return the days of a daily record of complete months.

    Parameters
    ----------
    rain_mm, temperature_c : array, shape (n_day,)
        Every day from the first of `first_month` on, for `n_month` months; nan where not known. A month in which a day
        lacks one of the two counts as unknown, so it must be filled before, or bridged.

    Raises
    ------
    ValueError
        When the number of days is not that of the months.
    """
    days = days_in_months(first_month, n_month)
    if rain_mm.shape != (days.sum(),) or temperature_c.shape != rain_mm.shape:
        raise ValueError(f"{rain_mm.size} days of rain and {temperature_c.size} of temperature for {n_month} months "
                         f"of {days.sum()} days")
    return _days(rain_mm, temperature_c, days, first_month, latitude_deg)


def _days(rain_mm: Array, temperature_c: Array, days: Months, first_month: int, latitude_deg: float) -> Days:
    radiation = oudin.extraterrestrial_radiation(latitude_deg, days_of_year(first_month, days.size))
    pet = oudin.evapotranspiration(temperature_c, radiation)
    lacking = np.add.reduceat(np.isnan(rain_mm + pet), np.cumsum(days) - days) > 0
    unknown = np.repeat(lacking, days)
    return Days(np.where(unknown, np.nan, rain_mm), np.where(unknown, np.nan, pet), np.cumsum(days))


@compiled
def runoff(rain_mm: float, curve_number: float) -> float:
    """Return the runoff of a day's rain. [mm/day]

    It follows Soil Conservation Service (1986), Technical Release 55, equations 2-3 and 2-4, in millimetres.
    """
    retention = RETENTION_MM / curve_number - RETENTION_OFFSET_MM
    if rain_mm <= ABSTRACTED * retention:
        return 0.0
    return (rain_mm - ABSTRACTED * retention) ** 2 / (rain_mm + (1 - ABSTRACTED) * retention)


@compiled
def filling(rain_mm: Array, pet_mm: Array, month_stop: Months, no_stress_share: Array, curve_number: Array,
            capacity_mm: Array, pet_scale: Array, start: Array) -> Array:
    """Return the filling of the bucket at month ends for every model run, 0 dry to 1 full. [-]

    On each day W rises by the rain less its runoff, up to the capacity. Then PET min(1, s / (1 - p)) leaves, where s is
    W divided by the capacity and p the share that plants take without stress (FAO-56, equation 84).

    Parameters
    ----------
    rain_mm, pet_mm : array, shape (n_day,)
        A day without a value (nan) keeps the filling of the day before.
    month_stop : int array, shape (n_month,)
        As in `Days`.
    no_stress_share, curve_number, capacity_mm, pet_scale, start : array, shape (n_draw,)
        p; CN; Wmax; a factor on evapotranspiration (1, or up to 1.4 in semi-arid climates); the filling on the day
        before the first.

    Returns
    -------
    array, shape (n_draw, n_month)
        It has check values: two years of College Station by days and by months, two stations of 2020
        (tests/verification/test_day_steps.py).
    """
    out = np.empty((start.size, month_stop.size))
    for d in range(start.size):
        capacity, stressed = capacity_mm[d], (1 - no_stress_share[d]) * capacity_mm[d]
        store, day = start[d] * capacity, 0
        for m in range(month_stop.size):
            while day < month_stop[m]:
                rain, pet = rain_mm[day], pet_mm[day]
                if rain == rain and pet == pet:
                    store = min(capacity, store + rain - runoff(rain, curve_number[d]))
                    store = max(0.0, store - pet_scale[d] * pet * min(1.0, store / stressed))
                day += 1
            out[d, m] = store / capacity
    return out


@compiled
def runoff_sum(rain_mm: Array, curve_number: float) -> float:
    """Return the sum of the runoff of all days, not counting days without a value. [mm]"""
    total = 0.0
    for rain in rain_mm:
        if rain == rain:
            total += runoff(rain, curve_number)
    return total


def suction(filled: Array, *, wet_pf: Array | float, dry_pf: Array | float, low: Array | float,
            high: Array | float) -> Array:
    """Return surface suction for the filling: dry below `low`, wet above `high`, and a straight line in between. [pF]

    Parameters
    ----------
    filled : array, shape (n_draw, n_month)
    wet_pf, dry_pf, low, high : array, shape (n_draw, 1), or float
        Limits of suction [pF] and the fillings at which they are reached [-].
    """
    return np.asarray(dry_pf - (dry_pf - wet_pf) * np.clip((filled - low) / (high - low), 0, 1))


def filling_at(suction_pf: Array, *, wet_pf: Array | float, dry_pf: Array | float, low: Array | float,
               high: Array | float) -> Array:
    """Return the filling that corresponds to a suction, for a start after months known only by an index. [-]

    It is the inverse of `suction`: `low` at the dry limit and `high` at the wet limit.
    """
    return np.asarray(low + (high - low) * (dry_pf - suction_pf) / (dry_pf - wet_pf))
