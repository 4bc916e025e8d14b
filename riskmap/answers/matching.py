"""Find lots: by parcel id, by an address where the run has labels, by a point, or by the user's own polygon.

In: one row per request. Out: one row per request, same order, with one of three named states. A request that fits
several lots is ambiguous and names them; the first one is never taken silently.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from riskmap.answers.matching_addresses import by_address
from riskmap.answers.matching_ids import by_id, near_ids, normal_id, same_id
from riskmap.answers.matching_places import (
    EDGE_M,
    NEAR_M,
    OVERLAP_SHARE,
    Ground,
    by_point,
    by_shape,
    degrees,
    elsewhere,
    own_shapes,
    pin_degrees,
    points_of,
    say_misplaced,
)
from riskmap.answers.matching_routes import Pairs, Route, both, distances, put_together, texts
from riskmap.common import tables
from riskmap.common.errors import shown

if TYPE_CHECKING:
    import geopandas as gpd

    from riskmap.lots import placement

__all__ = ["EDGE_M", "MOST_CANDIDATES", "MOST_WITHIN_M", "NEAR_M", "OTHER_LOT", "OVERLAP_SHARE", "STATES", "match",
           "near_ids", "normal_id", "same_id"]

STATES = {
    "matched": "one lot fits",
    "unmatched": "no lot found",
    "ambiguous": "more than one lot fits, or what the row gives does not agree",
}
NAMES = {**tables.STATES, "unmatched": STATES["unmatched"], "ambiguous": "more than one lot fits"}  # short, for pages
MOST_WITHIN_M = 500.0
OTHER_LOT = "the {first} and the {by} name different lots"  # how the note of such a row begins
MOST_CANDIDATES = 100  # judgement: nobody chooses among more; the note counts them
_NAMED = 4  # number of lots that a note names; the others are only counted


def match(requests: pd.DataFrame, lot: gpd.GeoDataFrame, *, within_m: float = 0.0,
          coverage: placement.Box | None = None, system: str = "si", labels: pd.Series | None = None) -> pd.DataFrame:
    """Match requests to lots.

    Parameters
    ----------
    requests : DataFrame
        Any of these columns; a row may leave any of them empty. `lot_id`: parcel id as text. `address`: a street
        address, compared with `labels`. `lon`, `lat`: degrees, EPSG:4326. `geometry`: a polygon, or a point such as a
        KML pin; in the coordinate system of a GeoDataFrame, otherwise in degrees. The name of a pin is not a parcel id:
        pass pins without `lot_id`.
    lot : GeoDataFrame
        lot_row, lot_id, geometry: valid shapes in a projected system in metres; shapes may be missing. With `flags`,
        lots that were given as points are recognised. All other columns decide whether two lots are equal.
    within_m : float
        A point outside every lot is matched to the only lot within this distance, if there is exactly one; 0 accepts
        only points inside a lot. [m]
    coverage : tuple, optional
        West, south, east, north of the lots in degrees. With it, the note of a point outside says when longitude and
        latitude look exchanged or a minus sign seems to be lost; the point is never moved.
    system : str
        `us` or `si`: the unit of distances in the notes.
    labels : Series of str, optional
        Labels by `lot_row`, such as addresses; without them no address is looked for.

    Returns
    -------
    DataFrame
        Index of `requests`. `lot_id` as given, `lot_id_compared` as it was compared, `match_status` (`STATES`),
        `match_note`, `matched_by`, `lot_row` (Int64, missing unless matched), `candidates` (of rows that are not
        matched: the `lot_row` of each lot that a note speaks of, at most `MOST_CANDIDATES`).

    Notes
    -----
    A parcel id is compared as written; if no lot matches, without case, blanks and dashes; if still none matches,
    without leading zeros. A point matches each lot within `EDGE_M`, so on a shared side it matches both; for a point in
    no lot the note names the nearest one. A polygon of the user's own matches the lot that covers at least
    `OVERLAP_SHARE` of it, if there is only one. An address matches each lot whose label is the same address in its
    written form (`addresses.normal`). A row that gives several things is matched when exactly one lot agrees with all
    of them, with three exceptions:

    - A parcel id that needs no leading zero left out decides alone where the coordinate cannot be used, or where the
      point lies in no lot (on the street, say) and at most `NEAR_M` from the lot of the id. A point inside another lot
      is not such a point: the row is ambiguous, and its note says which lots the two name. An address that is among
      the labels decides in the same way.
    - An address that is not among the labels decides nothing where the row gives anything else; its note says so.
    - Where all lots that fit are equal in every column and in shape, the first of them is the answer.
    """
    text = texts(requests, "lot_id")
    points, has_point, bad = points_of(requests, lot.crs)
    shapes, own = own_shapes(requests, lot.crs)
    ground = Ground.of(lot, within_m, system)
    ids = by_id(text, lot)
    address = by_address(texts(requests, "address") if labels is not None else _empty(len(requests)),
                         _by_place(labels, lot), len(lot))
    others = ids.filled | has_point | own
    address.without(address.filled & ~address.exact & others)
    routes = [ids, address, by_point("point", points, has_point & ~bad, ground), *by_shape(shapes, own, ground)]
    if coverage is not None:
        say_misplaced(routes[2], degrees(requests), coverage)
        say_misplaced(routes[3], pin_degrees(requests), coverage)
    _say_torn(ids, address)
    for route, places in ((routes[2], points), (routes[3], shapes)):
        _before_point(ids, route, places, ground, ids.exact)
        _before_point(address, route, places, ground, address.exact & ~ids.exact)
    together = _together(routes, len(requests), len(lot))

    status = together.status
    exact = ids.exact | address.exact
    status[bad & ~exact] = "unmatched"
    note = np.full(len(requests), "", dtype=object)
    nowhere = ~has_point & ~np.any([route.filled for route in routes], axis=0)
    note[nowhere] = "the row gives no parcel id, address, point or shape" if labels is not None else \
        "the row gives no parcel id, point or shape"
    note[bad] = "longitude or latitude is missing or out of range; they may be swapped"
    if coverage is not None:
        note = both(note, np.where(bad, elsewhere(degrees(requests), coverage), "").astype(object), "; ")
    note[bad & ids.exact] += "; the parcel id decides"
    note[bad & address.exact & ~ids.exact] += "; the address decides"
    for route in routes:
        note = both(note, route.note, "; ")
    note = both(note, _take_first_of_equals(together, lot), "; ")
    note = both(note, _named(together.named, status != "matched", lot), "; ")
    by = np.full(len(requests), "", dtype=object)
    for route in routes:
        by = both(by, np.where(route.filled & (status == "matched"), route.by, "").astype(object), " and ")
    row = np.full(len(requests), -1, dtype=np.int64)
    one = status[together.agreed[0]] == "matched"
    row[together.agreed[0][one]] = lot["lot_row"].to_numpy()[together.agreed[1][one]]
    return pd.DataFrame({
        "lot_id": text.to_numpy(), "lot_id_compared": normal_id(text).to_numpy(), "match_status": status,
        "match_note": note, "matched_by": by, "lot_row": pd.arrays.IntegerArray(row, status != "matched"),
        "candidates": _candidates(together.named, status != "matched", lot),
    }, index=requests.index)


# ---------------------------------------------------------------- a parcel id and a point
def _before_point(ids: Route, point: Route, places: NDArray[np.object_], ground: Ground,
                  exact: NDArray[np.bool_]) -> None:
    """Let exact parcel ids, or addresses, decide over points that are in no lot, and say where the two disagree.

    Beyond `NEAR_M` the point is not just on the street. Then the row stays unmatched, because the id or the address may
    be one of another county.
    """
    import shapely

    if point.outside is None:
        return
    count = len(exact)
    request, found = ids.pairs
    asked = point.filled[request] & exact[request]
    request, found = request[asked], found[asked]
    away = np.full(count, np.inf)
    with np.errstate(over="ignore"):  # of points with very large coordinates
        distance = shapely.distance(places[request], ground.places[found])
    np.minimum.at(away, request, np.nan_to_num(distance, nan=0.0))  # a lot without a shape cannot be far away
    named = np.isfinite(away)  # rows that have both
    street, far = named & point.outside & (away <= NEAR_M), named & point.outside & (away > NEAR_M)
    width = max(len(ground.lot_id), 1)
    agree = np.zeros(count, dtype=bool)
    agree[request[np.isin(request * width + found, point.pairs[0] * width + point.pairs[1])]] = True
    torn = named & ~point.outside & ~agree
    note = np.full(count, "", dtype=object)
    away_text = distances(away, ground.system).to_numpy(dtype=object)
    street &= ~agree
    other = OTHER_LOT.format(first=ids.by, by=point.by) + f": the lot of the {ids.by.removeprefix('parcel ')} is "
    note[street] = f"the {ids.by} decides: its lot is " + away_text[street] + " away"
    note[far] = f"the lot of the {ids.by} is " + away_text[far] + " away"
    note[torn] = other + away_text[torn] + " away"
    point.note = both(point.note, note, "; ")
    point.without(street)


def _say_torn(ids: Route, address: Route) -> None:
    """Say it in the note of rows whose parcel id and address name different lots."""
    count = len(ids.filled)
    both_name = (np.bincount(ids.pairs[0], minlength=count) > 0) & (np.bincount(address.pairs[0], minlength=count) > 0)
    pairs = pd.MultiIndex.from_arrays(ids.pairs).intersection(pd.MultiIndex.from_arrays(address.pairs))
    both_name[pairs.get_level_values(0).to_numpy(np.int64)] = False
    torn = np.where(both_name, OTHER_LOT.format(first=ids.by, by=address.by), "").astype(object)
    address.note = both(address.note, torn, "; ")


def _empty(count: int) -> pd.Series:
    return pd.Series([""] * count, dtype=str)


def _by_place(labels: pd.Series | None, lot: pd.DataFrame) -> pd.Series:
    """Return labels by the position of their lot in the table."""
    if labels is None:
        return _empty(0)
    place = pd.Index(lot["lot_row"]).get_indexer(labels.index)
    return labels.set_axis(place)[place >= 0]


# ---------------------------------------------------------------- together
@dataclass
class _Together:
    status: NDArray[np.object_]
    agreed: Pairs  # a lot that agrees with everything the row gives
    named: Pairs  # lots that a note names: those that agree with everything, otherwise all that agree with anything
    doubtful: NDArray[np.bool_]


def _together(routes: list[Route], count: int, lots: int) -> _Together:
    """Return the state of every row: a lot has to agree with everything that the row gives."""
    request, lot = put_together([route.pairs for route in routes])
    key, times = np.unique(request * max(lots, 1) + lot, return_counts=True)
    request, lot = key // max(lots, 1), key % max(lots, 1)
    needed = np.sum([route.filled for route in routes], axis=0)
    answered = np.sum([np.bincount(route.pairs[0], minlength=count) > 0 for route in routes], axis=0)
    agrees = times == needed[request]
    fits = np.bincount(request[agrees], minlength=count)
    torn = (fits == 0) & (needed > 0) & (answered == needed)  # each item matches a lot, but not the same one
    doubtful = np.any([route.doubtful for route in routes if route.doubtful is not None], axis=0)
    status = np.select([torn | (fits > 1) | doubtful & (fits > 0), fits == 1], ["ambiguous", "matched"], "unmatched")
    named = agrees | (fits[request] == 0)
    return _Together(status.astype(object), (request[agrees], lot[agrees]), (request[named], lot[named]),
                     np.broadcast_to(doubtful, count))


def _named(pairs: Pairs, mask: NDArray[np.bool_], lot: pd.DataFrame) -> NDArray[np.object_]:
    """Return `fits lot 'a' (lot_row 3), 'b' (lot_row 4) and 2 more` for the wanted rows that have pairs."""
    sentences = np.full(len(mask), "", dtype=object)
    keep = mask[pairs[0]]
    table = pd.DataFrame({"request": pairs[0][keep], "found": pairs[1][keep]})
    rank = table.groupby("request").cumcount()
    listed = table[rank < _NAMED]
    codes, distinct = pd.factorize(texts(lot, "lot_id").iloc[listed["found"]])
    label = np.array([f"'{shown(text)}'" for text in distinct] or [""], dtype=object)[codes]
    row = lot["lot_row"].iloc[listed["found"]].astype(str).to_numpy(dtype=object)
    words = pd.Series(label + " (lot_row " + row + ")", index=listed["request"].to_numpy(), dtype=object)
    names = words.groupby(level=0).agg(", ".join)
    more = table.groupby("request").size().reindex(names.index) - _NAMED
    extra = (" and " + more.astype(str) + " more").where(more > 0, "")
    sentences[names.index] = ("fits " + names + extra).to_numpy(dtype=object)
    return sentences


def _candidates(pairs: Pairs, mask: NDArray[np.bool_], lot: pd.DataFrame) -> NDArray[np.object_]:
    """Return the lots that each wanted row may mean, by `lot_row`; an empty tuple for the others."""
    out = np.full(len(mask), None, dtype=object)
    out[:] = [()] * len(mask)
    keep = mask[pairs[0]]
    table = pd.DataFrame({"request": pairs[0][keep], "row": lot["lot_row"].to_numpy()[pairs[1][keep]]})
    table = table[table.groupby("request").cumcount() < MOST_CANDIDATES]
    for request, rows in table.groupby("request")["row"]:  # only rows that are not matched
        out[int(str(request))] = tuple(int(row) for row in rows)
    return out


def _take_first_of_equals(together: _Together, lot: gpd.GeoDataFrame) -> NDArray[np.object_]:
    """Match rows for which several lots qualify and all are equal to the first one; return the note on it."""
    import shapely

    count = len(together.status)
    note = np.full(count, "", dtype=object)
    request, found = together.agreed
    several = (together.status[request] == "ambiguous") & ~together.doubtful[request]
    asked, candidates = request[several], found[several]
    if not len(asked):
        return note
    used, place = np.unique(candidates, return_inverse=True)
    table = pd.DataFrame(lot.drop(columns=["lot_row", lot.geometry.name])).iloc[used].reset_index(drop=True)
    shapes = np.array(lot.geometry.array, dtype=object)[used]
    table["shape"] = [b"" if wkb is None else wkb for wkb in shapely.to_wkb(shapely.normalize(shapes))]
    kind = table.groupby(list(table.columns), dropna=False, sort=False).ngroup().to_numpy()[place]
    least, most = np.full(count, len(used)), np.full(count, -1)
    np.minimum.at(least, asked, kind)
    np.maximum.at(most, asked, kind)
    equal = least == most
    first = np.full(count, len(lot))
    np.minimum.at(first, asked, candidates)
    rows = np.flatnonzero(equal)
    copies = np.bincount(asked, minlength=count)[rows]
    together.status[rows] = "matched"
    left = ~equal[request]
    together.agreed = put_together([(request[left], found[left]), (rows, first[rows])])
    lot_rows = lot["lot_row"].astype(str).to_numpy(dtype=object)[first[rows]]
    note[rows] = pd.Series(copies).astype(str).to_numpy(dtype=object) + " equal rows of this lot; the first (lot_row " \
        + lot_rows + ") is shown"
    return note
