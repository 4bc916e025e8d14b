"""Lot shapes: project them, repair them, and report what cannot be used.

It works on arrays of shapes, never row by row.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from riskmap.lots import placement

if TYPE_CHECKING:
    import geopandas as gpd

POINT_RADIUS_M = 1.0  # a point means only its own spot: large enough for a join, far below the width of a soil boundary
# A polygon below these is a line or a point that was drawn as a polygon, whatever digits its area has (judgement: no
# house stands on 1 m2; outlines are drawn to about 0.1 m, so anything narrower has no inside).
LEAST_AREA_M2, LEAST_WIDTH_M = 1.0, 0.1
# No house stands on a polygon below these (judgement: smaller than any slab that the estimate accepts; strips of land
# between lots are wider than 0.1 m and narrower than this).
LEAST_LOT_M2, LEAST_CIRCLE_M = 30.0, 4.0
CIRCLE_STEP_M = 0.01  # diameter of a circle; outlines are drawn to about 0.1 m
LEAST_ADDED_M2 = 1e-3  # judgement: far above rounding, far below what affects any estimate
# Each crossing of an outline with itself becomes a corner of its repair. Measured: 1,000 random corners (200,000
# crossings) take 9 s, 2,000 take 58 s; a drawn outline crosses itself a few times (judgement).
MOST_CROSSINGS = 1000
# corners of one shape (judgement: the outline of a county has fewer; time grows with their square)
MOST_CORNERS = 100_000
# sides whose boxes overlap (measured: 1 s to compare; in a drawn outline each side meets a few others)
MOST_PAIRS = 5_000_000
TANGLED = f"the outline crosses itself more than {MOST_CROSSINGS:,} times, or is too tangled to be repaired"
NO_AREA = f"the shape has no area: it is smaller than {LEAST_AREA_M2:g} m2 or narrower than {LEAST_WIDTH_M:g} m"
ACROSS = "the shape crosses 180 degrees of longitude"
M_PER_DEGREE = 111_320.0  # of latitude (mean earth radius); this is precise enough for a size limit of lots

_SIDES_AT_ONCE = 200

# Types of shapely.get_type_id
_POINT, _POLYGON, _MULTI_POINT, _MULTI_POLYGON, _COLLECTION = 0, 3, 4, 6, 7


@dataclass(frozen=True)
class LotShapes:
    """Shapes of every row. `reason` is empty text where the shape can be used."""

    geometry: NDArray[np.object_]  # polygon, multipolygon or None, in the target system
    reason: NDArray[np.object_]
    is_point: NDArray[np.bool_]
    repaired: NDArray[np.bool_]
    fault: NDArray[np.object_]  # of repaired shapes in words, otherwise empty text
    area_before_m2: NDArray[np.float64]
    area_m2: NDArray[np.float64]  # nan for points and for rows without a usable shape
    misplaced: NDArray[np.bool_]  # degrees that are in the coverage only after swapping them or changing a sign
    all_swapped: bool  # the whole file has longitude and latitude exchanged
    had_heights: NDArray[np.bool_]
    reduced: NDArray[np.bool_]  # a collection, of which only the polygons are used


def usable(raw: gpd.GeoSeries, crs: str, widest_deg: float, coverage: placement.Box | None = None) -> LotShapes:
    """Return polygons in `crs` for raw shapes in any coordinate system.

    Parameters
    ----------
    raw : GeoSeries
        Shapes with a coordinate reference system.
    crs : str
        Projected target system in metres; areas are measured in it.
    widest_deg : float
        A shape that spans more degrees than this is not a lot.
    coverage : tuple, optional
        West, south, east, north of the soil map in degrees: shapes in degrees that lie elsewhere are checked.

    Notes
    -----
    Self-crossing rings are repaired by structure (a bow-tie keeps both wings); parts and holes are kept, heights are
    dropped. A single point becomes a disc of `POINT_RADIUS_M`.
    """
    import shapely

    shape = np.array(raw.array, dtype=object)
    reason = np.full(len(shape), "", dtype=object)
    _strike(shape, reason, shapely.is_missing(shape), "no shape is given for this row")
    _strike(shape, reason, shapely.is_empty(shape), "the shape is empty")
    geographic = bool(raw.crs.is_geographic)
    elsewhere, all_swapped = _elsewhere(shape, coverage if geographic else None)
    for why in set(elsewhere) - {""}:
        _strike(shape, reason, elsewhere == why, str(why))
    _strike(shape, reason, _bad_coordinates(shape, geographic),
            "a coordinate is not a number or lies outside the range of the coordinate system; "
            "longitude and latitude may be swapped")
    had_heights = shapely.has_z(shape)
    shape = project(shape, raw.crs, crs)
    _strike(shape, reason, _bad_coordinates(shape, False), "the shape lies outside the area of the projection")
    _strike(shape, reason, _across_180(shape, crs), ACROSS)

    single = _one_point(shape)
    shape[single] = shapely.buffer(shape[single], POINT_RADIUS_M)
    reduced = shapely.get_type_id(shape) == _COLLECTION
    shape = _polygons_only(shape)
    _strike(shape, reason, (reason == "") & shapely.is_empty(shape) | _not_polygonal(shape), "the shape is not an area")
    _strike(shape, reason, _wider_than(shape, crs, widest_deg), f"the shape is wider than {widest_deg:g} degree")
    _strike(shape, reason, _torn(shape, widest_deg), "the projection of the area tears the shape apart; it lies "
            "on the other side of the earth")

    before = shapely.area(shape)
    _strike(shape, reason, shapely.get_num_coordinates(shape) > MOST_CORNERS,
            f"the outline has more than {MOST_CORNERS:,} corners")
    _strike(shape, reason, tangled(shape), TANGLED)
    repaired = ~shapely.is_valid(shape) & ~shapely.is_missing(shape)
    fault = _faults(shape, repaired)
    broken = np.flatnonzero(repaired)
    originals = shape[broken]
    for _ in range(2):  # one pass may leave parts that share a side; the second joins them
        shape[broken] = shapely.make_valid(shape[broken], method="structure", keep_collapsed=False)
        broken = broken[~shapely.is_valid(shape[broken])]
    _strike(shape, reason, np.isin(np.arange(len(shape)), broken), "the shape cannot be repaired")
    where = np.flatnonzero(repaired)
    shape[where] = _without_outer_holes(shape[where], originals)
    area = shapely.area(shape)
    _strike(shape, reason, ~single & _without_area(shape, area), NO_AREA)
    area[shapely.is_missing(shape) | single] = np.nan
    return LotShapes(shape, reason, single & (reason == ""), repaired & (reason == ""), fault, before, area,
                     elsewhere != "", all_swapped, had_heights & (reason == ""), reduced & (reason == ""))


def _strike(shape: NDArray[np.object_], reason: NDArray[np.object_], mask: NDArray[np.bool_], why: str) -> None:
    """Remove shapes from the working arrays, with the first reason that applies."""
    reason[mask & (reason == "")] = why
    shape[mask] = None


def _elsewhere(shape: NDArray[np.object_], coverage: placement.Box | None) -> tuple[NDArray[np.object_], bool]:
    import shapely

    if coverage is None:
        return np.full(len(shape), "", dtype=object), False
    bounds = shapely.bounds(shape)
    middle = (bounds[:, :2] + bounds[:, 2:]) / 2.0
    return placement.misplaced(middle, coverage), placement.swapped(middle, coverage)


def _bad_coordinates(shape: NDArray[np.object_], geographic: bool) -> NDArray[np.bool_]:
    import shapely

    xy, row = shapely.get_coordinates(shape, return_index=True)
    bad = ~np.isfinite(xy).all(axis=1)
    if geographic:
        bad |= (np.abs(xy[:, 0]) > 360.0) | (np.abs(xy[:, 1]) > 90.0)
    bad_shape = np.zeros(len(shape), dtype=bool)
    bad_shape[row[bad]] = True
    return bad_shape


def _across_180(shape: NDArray[np.object_], crs: str) -> NDArray[np.bool_]:
    """Mark shapes with corners on both sides of 180 degrees, because in degrees they would reach around the earth."""
    import shapely
    from pyproj import Transformer

    across = np.zeros(len(shape), dtype=bool)
    box = shapely.total_bounds(shape) if len(shape) else np.full(4, np.nan)
    if not np.isfinite(box).all():
        return across
    west, _, east, _ = Transformer.from_crs(crs, "EPSG:4326", always_xy=True).transform_bounds(*box.tolist())
    if -180.0 < west <= east < 180.0:  # the box of all lots does not reach there, so no lot is checked
        return across
    bounds = shapely.bounds(project(shape, crs, "EPSG:4326"))
    return np.asarray(bounds[:, 2] - bounds[:, 0] > 180.0)


def _torn(shape: NDArray[np.object_], widest_deg: float) -> NDArray[np.bool_]:
    """Mark shapes that are many times wider on the map than on the earth, because they cross the edge of the map."""
    import shapely

    bounds = shapely.bounds(shape)
    span = np.fmax(bounds[:, 2] - bounds[:, 0], bounds[:, 3] - bounds[:, 1])
    # Judgement: no projection that lots are measured in draws 1 m as 10 m.
    return np.asarray(span > 10.0 * M_PER_DEGREE * widest_deg)


def tangled(shape: NDArray[np.object_]) -> NDArray[np.bool_]:
    """Mark invalid shapes that would take very long to repair: thousands of sides that cross or lie side by side."""
    import shapely

    many = shapely.get_num_coordinates(shape) > np.sqrt(2 * MOST_CROSSINGS)  # fewer sides have fewer pairs
    tangled = np.zeros(len(shape), dtype=bool)
    candidate = np.flatnonzero(many)
    for k in candidate[~shapely.is_valid(shape[candidate])]:
        xy, ring = shapely.get_coordinates(shapely.get_rings(shapely.get_parts(shape[k])), return_index=True)
        ends = np.stack([xy[:-1], xy[1:]], axis=1)[ring[1:] == ring[:-1]]
        ends = ends[(ends[:, 0] != ends[:, 1]).any(axis=1)]
        tangled[k] = len(ends) > 0 and _cross_often(shapely.linestrings(ends))
    return tangled


def _cross_often(sides: NDArray[np.object_]) -> bool:
    """Return whether sides cross more than `MOST_CROSSINGS` times, or are too close together to find that out."""
    import shapely

    tree, crossings = shapely.STRtree(sides), 0
    some = sides[::max(len(sides) * len(sides) // MOST_PAIRS, 1)]  # so many that they meet at most `MOST_PAIRS` others
    if tree.query(some).shape[1] * (len(sides) / len(some)) > MOST_PAIRS:
        return True
    for first in range(0, len(sides), _SIDES_AT_ONCE):
        crossings += tree.query(sides[first:first + _SIDES_AT_ONCE], predicate="crosses").shape[1]
        if crossings > 2 * MOST_CROSSINGS:  # each pair is found from both sides
            return True
    return False


def _faults(shape: NDArray[np.object_], repaired: NDArray[np.bool_]) -> NDArray[np.object_]:
    """Return in words what is wrong with the shapes that must be repaired."""
    import shapely

    words = {"Hole lies outside shell": "a hole lies outside the outline", "Holes are nested": "a hole lies in a hole",
             "Nested shells": "parts lie in one another", "Interior is disconnected": "holes cut the shape in two",
             "Duplicate Rings": "a ring is given twice"}
    words_of_shape = np.full(len(shape), "", dtype=object)
    said = [str(text).split("[")[0] for text in shapely.is_valid_reason(shape[repaired])]
    several = shapely.get_num_geometries(shape[repaired]) > 1
    each_sound = [bool(shapely.is_valid(shapely.get_parts(one)).all()) for one in shape[repaired][several]]
    overlap = np.zeros(len(said), dtype=bool)
    overlap[several] = each_sound
    words_of_shape[repaired] = [words.get(text, "parts overlap" if parts else "the outline crosses itself")
                                for text, parts in zip(said, overlap, strict=True)]
    return words_of_shape


def _without_outer_holes(shape: NDArray[np.object_], originals: NDArray[np.object_]) -> NDArray[np.object_]:
    """Remove what the repair made of holes outside the outline: it turns them into land that nobody declared."""
    import shapely

    for k in np.flatnonzero(_holes(originals) > 0):
        outlines = shapely.polygons(shapely.get_exterior_ring(shapely.get_parts(originals[k])))
        land = shapely.union_all(shapely.make_valid(outlines, method="structure", keep_collapsed=False))
        if shapely.area(shapely.difference(shape[k], land)) > LEAST_ADDED_M2:
            shape[k] = shapely.intersection(shape[k], land)
    return _polygons_only(shape)


def _holes(shape: NDArray[np.object_]) -> NDArray[np.int64]:
    import shapely

    parts, owner = shapely.get_parts(shape, return_index=True)
    return np.bincount(owner, shapely.get_num_interior_rings(parts), minlength=len(shape)).astype(np.int64)


def _without_area(shape: NDArray[np.object_], area: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Mark polygons that are lines or points: too small, or too narrow for their length (2 area / perimeter)."""
    import shapely

    return np.asarray(~shapely.is_missing(shape) & ((area < LEAST_AREA_M2)
                                                    | (2.0 * area < LEAST_WIDTH_M * shapely.length(shape))))


