"""Levels by least squares, the plane, and deflection along lines. Levels are in mm, up positive; places in m.

Deflection is the largest offset from the chord between a line's ends, overall unevenness is deflection plus tilt
(definition as quoted from the Texas Section ASCE guideline). Figures from guidelines are for comparison only.
Method: notebooks/method.md, section 13.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from riskmap.answers.survey import contradictions
from riskmap.common.errors import LayerError, joined, shown
from riskmap.common.problems import Problem, first_rows
from riskmap.common.units import MM_PER_INCH

Floats = NDArray[np.float64]

# 0.1 in, practice: the precision to which house levels are read; taken as one standard deviation (judgement)
READING_SD_MM = 2.54
LINE_OFFSET_M = 0.5  # judgement: points this close to a line belong to it
LARGEST_LOSS = 0.25  # judgement: if more points contradict, the rest is not credible either
SHORTEST_LINE_M = 3.0  # judgement: about 10 ft; over shorter chords one reading's error becomes a ratio
YARDSTICKS = (
    "For orientation only: L/360 (Texas Section ASCE guideline, as quoted in summaries) and 1 % tilt (the same, as "
    "repeated in trade pages). They are given for orientation and decide nothing."
)


@dataclass(frozen=True)
class Levels:
    """Levels of one survey.

    Attributes
    ----------
    points : DataFrame
        point, x_m, y_m, raw_mm (mean reading as read), level_mm (after zeros, coverings and datum), sd_mm, readings,
        exclude (reason; "" when used), plane_mm, deflection_mm (level minus plane; NaN for an excluded point).
    residuals : DataFrame
        row, point, zero, floor, reading_mm, residual_mm.
    zeros, coverings : dict
        Offset in mm from the first zero and from the covering that was read most.
    sigma_mm : float
        Standard deviation of one reading. It is the stated one; when at least 5 readings are redundant it is that of
        the residuals, but not below half of the stated one. It is never above the stated one: readings that differ by
        more contradict each other.
    datum : str
    plane : Plane or None
        None for fewer than 3 points, or points on one line.
    problems : list of Problem
    doubts : tuple of str
        Why these levels cannot be compared with anything: contradictions that remain when single points are left out.
    """

    points: pd.DataFrame
    residuals: pd.DataFrame
    zeros: dict[str, float]
    coverings: dict[str, float]
    sigma_mm: float
    datum: str
    plane: Plane | None
    problems: list[Problem]
    doubts: tuple[str, ...] = ()


@dataclass(frozen=True)
class Plane:
    """The best-fitting plane: its tilt in mm per m (0.1 %), and the direction in which it falls.

    The direction is in degrees from +y to +x.
    """

    slope_x: float
    slope_y: float
    at_zero_mm: float

    @property
    def tilt_mm_per_m(self) -> float:
        """Steepest slope."""
        return float(np.hypot(self.slope_x, self.slope_y))

    @property
    def falls_toward_deg(self) -> float:
        """Clockwise from the drawing's +y."""
        return float(np.degrees(np.arctan2(-self.slope_x, -self.slope_y)) % 360.0)


def _groups(left: list[str], right: list[str]) -> dict[str, str]:
    """Name of the group of each left entry; entries with a right entry in common are in one group."""
    parent = {name: name for name in [*(f"L{a}" for a in left), *(f"R{b}" for b in right)]}

    def root(name: str) -> str:
        while parent[name] != name:
            parent[name] = parent[parent[name]]
            name = parent[name]
        return name

    for a, b in zip(left, right, strict=True):
        first, second = sorted((root(f"L{a}"), root(f"R{b}")))
        parent[second] = first
    return {a: root(f"L{a}") for a in left}


def _main_group(kinds: pd.Series, points: pd.Series) -> list[str]:
    """Kinds (zeros, coverings) that points tie together: the group with most readings; of equals, the first by name."""
    group = _groups(list(kinds), list(points))
    counts = kinds.map(group).value_counts()
    best = sorted(counts[counts == counts.max()].index)[0]
    return sorted({kind for kind, name in group.items() if name == best})


