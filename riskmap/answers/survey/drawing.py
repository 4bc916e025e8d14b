"""Contours between the points, and their drawing. Nothing is drawn outside the points or across wide gaps."""

from __future__ import annotations

import io
import textwrap
import warnings
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from riskmap.answers.survey.levels import YARDSTICKS, Levels
from riskmap.common.errors import shown
from riskmap.common.units import MM_PER_INCH, m_to_foot
from riskmap.outputs import palette, typeface

if TYPE_CHECKING:
    from numpy.typing import NDArray

LONGEST_GAP_M = 6.0  # judgement: twice the 10 ft of common reading grids (5 to 10 ft, practice)
M_PER_DEGREE = 111_320.0  # at the equator of a sphere; over a house the error is below 1 mm per m
MOST_LINES = 400
_INKED: dict[Any, str] = dict.fromkeys(
    ("text.color", "axes.edgecolor", "axes.labelcolor", "xtick.color", "ytick.color"), palette.INK)


def _mesh(table: pd.DataFrame, longest_gap_m: float) -> tuple[NDArray[Any], NDArray[Any]] | None:
    from scipy.spatial import Delaunay, QhullError

    xy = table[["x_m", "y_m"]].to_numpy(float)
    if len(xy) < 3:
        return None
    try:
        corners = Delaunay(xy - xy.mean(axis=0)).simplices
    except QhullError:
        return None
    side = xy[corners] - xy[np.roll(corners, 1, axis=1)]
    corners = corners[np.hypot(side[..., 0], side[..., 1]).max(axis=1) <= longest_gap_m]
    one, two = xy[corners[:, 1]] - xy[corners[:, 0]], xy[corners[:, 2]] - xy[corners[:, 0]]
    area = np.abs(one[:, 0] * two[:, 1] - one[:, 1] * two[:, 0])
    corners = corners[area > 1e-9]
    return (xy, corners) if len(corners) else None


def contours(levels: Levels, interval_mm: float, longest_gap_m: float = LONGEST_GAP_M) -> pd.DataFrame:
    """Return contour lines as a table: line, level_mm, order, x_m, y_m; empty when no triangle is small enough."""
    columns = ["line", "level_mm", "order", "x_m", "y_m"]
    table = levels.points[levels.points["exclude"] == ""].reset_index(drop=True)
    mesh = _mesh(table, longest_gap_m)
    if mesh is None:
        return pd.DataFrame(columns=columns)
    from matplotlib.figure import Figure
    from matplotlib.tri import Triangulation

    xy, corners = mesh
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


def draw(levels: Levels, lines: pd.DataFrame, worst: pd.DataFrame, units: str, title: str, cautions: tuple[str, ...],
         kind: str) -> bytes:
    """Return the sheet as `svg` or `pdf` bytes; equal input gives equal bytes.

    The paper is letter for us, A4 for si.
    """
    import matplotlib
    from matplotlib import font_manager
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    us = units == "us"
    per, unit, digits = (MM_PER_INCH, "in", 2) if us else (1.0, "mm", 0)
    place, length = (m_to_foot, "ft") if us else (float, "m")
    plain: dict[str, Any] = {"parse_math": False}
    with matplotlib.rc_context({"svg.hashsalt": "riskmap", "svg.fonttype": "path", "pdf.fonttype": 42,
                                "font.family": typeface.register(font_manager), **_INKED}):
        figure = Figure(figsize=(8.5, 11) if us else (8.27, 11.69))
        FigureCanvasAgg(figure)
        axes = figure.add_axes((0.1, 0.3, 0.82, 0.6))
        for _, part in lines.groupby("line"):
            height = float(part["level_mm"].iloc[0])
            xs, ys = [place(v) for v in part["x_m"]], [place(v) for v in part["y_m"]]
            axes.plot(xs, ys, color=palette.QUIET, linewidth=0.9, linestyle="--" if height < -1e-9 else "-")
            middle = len(xs) // 4  # away from the points, where closed lines turn
            axes.text(xs[middle], ys[middle], f"{height / per:.1f}" if us else f"{height:.0f}", fontsize=7,
                      color=palette.QUIET, ha="center", va="center", backgroundcolor=palette.SHEET, **plain)
        for row in levels.points.to_dict("records"):
            out = row["exclude"] != ""
            x, y = place(row["x_m"]), place(row["y_m"])
            axes.plot([x], [y], marker="x" if out else "o", color=palette.INK, markersize=4 if out else 5,
                      markerfacecolor=palette.PAPER, markeredgewidth=1.5, linestyle="none", zorder=4)
            label = f"{shown(row['point'])[:12]}\n{row['raw_mm'] / per:.{digits}f} / " \
                    f"{row['level_mm'] / per:+.{digits}f}"
            axes.annotate(label + ("\nnot used" if out else ""), (x, y), xytext=(3, 4), textcoords="offset points",
                          fontsize=7, color=palette.INK, zorder=5,
                          bbox={"facecolor": palette.SHEET, "edgecolor": "none", "alpha": 0.85, "pad": 0.6}, **plain)
        for line in worst.to_dict("records"):
            ends = levels.points.set_index("point").loc[[line["from"], line["to"]]]
            axes.plot([place(v) for v in ends["x_m"]], [place(v) for v in ends["y_m"]], color=palette.INK,
                      linewidth=1.6, linestyle="-.")
        axes.set_aspect("equal", adjustable="datalim")
        axes.margins(0.12)
        axes.set_xlabel(f"x, {length} (of the drawing; no map position)")
        axes.set_ylabel(f"y, {length}")
        figure.text(0.1, 0.955, shown(title), fontsize=15, weight="bold", va="top", **plain)
        figure.text(0.1, 0.925, f"Beside each point: as read / level, {unit}. Level 0 is the {levels.datum}. "
                    "Dashed contours are below it; dash-dot: worst line.", fontsize=8, va="top", **plain)
        words = [*_words(levels, worst, us), YARDSTICKS, *cautions]
        figure.text(0.1, 0.24, "\n".join(part for text in words for part in textwrap.wrap(text, 108)), fontsize=8,
                    va="top", **plain)
        held = io.BytesIO()
        with warnings.catch_warnings():  # a character that the font lacks is drawn as a box; the tables contain it
            warnings.filterwarnings("ignore", "Glyph .* missing from font", UserWarning)
            figure.savefig(held, format=kind, metadata={"Date": None} if kind == "svg" else {"CreationDate": None})
    return held.getvalue()


def _words(levels: Levels, worst: pd.DataFrame, us: bool) -> list[str]:
    out = []
    if levels.plane is not None:
        tilt = levels.plane.tilt_mm_per_m
        size = f"{tilt * 0.012:.3f} in/ft" if us else f"{tilt:.1f} mm/m"
        out.append(f"Plane: {size} ({tilt / 10:.2f} %), falls toward {levels.plane.falls_toward_deg:.0f} degrees "
                   "clockwise from +y.")
    for row in worst.to_dict("records"):
        bow, length = row["deflection_mm"], row["length_m"]
        size = (f"{bow / MM_PER_INCH:+.2f} in over {m_to_foot(length):.1f} ft" if us
                else f"{bow:+.0f} mm over {length:.1f} m")
        out.append(f"Worst line: {shown(row['from'])} to {shown(row['to'])}, {size} at {shown(row['at'])}"
                   + (f" (L/{row['ratio']:.0f})." if np.isfinite(row["ratio"]) else "."))
    return out