def too_small(shape: NDArray[np.object_], area_m2: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Mark polygons on which no house stands: under `LEAST_LOT_M2`. A point (area nan) is never marked."""
    return np.asarray(~_missing(shape) & (area_m2 < LEAST_LOT_M2))


def too_narrow(shape: NDArray[np.object_], area_m2: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Mark polygons into which no circle of `LEAST_CIRCLE_M` fits. A point (area nan) is never marked.

    The circle is searched only where twice the area over the perimeter is below that diameter. Elsewhere it fits,
    because an outline without holes has an inner circle of at least that size (A <= r P). [m]
    """
    import shapely

    narrow = ~_missing(shape) & np.isfinite(area_m2)
    rows = np.flatnonzero(narrow)
    narrow[rows] = 2.0 * area_m2[rows] < LEAST_CIRCLE_M * shapely.length(shape[rows])
    rows = np.flatnonzero(narrow)
    radius = shapely.length(shapely.maximum_inscribed_circle(shape[rows], tolerance=CIRCLE_STEP_M / 2.0))
    narrow[rows] = 2.0 * radius < LEAST_CIRCLE_M
    return narrow


def _missing(shape: NDArray[np.object_]) -> NDArray[np.bool_]:
    import shapely

    return np.asarray(shapely.is_missing(shape) | shapely.is_empty(shape))


def project(shape: NDArray[np.object_], source: object, target: object) -> NDArray[np.object_]:
    """Return shapes in another coordinate system, x before y, without heights."""
    import shapely
    from pyproj import CRS, Transformer

    if CRS.from_user_input(source).equals(target, ignore_axis_order=True):
        flat = shape.copy()
        high = shapely.get_coordinate_dimension(flat) > 2
        flat[high] = shapely.force_2d(flat[high])  # the others would be copied, which a million lots feel
        return flat
    transformer = Transformer.from_crs(source, target, always_xy=True)

    def move(xy: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.column_stack(transformer.transform(xy[:, 0], xy[:, 1]))

    moved: NDArray[np.object_] = shapely.transform(shape, move)  # drops heights
    return moved


def _one_point(shape: NDArray[np.object_]) -> NDArray[np.bool_]:
    import shapely

    kind = shapely.get_type_id(shape)
    one: NDArray[np.bool_] = (kind == _POINT) | (kind == _MULTI_POINT) & (shapely.get_num_geometries(shape) == 1)
    return one


def _polygons_only(shape: NDArray[np.object_]) -> NDArray[np.object_]:
    """Keep only the polygons of geometry collections; every other shape is unchanged."""
    import shapely

    rows = np.flatnonzero(shapely.get_type_id(shape) == _COLLECTION)
    if rows.size == 0:
        return shape
    parts, owner = shapely.get_parts(shape[rows], return_index=True)
    while np.isin(shapely.get_type_id(parts), (_COLLECTION, _MULTI_POLYGON)).any():  # one level each time
        parts, inner = shapely.get_parts(parts, return_index=True)
        owner = owner[inner]
    flat = shapely.get_type_id(parts) == _POLYGON
    polygons = np.full(rows.size, shapely.MultiPolygon(), dtype=object)
    with_polygons = np.unique(owner[flat])
    if with_polygons.size:
        renumbered = np.searchsorted(with_polygons, owner[flat])
        polygons[with_polygons] = shapely.multipolygons(parts[flat], indices=renumbered)
    shape[rows] = polygons
    return shape


def _not_polygonal(shape: NDArray[np.object_]) -> NDArray[np.bool_]:
    import shapely

    kind = shapely.get_type_id(shape)
    other_kind: NDArray[np.bool_] = (kind != _POLYGON) & (kind != _MULTI_POLYGON) & (kind != -1)
    return other_kind


def _wider_than(shape: NDArray[np.object_], crs: str, widest_deg: float) -> NDArray[np.bool_]:
    """Mark shapes that span more degrees than `widest_deg`; only the few large ones are converted to degrees."""
    import shapely

    bounds = shapely.bounds(shape)
    span = np.fmax(bounds[:, 2] - bounds[:, 0], bounds[:, 3] - bounds[:, 1])
    # A degree of longitude is 19 km at 80 degrees of latitude; anything narrower than that is not checked further.
    candidate = np.flatnonzero(span > 19_000.0 * widest_deg)
    wider = np.zeros(len(shape), dtype=bool)
    if candidate.size:
        degrees = shapely.bounds(project(shape[candidate], crs, "EPSG:4326"))
        wider[candidate] = (degrees[:, 2] - degrees[:, 0] > widest_deg) | (degrees[:, 3] - degrees[:, 1] > widest_deg)
    return wider