def reduce(readings: pd.DataFrame, file: str = "", *, reference: str | None = None,
           reading_sd_mm: float = READING_SD_MM) -> Levels:
    """Reduce readings to levels: reading = level of the point + offset of its zero + offset of its covering.

    Parameters
    ----------
    readings : DataFrame
        `readings.COLUMNS`.
    reference : str, optional
        Point whose level is set to 0; without it the mean of the points used is 0.

    Raises
    ------
    LayerError
        When zeros and coverings cannot be separated, or the reference was not read.
    """
    problems: list[Problem] = []
    frame = readings.copy()
    fixed = frame["floor_offset_mm"].notna()
    frame["net_mm"] = frame["reading_mm"] - frame["floor_offset_mm"].fillna(0.0)
    frame["cover"] = np.where(fixed, "", frame["floor"])
    frame, doubts = _agreeing(frame, file, reading_sd_mm, problems)
    frame, zeros, covers = _tied(frame, file, problems)
    if any(problem.code == "E-SVY-020" for problem in problems) and not doubts:
        doubts.append("Readings of one zero cannot be tied to the others.")
    points = sorted(frame["point"].unique())
    place = {name: k for k, name in enumerate(points)}
    n, p = len(frame), len(points)
    free = zeros[1:]
    design = _design(frame, points, free, covers)
    if np.linalg.matrix_rank(design) < design.shape[1]:
        raise LayerError(f"E-SVY-021 {file}: zeros and floor coverings cannot be separated: every point read from "
                         "both zeros also changes covering. Read one tie point on the same covering, or give "
                         "floor_offset_in.")
    net = frame["net_mm"].to_numpy(float)
    base = net.mean()
    solved = np.linalg.lstsq(design, net - base, rcond=None)[0]
    residual = net - base - design @ solved
    redundant = n - design.shape[1]
    sigma = reading_sd_mm
    if redundant >= 5:
        sigma = float(np.clip(np.sqrt(residual @ residual / redundant), reading_sd_mm / 2, reading_sd_mm))
    level, cov = solved[:p], np.linalg.inv(design.T @ design)[:p, :p]
    by_point = frame.groupby("point", sort=True)
    table = pd.DataFrame({"point": points, "x_m": by_point["x_m"].first().to_numpy(),
                          "y_m": by_point["y_m"].first().to_numpy(),
                          "raw_mm": by_point["reading_mm"].mean().to_numpy(), "readings": by_point.size().to_numpy(),
                          "exclude": by_point["exclude"].max().to_numpy()})
    used = (table["exclude"] == "").to_numpy()
    if not used.any():
        raise LayerError(f"E-SVY-023 {file}: every point is excluded. Leave exclude empty for points of the house.")
    weights = np.zeros(p)
    if reference is None:
        weights[used] = 1.0 / used.sum()
        datum = f"mean of the {used.sum()} points used"
    elif reference in place:
        weights[place[reference]] = 1.0
        datum = f"point {reference}"
    else:
        raise LayerError(f"E-SVY-022 {file}: reference point {reference!r} was not read, or its readings contradict "
                         f"each other; points that can be used: {joined(points)}.")
    turn = np.eye(p) - weights
    table["level_mm"] = turn @ level
    table["sd_mm"] = sigma * np.sqrt(np.clip(np.diag(turn @ cov @ turn.T), 0.0, None))
    plane = plane_of(*(table.loc[used, name].to_numpy(float) for name in ("x_m", "y_m", "level_mm")))
    table["plane_mm"], table["deflection_mm"] = np.nan, np.nan
    if plane is not None:
        table["plane_mm"] = plane.at_zero_mm + plane.slope_x * table["x_m"] + plane.slope_y * table["y_m"]
        table.loc[used, "deflection_mm"] = (table["level_mm"] - table["plane_mm"])[used]
    size = contradictions.of_size(table.loc[used, "level_mm"].to_numpy(float), reading_sd_mm, file)
    rows = frame[["row", "point", "zero", "floor", "reading_mm"]].assign(residual_mm=residual)
    return Levels(table, rows, dict(zip(zeros, [0.0, *solved[p:p + len(free)]], strict=True)),
                  dict(zip(covers, solved[p + len(free):], strict=True)), sigma, datum, plane, problems + size,
                  (*doubts, *(problem.rule for problem in size)))


def _design(frame: pd.DataFrame, points: list[str], zeros: list[str], covers: list[str]) -> Floats:
    """One row per reading: 1 for its point, zero and covering; `zeros` and `covers` are without those that are 0."""
    names = [("point", points), ("zero", zeros), ("cover", covers)]
    return np.column_stack([(frame[kind].to_numpy(object) == name).astype(float) for kind, of in names for name in of])


