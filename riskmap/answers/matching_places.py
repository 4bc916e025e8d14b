"""Places: which lots a point or the user's own polygon lies in, and what is read from a row's coordinate or shape."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from riskmap.answers.matching_routes import NO_PAIRS, Pairs, Route, both, distances, put_together, texts
from riskmap.common.errors import LayerError, shown
from riskmap.lots import placement
from riskmap.lots.geometry import project

if TYPE_CHECKING:
    import geopandas as gpd

# Both are judgement. 0.1 m is the last digit of coordinates with six decimals: closer to a line, the side is not known.
EDGE_M = 0.1
OVERLAP_SHARE = 0.5
NEAR_M = 1000.0  # judgement: a lot farther away is not named as the nearest


@dataclass(frozen=True)
class Ground:
    """The lots as places: outlines, shapes for distances, which ones were points, and how far off a point may be."""

    outlines: NDArray[np.object_]
    places: NDArray[np.object_]  # the outline; for a lot given as a point, that point
    is_point: NDArray[np.bool_]
    lot_id: NDArray[np.object_]
    within_m: float
    system: str  # units of distances in notes: `us` or `si`

    @classmethod
    def of(cls, lot: gpd.GeoDataFrame, within_m: float, system: str) -> Ground:
        """Return the places of a table of lots."""
        import shapely

        outlines = np.array(lot.geometry.array, dtype=object)
        is_point = (";" + texts(lot, "flags") + ";").str.contains(";point_lot;", regex=False).to_numpy(dtype=bool)
        places = outlines.copy()
        places[is_point] = shapely.centroid(outlines[is_point])
        return cls(outlines, places, is_point, texts(lot, "lot_id").to_numpy(dtype=object), within_m, system)


def by_point(by: str, points: NDArray[np.object_], filled: NDArray[np.bool_], ground: Ground) -> Route:
    """Return the lots that each point lies in, on a shared side both; `outside` where it lies in none.

    A point in no lot is matched to the only lot within the allowed distance, and its note names the nearest.
    """
    import shapely

    where = np.flatnonzero(filled)
    index, lots = shapely.STRtree(ground.outlines).query(points[where], predicate="dwithin", distance=EDGE_M)
    pairs = (where[index], lots.astype(np.int64))
    note = np.full(len(points), "", dtype=object)
    fits = np.bincount(pairs[0], minlength=len(points))
    note[filled & (fits > 1)] = f"the {by} lies on a shared side or in stacked lots"
    outside = np.flatnonzero(filled & (fits == 0))
    near, note[outside] = _nearby(by, points[outside], ground)
    return Route(by, filled, put_together([pairs, (outside[near[0]], near[1])]), note, outside=filled & (fits == 0))


def _nearby(by: str, points: NDArray[np.object_], ground: Ground) -> tuple[Pairs, NDArray[np.object_]]:
    """Return the lots within the allowed distance, and the notes on points that lie in no lot."""
    import shapely

    tree = shapely.STRtree(ground.places)
    note = np.full(len(points), f"the {by} lies in no lot", dtype=object)
    pairs = NO_PAIRS
    if ground.within_m > 0:
        index, lots = tree.query(points, predicate="dwithin", distance=ground.within_m)
        pairs = index.astype(np.int64), lots.astype(np.int64)
    fits = np.bincount(pairs[0], minlength=len(points))
    several = pd.Series(fits[fits > 1]).astype(str)
    note[fits > 1] += "; " + several.to_numpy(dtype=object) + f" lots lie within {ground.within_m:g} m"
    alone = np.flatnonzero(fits <= 1)
    (index, lots), away = tree.query_nearest(points[alone], max_distance=NEAR_M, return_distance=True)
    index, first = np.unique(index, return_index=True)  # of lots at the same distance the first is named
    index, lots, away = alone[index], lots[first], away[first]
    names = pd.Series(ground.lot_id[lots]).map(lambda name: f"'{shown(name)}'")
    start = np.where(ground.is_point[lots], "; the lots are points; nearest is ", "; nearest is ").astype(object)
    taken = np.where(fits[index] == 1, f": the only lot within {ground.within_m:g} m", "").astype(object)
    note[index] += start + (names + ", " + distances(away, ground.system) + " away").to_numpy(dtype=object) + taken
    return pairs, note


def say_misplaced(route: Route, lonlat: NDArray[np.float64], coverage: placement.Box) -> None:
    """Add to the notes of points in no lot that their coordinates look exchanged or lack their sign."""
    lost = route.filled & (np.bincount(route.pairs[0], minlength=len(route.filled)) == 0)
    sentences = np.full(len(lost), "", dtype=object)
    sentences[lost] = elsewhere(lonlat[lost], coverage)
    route.note = both(route.note, sentences, "; ")


def elsewhere(lonlat: NDArray[np.float64], coverage: placement.Box) -> NDArray[np.object_]:
    """Return a note on degrees that look exchanged or lack their sign; they are never moved."""
    sentences = placement.misplaced(lonlat, coverage, "the lots")
    sentences[sentences != ""] += ". Correct the row; nothing was changed here"
    return sentences


def by_shape(shapes: NDArray[np.object_], filled: NDArray[np.bool_], ground: Ground) -> list[Route]:
    """Return the lots that pins lie in and own polygons cover, and the notes on shapes of another kind."""
    import shapely

    kind = shapely.get_type_id(shapes)
    point, area = filled & (kind == 0), filled & np.isin(kind, (3, 6))
    other = filled & ~point & ~area
    note = np.full(len(shapes), "", dtype=object)
    note[other] = "the shape is neither a point nor a polygon"
    return [by_point("pin", shapes, point, ground), _by_polygon(shapes, area, ground.outlines),
            Route("shape", other, NO_PAIRS, note)]


def _by_polygon(shapes: NDArray[np.object_], filled: NDArray[np.bool_], outlines: NDArray[np.object_]) -> Route:
    import shapely

    where = np.flatnonzero(filled)
    own = shapely.make_valid(shapes[where], method="structure", keep_collapsed=False)
    index, lots = shapely.STRtree(outlines).query(own, predicate="intersects")
    area = shapely.area(own)[index]
    share = np.divide(shapely.area(shapely.intersection(own[index], outlines[lots])), area, out=np.zeros(len(index)),
                      where=area > 0)
    touched = share > 1e-9  # more than a common side
    index, lots, share = where[index[touched]], lots[touched].astype(np.int64), share[touched]
    large = share >= OVERLAP_SHARE
    any_large = np.zeros(len(shapes), dtype=bool)
    any_large[index[large]] = True
    alone = np.bincount(index, minlength=len(shapes)) == 1
    note = np.full(len(shapes), "", dtype=object)
    note[filled] = "the polygon covers no lot"
    note[index] = f"no lot covers {OVERLAP_SHARE:.0%} of the polygon"
    best = np.zeros(len(shapes))
    np.maximum.at(best, index, share)
    whole = np.minimum(np.floor(best[any_large] * 100 + 0.5), 100).astype(int)
    note[any_large] = np.array([f"{pct} % of the polygon lies in it" for pct in range(101)], dtype=object)[whole]
    note[(np.bincount(index[large], minlength=len(shapes)) > 1)] = "several lots cover half of the polygon or more"
    used = large | ~any_large[index]
    # A single lot that covers less than half is not taken either: most of the polygon lies elsewhere.
    return Route("own polygon", filled, (index[used], lots[used]), note, alone & ~any_large)


# ---------------------------------------------------------------- what a row gives
def points_of(requests: pd.DataFrame, crs: object) -> tuple[NDArray[np.object_], NDArray[np.bool_], NDArray[np.bool_]]:
    """Return points in the lots' coordinate system, which rows give a coordinate, and where it cannot be used."""
    import shapely

    text = [texts(requests, name).str.strip() for name in ("lon", "lat")]
    lon, lat = degrees(requests).T
    filled = ((text[0] != "") | (text[1] != "")).to_numpy(dtype=bool)
    good = filled & (np.abs(lon) <= 180) & (np.abs(lat) <= 90)
    points = np.full(len(requests), None, dtype=object)
    points[good] = shapely.points(lon[good], lat[good])
    points = project(points, "EPSG:4326", crs)
    good &= _finite(points)
    points[~good] = None
    return points, filled, filled & ~good


