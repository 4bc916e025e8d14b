"""The inputs of the movement stage, stored with a run so that any lot can be computed again years later.

`explain`, `brief` and `compare` use them. Two runs with equal inputs here have equal estimates.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

# Where the weather of a month comes from, best first (`ClimateHistory.source`). BEFORE: the record has not begun.
BEFORE, RECORD, INDEX, CATEGORY, CLIMATOLOGY = 0, 1, 2, 3, 4


@dataclass(frozen=True)
class DailyWeather:
    """Rain and mean temperature of one cell, day by day.

    Attributes
    ----------
    rain_mm, temperature_c : array, shape (n_day,)
        Every day of the months of the history's axis; nan on all days of a month without daily values.
    """

    rain_mm: NDArray[np.float64]
    temperature_c: NDArray[np.float64]


@dataclass(frozen=True)
class ClimateHistory:
    """Monthly driver of each climate cell on one common axis of months.

    Attributes
    ----------
    cells : tuple of str
        Cell identifiers, one per row of the arrays.
    first_month : int
        Month number of the first column: the earliest start of any record. The last column is the month of today.
    precipitation_mm, pet_mm : array, shape (n_cell, n_month)
        Monthly amounts; NaN where `source` is not 1. Evapotranspiration is Thornthwaite's or a declared one: the
        drought indices and the monthly bucket use it; the day steps compute their own from temperature.
    z : array, shape (n_cell, n_month)
        Normal score where `source` is 2 or 3, 0 where it is 4, NaN where it is 0 or 1.
    source : array of int8, shape (n_cell, n_month)
        1 rain and temperature, 2 index grid, 3 weekly categories, 4 climatology in a gap, 0 before the record begins.
    flags : tuple of str
        Cautions per cell, separated by semicolons.
    coldest_normal_c : array, shape (n_cell,)
        Lowest calendar-month mean temperature of the normal period (of the whole record where it has no normal period).
    temperature_c : array, shape (n_cell, n_month)
        Monthly means; NaN where `source` is not 1. All are NaN in runs made before there were day steps.
    latitude_deg : array, shape (n_cell,)
        North positive; NaN in such runs.
    days : tuple of DailyWeather or None
        One entry per cell, None where it has no daily record; empty when no cell has one.
    """

    cells: tuple[str, ...]
    first_month: int
    precipitation_mm: NDArray[np.float64]
    pet_mm: NDArray[np.float64]
    z: NDArray[np.float64]
    source: NDArray[np.int8]
    flags: tuple[str, ...]
    coldest_normal_c: NDArray[np.float64]
    temperature_c: NDArray[np.float64]
    latitude_deg: NDArray[np.float64]
    days: tuple[DailyWeather | None, ...] = ()

    def without_weather(self, chosen: NDArray[np.bool_]) -> ClimateHistory:
        """Return the history without rain and temperature in chosen months, shape (n_cell, n_month).

        `source` does not change.
        """
        blank = {name: np.where(chosen, np.nan, getattr(self, name))
                 for name in ("precipitation_mm", "pet_mm", "temperature_c")}
        days = []
        for own, lost in zip(self.days, chosen, strict=False):
            day = np.repeat(lost, days_in_months(self.first_month, lost.size))
            days.append(own and DailyWeather(np.where(day, np.nan, own.rain_mm), np.where(day, np.nan,
                                                                                         own.temperature_c)))
        return replace(self, precipitation_mm=blank["precipitation_mm"], pet_mm=blank["pet_mm"],
                       temperature_c=blank["temperature_c"], days=tuple(days))

    def until(self, count: int) -> ClimateHistory:
        """Return the first months of the history."""
        day = int(days_in_months(self.first_month, count).sum())
        return replace(
            self, precipitation_mm=self.precipitation_mm[:, :count], pet_mm=self.pet_mm[:, :count],
            temperature_c=self.temperature_c[:, :count], z=self.z[:, :count], source=self.source[:, :count],
            days=tuple(own and DailyWeather(own.rain_mm[:day], own.temperature_c[:day]) for own in self.days))

    def __repr__(self) -> str:
        """Return one line; the arrays are not shown."""
        return f"<Weather of {len(self.cells):,} climate cells, {self.z.shape[1]:,} months>"


def days_in_months(first_month: int, count: int) -> NDArray[np.int64]:
    """Return the number of days of consecutive months, shape (count,). Months are 12 * year + month - 1."""
    month = np.arange(first_month - 1970 * 12, first_month - 1970 * 12 + count + 1)
    return np.asarray(np.diff(month.astype("datetime64[M]").astype("datetime64[D]").astype(np.int64)), np.int64)


def usual_months(source: NDArray[np.int8]) -> NDArray[np.int64]:
    """Return per cell the number of months up to now that only the usual season fills, since the last rain or index.

    An occasional weekly map between them does not restart the count. `source` is as in `ClimateHistory`.
    """
    known = (source == RECORD) | (source == INDEX)
    after = ~np.logical_or.accumulate(known[:, ::-1], axis=1)[:, ::-1]
    return np.asarray((after & (source == CLIMATOLOGY)).sum(axis=1), dtype=np.int64)


@dataclass(frozen=True)
class MovementInputs:
    """The archetypes of a run, their soil and their weather.

    Attributes
    ----------
    archetype : DataFrame
        One row per archetype: cell_id, half_width_m, half_width_basis, section_mn_m2, stiffness_basis, plan_factor,
        pour_early_month, pour_late_month (see `archetypes.Archetypes`).
    archetype_profile : DataFrame
        archetype_id, profile_id, weight.
    lot_archetype : int array, shape (n_lot,)
        Archetype of each lot; -1 without an archetype.
    profile, layer : DataFrame
        Soil profiles and their layers, as returned by `soil.attach`.
    history : ClimateHistory
    """

    archetype: pd.DataFrame
    archetype_profile: pd.DataFrame
    lot_archetype: NDArray[np.int64]
    profile: pd.DataFrame
    layer: pd.DataFrame
    history: ClimateHistory

    def __repr__(self) -> str:
        """Return one line; tables are not shown."""
        return (f"<Inputs of {len(self.lot_archetype):,} lots: {len(self.archetype):,} archetypes, "
                f"{len(self.profile):,} soil profiles, {len(self.history.cells):,} climate cells>")
