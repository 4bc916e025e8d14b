"""Judge a table of monthly climate as a whole: units, columns, hemisphere. Then remove impossible single values.

In: monthly rain, temperature and evapotranspiration per cell in mm and degC, after reading. A table whose values can
only come from a wrong unit or a wrong column is refused. This is decided by medians or shares of variance, so that no
single value decides. Measured: 11 climate divisions of the United States, 1895-2022, 319 to 1,334 mm per year.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from riskmap.common import month_numbers, tables
from riskmap.common.errors import LayerError, joined
from riskmap.common.problems import Problem

# Limits that catch a wrong unit. Judgement, from normals of the conterminous United States: the wettest places have
# nearly 4,000 mm per year, the warmest annual mean is near 26 degC, the coldest south of 49.5 N near -4 degC (high
# mountains).
LARGEST_ANNUAL_MM = 6000.0
SMALLEST_ANNUAL_MM = 40.0
WARMEST_ANNUAL_C = 35.0
COLDEST_ANNUAL_C = -5.0
COLDEST_APPLIES_SOUTH_OF_DEG = 49.5
# The standard deviation of a month's rain over its mean grows as places get drier: 0.56 at 1,334 mm per year, 0.98 at
# 319 mm (measured). If less than 100 mm falls more evenly than that, it is rain in inches or centimetres.
DESERT_ANNUAL_MM, DESERT_SCATTER, DESERT_MONTHS = 100.0, 1.0, 120
# Share of a quantity's variance that the calendar month explains, over any three years: temperature 0.92 to 0.96, rain
# 0.85 at most (measured). The limits are judgement, with room for places with less of a season.
SWAPPED_RAIN, SWAPPED_WARMTH, SWAPPED_MONTHS = 0.90, 0.60, 36
# Judgement: outside the tropics the warmest month is in the summer half of the year; 5 degC make a season.
SEASON_C, SEASONS_BEYOND_DEG = 5.0, 25.0
SUMMER_NORTH, SUMMER_SOUTH = (4, 5, 6, 7, 8, 9, 10), (10, 11, 12, 1, 2, 3, 4)


@dataclass(frozen=True)
class _Doubt:
    """One thing that is wrong with cells of the table: a code, a column, the cells with a figure, and what it means."""

    code: str
    column: str
    bad: pd.Series
    figure: pd.Series
    said: str

    def __str__(self) -> str:
        return f"{self.column}: cell {joined(self.figure.index[self.bad], 4)}: {self.figure[self.bad].iloc[0]:.1f} " \
            + self.said


def check_units(monthly: pd.DataFrame, latitude: dict[str, float], file: str, problems: list[Problem]) -> None:
    """Refuse a table that can only come from a wrong unit, swapped columns or the other hemisphere.

    Parameters
    ----------
    monthly : DataFrame
        cell_id, month, precipitation_mm, temperature_c.
    latitude : dict
        Degrees north of each cell.
    file : str
        Name of the file in messages.
    problems : list of Problem
        Findings are added to it.

    Raises
    ------
    LayerError
        The error lists everything that is wrong.
    """
    by_cell = monthly.groupby("cell_id", sort=True)[["precipitation_mm", "temperature_c"]]
    median, mean, scatter = by_cell.median(), by_cell.mean(), by_cell.std()
    rain, warm, mean_rain = 12 * median["precipitation_mm"], median["temperature_c"], 12 * mean["precipitation_mm"]
    north = pd.Series(latitude).reindex(warm.index)
    even = (mean_rain < DESERT_ANNUAL_MM) & (by_cell.count()["precipitation_mm"] >= DESERT_MONTHS) \
        & (scatter["precipitation_mm"] < DESERT_SCATTER * mean["precipitation_mm"])
    season = pd.DataFrame({name: _of_season(monthly, name) for name in ("precipitation_mm", "temperature_c")})
    swapped = (season["precipitation_mm"] > SWAPPED_RAIN) & (season["temperature_c"] < SWAPPED_WARMTH)
    doubts = (
        _Doubt("E-CLI-018", "precipitation_mm", rain > LARGEST_ANNUAL_MM, rain,
               "mm of rain a year: millimetres given as inches? Correct the unit at the end of the column name."),
        _Doubt("E-CLI-018", "temperature_c", warm > WARMEST_ANNUAL_C, warm, "degC in the middle month: "
               f"{_too_warm(float(warm.max()))}"),
        _Doubt("E-CLI-018", "temperature_c", (north.abs() < COLDEST_APPLIES_SOUTH_OF_DEG) & (warm < COLDEST_ANNUAL_C),
               warm, "degC in the middle month: Celsius given as Fahrenheit? Correct the unit at the end of the column "
               "name."),
        _Doubt("E-CLI-062", "precipitation_mm", even, mean_rain, "mm of rain a year fall as evenly as in a humid "
               "climate; in a desert a month scatters by more than its mean: inches or centimetres given as "
               "millimetres? Correct the unit at the end of the column name; multiply centimetres by 10."),
        _Doubt("E-CLI-064", "precipitation_mm", swapped, 100 * season["precipitation_mm"], "% of the variance of "
               "precipitation_mm follow the calendar month and much less of temperature_c: are rain and temperature "
               "swapped? Correct the headings."),
        _Doubt("E-CLI-065", "temperature_c", _other_summer(monthly, north), north, "degrees north is its latitude, and "
               "its warmest month is in the winter of that hemisphere. Correct latitude_deg, or look whether this is "
               "the file of another place or its months are shifted."),
    )
    if failures := [f"{doubt.code} {file}: {doubt}" for doubt in doubts if doubt.bad.any()]:
        raise LayerError("\n".join(failures))
    problems += [Problem("W-CLI-038", file, rule=f"rain below {SMALLEST_ANNUAL_MM:g} mm per year is rare.",
                         remedy="Check the unit: inches given as millimetres?", action="Used as given.",
                         column="precipitation_mm", value=f"{cell}: {mean_rain[cell]:.1f}")
                 for cell in mean_rain.index[mean_rain < SMALLEST_ANNUAL_MM]]


def _too_warm(median_c: float) -> str:
    """Return the likely mistake behind a temperature that no place has, by its size. [degC after conversion]"""
    if 220 <= median_c <= 320:  # Kelvin of the coldest and the warmest places
        return "Kelvin given as Celsius? Subtract 273.15."
    if 104 <= median_c <= 160:  # the same numbers under a Fahrenheit heading
        return "Kelvin given as Fahrenheit? Subtract 273.15 and rename the column tavg_c."
    return "Fahrenheit given as Celsius? Correct the unit at the end of the column name."


def _of_season(monthly: pd.DataFrame, column: str) -> pd.Series:
    """Return per cell the share of a quantity's variance that the calendar month explains; nan for a short record."""
    known = monthly.dropna(subset=[column])
    usual = known.groupby(["cell_id", known["month"] % 12])[column].transform("mean")
    cell = known["cell_id"]
    total = known.groupby(cell)[column].var()
    share = usual.groupby(cell).var() / total.where(total > 0)
    return share.where(known.groupby(cell).size() >= SWAPPED_MONTHS)


