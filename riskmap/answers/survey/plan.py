"""The plan of a survey and that of its change: filled levels, contours, outline, points, north and scale.

Lengths of a drawing are in mm on paper. Levels are shades of ink, as everything that is said about one house; only a
signed change has the hues of up and down.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from riskmap.answers.survey.drawing import LONGEST_GAP_M, mesh
from riskmap.common.errors import shown
from riskmap.common.units import M_PER_FOOT, MM_PER_INCH
from riskmap.outputs import palette
from riskmap.outputs.drawing import Drawing, Path, Text, circle, rectangle

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

WIDTH, TALLEST = 184.0, 121.0  # of a plan
SIDE, TOP = 16.0, 12.0  # room for labels beside and above the house
FOOT = 13.0  # room for the scale
SCALES = {"us": (12, 24, 36, 48, 60, 72, 96, 120, 144, 192, 240, 300, 360, 480, 600, 960, 1200, 2400, 3600, 6000),
          "si": (10, 20, 25, 50, 75, 100, 125, 150, 200, 250, 300, 400, 500, 750, 1000, 1500, 2500, 5000)}
SHADES = (palette.KNOWN[2], palette.KNOWN[1], palette.KNOWN[0], palette.SHEET)  # from low to high
NAMES_FROM, VALUES_FROM = 7.0, 4.0  # distance of neighbouring points on paper from which their labels have room
LARGE, SMALL = 2.7, 1.9  # sizes of letters
WIDE = 0.52  # of a character over its size (measured on the embedded font's figures), for the box behind a label


@dataclass(frozen=True)
class Frame:
    """Where places of the house are on paper.

    Attributes
    ----------
    scale : int
        The n of 1 : n.
    left_m, top_m : float
        Place of the drawing's origin. [m]
    height : float
        Of the drawing.
    """

    scale: int
    left_m: float
    top_m: float
    height: float

    def at(self, x_m: float, y_m: float) -> tuple[float, float]:
        """Return a place of the house on paper; +y is up."""
        return 1000 * (x_m - self.left_m) / self.scale, 1000 * (self.top_m - y_m) / self.scale


def frame(points: pd.DataFrame, system: str, tallest: float = TALLEST) -> Frame:
    """Return the largest usual scale at which all points and their labels have room."""
    x, y = points["x_m"], points["y_m"]
    wide, tall = float(x.max() - x.min()), float(y.max() - y.min())
    room = WIDTH - 2 * SIDE, tallest - TOP - FOOT
    scale = next((n for n in SCALES[system] if 1000 * wide / n <= room[0] and 1000 * tall / n <= room[1]),
                 SCALES[system][-1])
    left = float(x.min()) - ((WIDTH - 1000 * wide / scale) / 2) * scale / 1000
    return Frame(scale, left, float(y.max()) + TOP * scale / 1000, TOP + 1000 * tall / scale + FOOT)


def scale_words(scale: int, system: str) -> str:
    """Return a scale in words, such as 1:120 (1 in = 10 ft)."""
    return f"1:{scale}" + (f" (1 in = {scale / 12:g} ft)" if system == "us" else "")


def level_text(value_mm: float, system: str) -> str:
    """Return a level or a change with its sign and without its unit: to 0.01 in or 1 mm."""
    if system == "us":
        return f"{round(value_mm / MM_PER_INCH, 2) + 0.0:+.2f}"
    return f"{round(value_mm) + 0.0:+.0f}"


def outline(points: pd.DataFrame, gap_m: float = LONGEST_GAP_M) -> list[list[tuple[float, float]]]:
    """Return the rings round the points read. [m]

    They follow the triangles between points; without any, it is the convex hull. A slab's own edge is not surveyed.
    """
    import shapely

    found = mesh(points, gap_m)
    if found is None:
        hull = shapely.MultiPoint(points[["x_m", "y_m"]].to_numpy(float)).convex_hull
        return [list(hull.exterior.coords)] if hull.geom_type == "Polygon" else []
    xy, corners = found
    whole = shapely.union_all(shapely.polygons(xy[corners]))
    parts = list(getattr(whole, "geoms", [whole]))
    return [list(ring.coords) for part in parts for ring in (part.exterior, *part.interiors)]


def levels(points: pd.DataFrame, lines: pd.DataFrame, sections: list[tuple[str, Floats]], worst: pd.DataFrame,
           system: str, bearing_deg: float | None, gap_m: float = LONGEST_GAP_M) -> Drawing:
    """Return the plan of the levels.

    Parameters
    ----------
    points : DataFrame
        `Levels.points`.
    lines : DataFrame
        As returned by `drawing.contours`.
    sections : list of (name, array of shape (2, 2))
        The ends of the sections. [m]
    worst : DataFrame
        As returned by `levels.worst`.
    system : str
        `us` or `si`.
    bearing_deg : float or None
        Direction of +y, clockwise from north; None where it is not known.
    """
    used = points[points["exclude"] == ""].reset_index(drop=True)
    where = frame(points, system)
    parts: list[Path | Text] = [*_bands(used, lines, where, gap_m), *_rings(used, where, gap_m)]
    parts += _contours(used, lines, where, system)
    for name, ends in sections:
        parts += _section_line(name, ends, where)
    for row in worst.to_dict("records"):
        ends = points.set_index("point").loc[[row["from"], row["to"]], ["x_m", "y_m"]].to_numpy(float)
        parts.append(Path("worst", tuple(where.at(x, y) for x, y in ends), stroke=palette.INK, width=0.35, dash=1.6))
    room = _spacing(used, where)
    for row in points.to_dict("records"):
        out = row["exclude"] != ""
        value = "not used" if out else level_text(row["level_mm"], system)
        parts += _point(where.at(row["x_m"], row["y_m"]), shown(row["point"])[:12], value, room, crossed=out)
    parts += _below(where, system, bearing_deg)
    alt = (f"Plan of {len(used)} points with their levels from {level_text(used['level_mm'].min(), system)} to "
           f"{level_text(used['level_mm'].max(), system)} {_unit(system)} and {lines['level_mm'].nunique()} contours.")
    return Drawing(WIDTH, where.height, tuple(parts), alt)


def change(moved: pd.DataFrame, points: pd.DataFrame, system: str, bearing_deg: float | None,
           gap_m: float = LONGEST_GAP_M) -> Drawing:
    """Return the plan of the signed change at each point, with the noise limit below it.

    Parameters
    ----------
    moved : DataFrame
        As returned by `expected.change`.
    points : DataFrame
        `Levels.points` of the first survey, for the outline.
    system, bearing_deg
        As in `levels`.
    """
    used = points[points["exclude"] == ""].reset_index(drop=True)
    where = frame(points, system)
    parts: list[Path | Text] = list(_rings(used, where, gap_m))
    room = _spacing(moved, where)
    for row in moved.to_dict("records"):
        beyond, value = bool(row["beyond_noise"]), float(row["change_mm"])
        fill = change_color(value) if beyond else palette.SHEET
        limit = f"limit {level_text(row['band_mm'], system).removeprefix('+')}"
        parts += _point(where.at(row["x_m"], row["y_m"]), f"{shown(row['point'])[:12]}, {limit}",
                        level_text(value, system), room, fill=fill, radius=1.7, bold=beyond)
    parts += _below(where, system, bearing_deg)
    count = int(moved["beyond_noise"].sum())
    alt = (f"Plan of the change between two surveys at {len(moved)} points, from "
           f"{level_text(moved['change_mm'].min(), system)} to {level_text(moved['change_mm'].max(), system)} "
           f"{_unit(system)}; {count} of them moved by more than their noise limit.")
    return Drawing(WIDTH, where.height, tuple(parts), alt)


def change_color(value_mm: float) -> str:
    """Return the colour of a change of level: green went up, indigo down; the palest class is within 2 mm."""
    return palette.BENDING[bisect_right(palette.YEAR_LIMITS_MM, value_mm)]


def _unit(system: str) -> str:
    return "in" if system == "us" else "mm"


def _spacing(points: pd.DataFrame, where: Frame) -> float:
    """Return the median distance on paper from a point to its nearest neighbour."""
    xy = points[["x_m", "y_m"]].to_numpy(float)
    if len(xy) < 2:
        return WIDTH
    from scipy.spatial import cKDTree

    away = cKDTree(xy).query(xy, k=2)[0][:, 1]
    return float(np.median(away)) * 1000 / where.scale


# ---------------------------------------------------------------- levels between the points
def _bands(used: pd.DataFrame, lines: pd.DataFrame, where: Frame, gap_m: float) -> list[Path]:
    """Return the triangles cut into bands between contours, the lower the darker."""
    found = mesh(used, gap_m)
    if found is None:
        return []
    xy, corners = found
    level = used["level_mm"].to_numpy(float)
    limits = [-math.inf, *sorted(lines["level_mm"].unique()), math.inf]
    out = []
    for k, (low, high) in enumerate(pairwise(limits)):
        shade = SHADES[min(len(SHADES) * k // max(len(limits) - 1, 1), len(SHADES) - 1)] if len(limits) > 2 \
            else palette.SHEET
        for triangle in corners:
            piece = [(*where.at(*xy[c]), float(level[c])) for c in triangle]
            piece = _cut(_cut(piece, low, 1), high, -1)
            if len(piece) > 2:  # the thin line of the same colour closes the seam to the next piece
                out.append(Path("band", tuple((x, y) for x, y, _ in piece), True, shade, shade, 0.1))
    return out


def _cut(piece: list[tuple[float, float, float]], limit: float, sign: int) -> list[tuple[float, float, float]]:
    """Return the part of a polygon above (sign 1) or below (sign -1) a level; levels are linear along its sides."""
    if not math.isfinite(limit):
        return piece
    out = []
    for one, two in zip(piece, [*piece[1:], *piece[:1]], strict=True):
        a, b = sign * (one[2] - limit), sign * (two[2] - limit)
        if a >= 0:
            out.append(one)
        if a * b < 0:
            share = a / (a - b)
            out.append((one[0] + share * (two[0] - one[0]), one[1] + share * (two[1] - one[1]), limit))
    return out


def _rings(used: pd.DataFrame, where: Frame, gap_m: float) -> list[Path]:
    return [Path("outline", tuple(where.at(x, y) for x, y in ring), True, stroke=palette.INK, width=0.5)
            for ring in outline(used, gap_m)]


def _contours(used: pd.DataFrame, lines: pd.DataFrame, where: Frame, system: str) -> list[Path | Text]:
    """Return the contours, each level with one label where there is most room."""
    out: list[Path | Text] = []
    labels: list[Path | Text] = []
    taken = [where.at(x, y) for x, y in used[["x_m", "y_m"]].to_numpy(float)]
    for height, of_level in lines.groupby("level_mm", sort=True):
        places: list[tuple[float, float]] = []
        for _, part in of_level.groupby("line"):
            path = [where.at(x, y) for x, y in part[["x_m", "y_m"]].to_numpy(float)]
            out.append(Path("contour", tuple(path), stroke=palette.INK, width=0.25))
            places += [((a[0] + b[0]) / 2, (a[1] + b[1]) / 2) for a, b in pairwise(path)]
        if not places:
            continue
        free = [min(math.hypot(x - a, (y - b) * 1.4) for a, b in taken) for x, y in places]
        x, y = places[int(np.argmax(np.round(free, 6)))]
        taken.append((x, y))
        told = f"{float(height) / MM_PER_INCH:+.1f}" if system == "us" else f"{float(height):+.0f}"
        told = told if float(height) else "0"
        labels += _label("contour", x, y + 0.7, told, 2.1, anchor="middle")
    return [*out, *labels]


# ---------------------------------------------------------------- marks
def _label(role: str, x: float, y: float, text: str, size: float, *, anchor: Any = "start", bold: bool = False,
           color: str = palette.INK) -> list[Path | Text]:
    """Return a text with the paper behind it."""
    wide = WIDE * size * len(text)
    left = x - wide / 2 if anchor == "middle" else x
    return [rectangle("paper", left - 0.3, y - 0.78 * size, wide + 0.6, size, fill=palette.SHEET),
            Text(role, x, y, text, size, color, anchor, bold)]


def _point(at: tuple[float, float], name: str, value: str, room: float, *, crossed: bool = False,
           fill: str = palette.SHEET, radius: float = 0.9, bold: bool = True) -> list[Path | Text]:
    x, y = at
    out: list[Path | Text] = []
    size = min(LARGE, max(SMALL, 0.26 * room))
    if room >= VALUES_FROM:
        out += _label("value", x + radius + 0.7, y - 0.5, value, size, bold=bold)
    if room >= NAMES_FROM:
        out += _label("name", x + radius + 0.7, y + 0.72 * size, name, 0.85 * size, color=palette.QUIET)
    if crossed:
        return out + [Path("unused", ((x - radius, y - sign * radius), (x + radius, y + sign * radius)),
                           stroke=palette.INK, width=0.4) for sign in (1, -1)]
    return [*out, circle("point", x, y, radius, fill=fill, stroke=palette.INK, line=0.45)]


def _section_line(name: str, ends: Floats, where: Frame) -> list[Path | Text]:
    (x1, y1), (x2, y2) = (where.at(*end) for end in ends)
    away = math.hypot(x2 - x1, y2 - y1) or 1.0
    way = (x2 - x1) / away, (y2 - y1) / away
    free = 11 * abs(way[0]) + 3 * abs(way[1])  # beyond the labels of the points at the end
    out: list[Path | Text] = []
    for mark, (x, y), sign in ((name, (x1, y1), -1), (f"{name}'", (x2, y2), 1)):
        near, far, end = ((x + sign * step * way[0], y + sign * step * way[1]) for step in (free, free + 3, free + 5))
        out += [Path("section", (near, far), stroke=palette.INK, width=0.7),
                Text("section", end[0], end[1] + 1.1, mark, 3.2, palette.INK, "middle", bold=True)]
    return out


def _below(where: Frame, system: str, bearing_deg: float | None) -> list[Path | Text]:
    """Return the scale bar and the arrow to the north; without a bearing, words say that it is not known."""
    per, unit = (M_PER_FOOT, "ft") if system == "us" else (1.0, "m")
    step = next((n for n in (1, 2, 5, 10, 20, 50, 100, 200) if 1000 * n * per / where.scale >= 20), 500)
    long, y = 1000 * step * per / where.scale, where.height - 5
    out: list[Path | Text] = [
        rectangle("scale", 2, y, long / 2, 1.2, fill=palette.INK, stroke=palette.INK, line=0.2),
        rectangle("scale", 2 + long / 2, y, long / 2, 1.2, fill=palette.SHEET, stroke=palette.INK, line=0.2),
        Text("scale", 2, y - 0.9, "0", 2.6, palette.INK, "middle"),
        Text("scale", 2 + long, y - 0.9, f"{step} {unit}", 2.6, palette.INK, "middle"),
        Text("scale", 2 + long + 4, y + 1.2, scale_words(where.scale, system), 2.6, palette.INK)]
    if bearing_deg is None:
        return [*out, Text("north", WIDTH, y + 1.2, "North is not known (--bearing)", 2.6, palette.QUIET, "end")]
    turn = math.radians(-bearing_deg)  # north, clockwise from the drawing's +y
    x, up, side = WIDTH - 8, (math.sin(turn), -math.cos(turn)), (math.cos(turn), math.sin(turn))
    middle = where.height - 7.0

    def place(along: float, across: float) -> tuple[float, float]:
        return x + along * up[0] + across * side[0], middle + along * up[1] + across * side[1]

    tip = place(7.2, 0)
    return [*out, Path("north", (place(5, 0), place(-4, 2), place(-2.5, 0), place(-4, -2)), True, palette.INK),
            Text("north", tip[0], tip[1] + 1, "N", 3.0, palette.INK, "middle", bold=True)]
