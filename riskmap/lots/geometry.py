"""Lot shapes: project, repair, and say what cannot be used. Works on arrays of shapes, never row by row."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from riskmap.lots import placement

if TYPE_CHECKING:
    import geopandas as gpd

POINT_RADIUS_M = 1.0  # a point stands for its spot only: large enough for a join, far below the width of a soil line

# Types of shapely.get_type_id
_POINT, _POLYGON, _MULTI_POINT, _MULTI_POLYGON, _COLLECTION = 0, 3, 4, 6, 7


@dataclass(frozen=True)
class Shapes:
    """Shapes of every row; `reason` is empty text where the shape can be used."""

    geometry: NDArray[np.object_]  # polygon, multipolygon or None, in the target system
    reason: NDArray[np.object_]
    is_point: NDArray[np.bool_]
    repaired: NDArray[np.bool_]
    area_before_m2: NDArray[np.float64]
    area_m2: NDArray[np.float64]  # nan for points and for rows without a usable shape
    misplaced: NDArray[np.bool_]  # degrees that only an exchange or a sign brings into the coverage
    all_swapped: bool  # the whole file has longitude and latitude exchanged
    had_heights: NDArray[np.bool_]
    reduced: NDArray[np.bool_]  # a collection, of which only the polygons are used


def usable(raw: gpd.GeoSeries, crs: str, widest_deg: float, coverage: placement.Box | None = None) -> Shapes:
    """Return polygons in `crs` for raw shapes in any system.

    Parameters
    ----------
    raw : GeoSeries
        Shapes with a coordinate reference system.
    crs : str
        Projected target system in metres; areas are measured in it.
    widest_deg : float
        A shape that spans more degrees than this is not a lot.
    coverage : tuple, optional
        West, south, east, north of the soil map in degrees: shapes in degrees that lie elsewhere are looked at.

    Notes
    -----
    Self-crossing rings are repaired by structure (a bow-tie keeps both wings); parts and holes are kept; heights are
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

    single = _one_point(shape)
    shape[single] = shapely.buffer(shape[single], POINT_RADIUS_M)
    reduced = shapely.get_type_id(shape) == _COLLECTION
    shape = _polygons_only(shape)
    _strike(shape, reason, (reason == "") & shapely.is_empty(shape) | _not_polygonal(shape), "the shape is not an area")
    _strike(shape, reason, _wider_than(shape, crs, widest_deg), f"the shape is wider than {widest_deg:g} degree")

    before = shapely.area(shape)
    repaired = ~shapely.is_valid(shape) & ~shapely.is_missing(shape)
    broken = np.flatnonzero(repaired)
    for _ in range(2):  # one pass may leave parts that share a side; the second joins them
        shape[broken] = shapely.make_valid(shape[broken], method="structure", keep_collapsed=False)
        broken = broken[~shapely.is_valid(shape[broken])]
    _strike(shape, reason, np.isin(np.arange(len(shape)), broken), "the shape cannot be repaired")
    area = shapely.area(shape)
    _strike(shape, reason, (area <= 0) & ~shapely.is_missing(shape), "the shape has no area")
    area[shapely.is_missing(shape) | single] = np.nan
    return Shapes(shape, reason, single & (reason == ""), repaired & (reason == ""), before, area,
                  elsewhere != "", all_swapped, had_heights & (reason == ""), reduced & (reason == ""))


def _strike(shape: NDArray[np.object_], reason: NDArray[np.object_], found: NDArray[np.bool_], why: str) -> None:
    """Take shapes out of the working arrays, with the first reason that applies."""
    reason[found & (reason == "")] = why
    shape[found] = None


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
    found = np.zeros(len(shape), dtype=bool)
    found[row[bad]] = True
    return found


def project(shape: NDArray[np.object_], source: object, target: object) -> NDArray[np.object_]:
    """Return shapes in another system, x before y, without heights."""
    import shapely
    from pyproj import CRS, Transformer

    if CRS.from_user_input(source).equals(target, ignore_axis_order=True):
        flat: NDArray[np.object_] = shapely.force_2d(shape)
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
    """Keep the polygons of geometry collections; every other shape stays as it is."""
    import shapely

    rows = np.flatnonzero(shapely.get_type_id(shape) == _COLLECTION)
    if rows.size == 0:
        return shape
    parts, owner = shapely.get_parts(shape[rows], return_index=True)
    while np.isin(shapely.get_type_id(parts), (_COLLECTION, _MULTI_POLYGON)).any():  # one level each time
        parts, inner = shapely.get_parts(parts, return_index=True)
        owner = owner[inner]
    flat = shapely.get_type_id(parts) == _POLYGON
    kept = np.full(rows.size, shapely.MultiPolygon(), dtype=object)
    with_polygons = np.unique(owner[flat])
    if with_polygons.size:
        renumbered = np.searchsorted(with_polygons, owner[flat])
        kept[with_polygons] = shapely.multipolygons(parts[flat], indices=renumbered)
    shape[rows] = kept
    return shape


def _not_polygonal(shape: NDArray[np.object_]) -> NDArray[np.bool_]:
    import shapely

    kind = shapely.get_type_id(shape)
    found: NDArray[np.bool_] = (kind != _POLYGON) & (kind != _MULTI_POLYGON) & (kind != -1)
    return found


def _wider_than(shape: NDArray[np.object_], crs: str, widest_deg: float) -> NDArray[np.bool_]:
    """Mark shapes that span more degrees than `widest_deg`; only the few large ones are taken to degrees."""
    import shapely

    bounds = shapely.bounds(shape)
    span = np.fmax(bounds[:, 2] - bounds[:, 0], bounds[:, 3] - bounds[:, 1])
    # A degree of longitude is 19 km at 80 degrees of latitude: nothing narrower than that is looked at again.
    candidate = np.flatnonzero(span > 19_000.0 * widest_deg)
    found = np.zeros(len(shape), dtype=bool)
    if candidate.size:
        degrees = shapely.bounds(project(shape[candidate], crs, "EPSG:4326"))
        found[candidate] = (degrees[:, 2] - degrees[:, 0] > widest_deg) | (degrees[:, 3] - degrees[:, 1] > widest_deg)
    return found
