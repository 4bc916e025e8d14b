"""Weather of every lot: its cell, how recent its data are, and today's drought category.

Method: notebooks/method.md, section 3.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from riskmap.climate import category as categories
from riskmap.climate import cells as climate_cells
from riskmap.climate import freshness, history
from riskmap.climate.record import monthly_record, record_table
from riskmap.climate.weekly import drought_weeks, weekly_categories
from riskmap.common import month_numbers, tables
from riskmap.common.errors import LayerError
from riskmap.common.problems import Problem
from riskmap.common.weather import ClimateHistory

if TYPE_CHECKING:
    import geopandas as gpd

    from riskmap.common.inputs import ClimateTables, DroughtTables, IndexGrid
    from riskmap.common.settings import ClimateSettings

NOT_OF_TODAY = "drought_map_not_of_today"


@dataclass(frozen=True)
class ClimateAttached:
    """The result of the climate stage; `climate` and `drought_weeks` are described in `results.Results`."""

    lot_climate: pd.DataFrame
    history: ClimateHistory
    climate: pd.DataFrame
    drought_weeks: pd.DataFrame
    today: int
    problems: list[Problem] = field(default_factory=list)


def present_month(climate: ClimateTables | None, drought: DroughtTables | None, index: tuple[IndexGrid, ...],
                  month: str | None = None) -> int:
    """Return the number of the present month: the one given (YYYY-MM), or the newest month of any layer.

    A month has weekly categories when at least one map is dated in it.

    Raises
    ------
    LayerError
        When there are no data and no month is given.
    """
    if month is not None:
        return month_numbers.parse_month(month)
    newest = freshness.newest(climate, drought, index)
    if not newest:
        raise LayerError("E-CLI-040 the area has no climate, drought or index data, so the present month is not known; "
                         "set today = \"YYYY-MM\" in the area file or add one of these layers.")
    return max(newest.values())


def attach(lot: gpd.GeoDataFrame, climate: ClimateTables | None, drought: DroughtTables | None,
           index: tuple[IndexGrid, ...], settings: ClimateSettings, crs: str, today: int | None = None) \
        -> ClimateAttached:
    """Give every lot its climate cell, driver level and drought category.

    A lot belongs to the cell whose polygon contains its representative point, or to the only cell of the area. Only
    cells that contain a lot get a history. `today` defaults to the newest month of any input; a month has weekly
    categories when at least one map is dated in it.

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
        Number of the present month; data of later months are not used.

    Raises
    ------
    LayerError
        When there are no data and no `today`, so that the present month is not known.
    """
    today = present_month(climate, drought, index) if today is None else today
    problems = freshness.map_findings(climate, drought, today)
    points = climate_cells.representative_points(lot, crs)
    cell_id = _cell_ids(points, climate)
    names = tuple(sorted(set(cell_id) & set(climate.latitude_deg))) if climate is not None else ()
    shapes = _cell_shapes(names, climate, points, cell_id)
    weekly = weekly_categories(shapes, drought, crs, today)
    record = monthly_record(names, shapes, climate, weekly, index, settings, today, problems)
    climate_table, record = record_table(record)
    lot_climate = _lot_climate(lot, points, cell_id, record, drought, settings, today)
    return ClimateAttached(tables.check(tables.LOT_CLIMATE, lot_climate), record, climate_table,
                           drought_weeks(names, weekly), today, problems)


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


# ----------------------------------------------------------------------------------------------------------- lots
def _lot_climate(lot: gpd.GeoDataFrame, points: NDArray[Any], cell_id: NDArray[np.object_], record: ClimateHistory,
                 drought: DroughtTables | None, settings: ClimateSettings, today: int) -> pd.DataFrame:
    position = pd.Index(record.cells, dtype=object).get_indexer(pd.Index(cell_id))
    # the last place: a lot without a cell
    level = np.append(history.recent_level(record.source, settings.recent_months), 0)
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
    """Return the category of today's map at each point (empty where it says nothing) and its date; None without one."""
    import shapely

    date = freshness.map_of_today(drought, today)
    if drought is None or date is None:
        return np.full(len(points), "", dtype=object), None
    newest = drought.polygons[drought.polygons["valid_date"] == date]
    position = categories.at_points(points, np.asarray(newest.geometry), newest["category"].to_numpy(np.int64)) + 1
    known = ~shapely.is_missing(points)
    if drought.extent is not None:
        frame = shapely.union_all(np.asarray(drought.extent.to_crs("EPSG:4326")))
        shapely.prepare(frame)
        known &= shapely.intersects(frame, points)
    return np.where(known, np.array(categories.PRODUCT_NAMES, dtype=object)[position], ""), date
