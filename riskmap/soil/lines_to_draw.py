"""Soil boundaries to draw: those between different map units that pass near a lot."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd

    from riskmap.soil.lines import Lines
    from riskmap.soil.overlay import SoilPolygons

# boundaries are included this far around the box of the lots (judgement: half of a screen when zoomed to a lot)
BOX_M = 200.0
LOT_M = 500.0  # and no farther than this from any lot
SIMPLE_M = 1.0  # far below the width of a boundary on the ground, 12 m at 1:12,000 (`lines.line_width_m`)
COLUMNS = ("map_unit_name_left", "map_unit_name_right")


def near_lots(lots: NDArray[np.object_], lines: Lines, soils: SoilPolygons, map_unit: pd.DataFrame,
              crs: str) -> gpd.GeoDataFrame:
    """Return the boundaries near lots with the names of the two map units, joined and simplified, in EPSG:4326.

    Parameters
    ----------
    lots : array of geometries
        In `crs`; None and empty ones are skipped.
    lines : Lines
        As returned by `lines.soil_lines(soils)`, in `crs`.
    soils : SoilPolygons
        The polygons by which the boundaries number their units.
    map_unit : DataFrame
        mukey, muname.
    crs : str
        Coordinate system in metres.
    """
    import geopandas as gpd
    import shapely

    lots = lots[~(shapely.is_missing(lots) | shapely.is_empty(lots))]
    frame = gpd.GeoDataFrame({name: np.empty(0, dtype=object) for name in COLUMNS}, geometry=[], crs="EPSG:4326")
    if not len(lots) or not len(lines.geometry):
        return frame
    west, south, east, north = shapely.total_bounds(lots)
    chain = shapely.STRtree(lines.geometry).query(shapely.box(west - BOX_M, south - BOX_M, east + BOX_M,
                                                              north + BOX_M))
    low = shapely.bounds(lines.geometry[chain])
    grown = shapely.box(low[:, 0] - LOT_M, low[:, 1] - LOT_M, low[:, 2] + LOT_M, low[:, 3] + LOT_M)
    chain = np.sort(chain[np.unique(shapely.STRtree(_places(lots)).query(grown)[0])])
    if not len(chain):
        return frame
    own, other = lines.own[chain], lines.other[chain]
    pair, number = np.unique(np.sort(np.column_stack([own, other]), axis=1), axis=0, return_inverse=True)
    number = number.ravel()
    order = np.argsort(number, kind="stable")
    joined = shapely.line_merge(shapely.multilinestrings(lines.geometry[chain[order]], indices=number[order]))
    part, of_pair = shapely.get_parts(shapely.simplify(joined, SIMPLE_M), return_index=True)
    name = map_unit.drop_duplicates("mukey").set_index("mukey")["muname"].reindex(soils.mukeys).fillna("")
    left, right = (name.to_numpy(dtype=object)[pair[of_pair, side]] for side in (0, 1))
    return gpd.GeoDataFrame(dict(zip(COLUMNS, (left, right), strict=True)), geometry=part, crs=crs).to_crs("EPSG:4326")


def _places(lots: NDArray[np.object_]) -> NDArray[np.object_]:
    """Return one box per square of `LOT_M` that contains a lot's corner, because a county's lots lie in few squares."""
    import shapely

    bounds = shapely.bounds(lots)
    corner = np.floor(np.concatenate([bounds[:, :2], bounds[:, 2:]]) / LOT_M).astype(np.int64)
    # a single number per square sorts much faster
    _, first = np.unique(corner @ np.array([2**32, 1]), return_index=True)
    square = corner[first]
    return np.asarray(shapely.box(*(square * LOT_M).T, *((square + 1) * LOT_M).T), dtype=object)
