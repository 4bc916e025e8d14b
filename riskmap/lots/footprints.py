"""What outlines of buildings say about the lots: the size of the slab, and which lots have no known house.

The slab's short side is the diameter of the largest circle inside the lot's largest building, less the eaves. The long
side is the area divided by the short side. A building belongs to the lot with its larger part. Everything works on
arrays, and neither the order of the buildings nor that of the lots changes anything. Method: notebooks/method.md,
section 7.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from riskmap.lots import geometry
from riskmap.lots.slab import PLAUSIBLE_SIDE_M

if TYPE_CHECKING:
    import pyarrow as pa

    from riskmap.common.inputs import BuildingOutlines

EAVES_M = 0.6  # judgement: a roof reaches 0.3 m beyond the wall on either side; outlines follow roofs
FULL_BOX = 0.8  # below this share of short side times the box's long side the plan is not a rectangle; its factor is 1
LEAST_WALL_M = 1.0  # judgement: walls that touch over less than the width of a door are not shared
WALL_GAP_M = 0.1  # outlines are drawn to about 0.1 m: walls that lie closer are one wall
LEAST_SHARE = 0.5  # of a building's outline: with less on every lot, the building belongs to none (row houses)
EQUAL_SHARE = 1e-6  # lots whose parts of a building differ by less have the same outline (rows of one lot)
# A lot without a building has no house only where the layer is known to show houses: most lots nearby have one.
# Judgement: a street and its back street lie within 100 m, and few lots have a building in a street that is missing.
NEAR_M, LEAST_NEAR, COVERED_SHARE = 100.0, 5, 0.8
CIRCLE_STEP_M = 0.005  # of the radius of the largest circle; the size of a slab is rounded to 1 m
_FOR_A_THREAD = 2_000  # circles
AT_ONCE = 50_000  # buildings, or lots with buildings, whose shapes are in memory at a time


@dataclass(frozen=True)
class Footprints:
    """What the buildings say about each lot; every array has one entry per lot.

    Attributes
    ----------
    sides_m : array, shape (lot, 2)
        Short and long side of the slab, nan where not known; the long side is also nan where the plan is not a
        rectangle. [m]
    house : bool array
        Whether a building of the size of a house is on the lot, at least in part.
    covered : bool array
        Whether the layer shows the houses around the lot, so that a lot without a building has no house.
    repaired, unusable, small, across : int
        Number of outlines that were repaired; that had no area or could not be repaired; that are too small for a
        house; and that touch lots, but have less than half of their area on each.
    """

    sides_m: NDArray[np.float64]
    house: NDArray[np.bool_]
    covered: NDArray[np.bool_]
    repaired: int = 0
    unusable: int = 0
    small: int = 0
    across: int = 0


@dataclass(frozen=True)
class _OnLots:
    """Parts of outlines with the lot that each lies on."""

    wkb: pa.Array
    lot: NDArray[np.int64]


def of_lots(lot: NDArray[np.object_], is_point: NDArray[np.bool_], outlines: BuildingOutlines, crs: str) -> Footprints:
    """Return what the outlines of buildings say about lots.

    Parameters
    ----------
    lot : array of shapes
        Lots in `crs`, None where a shape cannot be used.
    is_point : bool array
        Lots that are given by a point; their shapes are small discs.
    outlines : BuildingOutlines
    crs : str
        Projected system in metres.
    """
    import pyarrow as pa
    import shapely

    tree = shapely.STRtree(lot)
    touched = np.zeros(len(lot), dtype=bool)
    counts = dict.fromkeys(("repaired", "unusable", "across"), 0)
    kept: list[_OnLots] = []
    for shapes in _pieces(outlines):
        parts, repaired, unusable = _polygons(geometry.project(shapes, outlines.crs, crs))
        own, found, across = _assigned(parts, lot, is_point, tree)
        touched[across[0]] = True
        kept.append(_OnLots(pa.array(shapely.to_wkb(parts[own]).tolist(), pa.binary()), found))
        counts = {"repaired": counts["repaired"] + repaired, "unusable": counts["unusable"] + unusable,
                  "across": counts["across"] + across[1]}
    sides, house, small = _measured(kept, len(lot))
    house |= touched
    return Footprints(sides, house, _covered(lot, is_point, house), small=small, **counts)


def _pieces(outlines: BuildingOutlines) -> Iterator[NDArray[np.object_]]:
    """Yield the outlines as shapes, at most `AT_ONCE` at a time."""
    import shapely

    for start in range(0, len(outlines.wkb), AT_ONCE):
        yield shapely.from_wkb(np.array(outlines.wkb.slice(start, AT_ONCE).to_pylist(), dtype=object))


def _polygons(shapes: NDArray[np.object_]) -> tuple[NDArray[np.object_], int, int]:
    """Return single valid polygons, the number of repaired outlines, and the number of outlines that cannot be used."""
    import shapely

    shapes = shapes.copy()
    tangled = (shapely.get_num_coordinates(shapes) > geometry.MOST_CORNERS) | geometry.tangled(shapes)
    broken = ~shapely.is_valid(shapes) & ~tangled
    shapes[tangled] = None
    shapes[broken] = shapely.make_valid(shapes[broken], method="structure", keep_collapsed=False)
    parts, owner = shapely.get_parts(shapes, return_index=True)
    while (shapely.get_num_geometries(parts) > 1).any() or (shapely.get_type_id(parts) > _POLYGON).any():
        parts, inner = shapely.get_parts(parts, return_index=True)  # one level of a collection each time
        owner = owner[inner]
    usable = (shapely.get_type_id(parts) == _POLYGON) & (shapely.area(parts) >= geometry.LEAST_AREA_M2)
    usable &= shapely.is_valid(parts)
    left = np.zeros(len(shapes), dtype=bool)
    left[owner[usable]] = True
    return parts[usable], int((broken & left).sum()), int((~left).sum())


_POLYGON = 3  # of shapely.get_type_id


def _assigned(parts: NDArray[np.object_], lot: NDArray[np.object_], is_point: NDArray[np.bool_], tree: Any) \
        -> tuple[NDArray[np.int64], NDArray[np.int64], tuple[NDArray[np.int64], int]]:
    """Return pairs of an outline and its lot; and the lots under outlines that belong to no lot, with their number.

    An outline belongs to the lot with its largest part, when that is at least `LEAST_SHARE` of it. When several rows
    have the same lot, it belongs to each of them. A point gets the outline around it, when no other point is in it.
    """
    import shapely

    nobody = np.empty(0, np.int64)
    own, found = tree.query(parts, predicate="intersects") if len(parts) else (nobody, nobody)
    point = is_point[found]
    area = shapely.area(parts)[own]
    overlap = area.copy()
    cut = ~shapely.covers(lot[found], parts[own])
    overlap[cut] = shapely.area(shapely.intersection(parts[own[cut]], lot[found[cut]]))
    largest = np.zeros(len(parts))
    np.maximum.at(largest, own[~point], overlap[~point])
    holds = ~point & (overlap >= LEAST_SHARE * area) & (overlap >= largest[own] - EQUAL_SHARE * area)
    inside = point & (overlap >= LEAST_SHARE * shapely.area(lot[found]))
    points = np.bincount(own[inside], minlength=len(parts))
    holds |= inside & (points[own] == 1)
    homeless = np.ones(len(parts), dtype=bool)
    homeless[own[holds]] = False
    part = homeless[own] & np.where(point, inside, overlap >= geometry.LEAST_LOT_M2)
    return own[holds], found[holds], (np.unique(found[part]), len(np.unique(own[part])))


def _measured(kept: list[_OnLots], lots: int) -> tuple[NDArray[np.float64], NDArray[np.bool_], int]:
    """Return the sides of each lot's slab, whether there is a house, and how many buildings are too small for one."""
    import pyarrow as pa
    import shapely

    sides, house = np.full((lots, 2), np.nan), np.zeros(lots, dtype=bool)
    if not kept:
        return sides, house, 0
    wkb, lot = pa.chunked_array([each.wkb for each in kept]), np.concatenate([each.lot for each in kept])
    order = np.argsort(lot, kind="stable")
    starts = np.flatnonzero(np.diff(lot[order], prepend=-1))
    small = 0
    for first in range(0, len(starts), AT_ONCE):
        end = starts[first + AT_ONCE] if first + AT_ONCE < len(starts) else len(order)
        rows = order[starts[first]:end]
        shapes = shapely.from_wkb(np.array(wkb.take(pa.array(rows)).to_pylist(), dtype=object))
        building, of_lot = _joined(shapes, lot[rows])
        area, diameter = shapely.area(building), np.zeros(len(building))
        large = area >= geometry.LEAST_LOT_M2
        diameter[large] = _widest(building[large])
        is_house = large & (diameter >= geometry.LEAST_CIRCLE_M)
        small += int((~is_house).sum())
        building, of_lot, area, diameter = (values[is_house] for values in (building, of_lot, area, diameter))
        house[of_lot] = True
        place = np.lexsort((diameter, area, of_lot))
        last = place[np.flatnonzero(np.diff(of_lot[place], append=-1))]
        sides[of_lot[last]] = _sides(building[last], area[last], diameter[last])
    return sides, house, small


