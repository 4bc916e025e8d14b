"""Distance from a lot to the nearest soil boundary, and how far the boundary's own width reaches into the lot.

A soil boundary is an edge between two different map units. The outer edge of the survey and an edge between two
polygons of the same unit are none.
Method: notebooks/method.md, section 2.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from riskmap.common.units import M_PER_FOOT

if TYPE_CHECKING:
    from riskmap.soil.overlay import SoilPolygons

# Published widths of a boundary on order 2 and 3 maps: about 40 ft at 1:12,000 and 80 ft at 1:24,000 (soil-survey
# guidance on map scale): 1 ft per 300 of the denominator.
SCALE_PER_FOOT = 300.0
ONE_SIDED_5_PCT = 1.6449  # normal score: beyond one full width the share is below 5 %
# number of edges that are searched as one piece: 2.3 times faster than whole boundaries on a county (measured)
LONGEST_CHAIN = 8
# shares are rounded to these steps, so that lots share mixtures; below one step the own unit counts as certain
SHARE_STEP = 0.05
GAP_M = 1.0  # judgement: edges of adjoining surveys that differ by less still meet


@dataclass(frozen=True)
class Lines:
    """Soil boundaries as chains of edges, with the map units on their two sides (indices as in SoilPolygons)."""

    geometry: NDArray[np.object_]
    own: NDArray[np.int64]
    other: NDArray[np.int64]


def line_width_m(scale: float) -> float:
    """Return the width of a drawn soil boundary on the ground for a scale denominator. [m] (method.md, section 2)"""
    return scale / SCALE_PER_FOOT * M_PER_FOOT


def neighbor_share(distance_m: NDArray[np.float64], scale: int | None) -> NDArray[np.float64]:
    """Return the probability that the slab is on the neighbouring map unit. [-] (method.md, section 2)

    0.5 erfc(d / (s sqrt 2)) with s = width / 1.645: 0.5 on the boundary and 0.05 one full width away; nan without a
    scale. It is judgement that the true boundary is normally distributed about the drawn one.
    """
    from scipy.special import erfc

    if scale is None:
        return np.full(np.shape(distance_m), np.nan)
    sigma = line_width_m(scale) / ONE_SIDED_5_PCT
    return 0.5 * erfc(np.asarray(distance_m, float) / (sigma * np.sqrt(2.0)))


def doubt_weight(neighbor_share: NDArray[np.float64], part_of_lot: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return how much of the neighbour unit to mix into a lot's own soil, 0-1. [-] (method.md, section 2)

    The neighbour gets at least its probability: a mixture `(1 - w) own + w neighbour` with `w = (q - p) / (1 - p)`
    contains the neighbour with share `q`, the probability in steps of `SHARE_STEP`, where its part `p` of the lot's
    area is smaller; `w = 0` where the area share is already as large, below a share of one step (5 %, beyond a full
    line width) and where the share is unknown.

    Parameters
    ----------
    neighbor_share : float array
        As returned by `neighbor_share`, nan where unknown.
    part_of_lot : float array, same shape
        Part of the lot's mapped area that lies on that unit.
    """
    share = np.nan_to_num(neighbor_share)
    stepped = np.where(share < SHARE_STEP, 0.0, np.round(share / SHARE_STEP) * SHARE_STEP)
    part = np.minimum(part_of_lot, stepped)
    return (stepped - part) / (1.0 - part)  # stepped is 0.5 at most