def degrees(requests: pd.DataFrame) -> NDArray[np.float64]:
    """Return lon and lat as numbers, shape (request, 2), nan where there is none."""
    return np.column_stack([
        pd.to_numeric(texts(requests, name).str.strip(), errors="coerce").to_numpy(dtype=np.float64, na_value=np.nan)
        for name in ("lon", "lat")])


def pin_degrees(requests: pd.DataFrame) -> NDArray[np.float64]:
    """Return lon and lat of shapes that are points in degrees, shape (request, 2), nan for others."""
    import geopandas as gpd
    import shapely

    lonlat = np.full((len(requests), 2), np.nan)
    if "geometry" not in requests:
        return lonlat
    if isinstance(requests, gpd.GeoDataFrame) and not (requests.crs is not None and requests.crs.is_geographic):
        return lonlat
    shapes = np.array(requests["geometry"].array, dtype=object)
    shapes[~shapely.is_geometry(shapes)] = None
    return np.column_stack([shapely.get_x(shapes), shapely.get_y(shapes)])


def own_shapes(requests: pd.DataFrame, crs: object) -> tuple[NDArray[np.object_], NDArray[np.bool_]]:
    """Return the shapes of the rows in the lots' coordinate system, and which rows give one.

    Raises
    ------
    LayerError
        When the shapes have no coordinate system.
    """
    import geopandas as gpd
    import shapely

    if "geometry" not in requests:
        return np.full(len(requests), None, dtype=object), np.zeros(len(requests), dtype=bool)
    source: object = "EPSG:4326"
    if isinstance(requests, gpd.GeoDataFrame):
        source = requests.geometry.crs
    if source is None:
        raise LayerError("E-SCR-080 requests: the shapes have no coordinate system. State it before matching.")
    shapes = np.array(requests["geometry"].array, dtype=object)
    shapes[~shapely.is_geometry(shapes)] = None
    filled = ~shapely.is_missing(shapes) & ~shapely.is_empty(shapes)
    shapes[filled & ~_finite(shapes)] = shapely.MultiPoint()
    shapes = project(shapes, source, crs)
    shapes[filled & ~_finite(shapes)] = shapely.MultiPoint()
    return shapes, filled


def _finite(shapes: NDArray[np.object_]) -> NDArray[np.bool_]:
    import shapely

    xy, row = shapely.get_coordinates(shapes, return_index=True)
    finite = ~shapely.is_missing(shapes)
    finite[row[~np.isfinite(xy).all(axis=1)]] = False
    return finite
