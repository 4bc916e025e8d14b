"""Shares of areas and places by weekly drought category.

Classes do not overlap and `None` has no polygon: its share is what no class covers. Areas are measured in an equal-area
projection. It is checked against the official county statistics in tests/verification/test_drought_county_area.py.
Method: notebooks/method.md, section 3.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from riskmap.common.constants import CATEGORY_NORMAL_SCORE
from riskmap.common.tables import NO_DROUGHT

Geometries = NDArray[Any]  # shapely geometries
CATEGORIES = (-1, 0, 1, 2, 3, 4)  # -1 is None
NAMES = ("None", "D0", "D1", "D2", "D3", "D4")  # columns of the official statistics
PRODUCT_NAMES = (NO_DROUGHT, *NAMES[1:])  # in products
SCORES = np.array([CATEGORY_NORMAL_SCORE[k] for k in CATEGORIES])


def shares(targets: Geometries, polygons: Geometries, category: NDArray[np.int64], week: NDArray[np.int64], n_week: int,
           *, crs: str, source_crs: str = "EPSG:4326") -> NDArray[np.float64]:
    """Return the share of each target's area in each category, for every weekly map. [-] (method.md, section 3)

    Parameters
    ----------
    targets : array of polygons, shape (n_target,)
        In `source_crs`.
    polygons : array of polygons, shape (n_polygon,)
        Classes of all weeks, in `source_crs`; classes of one week do not overlap.
    category, week : array, shape (n_polygon,)
        Category 0-4 and position of the week, 0 to n_week - 1.
    n_week : int
        Number of maps; a map without any polygon gives share 1 of `None`.
    crs, source_crs : str
        Equal-area system in which areas are measured; coordinate system of the input.

    Returns
    -------
    array, shape (n_week, n_target, 6)
        Shares of None, D0, D1, D2, D3, D4; they sum to 1. NaN for a target without area.
    """
    import shapely

    result = np.zeros((n_week, len(targets), 6))
    parts, owner = _near(targets, polygons)
    flat_targets, flat_parts = _projected(targets, source_crs, crs), _projected(parts, source_crs, crs)
    total = shapely.area(flat_targets)
    target_of, part_of = _pairs(flat_targets, flat_parts)
    covered = _shared_area(flat_targets, flat_parts, target_of, part_of, total)
    np.add.at(result, (week[owner[part_of]], target_of, category[owner[part_of]] + 1), covered)
    with np.errstate(invalid="ignore", divide="ignore"):
        result = np.clip(result / total[None, :, None], 0, 1)
    result[..., 0] = np.maximum(1 - result[..., 1:].sum(axis=-1), 0)
    return result


def _near(targets: Geometries, polygons: Geometries) -> tuple[Geometries, NDArray[np.int64]]:
    """Return single parts within the box of all targets, cut to it with a margin, and the polygon that each is from."""
    import shapely

    west, south, east, north = shapely.total_bounds(targets)
    margin = 0.1 + 0.1 * max(east - west, north - south)  # beyond it nothing touches a target, even after projecting
    parts, owner = shapely.get_parts(polygons, return_index=True)
    near = shapely.STRtree(parts).query(shapely.box(west - margin, south - margin, east + margin, north + margin))
    near.sort()
    cut = shapely.clip_by_rect(parts[near], west - margin, south - margin, east + margin, north + margin)
    pieces, index = shapely.get_parts(cut, return_index=True)
    solid = shapely.get_dimensions(pieces) == 2
    return pieces[solid], owner[near][index][solid]


def _projected(shapes: Geometries, source_crs: str, crs: str) -> Geometries:
    """Return valid polygons in the equal-area system."""
    import geopandas as gpd
    import shapely

    flat = np.asarray(gpd.GeoSeries(shapes, crs=source_crs).to_crs(crs))
    broken = ~shapely.is_valid(flat)
    if broken.any():
        flat = flat.copy()
        flat[broken] = shapely.make_valid(flat[broken], method="structure", keep_collapsed=False)
    return flat


def _pairs(targets: Geometries, parts: Geometries) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    import shapely

    if len(targets) == 0 or len(parts) == 0:
        return np.empty(0, dtype=np.int64), np.empty(0, dtype=np.int64)
    shapely.prepare(parts)
    part_of, target_of = shapely.STRtree(targets).query(parts, predicate="intersects")
    return target_of, part_of


def _shared_area(targets: Geometries, parts: Geometries, target_of: NDArray[np.int64], part_of: NDArray[np.int64],
                 total: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the common area of each pair; a target that lies completely in a part needs no intersection."""
    import shapely

    inside = shapely.contains_properly(parts[part_of], targets[target_of])
    area = total[target_of].copy()
    cut = ~inside
    area[cut] = shapely.area(shapely.intersection(targets[target_of[cut]], parts[part_of[cut]]))
    return area


def at_points(points: Geometries, polygons: Geometries, category: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return the category of one map at each point, -1 for `None`; on a border the worse class counts.

    Points and polygons are in the same coordinate system. A missing point gives -1, so the caller must mask it.
    """
    import shapely

    result = np.full(len(points), -1, dtype=np.int64)
    if len(polygons) and len(points):
        parts, owner = shapely.get_parts(polygons, return_index=True)
        shapely.prepare(parts)
        part_of, point_of = shapely.STRtree(points).query(parts, predicate="intersects")
        np.maximum.at(result, point_of, category[owner[part_of]])
    return result


def normal_score(share: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the mean normal score of shares (..., 6): sum of share times the score of the class.

    Method: method.md, section 3. [-]
    `None` is censored at the 30th percentile; +0.50 is the mean of a unit normal distribution above it
    (`constants.CATEGORY_NORMAL_SCORE`).
    """
    return share @ SCORES


def monthly_score(weekly: NDArray[np.float64], week_month: NDArray[np.int64], first_month: int,
                  n_month: int) -> NDArray[np.float64]:
    """Return the mean score of the maps dated in each calendar month, shape (n_target, n_month); NaN without a map.

    Method: method.md, section 3. [-]

    Parameters
    ----------
    weekly : array, shape (n_week, n_target)
        Normal score of each map, NaN where the map does not cover the target.
    week_month : array, shape (n_week,)
        Month number of each map's valid date.
    first_month, n_month : int
        First month and length of the result's axis.
    """
    member = (week_month[:, None] == first_month + np.arange(n_month)).astype(float)
    known = np.isfinite(weekly)
    count = known.astype(float).T @ member
    return np.where(known, weekly, 0.0).T @ member / np.where(count > 0, count, np.nan)


def largest(share: NDArray[np.float64]) -> NDArray[np.int64]:
    """Return the position in `NAMES` of the largest share over the last axis; the worse class when two are equal."""
    return 5 - np.argmax(np.round(share, 12)[..., ::-1], axis=-1)
