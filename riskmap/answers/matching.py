"""Find lots without an address: by parcel id, by a point, or by the user's own polygon.

In: one row per request. Out: one row per request, same order, with one of three named states. A request that fits
several lots is ambiguous and names them; the first one is never taken silently.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from riskmap.common.errors import LayerError, shown
from riskmap.lots import placement
from riskmap.lots.geometry import project

if TYPE_CHECKING:
    import geopandas as gpd

STATES = {
    "matched": "one lot fits",
    "unmatched": "no lot fits",
    "ambiguous": "more than one lot fits, or what the row gives does not agree",
}
# Both are judgement. 0.1 m is the last digit of coordinates with six decimals: nearer to a line, the side is not known.
EDGE_M = 0.1
OVERLAP_SHARE = 0.5
NEAR_M = 1000.0  # judgement: a lot farther away is not named as the nearest
MOST_WITHIN_M = 500.0
_COMPARED = 5000  # ids that are compared letter by letter
_NAMED = 4  # lots that a note names; the others are counted

# A spreadsheet made a number of the identifier: 1.2345E+16, 123.0. Digits are lost, so nothing is guessed from it.
_MADE_NUMBER = r"\d(?:\.\d+)?[eE]\+\d+|\d+\.0+"
_JOINING = r"[\s\u00ad\u200b-\u200f\u2060\ufeff\-\u2010-\u2015\u2212]+"  # blanks, dashes of every kind, invisible marks

Pairs = tuple[NDArray[np.int64], NDArray[np.int64]]  # position of the request, position in the lots
_NO_PAIRS: Pairs = (np.empty(0, dtype=np.int64), np.empty(0, dtype=np.int64))


@dataclass
class _Route:
    """What one way of matching found; `given` marks requests that use it, `doubtful` those it may not decide."""

    by: str
    filled: NDArray[np.bool_]
    pairs: Pairs
    note: NDArray[np.object_]
    doubtful: NDArray[np.bool_] | None = None


def match(requests: pd.DataFrame, lot: gpd.GeoDataFrame, *, within_m: float = 0.0,
          coverage: placement.Box | None = None) -> pd.DataFrame:
    """Match requests to lots.

    Parameters
    ----------
    requests : DataFrame
        Any of these columns; a row may leave any of them empty. `lot_id`: parcel id as text. `lon`, `lat`: degrees,
        EPSG:4326. `geometry`: a polygon, or a point such as a KML pin; in the system of a GeoDataFrame,
        else in degrees. The name of a pin is no parcel id: pass pins without `lot_id`.
    lot : GeoDataFrame
        lot_row, lot_id, geometry: valid shapes in a projected system in metres; shapes may be missing. With `flags`,
        lots that were given as points are known.
    within_m : float
        A point in no lot takes the lot within this distance, if there is exactly one; 0: inside only. [m]
    coverage : tuple, optional
        West, south, east, north of the lots in degrees. With it a point outside says when longitude and latitude look
        exchanged or a minus sign lost; it is never moved.

    Returns
    -------
    DataFrame
        Index of `requests`. `lot_id` as given, `lot_id_compared` as it was compared, `match_status` (`STATES`),
        `match_note`, `matched_by`, `lot_row` (Int64, missing unless matched).

    Notes
    -----
    A parcel id is compared as written; where that fits nothing, without case, blanks and dashes; where that fits
    nothing either, without leading zeros. A point fits each lot within `EDGE_M`: on a shared side it fits both; in no
    lot, the note names the nearest. An own polygon fits the lot that covers at least `OVERLAP_SHARE` of it, if only
    one does. A row that gives several things is matched when exactly one lot fits them all.
    """
    text = _text(requests, "lot_id")
    points, has_point, bad = _points(requests, lot.crs)
    shapes, own = _own_shapes(requests, lot.crs)
    ground = _Ground.of(lot, within_m)
    routes = [_by_id(text, lot), _by_point("point", points, has_point & ~bad, ground), *_by_shape(shapes, own, ground)]
    if coverage is not None:
        _tell_misplaced(routes[1], _degrees(requests), coverage)
        _tell_misplaced(routes[2], _pin_degrees(requests), coverage)
    together = _together(routes, len(requests), len(lot))

    status = together.status
    status[bad] = "unmatched"
    note = np.full(len(requests), "", dtype=object)
    nowhere = ~has_point & ~np.any([route.filled for route in routes], axis=0)
    note[nowhere] = "the row gives no parcel id, point or shape"
    note[bad] = "longitude or latitude is missing or out of range; they may be swapped"
    if coverage is not None:
        note = _joined(note, np.where(bad, _elsewhere(_degrees(requests), coverage), "").astype(object), "; ")
    for route in routes:
        note = _joined(note, route.note, "; ")
    note = _joined(note, _named(together.named, status != "matched", lot), "; ")
    by = np.full(len(requests), "", dtype=object)
    for route in routes:
        by = _joined(by, np.where(route.filled & (status == "matched"), route.by, "").astype(object), " and ")
    row = np.full(len(requests), -1, dtype=np.int64)
    one = status[together.agreed[0]] == "matched"
    row[together.agreed[0][one]] = lot["lot_row"].to_numpy()[together.agreed[1][one]]
    return pd.DataFrame({
        "lot_id": text.to_numpy(), "lot_id_compared": normal_id(text).to_numpy(), "match_status": status,
        "match_note": note, "matched_by": by, "lot_row": pd.arrays.IntegerArray(row, status != "matched"),
    }, index=requests.index)


def normal_id(text: pd.Series) -> pd.Series:
    """Return parcel ids without case, blanks and dashes, in one Unicode form; leading zeros stay."""
    plain = text.str.normalize("NFKC").str.casefold()
    return plain.str.replace(_JOINING, "", regex=True)


# ---------------------------------------------------------------- by parcel id
def same_id(lot_id: str, known: pd.Series) -> tuple[list[str], str]:
    """Return the different ids that a parcel id is matched with, as they are written, and how it was compared."""
    route = _by_id(pd.Series([lot_id], dtype=str), pd.DataFrame({"lot_id": known}))
    return sorted(set(known.iloc[route.pairs[1]])), str(route.note[0]) or "parcel id compared without blanks around it"


def near_ids(lot_id: str, known: pd.Series, most: int = 5) -> list[str]:
    """Return ids that look like one: those that contain it, else those with the same start or end and few changes."""
    import difflib

    plain, form = normal_id(pd.Series([lot_id]))[0], normal_id(known)
    if not plain:
        return []
    inside = known[form.str.contains(plain, regex=False)].head(most)
    if len(inside):
        return [str(name) for name in inside]
    half = max(len(plain) // 2, 1)
    alike = form[form.str.startswith(plain[:half]) | form.str.endswith(plain[-half:])].drop_duplicates()[:_COMPARED]
    written = dict(zip(alike, known.loc[alike.index], strict=True))
    return [str(written[name]) for name in difflib.get_close_matches(plain, list(written), most, 0.7)]


def _by_id(text: pd.Series, lot: pd.DataFrame) -> _Route:
    filled = (text.str.strip() != "").to_numpy(dtype=bool)
    known = _text(lot, "lot_id")
    note = np.full(len(text), "", dtype=object)
    pairs = [_NO_PAIRS]
    still = np.flatnonzero(filled)
    forms: tuple[tuple[str, Callable[[pd.Series], pd.Series]], ...] = (
        ("", lambda ids: ids.str.strip()), ("parcel id compared without case, blanks and dashes", normal_id),
        ("parcel id compared without leading zeros", lambda ids: normal_id(ids).str.lstrip("0")))
    for sentence, form in forms:
        where, lots = _equal(form(text.iloc[still]), form(known))
        pairs.append((still[where], lots))
        note[still[where]] = sentence
        still = np.setdiff1d(still, still[where])
    note[still] = "the parcel id is not among the lots"
    damaged = text.iloc[still].str.strip().str.fullmatch(_MADE_NUMBER).to_numpy(dtype=bool)
    note[still[damaged]] = ("the parcel id is not among the lots; it looks as if a spreadsheet had made a number of "
                            "it, so digits may be lost")
    return _Route("parcel id", filled, _put_together(pairs), note)


def _equal(asked_ids: pd.Series, known: pd.Series) -> Pairs:
    """Return all pairs of equal texts, as positions in both; empty text equals nothing."""
    codes, _ = pd.factorize(np.concatenate([known.to_numpy(dtype=object), asked_ids.to_numpy(dtype=object)]))
    ours, theirs = codes[:len(known)], codes[len(known):]
    order = np.argsort(ours, kind="stable")
    first = np.searchsorted(ours[order], theirs, "left")
    count = np.searchsorted(ours[order], theirs, "right") - first
    count[(asked_ids == "").to_numpy(dtype=bool)] = 0
    left = np.repeat(np.arange(len(asked_ids)), count)
    within = np.arange(len(left)) - np.repeat(np.cumsum(count) - count, count)
    return left.astype(np.int64), order[first[left] + within].astype(np.int64)


# ---------------------------------------------------------------- by place
@dataclass(frozen=True)
class _Ground:
    """The lots as places: outlines, what distances are measured to, which were points, how far a point may lie off."""

    outlines: NDArray[np.object_]
    places: NDArray[np.object_]  # the outline, of a lot given as a point that point
    is_point: NDArray[np.bool_]
    lot_id: NDArray[np.object_]
    within_m: float

    @classmethod
    def of(cls, lot: gpd.GeoDataFrame, within_m: float) -> _Ground:
        import shapely

        outlines = np.array(lot.geometry.array, dtype=object)
        is_point = (";" + _text(lot, "flags") + ";").str.contains(";point_lot;", regex=False).to_numpy(dtype=bool)
        places = outlines.copy()
        places[is_point] = shapely.centroid(outlines[is_point])
        return cls(outlines, places, is_point, _text(lot, "lot_id").to_numpy(dtype=object), within_m)


def _by_point(by: str, points: NDArray[np.object_], filled: NDArray[np.bool_], ground: _Ground) -> _Route:
    import shapely

    where = np.flatnonzero(filled)
    index, lots = shapely.STRtree(ground.outlines).query(points[where], predicate="dwithin", distance=EDGE_M)
    pairs = (where[index], lots.astype(np.int64))
    note = np.full(len(points), "", dtype=object)
    fits = np.bincount(pairs[0], minlength=len(points))
    note[filled & (fits > 1)] = f"the {by} lies on a shared side or in stacked lots"
    outside = np.flatnonzero(filled & (fits == 0))
    near, note[outside] = _nearby(by, points[outside], ground)
    return _Route(by, filled, _put_together([pairs, (outside[near[0]], near[1])]), note)


def _nearby(by: str, points: NDArray[np.object_], ground: _Ground) -> tuple[Pairs, NDArray[np.object_]]:
    """Return lots within the distance that is allowed, and what to say of points that lie in no lot."""
    import shapely

    tree = shapely.STRtree(ground.places)
    note = np.full(len(points), f"the {by} lies in no lot", dtype=object)
    pairs = _NO_PAIRS
    if ground.within_m > 0:
        index, lots = tree.query(points, predicate="dwithin", distance=ground.within_m)
        pairs = index.astype(np.int64), lots.astype(np.int64)
    fits = np.bincount(pairs[0], minlength=len(points))
    several = pd.Series(fits[fits > 1]).astype(str)
    note[fits > 1] += "; " + several.to_numpy(dtype=object) + f" lots lie within {ground.within_m:g} m"
    alone = np.flatnonzero(fits <= 1)
    (index, lots), away = tree.query_nearest(points[alone], max_distance=NEAR_M, return_distance=True)
    index, first = np.unique(index, return_index=True)  # of lots equally far the first is named
    index, lots, away = alone[index], lots[first], away[first]
    metres = pd.Series(away).map(lambda m: f"{m:.0f}" if m >= 10 else f"{m:.1f}".removesuffix(".0"))
    names = pd.Series(ground.lot_id[lots]).map(lambda name: f"'{shown(name)}'")
    start = np.where(ground.is_point[lots], "; the lots are points; nearest is ", "; nearest is ").astype(object)
    taken = np.where(fits[index] == 1, f": the only lot within {ground.within_m:g} m", "").astype(object)
    note[index] += start + (names + ", " + metres + " m away").to_numpy(dtype=object) + taken
    return pairs, note


def _tell_misplaced(route: _Route, lonlat: NDArray[np.float64], coverage: placement.Box) -> None:
    """Say it in the note of points in no lot that look exchanged or without their sign."""
    lost = route.filled & (np.bincount(route.pairs[0], minlength=len(route.filled)) == 0)
    sentences = np.full(len(lost), "", dtype=object)
    sentences[lost] = _elsewhere(lonlat[lost], coverage)
    route.note = _joined(route.note, sentences, "; ")


def _elsewhere(lonlat: NDArray[np.float64], coverage: placement.Box) -> NDArray[np.object_]:
    sentences = placement.misplaced(lonlat, coverage, "the lots")
    sentences[sentences != ""] += ". Correct the row; nothing was changed here"
    return sentences


def _by_shape(shapes: NDArray[np.object_], filled: NDArray[np.bool_], ground: _Ground) -> list[_Route]:
    import shapely

    kind = shapely.get_type_id(shapes)
    point, area = filled & (kind == 0), filled & np.isin(kind, (3, 6))
    other = filled & ~point & ~area
    note = np.full(len(shapes), "", dtype=object)
    note[other] = "the shape is neither a point nor a polygon"
    return [_by_point("pin", shapes, point, ground), _by_polygon(shapes, area, ground.outlines),
            _Route("shape", other, _NO_PAIRS, note)]


def _by_polygon(shapes: NDArray[np.object_], filled: NDArray[np.bool_], outlines: NDArray[np.object_]) -> _Route:
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
    return _Route("own polygon", filled, (index[used], lots[used]), note, alone & ~any_large)


# ---------------------------------------------------------------- together
@dataclass
class _Together:
    status: NDArray[np.object_]
    agreed: Pairs  # a lot that fits everything the row gives
    named: Pairs  # what a note names: the agreed lots, else all that anything fits


def _together(routes: list[_Route], count: int, lots: int) -> _Together:
    """Return the state of every row: a lot has to fit everything that the row gives."""
    request, lot = _put_together([route.pairs for route in routes])
    key, times = np.unique(request * max(lots, 1) + lot, return_counts=True)
    request, lot = key // max(lots, 1), key % max(lots, 1)
    needed = np.sum([route.filled for route in routes], axis=0)
    answered = np.sum([np.bincount(route.pairs[0], minlength=count) > 0 for route in routes], axis=0)
    agrees = times == needed[request]
    fits = np.bincount(request[agrees], minlength=count)
    torn = (fits == 0) & (needed > 0) & (answered == needed)  # each thing fits a lot, but not the same one
    doubtful = np.any([route.doubtful for route in routes if route.doubtful is not None], axis=0)
    status = np.select([torn | (fits > 1) | doubtful & (fits > 0), fits == 1], ["ambiguous", "matched"], "unmatched")
    named = agrees | (fits[request] == 0)
    return _Together(status.astype(object), (request[agrees], lot[agrees]), (request[named], lot[named]))


def _named(pairs: Pairs, mask: NDArray[np.bool_], lot: pd.DataFrame) -> NDArray[np.object_]:
    """Return `fits lot 'a' (lot_row 3), 'b' (lot_row 4) and 2 more` for the wanted rows that have pairs."""
    sentences = np.full(len(mask), "", dtype=object)
    keep = mask[pairs[0]]
    table = pd.DataFrame({"request": pairs[0][keep], "found": pairs[1][keep]})
    rank = table.groupby("request").cumcount()
    listed = table[rank < _NAMED]
    codes, distinct = pd.factorize(_text(lot, "lot_id").iloc[listed["found"]])
    label = np.array([f"'{shown(text)}'" for text in distinct] or [""], dtype=object)[codes]
    row = lot["lot_row"].iloc[listed["found"]].astype(str).to_numpy(dtype=object)
    words = pd.Series(label + " (lot_row " + row + ")", index=listed["request"].to_numpy(), dtype=object)
    names = words.groupby(level=0).agg(", ".join)
    more = table.groupby("request").size().reindex(names.index) - _NAMED
    extra = (" and " + more.astype(str) + " more").where(more > 0, "")
    sentences[names.index] = ("fits " + names + extra).to_numpy(dtype=object)
    return sentences


def _put_together(pairs: list[Pairs]) -> Pairs:
    return np.concatenate([pair[0] for pair in pairs]), np.concatenate([pair[1] for pair in pairs])


def _joined(left: NDArray[np.object_], right: NDArray[np.object_], mark: str) -> NDArray[np.object_]:
    both: NDArray[np.object_] = np.where((left == "") | (right == ""), left + right, left + mark + right)
    return both


# ---------------------------------------------------------------- what a row gives
def _text(frame: pd.DataFrame, name: str) -> pd.Series:
    if name not in frame:
        return pd.Series([""] * len(frame), dtype=str)
    return frame[name].astype("string").fillna("").astype(str).reset_index(drop=True)


def _points(requests: pd.DataFrame, crs: object) -> tuple[NDArray[np.object_], NDArray[np.bool_], NDArray[np.bool_]]:
    """Return points in the lots' system, which rows give a coordinate, and where it cannot be used."""
    import shapely

    text = [_text(requests, name).str.strip() for name in ("lon", "lat")]
    lon, lat = _degrees(requests).T
    filled = ((text[0] != "") | (text[1] != "")).to_numpy(dtype=bool)
    good = filled & (np.abs(lon) <= 180) & (np.abs(lat) <= 90)
    points = np.full(len(requests), None, dtype=object)
    points[good] = shapely.points(lon[good], lat[good])
    points = project(points, "EPSG:4326", crs)
    good &= _finite(points)
    points[~good] = None
    return points, filled, filled & ~good


def _degrees(requests: pd.DataFrame) -> NDArray[np.float64]:
    """Return lon and lat as numbers, shape (request, 2), nan where there is none."""
    return np.column_stack([
        pd.to_numeric(_text(requests, name).str.strip(), errors="coerce").to_numpy(dtype=np.float64, na_value=np.nan)
        for name in ("lon", "lat")])


def _pin_degrees(requests: pd.DataFrame) -> NDArray[np.float64]:
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


def _own_shapes(requests: pd.DataFrame, crs: object) -> tuple[NDArray[np.object_], NDArray[np.bool_]]:
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
