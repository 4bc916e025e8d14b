"""Two sections of a surveyed house: the first survey, a second one and the expected shape on one axis.

Zero and tilt of the expected shape are fitted to the first survey, as in the comparison; only its height is the run's.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from riskmap.answers.survey import expected
from riskmap.answers.survey.drawing import LONGEST_GAP_M, mesh
from riskmap.answers.survey.levels import LINE_OFFSET_M
from riskmap.answers.survey.plan import level_text
from riskmap.common.units import MM_PER_INCH, m_to_foot
from riskmap.outputs import palette
from riskmap.outputs.drawing import Drawing, Path, Text, circle, rectangle

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

SAMPLES = 61  # along a section
WIDTH, HEIGHT = 90.0, 48.0
LEFT, RIGHT, TOP, BOTTOM = 11.0, 17.0, 8.5, 7.0  # of the axis: room for figures, names, title and length
APART = 2.9  # between the names of curves
STEPS = {"us": (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0), "si": (1, 2, 5, 10, 20, 50, 100, 200, 500)}


@dataclass(frozen=True)
class Section:
    """A cut through the points.

    Attributes
    ----------
    name : str
        A for the long one, B for the short one.
    ends : array, shape (2, 2)
        x and y of its ends. [m]
    along_m : array, shape (n,)
    first, second : array, shape (n,)
        Levels, linear between the points; NaN across wide gaps; `second` may be empty. [mm]
    expected : array, shape (n, 3)
        p10, median and p90; may be empty. [mm]
    read : DataFrame
        along_m, first_mm, second_mm of the points within `LINE_OFFSET_M` of the cut.
    """

    name: str
    ends: Floats
    along_m: Floats
    first: Floats
    second: Floats
    expected: Floats
    read: pd.DataFrame


def between(points: pd.DataFrame, level: Floats, x: Floats, y: Floats, gap_m: float = LONGEST_GAP_M) -> Floats:
    """Return levels at places between points, linear in each triangle; NaN outside and across wide gaps. [mm]"""
    out = np.full(len(x), np.nan)
    found = mesh(points, gap_m)
    if found is None:
        return out
    xy, corners = found
    a, b, c = (xy[corners[:, k]] for k in range(3))
    area = (b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (c[:, 0] - a[:, 0]) * (b[:, 1] - a[:, 1])
    dx, dy = x[:, None] - a[:, 0], y[:, None] - a[:, 1]
    one = (dx * (c[:, 1] - a[:, 1]) - dy * (c[:, 0] - a[:, 0])) / area
    two = (dy * (b[:, 0] - a[:, 0]) - dx * (b[:, 1] - a[:, 1])) / area
    inside = (one >= -1e-9) & (two >= -1e-9) & (one + two <= 1 + 1e-9)
    some = inside.any(axis=1)
    at = inside.argmax(axis=1)
    row = np.arange(len(x))
    share = np.column_stack([1 - one[row, at] - two[row, at], one[row, at], two[row, at]])
    out[some] = (share * level[corners[at]]).sum(axis=1)[some]
    return out


def cut(points: pd.DataFrame, moved: pd.DataFrame | None, run: Mapping[str, Any] | None,
        gap_m: float = LONGEST_GAP_M) -> list[Section]:
    """Return the long and the short section; none when the points lie on one line or too far apart.

    Each runs along a side of the narrowest rectangle round the points, through the point nearest to its middle line.

    Parameters
    ----------
    points : DataFrame
        `Levels.points` of the first survey.
    moved : DataFrame, optional
        As returned by `expected.change`: the second survey is drawn as the first plus the change.
    run : mapping, optional
        Numbers of `expected.Consistency`: expected_mm, expected_p10_mm, expected_p90_mm.
    """
    used = points[points["exclude"] == ""].reset_index(drop=True)
    x, y, level = (used[name].to_numpy(float) for name in ("x_m", "y_m", "level_mm"))
    box = expected.rectangle(x, y) if len(used) > 2 else None
    if box is None or mesh(used, gap_m) is None:
        return []
    sides = sorted((box.one, box.two), key=lambda side: -round(float(side @ side), 6))
    later = None if moved is None else moved.rename(columns={"first_mm": "level_mm"}).reset_index(drop=True)
    heights = _heights(run)
    plane = _planes(box, x, y, level, heights)
    out = []
    for name, side, other in (("A", sides[0], sides[1]), ("B", sides[1], sides[0])):
        away = np.column_stack([x, y]) - box.corner
        across = away @ other / (other @ other)
        at = float(across[np.argmin(np.abs(np.round(across - 0.5, 6)))])
        start = box.corner + at * other
        ends = np.array([start, start + side])
        if (side[0], side[1]) < (0, 0):  # from left to right, or upwards
            ends = ends[::-1]
        share = np.linspace(0, 1, SAMPLES)
        px, py = (ends[0][k] + share * (ends[1][k] - ends[0][k]) for k in (0, 1))
        long = float(np.hypot(*(ends[1] - ends[0])))
        second = np.array([]) if later is None else between(
            later, (later["level_mm"] + later["change_mm"]).to_numpy(float), px, py, gap_m)
        shape = np.array([]) if not heights else np.column_stack([
            offset + sx * px + sy * py + box.dome(px, py) * height
            for height, (offset, sx, sy) in zip(heights, plane, strict=True)])
        out.append(Section(name, ends, share * long, between(used, level, px, py, gap_m), second, shape,
                           _read(used, later, ends)))
    return out


def _heights(run: Mapping[str, Any] | None) -> list[float]:
    values = [] if run is None else [run.get(f"expected{end}_mm") for end in ("_p10", "", "_p90")]
    return [float(value) for value in values if value is not None] if None not in values else []


def _planes(box: expected.Rectangle, x: Floats, y: Floats, level: Floats, heights: list[float]) -> list[Floats]:
    design = np.column_stack([np.ones_like(x), x, y])
    return [np.asarray(np.linalg.lstsq(design, level - box.dome(x, y) * height, rcond=None)[0], dtype=float)
            for height in heights]


def _read(used: pd.DataFrame, later: pd.DataFrame | None, ends: Floats) -> pd.DataFrame:
    way = ends[1] - ends[0]
    away = used[["x_m", "y_m"]].to_numpy(float) - ends[0]
    long = float(np.hypot(*way))
    aside = np.abs(away[:, 0] * way[1] - away[:, 1] * way[0]) / long
    near = used[aside <= LINE_OFFSET_M]
    out = pd.DataFrame({"along_m": (away[aside <= LINE_OFFSET_M] @ way) / long, "first_mm": near["level_mm"],
                        "second_mm": np.nan, "point": near["point"]}).reset_index(drop=True)
    if later is not None:
        after = (later["level_mm"] + later["change_mm"]).set_axis(later["point"])
        out["second_mm"] = out["point"].map(after).astype(float)
    return out


# ---------------------------------------------------------------- drawing
@dataclass(frozen=True)
class Axis:
    """The axis that all sections share: its ends and its step in the unit shown, and the longest section. [m]"""

    low: float
    high: float
    step: float
    per: float
    longest_m: float

    @property
    def stretch(self) -> float:
        """By what factor heights are drawn too tall."""
        tall = (HEIGHT - TOP - BOTTOM) / ((self.high - self.low) * self.per)
        return tall / ((WIDTH - LEFT - RIGHT) / (1000 * self.longest_m))


def axis(sections: list[Section], system: str) -> Axis | None:
    """Return one scale of heights and lengths for all sections; None without sections.

    Parameters
    ----------
    sections : list of Section
    system : str
        `us` or `si`.
    """
    if not sections:
        return None
    values = np.concatenate([np.concatenate([one.first, one.second, one.expected.ravel(),
                                             one.read[["first_mm", "second_mm"]].to_numpy(float).ravel()])
                             for one in sections])
    per = MM_PER_INCH if system == "us" else 1.0
    low, high = float(np.nanmin(values)) / per, float(np.nanmax(values)) / per
    step = next((n for n in STEPS[system] if (high - low) / n <= 6), STEPS[system][-1])
    bottom, top = float(np.floor(low / step + 1e-9)), float(np.ceil(high / step - 1e-9))
    return Axis(step * bottom, step * max(top, bottom + 1), step, per, max(float(one.along_m[-1]) for one in sections))


def drawings(sections: list[Section], system: str) -> list[Drawing]:
    """Return the drawings of the sections, all on one `axis`."""
    scale = axis(sections, system)
    return [] if scale is None else [_drawn(one, system, scale) for one in sections]


def _drawn(one: Section, system: str, scale: Axis) -> Drawing:
    tall, per, step, longest = HEIGHT - TOP - BOTTOM, scale.per, scale.step, scale.longest_m
    ends = scale.low, scale.high

    def x(along_m: float) -> float:
        return LEFT + (WIDTH - LEFT - RIGHT) * along_m / longest

    def y(value: float) -> float:
        return TOP + tall * (ends[1] - value / per) / (ends[1] - ends[0])

    right, unit = x(float(one.along_m[-1])), "in" if system == "us" else "mm"
    long = f"{m_to_foot(float(one.along_m[-1])):.0f} ft" if system == "us" else f"{float(one.along_m[-1]):.1f} m"
    kind = "long" if one.name == "A" else "short"
    parts: list[Path | Text] = [
        Path("axis", ((LEFT, TOP), (LEFT, TOP + tall)), stroke=palette.INK, width=0.25),
        Text("title", 0, 3.2, f"Section {one.name}, {kind} side, {long}", 2.9, palette.INK, bold=True),
        Text("end", LEFT, HEIGHT - 2.4, one.name, 2.9, palette.INK, "middle", bold=True),
        Text("end", right, HEIGHT - 2.4, f"{one.name}'", 2.9, palette.INK, "middle", bold=True)]
    for k in range(round((ends[1] - ends[0]) / step) + 1):
        value = ends[0] + k * step
        zero = abs(value) < step / 2
        parts += [Path("grid", ((LEFT, y(value * per)), (right, y(value * per))), width=0.3 if zero else 0.15,
                       stroke=palette.INK if zero else palette.RULE),
                  Text("figure", LEFT - 1, y(value * per) + 0.8, f"{value:+.1f}" if system == "us" and not zero else
                       "0" if zero else f"{value:+.0f}", 2.3, palette.INK, "end")]
    parts += [Text("unit", LEFT - 1, TOP - 2.0, unit, 2.3, palette.QUIET, "end")]
    names: list[tuple[float, str, bool]] = []
    if one.expected.size:
        middle = len(one.along_m) // 2
        low, _, high = one.expected[middle]
        top, bottom = sorted((y(low), y(high)))
        parts += [rectangle("range", x(one.along_m[middle]) - 1, top, 2, bottom - top, fill=palette.RANGE),
                  Path("expected", _line(one.along_m, one.expected[:, 1], x, y)[0], stroke=palette.GROUND, width=0.5,
                       dash=1.2)]
        names.append((y(one.expected[-1, 1]), "expected", False))
    for role, values, dash in (("first", one.first, 0.0), ("second", one.second, 0.0)):
        if not values.size:
            continue
        old = role == "first" and one.second.size > 0
        parts += [Path(role, line, stroke=palette.QUIET if old else palette.INK, width=0.3 if old else 0.7, dash=dash)
                  for line in _line(one.along_m, values, x, y)]
        last = values[np.isfinite(values)]
        if last.size:
            names.append((y(float(last[-1])), role if one.second.size else "measured", role == "second"))
    for row in one.read.to_dict("records"):
        for name, radius, fill in (("first_mm", 0.8, palette.SHEET), ("second_mm", 0.8, palette.INK)):
            if np.isfinite(row[name]):
                parts.append(circle(name.removesuffix("_mm"), x(row["along_m"]), y(row[name]), radius, fill=fill,
                                    stroke=palette.INK, line=0.35))
    places = _apart([place for place, _, _ in sorted(names)], TOP + 1, HEIGHT - BOTTOM)
    for (_, name, bold), place in zip(sorted(names), places, strict=True):
        parts.append(Text("name", right + 1.5, place + 0.9, name, 2.5, palette.INK, bold=bold))
    finite = one.first[np.isfinite(one.first)]
    alt = f"Section {one.name} along the {kind} side, {long}: the first survey" + (
        f" from {level_text(float(finite.min()), system)} to {level_text(float(finite.max()), system)} {unit}"
        if finite.size else "") + (", the second survey" if one.second.size else "") + (
        ", and the expected shape with its range." if one.expected.size else ".")
    return Drawing(WIDTH, HEIGHT, tuple(parts), alt)


def _line(along: Floats, values: Floats, x: Any, y: Any) -> list[tuple[tuple[float, float], ...]]:
    """Return the parts of a curve between its gaps."""
    known = np.isfinite(values)
    cuts = np.flatnonzero(np.diff(known.astype(int))) + 1
    return [tuple((x(float(along[k])), y(float(values[k]))) for k in part)
            for part in np.split(np.arange(len(values)), cuts) if len(part) > 1 and known[part[0]]]


def _apart(places: list[float], top: float, bottom: float) -> list[float]:
    out = list(places)
    for k in range(1, len(out)):
        out[k] = max(out[k], out[k - 1] + APART)
    over = max(0.0, out[-1] - bottom) if out else 0.0
    return [max(place - over, top + k * APART) for k, place in enumerate(out)]