def _tied(frame: pd.DataFrame, file: str, problems: list[Problem]) -> tuple[pd.DataFrame, list[str], list[str]]:
    """Return the readings that points tie together, their zeros, and their coverings except the one that is 0."""
    zeros = _main_group(frame["zero"], frame["point"])
    for row, point, zero in frame.loc[~frame["zero"].isin(zeros), ["row", "point", "zero"]].itertuples(index=False):
        problems.append(Problem("E-SVY-020", file, rule="No point ties this zero to the others.",
                                remedy="Read two or more points from both zeros.", action=f"Reading of point {point} "
                                "not used.", row=int(row), column="zero", value=zero))
    frame = frame[frame["zero"].isin(zeros)].reset_index(drop=True)
    return frame, zeros, _covers(frame, bool(frame["floor_offset_mm"].notna().any()), file, problems)


def _agreeing(frame: pd.DataFrame, file: str, sd: float, problems: list[Problem]) -> tuple[pd.DataFrame, list[str]]:
    """Return the readings without the points whose readings contradict each other, and why the rest is in doubt."""
    unheard: list[Problem] = []
    tied, zeros, covers = _tied(frame, file, unheard)
    points = sorted(tied["point"].unique())
    design = _design(tied, points, zeros[1:], covers)
    out, together = contradictions.contradicting(design, tied["net_mm"].to_numpy(float), sd,
                                                 tied["point"].to_numpy(object))
    twice = contradictions.same_place(tied[~out], sd)
    bad = {*tied.loc[out, "point"], *twice}
    rows = frame.groupby("point", sort=False)["row"].agg(list)
    for row, point, reading in frame.loc[frame["point"].isin(bad), ["row", "point", "reading_mm"]].itertuples(
            index=False):
        others = f"rows {first_rows(rows[point], 8)}"
        rule = (f"Point {point} lies within {contradictions.SAME_PLACE_M:g} m of another point with another level."
                if point in twice else f"The readings of point {point} ({others}) contradict each other, or the other "
                f"ties, by more than the reading error of {sd} mm explains.")
        problems.append(Problem("E-SVY-060", file, rule=rule, remedy="Read it again, or correct the row that is wrong.",
                                action="No reading of this point is used, and no mean is taken.", row=int(row),
                                column="elevation", value=f"{reading / MM_PER_INCH:.2f} in ({reading:.1f} mm)"))
    doubts = []
    if not together:
        problems.append(Problem("E-SVY-073", file, rule="Points read more than once repeat worse, as a whole, than the "
                                f"reading error of {sd} mm explains.",
                                remedy="Read them again with a level that repeats better.",
                                action="Levels are given; they are compared with nothing."))
        doubts.append("The readings repeat worse than their reading error explains.")
    rest = frame[~frame["point"].isin(bad)].reset_index(drop=True)
    if rest.empty:
        raise LayerError(f"E-SVY-074 {file}: the readings of every point contradict each other. " + str(problems[0]))
    if len(bad) > LARGEST_LOSS * frame["point"].nunique():
        doubts.append(f"The readings of {len(bad)} of {frame['point'].nunique()} points contradict each other.")
    lost: list[Problem] = []
    _, zeros_left, covers_left = _tied(rest, file, lost)
    gone = [f"zero '{shown(name)}'" for name in sorted({*zeros} - {*zeros_left})]
    gone += [f"covering '{shown(name)}'" for name in sorted({*covers} - {*covers_left}) if name in set(rest["cover"])]
    if bad and gone:
        doubts.append(f"The readings that tie {joined(gone)} to the rest contradict each other.")
    return rest, doubts


def _covers(frame: pd.DataFrame, some_fixed: bool, file: str, problems: list[Problem]) -> list[str]:
    """Coverings whose offset is solved for; the base is the one with most readings in the tied group."""
    named = sorted(frame["cover"].unique())
    if len(named) < 2 and not some_fixed:
        return []
    tied = _main_group(frame["cover"], frame["point"])
    counts = frame.loc[frame["cover"].isin(tied), "cover"].value_counts()
    base = "" if some_fixed and "" in tied else sorted(counts[counts == counts.max()].index)[0]
    for name in sorted(set(named) - set(tied)):
        if name:
            problems.append(Problem("W-SVY-024", file, rule="No point was read on this covering and on another one.",
                                    remedy="Read a point on both sides of the change of covering, or give "
                                    "floor_offset.", action="Its readings are used without a correction.",
                                    column="floor", value=name))
    return [name for name in tied if name != base]


