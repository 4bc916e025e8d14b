"""Area shares of lots on soil polygons.

Soil polygons remain single parts, because dissolving them by map unit makes the join hundreds of times slower.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    import geopandas as gpd

LEAST_SHARE = 1e-12  # with less area in common, two shapes only touch
# share of a lot's area: more than this is an overlap or a gap (judgement: far above the round-off of areas)
SHARE_TOLERANCE = 1e-6


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
    overlapping: NDArray[np.bool_]  # shape (n_lot,), polygons of different map units overlap there
    doubled: NDArray[np.bool_]  # shape (n_lot,), polygons of one map unit overlap there


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

    Lots are in the search tree and soils are the queries. A lot that a polygon covers counts with its whole area; only
    the others are intersected. `soils` should be prepared. Areas are in squared units of the coordinates.
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
        As returned by `prepare`.

    Returns
    -------
    Shares
        Shares of a lot sum to its mapped part, and never to more than 1. Ground that several polygons cover counts
        once. Polygons of one map unit count as their union. Where polygons of different units overlap, each unit counts
        by its area on the lot and the shares are scaled to the mapped part, so that every possible soil remains in the
        lot's mixture and its range.
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
    # areas that add up to the lot leave no room for an overlap, except one that equals a gap to the last digits
    odd = (np.abs(mapped - 1.0) > SHARE_TOLERANCE) & (np.bincount(lot, area > LEAST_SHARE * total[lot], n) > 1)
    divisor, overlapping, doubled = np.maximum(mapped, 1.0), np.zeros(n, bool), np.zeros(n, bool)
    if odd.any():
        places = np.flatnonzero(odd[lot])
        again = places[np.lexsort((soil[places], lot[places]))]  # in one order, whatever part of a survey this is
        counted_once = _once(lots, soils, lot[again], soil[again], total)
        overlapping, doubled = counted_once.overlapping, counted_once.doubled
        hit = overlapping | doubled
        new, old = hit[counted_once.lot], ~hit[owner]
        owner, unit, share = (np.concatenate([one[old], two[new]]) for one, two in (
            (owner, counted_once.lot), (unit, counted_once.unit), (share, counted_once.share)))
        order = np.lexsort((unit, owner))
        owner, unit, share = owner[order], unit[order], share[order]
        mapped = np.where(hit, counted_once.mapped, mapped)
        divisor = np.where(hit, np.bincount(owner, share, n) / np.maximum(mapped, LEAST_SHARE), divisor)
    share = share / divisor[owner]
    return Shares(owner, unit, share, np.where(total > 0, np.minimum(mapped, 1.0), np.nan), overlapping, doubled)


def _once(lots: NDArray[np.object_], soils: SoilPolygons, lot: NDArray[np.int64], soil: NDArray[np.int64],
          total: NDArray[np.float64]) -> Shares:
    """Return the shares of some lots, counting the polygons of each map unit once; they may sum to more than 1.

    `lot` and `soil` are pairs that meet, sorted by both. `mapped` is the part that all polygons together cover.
    """
    import shapely

    n, n_unit = len(lots), max(len(soils.mukeys), 1)
    piece, of = shapely.get_parts(shapely.intersection(lots[lot], soils.geometry[soil]), return_index=True)
    flat = shapely.get_dimensions(piece) == 2
    piece, of = piece[flat], of[flat]
    code, group = np.unique(lot[of] * n_unit + soils.unit[soil[of]], return_inverse=True)
    owner, of_unit = code // n_unit, _united(piece, group.ravel())
    lots_here, place = np.unique(owner, return_inverse=True)
    added = np.bincount(lot[of], shapely.area(piece), n)
    of_units = np.bincount(owner, shapely.area(of_unit), n)
    covered = np.zeros(n)
    covered[lots_here] = shapely.area(_united(of_unit, place.ravel()))
    size = np.where(total > 0, total, 1.0)
    return Shares(owner, code % n_unit, shapely.area(of_unit) / size[owner], np.minimum(covered / size, 1.0),
                  of_units - covered > SHARE_TOLERANCE * size, added - of_units > SHARE_TOLERANCE * size)


def _united(shapes: NDArray[np.object_], group: NDArray[np.int64]) -> NDArray[np.object_]:
    """Return the union of each group of polygons; groups are numbered from 0, in their order."""
    import shapely

    order = np.argsort(group, kind="stable")
    together = shapely.geometrycollections(shapes[order], indices=group[order])
    return np.asarray(shapely.union_all(together[:, None], axis=1), dtype=object)
