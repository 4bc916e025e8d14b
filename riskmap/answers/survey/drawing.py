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
    """Return contour lines as a table: line, level_mm, order, x_m, y_m; empty when no triangle is small enough."""
    columns = ["line", "level_mm", "order", "x_m", "y_m"]
    table = levels.points[levels.points["exclude"] == ""].reset_index(drop=True)
    found = mesh(table, longest_gap_m)
    if found is None:
        return pd.DataFrame(columns=columns)
    from matplotlib.figure import Figure
    from matplotlib.tri import Triangulation

    xy, corners = found
    level = table["level_mm"].to_numpy(float)
    steps = np.arange(np.ceil(level.min() / interval_mm), np.floor(level.max() / interval_mm) + 1)[:MOST_LINES]
    if not len(steps):
        return pd.DataFrame(columns=columns)
    mesh_of = Triangulation(xy[:, 0], xy[:, 1], corners)
    drawn = Figure().add_subplot().tricontour(mesh_of, level, levels=steps * interval_mm)
    rows, line = [], 0
    for height, paths in zip(steps * interval_mm, drawn.allsegs, strict=True):
        for path in (one for one in paths if len(one) > 1):
            rows += [(line, float(height), k, float(x), float(y)) for k, (x, y) in enumerate(path)]
            line += 1
    return pd.DataFrame(rows, columns=columns)


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