def _other_summer(monthly: pd.DataFrame, north: pd.Series) -> pd.Series:
    """Return per cell whether its warmest month is in the winter half of its hemisphere."""
    usual = monthly.groupby(["cell_id", monthly["month"] % 12 + 1])["temperature_c"].mean().unstack()
    whole = usual.notna().all(axis=1) & (usual.shape[1] == 12)
    warmest = usual.fillna(-np.inf).idxmax(axis=1)
    seasonal = whole & ((usual.max(axis=1) - usual.min(axis=1)) > SEASON_C)
    wrong = np.where(north > 0, ~warmest.isin(SUMMER_NORTH), ~warmest.isin(SUMMER_SOUTH))
    return seasonal & (north.abs() > SEASONS_BEYOND_DEG) & wrong


def within_range(monthly: pd.DataFrame, file: str, problems: list[Problem]) -> pd.DataFrame:
    """Return the table without impossible single values; each of them is reported."""
    clean = monthly.copy()
    for name in ("precipitation_mm", "temperature_c", "pet_mm"):
        column = tables.CLIMATE_MONTHLY.column(name)
        bad = (clean[name] < column.low) | (clean[name] > column.high)
        lost = clean[bad]
        problems += [Problem("E-CLI-037", file, rule=f"must lie within {column.low:g}..{column.high:g} {column.unit}.",
                             remedy="Correct the value or its unit.", action="Value treated as missing.",
                             column=name, value=f"{cell} {month_numbers.month_name(int(month))}: {value:g}")
                     for cell, month, value in zip(lost["cell_id"], lost["month"], lost[name], strict=True)]
        clean.loc[bad, name] = np.nan
    return clean
