"""How new the weather data are: the newest month and map, which map gives today's category, and the words for it.

No clock is read here, because a run must give the same estimates and files on any day. Commands may compare with the
clock's month (`behind`), on the screen only.
Method: notebooks/method.md, section 3.
"""

from __future__ import annotations

import datetime
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from riskmap.common import month_numbers
from riskmap.common.constants import CATEGORY_VALID_MONTHS
from riskmap.common.problems import Problem

if TYPE_CHECKING:
    from riskmap.common.inputs import ClimateTables, DroughtTables, IndexGrid

CLOCK_AHEAD_MONTHS = 3  # judgement: monthly records are published some weeks late; data a season old are out of date
RAIN, MAP, INDEX = "rain and temperature", "weekly map", "index"


def map_months(weeks: tuple[str, ...]) -> NDArray[np.int64]:
    """Return the month number of each valid date YYYY-MM-DD."""
    dates = [datetime.date.fromisoformat(week) for week in weeks]
    return np.array([month_numbers.month_number(d.year, d.month) for d in dates], dtype=np.int64)


def newest(climate: ClimateTables | None, drought: DroughtTables | None,
           index: tuple[IndexGrid, ...]) -> dict[str, int]:
    """Return the newest month number of each kind of weather data that the area has.

    A month of rain and temperature counts when a cell has both.
    """
    months: dict[str, int] = {}
    if climate is not None:
        complete = _complete(climate)["month"]
        months |= {RAIN: int(complete.max())} if len(complete) else {}
    if drought is not None and drought.weeks:
        months[MAP] = int(map_months(drought.weeks).max())
    if index:
        months[INDEX] = max(int(grid.months.max()) for grid in index)
    return months


def _complete(climate: ClimateTables) -> pd.DataFrame:
    return climate.monthly.dropna(subset=["precipitation_mm", "temperature_c"])


def map_of_today(drought: DroughtTables | None, today: int) -> str | None:
    """Return the valid date of the newest map up to `today` if it gives today's category, otherwise None.

    It does when it is from the month of `today` or from one of the `CATEGORY_VALID_MONTHS` before.
    """
    week = _newest_map(drought, today)
    return week if week and int(map_months((week,))[0]) >= today - CATEGORY_VALID_MONTHS else None


def _newest_map(drought: DroughtTables | None, today: int) -> str | None:
    if drought is None:
        return None
    return max((w for w, m in zip(drought.weeks, map_months(drought.weeks), strict=True) if m <= today), default=None)


def map_findings(climate: ClimateTables | None, drought: DroughtTables | None, today: int) -> list[Problem]:
    """Return a finding when no weekly map gives today's category, saying whether old maps still affect estimates."""
    if drought is None or not drought.weeks or map_of_today(drought, today):
        return []
    first, last = month_numbers.month_name(today - CATEGORY_VALID_MONTHS), month_numbers.month_name(today)
    week = _newest_map(drought, today)
    if week is None:
        value, action = f"{drought.weeks[0]}..{drought.weeks[-1]}", \
            "All weekly maps are later than now: none is used, and today's category is not known."
    else:
        value, end = week, newest(climate, None, ()).get(RAIN)
        unused = climate is not None and _all_recorded(climate, drought, today)
        said = "Weekly maps are used for months without rain and temperature"
        if unused and end is not None:
            record = month_numbers.month_name(end)
            said = f"It is older than the rain record (to {record}): the weekly maps change no estimate"
        action = f"{said}; it is not today's category, which is left empty."
    return [Problem("W-CLI-046", "[drought]", rule=f"the newest weekly map should be of now: of {first} or {last}.",
                    remedy="Add the maps of the last weeks, or the months up to them.", action=action, value=value)]


def _all_recorded(climate: ClimateTables, drought: DroughtTables, today: int) -> bool:
    """Return whether every cell has rain and temperature in every month of a map since its record began."""
    complete = _complete(climate)
    months = np.unique(map_months(drought.weeks))
    months = months[months <= today]
    for _, known in complete.groupby("cell_id")["month"]:
        if not np.isin(months[months >= known.min()], known).all():
            return False
    return len(complete) > 0


# ---------------------------------------------------------------------------------------------------- in words
def newest_dates(climate: ClimateTables | None, drought: DroughtTables | None,
                 index: tuple[IndexGrid, ...]) -> dict[str, str]:
    """Return the newest data of each kind in the form a run records: months as YYYY-MM, the map as YYYY-MM-DD."""
    out = {kind: month_numbers.month_name(month) for kind, month in newest(climate, drought, index).items()}
    return out | ({MAP: max(drought.weeks)} if drought is not None and MAP in out else {})


def standing(today: str, newest_data: dict[str, str]) -> str:
    """Return one line: the newest data, the present month, and which months `next 12 months` means.

    Parameters
    ----------
    today : str
        The present month, YYYY-MM.
    newest_data : dict
        As returned by `newest_dates`.
    """
    month = max((date[:7] for date in newest_data.values()), default="none")
    kinds = ", ".join(f"{kind} {date}" for kind, date in newest_data.items())
    first, last = month_numbers.next_12_months(today)
    set_by_hand = "" if month == today else f"; now is {today}, set by `today` in the area file"
    return (f"Newest data: {month}" + (f" ({kinds})" if kinds else "") + set_by_hand
            + f"; \"next 12 months\" means {first}..{last}")


def behind(today: str, clock: datetime.date) -> str:
    """Return a caution when the clock is more than `CLOCK_AHEAD_MONTHS` ahead of the present month, or empty text."""
    late = month_numbers.month_number(clock.year, clock.month) - month_numbers.parse_month(today)
    if late <= CLOCK_AHEAD_MONTHS:
        return ""
    return (f"Caution: by this computer's clock {today} is {late} months ago. All \"now\" and \"next 12 months\" "
            "figures start there; add newer months of weather to bring them up to date.")