def _widest(building: NDArray[np.object_]) -> NDArray[np.float64]:
    """Return the diameter of the largest circle inside each polygon; holes are outside of it. [m]"""
    import shapely

    def diameters(some: NDArray[np.object_]) -> NDArray[np.float64]:
        return np.asarray(2.0 * shapely.length(shapely.maximum_inscribed_circle(some, tolerance=CIRCLE_STEP_M)))

    pieces = np.array_split(building, max(len(building) // _FOR_A_THREAD, 1))
    with ThreadPoolExecutor(os.cpu_count() or 1) as pool:  # each circle is found alone, so threads change nothing
        return np.concatenate(list(pool.map(diameters, pieces)))


def _sides(building: NDArray[np.object_], area: NDArray[np.float64], diameter: NDArray[np.float64]) \
        -> NDArray[np.float64]:
    """Return short and long side of the slab under each building, nan where the building gives none. [m]"""
    import shapely

    short = diameter - EAVES_M
    box = shapely.get_coordinates(shapely.get_exterior_ring(shapely.minimum_rotated_rectangle(building)))
    corners = box.reshape(-1, 5, 2)
    edges = np.hypot(*np.moveaxis(np.diff(corners[:, :3], axis=1), 2, 0))
    long_side = area / short
    odd = area / (short * edges.max(axis=1)) < FULL_BOX
    low, high = PLAUSIBLE_SIDE_M
    long_side = np.where(odd | (long_side > high), np.nan, long_side)
    usable = (short >= low) & (short <= high)
    return np.where(usable[:, None], np.column_stack([short, long_side]), np.nan)


def _joined(shapes: NDArray[np.object_], lot: NDArray[np.int64]) -> tuple[NDArray[np.object_], NDArray[np.int64]]:
    """Return the buildings of lots: outlines of one lot that share a wall are one building.

    `lot` has the lot of each outline.
    """
    import shapely
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    corner = shapely.bounds(shapes)
    order = np.lexsort((shapely.area(shapes), *corner.T[::-1], lot))  # so that the order of the file does not matter
    shapes, lot = shapes[order], lot[order]
    several = np.flatnonzero(np.bincount(lot)[lot] > 1)
    a, b = shapely.STRtree(shapes[several]).query(shapes[several], predicate="dwithin", distance=WALL_GAP_M)
    a, b = several[a], several[b]
    one = (a < b) & (lot[a] == lot[b])
    a, b = a[one], b[one]
    wall = np.maximum(_beside(shapes[a], shapes[b]), _beside(shapes[b], shapes[a]))
    a, b = a[wall >= LEAST_WALL_M], b[wall >= LEAST_WALL_M]
    pairs = coo_matrix((np.ones(len(a)), (a, b)), shape=(len(shapes), len(shapes)))
    _, group = connected_components(pairs, directed=False)
    _, first, group = np.unique(group, return_index=True, return_inverse=True)
    group = np.argsort(np.argsort(first, kind="stable"), kind="stable")[group]
    by_group = np.argsort(group, kind="stable")
    building = shapes[np.sort(first)].copy()
    member = np.flatnonzero((np.bincount(group) > 1)[group[by_group]])
    if member.size:
        together = group[by_group][member]
        _, number = np.unique(together, return_inverse=True)
        whole = shapely.buffer(shapely.multipolygons(shapes[by_group][member], indices=number), WALL_GAP_M / 2,
                               join_style="mitre")
        building[np.unique(together)] = shapely.buffer(whole, -WALL_GAP_M / 2, join_style="mitre")
    return building, lot[np.sort(first)]


def _beside(shapes: NDArray[np.object_], others: NDArray[np.object_]) -> NDArray[np.float64]:
    """Return how much of the outline of each shape lies within `WALL_GAP_M` of the other, or in it. [m]"""
    import shapely

    wall = shapely.intersection(shapely.boundary(shapes), shapely.buffer(others, WALL_GAP_M, quad_segs=2))
    return np.asarray(shapely.length(wall))


def _covered(lot: NDArray[np.object_], is_point: NDArray[np.bool_], house: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return where the layer shows the houses around a lot, so that a lot without a building has none.

    At least `LEAST_NEAR` other lots have their middle within `NEAR_M` of the lot's middle, and at least `COVERED_SHARE`
    of these have a house. Lots that are points, and lots that are too small for a house, are left out of both.
    """
    import shapely
    from scipy.spatial import cKDTree

    covered = np.zeros(len(lot), dtype=bool)
    asked = ~shapely.is_missing(lot) & ~shapely.is_empty(lot) & ~is_point & (shapely.area(lot) >= geometry.LEAST_LOT_M2)
    rows = np.flatnonzero(asked)
    if not house[rows].any():
        return covered
    middle = shapely.get_coordinates(shapely.centroid(lot[rows]))
    with_house = house[rows]
    near, built = (cKDTree(places).query_ball_point(middle, NEAR_M, return_length=True) - own
                   for places, own in ((middle, 1), (middle[with_house], with_house.astype(int))))
    covered[rows] = (near >= LEAST_NEAR) & (built >= COVERED_SHARE * near)
    return covered