def plane_of(x: Floats, y: Floats, level: Floats) -> Plane | None:
    """Return the least-squares plane; None for fewer than 3 points or points on one line."""
    design = np.column_stack([np.ones_like(x), x - x.mean(), y - y.mean()])
    spread = np.linalg.svd(design[:, 1:], compute_uv=False) if len(x) > 2 else np.zeros(2)
    if spread[-1] < 1e-3 * max(spread[0], 1e-9) or spread[0] == 0:
        return None
    a, bx, by = np.linalg.lstsq(design, level, rcond=None)[0]
    return Plane(float(bx), float(by), float(a - bx * x.mean() - by * y.mean()))


LINE_COLUMNS = ("from", "to", "length_m", "points", "chord_mm_per_m", "deflection_mm", "at", "ratio")


def along(levels: Levels, pairs: list[tuple[str, str]], offset_m: float = LINE_OFFSET_M) -> pd.DataFrame:
    """Return `LINE_COLUMNS` for lines between named points; `ratio` is the n in L/n, NaN without an inner point.

    Raises
    ------
    LayerError
        When a named point was not read, is excluded, or a line has no length.
    """
    table = _used(levels)
    place = {name: k for k, name in enumerate(table["point"])}
    missing = sorted({name for pair in pairs for name in pair} - set(place))
    if missing:
        raise LayerError(f"E-SVY-030: lines name points that were not read or are excluded: {joined(missing)}.")
    if any(a == b for a, b in pairs):
        raise LayerError("E-SVY-031: a line joins two different points.")
    index = np.array([[place[a], place[b]] for a, b in pairs], dtype=int).reshape(-1, 2)
    return _lines(table, index, offset_m)


def worst(levels: Levels, shortest_m: float = SHORTEST_LINE_M, offset_m: float = LINE_OFFSET_M) -> pd.DataFrame:
    """Return the line, of all pairs of points at least `shortest_m` apart, with the largest deflection over length.

    There is no row when no such pair has a point between its ends.
    """
    table = _used(levels)
    index = np.column_stack(np.triu_indices(len(table), 1))
    xy = table[["x_m", "y_m"]].to_numpy(float)
    index = index[np.hypot(*(xy[index[:, 1]] - xy[index[:, 0]]).T) >= max(shortest_m, 1e-6)]
    candidates = _lines(table, index, offset_m).dropna(subset=["deflection_mm"])
    share = (candidates["deflection_mm"].abs() / candidates["length_m"]).round(9)
    return candidates.loc[share.sort_values(ascending=False, kind="stable").index].head(1).reset_index(drop=True)


def _used(levels: Levels) -> pd.DataFrame:
    return levels.points[levels.points["exclude"] == ""].reset_index(drop=True)


def _lines(table: pd.DataFrame, index: NDArray[np.int64], offset_m: float, block: int = 2000) -> pd.DataFrame:
    xy, level = table[["x_m", "y_m"]].to_numpy(float), table["level_mm"].to_numpy(float)
    names = table["point"].to_numpy(object)
    parts = []
    for start in range(0, len(index), block):  # pairs x points, in blocks to limit memory
        a, b = index[start:start + block].T
        step = xy[b] - xy[a]
        length = np.hypot(*step.T)
        away = xy[None] - xy[a][:, None]
        share = np.einsum("lpk,lk->lp", away, step) / length[:, None] ** 2
        aside = np.abs(away[..., 0] * step[:, None, 1] - away[..., 1] * step[:, None, 0]) / length[:, None]
        inner = (share > 1e-9) & (share < 1 - 1e-9) & (aside <= offset_m)
        bow = np.where(inner, level[None] - level[a][:, None] - share * (level[b] - level[a])[:, None], 0.0)
        most = np.argmax(np.abs(bow).round(9), axis=1)
        size = bow[np.arange(len(a)), most]
        some = inner.any(axis=1)
        with np.errstate(divide="ignore"):
            ratio = np.where(some & (np.abs(size) > 1e-9), 1000 * length / np.abs(size), np.nan)
        parts.append(pd.DataFrame({
            "from": names[a], "to": names[b], "length_m": length, "points": inner.sum(axis=1) + 2,
            "chord_mm_per_m": (level[b] - level[a]) / length, "deflection_mm": np.where(some, size, np.nan),
            "at": np.where(some, names[most], ""), "ratio": ratio}))
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=list(LINE_COLUMNS))
