"""The monthly record of every climate cell: rain, evapotranspiration, index and where each month comes from.

Method: notebooks/method.md, section 3.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from riskmap.climate import category as categories
from riskmap.climate import cells as climate_cells
from riskmap.climate import evapotranspiration, history
from riskmap.climate.indices import _calendar, spei, spi
from riskmap.climate.weekly import WeeklyCategories
from riskmap.common import month_numbers, tables
from riskmap.common.constants import MOST_USUAL_MONTHS
from riskmap.common.errors import joined
from riskmap.common.problems import Problem
from riskmap.common.weather import (
    BEFORE,
    CLIMATOLOGY,
    RECORD,
    ClimateHistory,
    DailyWeather,
    days_in_months,
    usual_months,
)

if TYPE_CHECKING:
    from riskmap.common.inputs import ClimateTables, IndexGrid
    from riskmap.common.settings import ClimateSettings

INDEX_COLUMNS = (("spi_3", spi, 3), ("spei_6", spei, 6), ("spei_12", spei, 12))
SHORT_RECORD_YEARS = 30  # usual length of a normal period; the equilibrium rule needs at least as much


# -------------------------------------------------------------------------------------------------------- history
def monthly_record(names: tuple[str, ...], shapes: NDArray[Any], climate: ClimateTables | None,
                   weekly: WeeklyCategories | None, index: tuple[IndexGrid, ...], settings: ClimateSettings, today: int,
                   problems: list[Problem]) -> ClimateHistory:
    """Return the months of every cell up to today, each from the best source; findings are added to `problems`."""
    flags: list[set[str]] = [set() for _ in names]
    monthly = climate.monthly[climate.monthly["cell_id"].isin(names)] if climate is not None else None
    first = today if monthly is None or monthly.empty else min(int(monthly["month"].min()), today)
    n_month = today - first + 1
    empty = np.full((len(names), n_month), np.nan)
    if climate is None or monthly is None or monthly.empty:
        return ClimateHistory(names, first, empty, empty.copy(), empty.copy(), np.zeros(empty.shape, dtype=np.int8),
                              ("",) * len(names), empty[:, 0], empty.copy(),
                              np.array([climate.latitude_deg[name] for name in names] if climate else empty[:, 0]))
    rain, warmth, declared = (_axis(monthly, names, column, first, n_month)
                              for column in ("precipitation_mm", "temperature_c", "pet_mm"))
    pet = _pet(names, warmth, declared, climate, first, flags, problems)
    recorded = np.isfinite(rain) & np.isfinite(warmth) & np.isfinite(pet)
    rain, pet = np.where(recorded, rain, np.nan), np.where(recorded, pet, np.nan)
    index_z = climate_cells.score_over_cells(index, shapes, accumulation_months=settings.index_months,
                                             first_month=first, n_month=n_month)
    category_z = empty if weekly is None else categories.monthly_score(
        categories.normal_score(weekly.share), weekly.month, first, n_month)
    source, z = history.combine(rain, pet, index_z, category_z)
    _caution(names, source, first, flags, problems)
    coldest = history.coldest_normal(warmth, first, settings.normal_first_year, settings.normal_last_year)
    latitude = np.array([climate.latitude_deg[name] for name in names])
    return ClimateHistory(names, first, rain, pet, z, source, tuple(map(tables.join_flags, flags)), coldest,
                          np.where(recorded, warmth, np.nan), latitude, _days(names, climate, first, n_month))


def _days(names: tuple[str, ...], climate: ClimateTables, first: int, n_month: int) -> tuple[DailyWeather | None, ...]:
    """Return the days of each cell on the axis of months; none where it has no daily record."""
    by_cell = {record.cell_id: record for record in climate.daily}
    if not by_cell:
        return ()
    stop = np.concatenate([[0], np.cumsum(days_in_months(first, n_month))])
    out: list[DailyWeather | None] = []
    for name in names:
        found = by_cell.get(name)
        if found is None:
            out.append(None)
            continue
        start = int(stop[found.first_month - first]) if found.first_month - first <= n_month else int(stop[-1])
        length = min(found.rain_mm.size, int(stop[-1]) - start)
        rain, warmth = np.full((2, int(stop[-1])), np.nan)
        rain[start:start + length] = found.rain_mm[:length]
        warmth[start:start + length] = found.temperature_c[:length]
        out.append(DailyWeather(rain, warmth))
    return tuple(out)


def _axis(monthly: pd.DataFrame, names: tuple[str, ...], column: str, first: int, n_month: int) -> NDArray[np.float64]:
    cell = pd.Index(names).get_indexer(pd.Index(monthly["cell_id"])).astype(np.int64)
    return history.on_axis(cell, monthly["month"].to_numpy(np.int64), monthly[column].to_numpy(np.float64), len(names),
                           first, n_month)


def _pet(names: tuple[str, ...], warmth: NDArray[np.float64], declared: NDArray[np.float64], climate: ClimateTables,
         first: int, flags: list[set[str]], problems: list[Problem]) -> NDArray[np.float64]:
    """Return evapotranspiration per cell: declared values that pass the guard, otherwise Thornthwaite."""
    latitude = np.array([climate.latitude_deg[name] for name in names])
    own = evapotranspiration.thornthwaite(warmth, latitude, first_calendar_month=first % 12 + 1)
    if not climate.pet_source:
        return own
    ratio = evapotranspiration.ratio_to_thornthwaite(declared, own)
    refused = ratio > evapotranspiration.REFERENCE_RATIO
    for k in np.flatnonzero(refused):
        flags[k].add("declared_pet_refused")
        problems.append(Problem(
            "E-CLI-041", "[climate]", rule=f"looks like reference ET: {ratio[k]:.2f} times Thornthwaite; the monthly "
            f"bucket was measured with Thornthwaite and takes up to {evapotranspiration.REFERENCE_RATIO}.",
            remedy="Leave pet_source empty.", action="Declared evapotranspiration refused; computed from temperature "
            "instead.", column="pet_mm", value=f"{names[k]}: {climate.pet_source}"))
    usable = np.isfinite(ratio) & ~refused
    return np.where(usable[:, None], declared, own)


def _caution(names: tuple[str, ...], source: NDArray[np.int8], first: int, flags: list[set[str]],
             problems: list[Problem]) -> None:
    """Flag cells whose record has a bridged gap, is short, or ends without anything to extend it up to today."""
    gap = source == CLIMATOLOGY
    known = (source != BEFORE) & ~gap
    last_known = np.where(known.any(axis=1), source.shape[1] - 1 - np.argmax(known[:, ::-1], axis=1), 0)
    years = (source == RECORD).sum(axis=1) / 12
    lost = usual_months(source)
    for k in np.flatnonzero(gap.any(axis=1)):
        flags[k].add("climate_gap_filled")
        tail = int(source.shape[1] - 1 - last_known[k])
        if lost[k] > MOST_USUAL_MONTHS:
            problems.append(Problem("E-CLI-047", "[climate]", rule="the record should reach now or miss "
                                    f"{MOST_USUAL_MONTHS} months at most.", remedy="Add newer months or an index grid, "
                                    "or set today to the last month with data.", action=f"{lost[k]} months up to now "
                                    "have no data: lots in this cell get no estimate.", value=names[k]))
        if tail:
            flags[k].add("climate_ends_before_today")
        if tail and lost[k] <= MOST_USUAL_MONTHS:
            problems.append(Problem("W-CLI-042", "[climate]", rule="the record should reach today.",
                                    remedy="Add newer months, an index grid or weekly maps.",
                                    action=f"The last {tail} months are the usual season.", value=f"{names[k]} "
                                    f"{month_numbers.month_name(first + int(last_known[k]))}"))
        if inner := int(gap[k].sum()) - tail:
            where = first + int(np.argmax(gap[k]))
            problems.append(Problem("W-CLI-043", "[climate]", rule="the record should have no gap.",
                                    remedy="Add the months.", action=f"{inner} months bridged with the usual season, "
                                    "flagged.", value=f"{names[k]} from {month_numbers.month_name(where)}"))
    for k in np.flatnonzero((source == BEFORE).all(axis=1)):
        problems.append(Problem("E-CLI-044", "[climate]", rule="a cell needs months with both rain and temperature.",
                                remedy="Add them.", action="Lots in this cell get no climate.", value=names[k]))
    short = np.flatnonzero((years < SHORT_RECORD_YEARS) & (years > 0))
    for k in short:
        flags[k].add("short_climate_record")
    if len(short):
        problems.append(Problem("W-CLI-045", "[climate]", rule=f"a record should contain {SHORT_RECORD_YEARS} years or "
                                "more.", remedy="Give the longest record you have.", action=f"{len(short)} cells used "
                                "as they are, flagged.", value=joined((f"{names[k]}: {years[k]:.0f} years" for k in
                                short), 3)))


def record_table(record: ClimateHistory) -> tuple[pd.DataFrame, ClimateHistory]:
    """Return the monthly table of the products, and the history with a flag on cells whose index hit its limit.

    Its `pet_mm` is Thornthwaite's or a declared one, as the indices need it; the day steps have their own.
    """
    calendar_month = record.first_month % 12 + 1
    inputs = {"precipitation_mm": record.precipitation_mm, "pet_mm": record.pet_mm}
    scores = {name: module.compute(*(inputs[need] for need in module.NEEDS), first_calendar_month=calendar_month,
                                   accumulation_months=months) for name, module, months in INDEX_COLUMNS}
    begun = record.source != BEFORE
    cell, position = np.nonzero(begun)
    axis = range(record.first_month, record.first_month + record.source.shape[1])
    every_name = np.array([month_numbers.month_name(month) for month in axis], dtype=object)
    frame = pd.DataFrame({
        "cell_id": np.array(record.cells, dtype=object)[cell] if record.cells else np.empty(0, dtype=object),
        "month": every_name[position],
        **{name: values[begun] for name, values in (inputs | scores).items()},
        "driver_source": record.source[begun].astype(np.int64),
    })
    beyond = np.any([_calendar.at_limit(score).any(axis=1) for score in scores.values()], axis=0)
    flags = tuple(tables.join_flags([flag, "index_beyond_fit" if hit else ""])
                  for flag, hit in zip(record.flags, beyond, strict=True))
    return frame, replace(record, flags=flags)