def nearest(points: NDArray[np.object_], soils: SoilPolygons, lines: Lines | None = None) \
        -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Return the distance to the nearest soil boundary and the map unit on its other side.

    Parameters
    ----------
    points : array of points, shape (n_lot,)
        In the coordinate system of `soils`; None gives no answer.
    soils : SoilPolygons
        As returned by `overlay.prepare`.
    lines : Lines, optional
        Boundaries of `soils`, when they were built before.

    Returns
    -------
    tuple
        Distance [m], nan for points off the map or without any boundary; unit index, -1 there.
    """
    import shapely

    distance, neighbor = np.full(len(points), np.nan), np.full(len(points), -1, np.int64)
    own_unit = home(points, soils)
    lines = soil_lines(soils) if lines is None else lines
    ask = np.flatnonzero(own_unit >= 0)
    if not len(ask) or not len(lines.geometry):
        return distance, neighbor
    (position, line), far = shapely.STRtree(lines.geometry).query_nearest(points[ask], return_distance=True,
                                                                      all_matches=True)
    lot = ask[position]
    at_home = lines.own[line] == own_unit[lot]
    beyond = np.where(at_home, lines.other[line], lines.own[line])
    touches = at_home | (lines.other[line] == own_unit[lot])
    # of boundaries at the same distance: one that bounds the lot's unit, then the lowest unit
    order = np.lexsort((beyond, ~touches, lot))
    _, first = np.unique(lot[order], return_index=True)
    pick = order[first]
    distance[lot[pick]], neighbor[lot[pick]] = far[pick], beyond[pick]
    return distance, neighbor


def home(points: NDArray[np.object_], soils: SoilPolygons) -> NDArray[np.int64]:
    """Return the map unit under each point, the lowest index where polygons meet; -1 off the map."""
    import shapely

    lowest = np.full(len(points), np.iinfo(np.int64).max)
    soil, lot = shapely.STRtree(points).query(soils.geometry, predicate="intersects")
    np.minimum.at(lowest, lot, soils.unit[soil])
    return np.where(lowest == np.iinfo(np.int64).max, -1, lowest)


def soil_lines(soils: SoilPolygons) -> Lines:
    """Build the boundaries between different map units from the edges that two polygons share.

    Edges without a partner (the outer edge, or adjoining surveys whose vertices differ) count when another unit lies
    within `GAP_M` of their midpoint.
    """
    import shapely

    rings, polygon = shapely.get_parts(shapely.boundary(soils.geometry), return_index=True)
    xy, ring = shapely.get_coordinates(rings, return_index=True)
    last = np.flatnonzero(np.diff(ring) != 0)
    edge = np.delete(np.arange(max(len(xy) - 1, 0)), last)  # edge i runs from vertex i to i + 1
    owner = soils.unit[polygon[ring[edge]]]
    other = _other_side(_edge_codes(xy, edge), owner)
    lone = np.flatnonzero(other == _ALONE)
    other[lone] = _across_gap((xy[edge[lone]] + xy[edge[lone] + 1]) / 2.0, owner[lone], soils)
    whole = (other >= 0) & ((owner < other) | np.isin(np.arange(len(edge)), lone))  # a shared edge is used once
    return _chains(xy, edge[whole], owner[whole], other[whole])


_ALONE, _SAME = -2, -1


def _edge_codes(xy: NDArray[np.float64], edge: NDArray[np.int64]) -> NDArray[np.uint64]:
    """Return one 64-bit code per edge, which is the same whichever way the edge is drawn (to 0.1 mm)."""
    cell = np.round(xy * 1e4).astype(np.int64).view(np.uint64)
    with np.errstate(over="ignore"):
        code = _mix(cell[:, 0] * np.uint64(0x9E3779B97F4A7C15) + _mix(cell[:, 1]))
        return _mix(code[edge]) + _mix(code[edge + 1])


def _mix(value: NDArray[np.uint64]) -> NDArray[np.uint64]:
    """Scramble the bits of a 64-bit number (finalising steps of a public-domain integer hash)."""
    value = (value ^ (value >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    value = (value ^ (value >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return value ^ (value >> np.uint64(31))


def _other_side(code: NDArray[np.uint64], owner: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return per edge the other map unit, `_SAME` when both sides are one unit, `_ALONE` when there is no partner."""
    order = np.lexsort((owner, code))
    sorted_code, sorted_owner = code[order], owner[order]
    start = np.flatnonzero(np.concatenate(([True], sorted_code[1:] != sorted_code[:-1]))) if len(code) else order
    count = np.diff(np.append(start, len(code)))
    low, high = sorted_owner[start], sorted_owner[start + count - 1]
    group = np.repeat(np.arange(len(start)), count)
    side = np.where(sorted_owner == low[group], high[group], low[group])
    side = np.where(count[group] == 1, _ALONE, np.where(low[group] == high[group], _SAME, side))
    out = np.empty_like(owner)
    out[order] = side
    return out


def _across_gap(middle: NDArray[np.float64], owner: NDArray[np.int64], soils: SoilPolygons) -> NDArray[np.int64]:
    """Return the other unit within `GAP_M` of edges without a partner; `_ALONE` where there is none."""
    import shapely

    neighbour = np.full(len(middle), np.iinfo(np.int64).max)
    if len(middle):
        point, soil = shapely.STRtree(soils.geometry).query(shapely.points(middle), predicate="dwithin", distance=GAP_M)
        differs = soils.unit[soil] != owner[point]
        np.minimum.at(neighbour, point[differs], soils.unit[soil[differs]])
    return np.where(neighbour == np.iinfo(np.int64).max, _ALONE, neighbour)


def _chains(xy: NDArray[np.float64], edge: NDArray[np.int64], own: NDArray[np.int64],
            other: NDArray[np.int64]) -> Lines:
    """Join edges that follow one another between the same two units into short boundaries, which are fast to search."""
    import shapely

    if not len(edge):
        return Lines(np.array([], dtype=object), own, other)
    new = np.concatenate(([True], (np.diff(edge) != 1) | (np.diff(own) != 0) | (np.diff(other) != 0)))
    place = np.arange(len(edge))
    new |= (place - np.maximum.accumulate(np.where(new, place, 0))) % LONGEST_CHAIN == 0
    chain = np.cumsum(new) - 1
    chain_of = np.concatenate([chain, chain[np.append(new[1:], True)]])
    vertex = np.concatenate([edge, edge[np.append(new[1:], True)] + 1])
    order = np.lexsort((vertex, chain_of))
    return Lines(shapely.linestrings(xy[vertex[order]], indices=chain_of[order]), own[new], other[new])
