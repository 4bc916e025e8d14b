"""Fill short gaps of a daily record, and return complete months only. Every other month has no value.

The rule, which is reported each time it is used:

* up to `RAIN_DAYS` days of a month without rain get the mean daily rain of that calendar month in this record, so that
  the month's water is what such days bring on average; never zero, which would be a drought nobody measured;
* a mean temperature that is missing on up to `WARMTH_DAYS` days in a row lies on the straight line between the days
  before and after;
* a month that lacks more is taken from the monthly record, if there is one, as one rain per week by the same equations;
  otherwise it has no value, is bridged later like a month missing from a monthly record, and is flagged.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from riskmap.common import month_numbers
from riskmap.common.problems import Problem

RAIN_DAYS = 3  # days of a month whose rain is filled (judgement: a tenth of the month)
WARMTH_DAYS = 5  # days in a row whose temperature is filled (judgement: a passing front takes about as long)
YEARS_FOR_MEAN = 5  # number of months of the same calendar month that its mean rain needs (judgement)

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Months:
    """Days of consecutive complete months after filling.

    Attributes
    ----------
    day : DatetimeIndex, length n_day
        From the first day of the first month to the last day of the last one.
    rain_mm, temperature_c : array, shape (n_day,)
        nan on every day of a month that is not usable.
    usable : bool array, shape (n_month,)
    first_month : int
    """

    day: pd.DatetimeIndex
    rain_mm: Array
    temperature_c: Array
    usable: NDArray[np.bool_]
    first_month: int

    def monthly(self, cell: str) -> pd.DataFrame:
        """Return rain and mean temperature of each month as a monthly record; no value where a month is not usable."""
        month = self.day.year * 12 + self.day.month - 1
        by_month = pd.DataFrame({"rain": self.rain_mm, "warmth": self.temperature_c}).groupby(np.asarray(month))
        number = self.first_month + np.arange(self.usable.size)
        return pd.DataFrame({"cell_id": cell, "month": number,
                             "precipitation_mm": by_month["rain"].sum(min_count=1).to_numpy(),
                             "temperature_c": by_month["warmth"].mean().to_numpy(), "pet_mm": np.nan})


def whole_months(rain: pd.Series, warmth: pd.Series, cell: str, file: str) -> tuple[Months, list[Problem]]:
    """Return complete months of one cell with short gaps filled, and what was done.

    Parameters
    ----------
    rain, warmth : Series
        Rain [mm] and mean temperature [degC] by day, ordered, each day once; days may be absent.
    cell, file : str
        Names for messages.
    """
    first, last = rain.index[0].to_period("M"), rain.index[-1].to_period("M")
    day = pd.date_range(first.start_time, last.end_time.normalize(), freq="D")
    rain, warmth = rain.reindex(day), warmth.reindex(day)
    place = (day.year - first.year) * 12 + day.month - first.month
    count = int(place[-1]) + 1
    filled_rain, filled_warmth = _with_mean_rain(rain, np.asarray(place), count), _along_a_line(warmth)
    lacking = np.bincount(place, (filled_rain.isna() | filled_warmth.isna()).to_numpy(), minlength=count) > 0
    dropped = lacking[place]
    usable, first_month = ~lacking, month_numbers.month_number(first.year, first.month)
    problems = [*_filled(rain.isna() & filled_rain.notna() & ~dropped, "precipitation_mm", cell, file,
                         "The mean daily rain of the calendar month in this record is used for them."),
                *_filled(warmth.isna() & filled_warmth.notna() & ~dropped, "temperature_c", cell, file,
                         "Temperatures on the straight line between the days before and after are used for them.")]
    return Months(day, filled_rain.mask(dropped).to_numpy(float), filled_warmth.mask(dropped).to_numpy(float), usable,
                  first_month), problems


def _with_mean_rain(rain: pd.Series, place: NDArray[np.int64], count: int) -> pd.Series:
    """Return rain with the calendar month's mean on single missing days, if enough of those months are complete."""
    missing = np.bincount(place, rain.isna().to_numpy(), minlength=count)
    whole = rain[(missing == 0)[place]]
    calendar = pd.DatetimeIndex(whole.index).month
    mean, years = whole.groupby(calendar).mean(), whole.groupby(calendar).size() / 28
    mean = mean[years >= YEARS_FOR_MEAN]
    usual = pd.Series(pd.DatetimeIndex(rain.index).month, index=rain.index).map(mean)
    return rain.mask(rain.isna() & (missing <= RAIN_DAYS)[place], usual)


def _along_a_line(warmth: pd.Series) -> pd.Series:
    """Return temperature with gaps of up to `WARMTH_DAYS` days filled; longer gaps and both ends stay empty."""
    run = (warmth.notna() != warmth.notna().shift()).cumsum()
    short = warmth.isna() & (warmth.groupby(run).transform("size") <= WARMTH_DAYS)
    return warmth.mask(short, warmth.interpolate(limit_area="inside"))


def _filled(days: pd.Series, column: str, cell: str, file: str, action: str) -> list[Problem]:
    if not days.any():
        return []
    first = days.index[days.to_numpy()]
    named = ", ".join(f"{day:%Y-%m-%d}" for day in first[:3]) + (", ..." if len(first) > 3 else "")
    return [Problem("W-CLI-100", file, rule=f"every day should have a value; {len(first):,} do not.",
                    remedy="Add them if you have them.", action=action, column=column, value=f"{cell} {named}")]


def runs(first_month: int, chosen: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Return first and last month number of every run of chosen months."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], chosen, [False]]).astype(np.int8)))
    return [(first_month + int(a), first_month + int(b) - 1) for a, b in edges.reshape(-1, 2)]
