"""Contours between the points, as tables and as GeoJSON. There are none outside the points or across wide gaps."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from riskmap.answers.survey.levels import Levels

if TYPE_CHECKING:
    from numpy.typing import NDArray

LONGEST_GAP_M = 6.0  # judgement: twice the 10 ft of common reading grids (5 to 10 ft, practice)
M_PER_DEGREE = 111_320.0  # at the equator of a sphere; over a house the error is below 1 mm per m
MOST_LINES = 400


def mesh(table: pd.DataFrame, longest_gap_m: float = LONGEST_GAP_M) -> tuple[NDArray[Any], NDArray[Any]] | None:
    """Return points and triangles between them; None when no triangle is small enough.

    In a grid of points a triangle has two sides of a cell and its diagonal. The diagonal does not count as a gap: two
    sides must not be longer than the gap, and the third not longer than the diagonal of a square of the gap.

    Parameters
    ----------
    table : DataFrame
        x_m, y_m.
    longest_gap_m : float
        Largest distance between neighbouring points of a grid.

    Returns
    -------
    xy : array, shape (n_point, 2)
    corners : array of int, shape (n_triangle, 3)
    """
    from scipy.spatial import Delaunay, QhullError

    xy = table[["x_m", "y_m"]].to_numpy(float)
    if len(xy) < 3:
        return None
    try:
        corners = Delaunay(xy - xy.mean(axis=0)).simplices
    except QhullError:
        return None
    side = xy[corners] - xy[np.roll(corners, 1, axis=1)]
    sides = np.sort(np.hypot(side[..., 0], side[..., 1]), axis=1)
    corners = corners[(sides[:, 1] <= longest_gap_m) & (sides[:, 2] <= math.sqrt(2) * longest_gap_m)]
    one, two = xy[corners[:, 1]] - xy[corners[:, 0]], xy[corners[:, 2]] - xy[corners[:, 0]]
    area = np.abs(one[:, 0] * two[:, 1] - one[:, 1] * two[:, 0])
    corners = corners[area > 1e-9]
    return (xy, corners) if len(corners) else None


def contours(levels: Levels, interval_mm: float, longest_gap_m: float = LONGEST_GAP_M) -> pd.DataFrame:
    """Return contour lines as a table: line, level_mm, order, x_m, y_m; empty when no triangle is small enough.

    Levels are linear within each triangle of `mesh`. A closed line ends at the point where it begins.
    """
    columns = ["line", "level_mm", "order", "x_m", "y_m"]
    table = levels.points[levels.points["exclude"] == ""].reset_index(drop=True)
    found = mesh(table, longest_gap_m)
    if found is None:
        return pd.DataFrame(columns=columns)
    xy, corners = found
    level = table["level_mm"].to_numpy(float)
    steps = np.arange(np.ceil(level.min() / interval_mm), np.floor(level.max() / interval_mm) + 1)[:MOST_LINES]
    rows, line = [], 0
    for height in (steps * interval_mm).tolist():
        for path in _traced(xy, corners, level, height):
            rows += [(line, height, k, float(x), float(y)) for k, (x, y) in enumerate(path)]
            line += 1
    return pd.DataFrame(rows, columns=columns)


def _traced(xy: NDArray[Any], corners: NDArray[Any], level: NDArray[Any], height: float) -> list[NDArray[Any]]:
    """Return the lines of one height, shape (n, 2) each: those that end at the rim of the triangles, then closed ones.

    A line crosses two sides of every triangle that has corners on both sides of the height. Triangles that share a side
    share the point on it, so that a line goes on from side to side.
    """
    above = level >= height
    sides = np.sort(np.stack([corners, np.roll(corners, -1, axis=1)], axis=2), axis=2)  # (n_triangle, 3, 2)
    crossed = above[sides[..., 0]] != above[sides[..., 1]]
    pairs = sides[crossed].reshape(-1, 2, 2)  # of each triangle that is crossed at all, two sides
    ends, number = np.unique(pairs.reshape(-1, 2), axis=0, return_inverse=True)
    if not len(ends):
        return []
    first, second = ends.T
    share = ((height - level[first]) / (level[second] - level[first]))[:, None]
    points = (1.0 - share) * xy[first] + share * xy[second]  # exactly at a corner that has the height
    beside: dict[int, list[int]] = {}
    for one, other in number.reshape(-1, 2).tolist():
        beside.setdefault(one, []).append(other)
        beside.setdefault(other, []).append(one)
    order = sorted(beside, key=lambda side: (len(beside[side]), side))  # lines begin at the rim, if they can
    out, seen = [], set()
    for start in order:
        if start in seen:
            continue
        path, at = [start], start
        seen.add(start)
        while (following := next((side for side in beside[at] if side not in seen), None)) is not None:
            path.append(following)
            seen.add(following)
            at = following
        closed = len(path) > 2 and start in beside[at]
        line = points[[*path, start] if closed else path]
        kept = line[np.concatenate([[True], np.any(np.diff(line, axis=0) != 0.0, axis=1)])]  # through a corner
        if len(kept) > 1:
            out.append(kept)
    return out


def geojson(lines: pd.DataFrame, longitude: float, latitude: float, bearing_deg: float,
            cautions: tuple[str, ...]) -> dict[str, Any]:
    """Return contours as GeoJSON (RFC 7946) with the drawing's (0, 0) at a place and +y toward a bearing."""
    turn = np.radians(bearing_deg)
    x, y = lines["x_m"].to_numpy(float), lines["y_m"].to_numpy(float)
    east, north = x * np.cos(turn) + y * np.sin(turn), y * np.cos(turn) - x * np.sin(turn)
    lon = np.round(longitude + east / (M_PER_DEGREE * np.cos(np.radians(latitude))), 8)
    lat = np.round(latitude + north / M_PER_DEGREE, 8)
    features = [{"type": "Feature", "properties": {"level_mm": round(float(part["level_mm"].iloc[0]), 2)},
                 "geometry": {"type": "LineString",
                              "coordinates": [[float(lon[i]), float(lat[i])] for i in part.index]}}
                for _, part in lines.reset_index(drop=True).groupby("line")]
    return {"type": "FeatureCollection", "features": features, "note": " ".join(cautions)}
