"""Area shares of lots on soil polygons.

Soil polygons stay single parts: dissolving them by map unit makes the join hundreds of times slower.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    import geopandas as gpd

LEAST_SHARE = 1e-12  # below it two shapes only touch


@dataclass(frozen=True)
class SoilPolygons:
    """Single-part, valid polygons in the equal-area system; `unit` indexes `mukeys` (sorted)."""

    geometry: NDArray[np.object_]
    unit: NDArray[np.int64]
    mukeys: NDArray[np.object_]


@dataclass(frozen=True)
class Shares:
    """Pairs of lot and map unit, sorted by both, and the part of each lot that lies on the map."""

    lot: NDArray[np.int64]
    unit: NDArray[np.int64]
    share: NDArray[np.float64]
    mapped: NDArray[np.float64]  # shape (n_lot,), nan where the lot has no area
    overlapping: NDArray[np.bool_]  # shape (n_lot,), soil polygons overlap there


def prepare(polygons: gpd.GeoDataFrame, crs: str) -> SoilPolygons:
    """Project soil polygons, repair the invalid ones and split them into single parts.

    Parameters
    ----------
    polygons : GeoDataFrame
        `mukey` and geometry, in any declared system.
    crs : str
        Equal-area system of the lots.
    """
    import shapely

    projected = polygons.to_crs(crs)
    geometry, part_of = shapely.get_parts(valid(projected.geometry.to_numpy()), return_index=True)
    flat = shapely.get_dimensions(geometry) == 2
    geometry, part_of = geometry[flat], part_of[flat]
    mukeys, unit = np.unique(projected["mukey"].to_numpy(dtype=str), return_inverse=True)
    shapely.prepare(geometry)
    return SoilPolygons(geometry, unit.ravel()[part_of].astype(np.int64), mukeys.astype(object))


def valid(geometry: NDArray[np.object_]) -> NDArray[np.object_]:
    """Return geometries with the invalid ones rebuilt from their rings (structure method)."""
    import shapely

    geometry = np.array(geometry, dtype=object)
    broken = ~shapely.is_valid(geometry) & ~shapely.is_missing(geometry)
    geometry[broken] = shapely.make_valid(geometry[broken], method="structure", keep_collapsed=False)
    return geometry


def pair_areas(lots: NDArray[np.object_], soils: NDArray[np.object_]) -> tuple[NDArray[np.int64], NDArray[np.int64],
                                                                           NDArray[np.float64]]:
    """Return (lot, soil polygon, area in common) for every pair that meets.

    Lots are in the tree and soils on the query side; a lot that a polygon covers counts whole, only the rest is
    intersected. `soils` should be prepared. Areas are in squared units of the coordinates.
    """
    import shapely

    soil, lot = shapely.STRtree(lots).query(soils, predicate="intersects")
    area = shapely.area(lots[lot])
    cut = ~shapely.covers(soils[soil], lots[lot])
    area[cut] = shapely.area(shapely.intersection(lots[lot[cut]], soils[soil[cut]]))
    return lot, soil, area


def shares(lots: NDArray[np.object_], soils: SoilPolygons) -> Shares:
    """Return the share of each lot's area on each map unit.

    Parameters
    ----------
    lots : array of geometries, shape (n_lot,)
        Polygons or multipolygons in the same equal-area system; None and empty ones have no shares.
    soils : SoilPolygons
        From `prepare`.

    Returns
    -------
    Shares
        Shares of a lot sum to its mapped part; where soil polygons overlap they are scaled to sum to 1.
    """
    import shapely

    lots = valid(lots)
    n, n_unit = len(lots), max(len(soils.mukeys), 1)
    total = np.nan_to_num(shapely.area(lots))
    lot, soil, area = pair_areas(lots, soils.geometry)
    code, inverse = np.unique(lot * n_unit + soils.unit[soil], return_inverse=True)
    common = np.bincount(inverse.ravel(), area, len(code))
    owner, unit = code // n_unit, code % n_unit
    share = np.divide(common, total[owner], out=np.zeros(len(code)), where=total[owner] > 0)
    keep = share > LEAST_SHARE
    owner, unit, share = owner[keep], unit[keep], share[keep]
    mapped = np.bincount(owner, share, n)
    overlapping = mapped > 1.0 + 1e-6
    share = share / np.maximum(mapped, 1.0)[owner]
    return Shares(owner, unit, share, np.where(total > 0, np.minimum(mapped, 1.0), np.nan), overlapping)
