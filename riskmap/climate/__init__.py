"""Stage 4: the climate cell, driver history and drought category of every lot.

In: lots, `ClimateTables`, `DroughtTables`, index grids, climate settings.
Out: `ClimateAttached`: `tables.LOT_CLIMATE`, the driver history of the cells that hold lots, their monthly and weekly
tables for the products, the month of today, and the problems found.
Method: notebooks/method.md, section 3.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from riskmap import tables
from riskmap.climate import category as categories
from riskmap.climate import cells as climate_cells
from riskmap.climate import evapotranspiration, freshness, history
from riskmap.climate.indices import _calendar, spei, spi
from riskmap.constants import MOST_USUAL_MONTHS
from riskmap.errors import LayerError, Problem, joined
from riskmap.movement_inputs import ClimateHistory, usual_months

if TYPE_CHECKING:
    import geopandas as gpd

    from riskmap.layers import ClimateTables, DroughtTables, IndexGrid
    from riskmap.settings import ClimateSettings

INDEX_COLUMNS = (("spi_3", spi, 3), ("spei_6", spei, 6), ("spei_12", spei, 12))
SHORT_RECORD_YEARS = 30  # usual length of a normal period; the equilibrium rule asks for at least as much
NOT_OF_TODAY = "drought_map_not_of_today"
COVERED_SHARE = 0.5  # judgement: a map tells about a cell when it covers at least half of it


@dataclass(frozen=True)
class ClimateAttached:
    """What the climate stage hands over; `climate` and `drought_weeks` as described in `results.Results`."""

    lot_climate: pd.DataFrame
    history: ClimateHistory
    climate: pd.DataFrame
    drought_weeks: pd.DataFrame
    today: int
    problems: list[Problem] = field(default_factory=list)


@dataclass(frozen=True)
class _Weekly:
    """Weekly maps over the used cells."""

    weeks: tuple[str, ...]
    month: NDArray[np.int64]  # (n_week,)
    share: NDArray[np.float64]  # (n_week, n_cell, 6), NaN where the map does not cover the cell


def present_month(climate: ClimateTables | None, drought: DroughtTables | None, index: tuple[IndexGrid, ...],
                  given: str | None = None) -> int:
    """Return the month number of `now`: the one given (YYYY-MM), or the newest month of any layer.

    A month has weekly categories when at least one map is dated in it.

    Raises
    ------
    LayerError
        When there is no data and no month is given.
    """
    if given is not None:
        return tables.parse_month(given)
    newest = freshness.newest(climate, drought, index)
    if not newest:
        raise LayerError("E-CLI-040 the area has no climate, drought or index data, so the month of now is not known; "
                         "set today = \"YYYY-MM\" in the area file or add one of these layers.")
    return max(newest.values())


def attach(lot: gpd.GeoDataFrame, climate: ClimateTables | None, drought: DroughtTables | None,
           index: tuple[IndexGrid, ...], settings: ClimateSettings, crs: str, today: int | None = None) \
        -> ClimateAttached:
    """Give every lot its climate cell, driver level and drought category.

    A lot belongs to the cell whose polygon holds its representative point, or to the one cell of the area. Only cells
    that hold a lot get a history. `today` defaults to the newest month of any input; a month has weekly categories
    when at least one map is dated in it.

    Parameters
    ----------
    lot : GeoDataFrame
        `tables.LOT` with geometry; a lot without geometry gets no cell of a polygon layer and no category.
    climate, drought, index
        The layers; None or empty where the area has none.
    settings : ClimateSettings
    crs : str
        Equal-area system for shares.
    today : int, optional
        Month number of `now`; data of later months are not used.

    Raises
    ------
    LayerError
        When there is no data and no `today`, so that the month of `now` is not known.
    """
    today = present_month(climate, drought, index) if today is None else today
    problems = freshness.map_findings(climate, drought, today)
    points = climate_cells.representative_points(lot, crs)
    cell_id = _cell_ids(points, climate)
    names = tuple(sorted(set(cell_id) & set(climate.latitude_deg))) if climate is not None else ()
    shapes = _cell_shapes(names, climate, points, cell_id)
    weekly = _weekly(shapes, drought, crs, today)
    record = _history(names, shapes, climate, weekly, index, settings, today, problems)
    climate_table, record = _climate_table(record)
    lot_climate = _lot_climate(lot, points, cell_id, record, drought, settings, today)
    return ClimateAttached(tables.check(tables.LOT_CLIMATE, lot_climate), record, climate_table,
                           _drought_weeks(names, weekly), today, problems)


# ------------------------------------------------------------------------------------------------ cells and now
def _cell_ids(points: NDArray[Any], climate: ClimateTables | None) -> NDArray[np.object_]:
    if climate is None:
        return np.full(len(points), "", dtype=object)
    if climate.cells is None:
        return np.full(len(points), climate.monthly["cell_id"].iloc[0], dtype=object)
    return climate_cells.cell_of(points, climate.cells)


def _cell_shapes(names: tuple[str, ...], climate: ClimateTables | None, points: NDArray[Any],
                 cell_id: NDArray[np.object_]) -> NDArray[Any]:
    """Return the shape of each used cell in EPSG:4326; without polygons the convex hull of its lots."""
    import shapely

    if climate is None or not names:
        return np.empty(0, dtype=object)
    if climate.cells is not None:
        return np.asarray(climate.cells.set_index("cell_id").geometry.reindex(list(names)))
    known = points[~shapely.is_missing(points)]
    return np.array([shapely.convex_hull(shapely.multipoints(known)).buffer(1e-4)])  # 1e-4 degree: an area, not a line


# ---------------------------------------------------------------------------------------------- weekly categories
def _weekly(shapes: NDArray[Any], drought: DroughtTables | None, crs: str, today: int) -> _Weekly | None:
    """Return the shares of the used cells in every map up to today."""
    if drought is None or len(shapes) == 0:
        return None
    month = freshness.map_months(drought.weeks)
    weeks = tuple(week for week, m in zip(drought.weeks, month, strict=True) if m <= today)
    polygons = drought.polygons[drought.polygons["valid_date"].isin(weeks)]
    position = pd.Index(weeks).get_indexer(pd.Index(polygons["valid_date"]))
    share = categories.shares(shapes, np.asarray(polygons.geometry), polygons["category"].to_numpy(np.int64),
                              position.astype(np.int64), len(weeks), crs=crs)
    share[:, ~_covered(shapes, drought)] = np.nan
    return _Weekly(weeks, month[month <= today], share)


def _covered(shapes: NDArray[Any], drought: DroughtTables) -> NDArray[np.bool_]:
    """Return True for cells of which the maps cover at least `COVERED_SHARE`."""
    import shapely

    if drought.extent is None:
        return np.ones(len(shapes), dtype=bool)
    frame = shapely.union_all(np.asarray(drought.extent.to_crs("EPSG:4326")))
    return shapely.area(shapely.intersection(shapes, frame)) >= COVERED_SHARE * shapely.area(shapes)


def _drought_weeks(names: tuple[str, ...], weekly: _Weekly | None) -> pd.DataFrame:
    """Return cell_id, valid_date, category by largest share; no row where a map does not cover the cell."""
    if weekly is None:
        return pd.DataFrame({"cell_id": [], "valid_date": [], "category": []}, dtype=object)
    covered = np.isfinite(weekly.share[..., 0]).T.ravel()
    position = categories.largest(np.nan_to_num(weekly.share)).T.ravel()
    return pd.DataFrame({
        "cell_id": np.repeat(np.array(names, dtype=object), len(weekly.weeks)),
        "valid_date": np.tile(np.array(weekly.weeks, dtype=object), len(names)),
        "category": np.array(categories.TOLD, dtype=object)[position],
    })[covered].reset_index(drop=True)


# -------------------------------------------------------------------------------------------------------- history
def _history(names: tuple[str, ...], shapes: NDArray[Any], climate: ClimateTables | None, weekly: _Weekly | None,
             index: tuple[IndexGrid, ...], settings: ClimateSettings, today: int, problems: list[Problem]) \
        -> ClimateHistory:
    flags: list[set[str]] = [set() for _ in names]
    monthly = climate.monthly[climate.monthly["cell_id"].isin(names)] if climate is not None else None
    first = today if monthly is None or monthly.empty else min(int(monthly["month"].min()), today)
    n_month = today - first + 1
    empty = np.full((len(names), n_month), np.nan)
    if climate is None or monthly is None or monthly.empty:
        return ClimateHistory(names, first, empty, empty.copy(), empty.copy(), np.zeros(empty.shape, dtype=np.int8),
                              ("",) * len(names), empty[:, 0])
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
    return ClimateHistory(names, first, rain, pet, z, source, tuple(map(tables.join_flags, flags)), coldest)


def _axis(monthly: pd.DataFrame, names: tuple[str, ...], column: str, first: int, n_month: int) -> NDArray[np.float64]:
    cell = pd.Index(names).get_indexer(pd.Index(monthly["cell_id"])).astype(np.int64)
    return history.on_axis(cell, monthly["month"].to_numpy(np.int64), monthly[column].to_numpy(np.float64), len(names),
                           first, n_month)


def _pet(names: tuple[str, ...], warmth: NDArray[np.float64], declared: NDArray[np.float64], climate: ClimateTables,
         first: int, flags: list[set[str]], problems: list[Problem]) -> NDArray[np.float64]:
    """Return evapotranspiration per cell: declared values that pass the guard, else Thornthwaite."""
    latitude = np.array([climate.latitude_deg[name] for name in names])
    own = evapotranspiration.thornthwaite(warmth, latitude, first_calendar_month=first % 12 + 1)
    if not climate.pet_source:
        return own
    ratio = evapotranspiration.ratio_to_thornthwaite(declared, own)
    refused = ratio > evapotranspiration.REFERENCE_RATIO
    for k in np.flatnonzero(refused):
        flags[k].add("declared_pet_refused")
        problems.append(Problem(
            "E-CLI-041", "[climate]", f"looks like reference ET: {ratio[k]:.2f} times Thornthwaite; the driver was "
            f"measured with Thornthwaite and takes up to {evapotranspiration.REFERENCE_RATIO}.",
            "Leave pet_source empty.", "Declared evapotranspiration refused; computed from temperature instead.",
            column="pet_mm", value=f"{names[k]}: {climate.pet_source}"))
    given = np.isfinite(ratio) & ~refused
    return np.where(given[:, None], declared, own)


def _caution(names: tuple[str, ...], source: NDArray[np.int8], first: int, flags: list[set[str]],
             problems: list[Problem]) -> None:
    """Flag cells whose record has a bridged gap, is short, or ends without anything to bring it up to today."""
    gap = source == history.CLIMATOLOGY
    known = (source != history.BEFORE) & ~gap
    last_known = np.where(known.any(axis=1), source.shape[1] - 1 - np.argmax(known[:, ::-1], axis=1), 0)
    years = (source == history.RECORD).sum(axis=1) / 12
    lost = usual_months(source)
    for k in np.flatnonzero(gap.any(axis=1)):
        flags[k].add("climate_gap_filled")
        tail = int(source.shape[1] - 1 - last_known[k])
        if lost[k] > MOST_USUAL_MONTHS:
            problems.append(Problem("E-CLI-047", "[climate]", "the record should reach now or miss "
                                    f"{MOST_USUAL_MONTHS} months at most.", "Add newer months or an index grid, or set "
                                    "today to the last month with data.", f"{lost[k]} months up to now have no data: "
                                    "lots in this cell get no number.", value=names[k]))
        if tail:
            flags[k].add("climate_ends_before_today")
        if tail and lost[k] <= MOST_USUAL_MONTHS:
            problems.append(Problem("W-CLI-042", "[climate]", "the record should reach today.",
                                    "Add newer months, an index grid or weekly maps.",
                                    f"The last {tail} months are the usual season.", value=f"{names[k]} "
                                    f"{tables.month_name(first + int(last_known[k]))}"))
        if inner := int(gap[k].sum()) - tail:
            where = first + int(np.argmax(gap[k]))
            problems.append(Problem("W-CLI-043", "[climate]", "the record should have no gap.", "Add the months.",
                                    f"{inner} months bridged with the usual season, flagged.",
                                    value=f"{names[k]} from {tables.month_name(where)}"))
    for k in np.flatnonzero((source == history.BEFORE).all(axis=1)):
        problems.append(Problem("E-CLI-044", "[climate]", "a cell needs months with both rain and temperature.",
                                "Add them.", "Lots in this cell get no climate.", value=names[k]))
    short = np.flatnonzero((years < SHORT_RECORD_YEARS) & (years > 0))
    for k in short:
        flags[k].add("short_climate_record")
    if len(short):
        problems.append(Problem("W-CLI-045", "[climate]", f"a record should hold {SHORT_RECORD_YEARS} years or more.",
                                "Give the longest record you have.", f"{len(short)} cells used as they are, flagged.",
                                value=joined((f"{names[k]}: {years[k]:.0f} years" for k in short), 3)))


def _climate_table(record: ClimateHistory) -> tuple[pd.DataFrame, ClimateHistory]:
    """Return the monthly table of the products, and the history with cells flagged whose index hit its limit."""
    calendar_month = record.first_month % 12 + 1
    inputs = {"precipitation_mm": record.precipitation_mm, "pet_mm": record.pet_mm}
    scores = {name: module.compute(*(inputs[need] for need in module.NEEDS), first_calendar_month=calendar_month,
                                   accumulation_months=months) for name, module, months in INDEX_COLUMNS}
    begun = record.source != history.BEFORE
    cell, position = np.nonzero(begun)
    axis = range(record.first_month, record.first_month + record.source.shape[1])
    every_name = np.array([tables.month_name(month) for month in axis], dtype=object)
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


# ----------------------------------------------------------------------------------------------------------- lots
def _lot_climate(lot: gpd.GeoDataFrame, points: NDArray[Any], cell_id: NDArray[np.object_], record: ClimateHistory,
                 drought: DroughtTables | None, settings: ClimateSettings, today: int) -> pd.DataFrame:
    position = pd.Index(record.cells, dtype=object).get_indexer(pd.Index(cell_id))
    level = np.append(history.recent_level(record.source, settings.recent_months), 0)  # last: a lot without a cell
    named, date = _category_now(points, drought, today)
    old = NOT_OF_TODAY if drought is not None and date is None else ""
    text = np.array([tables.join_flags([flags, old]) for flags in (*record.flags, "")], dtype=object)
    return pd.DataFrame({
        "lot_row": lot["lot_row"].to_numpy(),
        "cell_id": np.where(position >= 0, cell_id, ""),
        "driver_level": level[position],
        "drought_category": named,
        "drought_valid_date": np.where(named != "", date or "", ""),
        "climate_flags": text[position],
    })


def _category_now(points: NDArray[Any], drought: DroughtTables | None,
                  today: int) -> tuple[NDArray[np.object_], str | None]:
    """Return the category of today's map at each point, empty where it says nothing, and its date; None without one."""
    import shapely

    date = freshness.map_of_today(drought, today)
    if drought is None or date is None:
        return np.full(len(points), "", dtype=object), None
    newest = drought.polygons[drought.polygons["valid_date"] == date]
    position = categories.at_points(points, np.asarray(newest.geometry), newest["category"].to_numpy(np.int64)) + 1
    told = ~shapely.is_missing(points)
    if drought.extent is not None:
        frame = shapely.union_all(np.asarray(drought.extent.to_crs("EPSG:4326")))
        shapely.prepare(frame)
        told &= shapely.intersects(frame, points)
    return np.where(told, np.array(categories.TOLD, dtype=object)[position], ""), date
