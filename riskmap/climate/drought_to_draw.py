"""Weekly drought categories near the lots, for drawing: disjoint, clipped and simplified.

Method: notebooks/method.md, section 3.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from riskmap.climate.category import NAMES
from riskmap.common.month_numbers import month_number

if TYPE_CHECKING:
    import geopandas as gpd

    from riskmap.common.inputs import DroughtTables

MARGIN_M = 15_000.0  # margin around the box of the lots (judgement: what a map of the lots shows around them)
M_PER_DEGREE = 111_320.0  # of latitude (mean earth radius); precise enough for a margin
SIMPLE_DEG = 0.002  # about 200 m; the national maps are coarser


def near_lots(lots: gpd.GeoDataFrame, drought: DroughtTables | None, last_month: int, months: int) -> \
        gpd.GeoDataFrame | None:
    """Return valid_date, category (D0..D4) and the shape in which that category is the highest, in EPSG:4326.

    Parameters
    ----------
    lots : GeoDataFrame
        In any coordinate system; lots without a shape are skipped.
    drought : DroughtTables or None
    last_month, months : int
        Number of the present month, and how many calendar months up to it are included.

    Returns
    -------
    GeoDataFrame or None
        None without maps, without months or without a lot that has a place. A week without drought here has no row.
    """
    import geopandas as gpd
    import shapely
    from pyproj import Transformer

    if drought is None or months < 1:
        return None
    shapes = np.asarray(lots.geometry)
    shapes = shapes[~(shapely.is_missing(shapes) | shapely.is_empty(shapes))]
    if not len(shapes):
        return None
    bounds = shapely.total_bounds(shapes)
    west, south, east, north = Transformer.from_crs(lots.crs, "EPSG:4326", always_xy=True).transform_bounds(*bounds)
    if west > east:  # lots on both sides of 180 degrees
        west, east = -180.0, 180.0
    box = _box(np.array([west, south, east, north]))
    weeks = {week for week in drought.weeks
             if last_month - months < month_number(int(week[:4]), int(week[5:7])) <= last_month}
    maps = drought.polygons[drought.polygons["valid_date"].isin(weeks)].to_crs("EPSG:4326")
    part, owner = shapely.get_parts(np.asarray(maps.geometry), return_index=True)
    near = np.sort(shapely.STRtree(part).query(shapely.box(*box)))
    cut = _areas(shapely.clip_by_rect(part[near], *box))
    date = maps["valid_date"].to_numpy(dtype=object)[owner[near]]
    category = maps["category"].to_numpy(np.int64)[owner[near]]
    dates, kind, areas = [], [], []
    for week in sorted(set(date)):
        higher = shapely.Polygon()
        rows = []
        for k in range(4, -1, -1):
            here = shapely.union_all(cut[(date == week) & (category == k)])
            # simplified before the difference, so that neighbours still do not overlap
            here = shapely.difference(_areas(shapely.simplify(here, SIMPLE_DEG)), higher)
            here = _areas(here)
            if not shapely.is_empty(here):
                rows.append((k, here))
                higher = shapely.union(higher, here)
        for k, here in reversed(rows):
            dates.append(week)
            kind.append(NAMES[k + 1])
            areas.append(here)
    return gpd.GeoDataFrame({"valid_date": np.array(dates, dtype=object), "category": np.array(kind, dtype=object)},
                            geometry=areas, crs="EPSG:4326")


def _box(bounds: NDArray[np.float64]) -> tuple[float, float, float, float]:
    west, south, east, north = bounds
    up = MARGIN_M / M_PER_DEGREE
    aside = up / max(float(np.cos(np.radians(max(abs(south), abs(north))))), 0.1)
    return west - aside, max(south - up, -90.0), east + aside, min(north + up, 90.0)


def _areas(shape: Any) -> Any:
    """Return the polygons with an area, and valid, of one shape or an array of shapes."""
    import shapely

    return shapely.buffer(shape, 0.0)
