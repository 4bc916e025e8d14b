"""The measured shape compared with the expected shape of a lot; change between two surveys; dates for the next one.

Zero and tilt are fitted freely; only the dome or dish is compared. The as-built scatter is part of the noise: new slabs
in Phoenix differ by 13.5 mm on average a few days after placement (Walsh, Bashford & Mason 2001, J. Perf. Constr. Fac.
15(4), abstract). The band is made of the run's range, the reading error and the as-built scatter, all known before the
survey. A bad fit of the readings to a dome never widens it: readings that differ by more than these three explain
contradict each other, and no answer is given (`contradictions`).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from riskmap.answers.survey import contradictions
from riskmap.answers.survey.contradictions import AS_BUILT_MM
from riskmap.answers.survey.levels import Levels
from riskmap.common import units
from riskmap.common.errors import LayerError, counted, joined
from riskmap.common.problems import Problem, first_rows
from riskmap.common.results import History
from riskmap.outputs import dates, telling

AS_BUILT_DOME_SD_MM = AS_BUILT_MM / 2  # judgement: how much of it may look like a dome or dish, one standard deviation
NORMAL_80, NORMAL_95 = 1.2816, 1.96  # rounded as in existing summaries: constants, to the digit
FEWEST_POINTS = 6  # zero, two slopes and one dome leave two readings over
MIDDLE, EDGE = 0.5, 0.3  # judgement: share of the dome's height; both points must have been read
OPEN_GROUND = "open ground"
# Yearly swing of the slab over that of the ground, by stiffness [MN m2/m], computed with the default springs and loads
# (evidence.md).
SWING_AT_MN_M2, SWING_SHARE = (9.4, 20.0, 40.0, 61.0), (0.48, 0.38, 0.22, 0.13)
_SWINGS = ", ".join(f"{share:.2f} at {at:g} MN m2/m" for at, share in zip(SWING_AT_MN_M2, SWING_SHARE, strict=True))
SPACING = (
    "about six months later, in the opposite season (practice as inferred from Kelm & Wylie, 'Which way is it "
    "moving?', and guideline texts on repeated surveys; no published rule on season was found)"
)


@dataclass(frozen=True)
class Consistency:
    """The comparison: `answer` is consistent, not consistent or cannot tell.

    `why` is one plain sentence; `numbers` are in mm; `problems` are the findings.
    """

    answer: str
    why: str
    numbers: dict[str, float | None]
    problems: tuple[Problem, ...] = ()


@dataclass(frozen=True)
class Rectangle:
    """The narrowest rectangle round the points of a survey: a corner and the two sides that meet there. [m]"""

    corner: NDArray[np.float64]
    one: NDArray[np.float64]
    two: NDArray[np.float64]

    def shares(self, x: NDArray[np.float64], y: NDArray[np.float64]) -> list[NDArray[np.float64]]:
        """Return where points lie along both sides, from -1 to 1."""
        away = np.column_stack([x, y]) - self.corner
        return [2 * (away @ side) / (side @ side) - 1 for side in (self.one, self.two)]

    def dome(self, x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return a unit dome (1 - u²)(1 - v²): 1 in the middle, 0 on the rectangle and outside."""
        u, v = self.shares(x, y)
        return np.clip(1 - u**2, 0, 1) * np.clip(1 - v**2, 0, 1)


def rectangle(x: NDArray[np.float64], y: NDArray[np.float64]) -> Rectangle | None:
    """Return the narrowest rectangle round points; None when they lie on one line."""
    from shapely import MultiPoint

    box = MultiPoint(np.column_stack([x, y])).minimum_rotated_rectangle
    if box.geom_type != "Polygon":
        return None
    corner = np.asarray(box.exterior.coords)[:3]
    return Rectangle(corner[1], corner[0] - corner[1], corner[2] - corner[1])


def dome(x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the unit dome on the narrowest rectangle round the points; zeros when they lie on one line."""
    box = rectangle(x, y)
    return np.zeros_like(x) if box is None else box.dome(x, y)


def against(levels: Levels, lot: Mapping[str, Any], file: str = "", doubts: tuple[str, ...] = (), *,
            system: str = "si") -> Consistency:
    """Compare the measured dome with that expected of a lot (a row of `tables.ESTIMATE`).

    The sentences are in the unit of the page, `us` (inch) or `si` (mm); the numbers are in mm. With `doubts` (on the
    levels, or on dates and lot from `contradictions`) the answer is `cannot tell`.
    """
    numbers: dict[str, float | None] = {
        "measured_mm": None, "measured_sd_mm": None, "expected_mm": None, "expected_p10_mm": None,
        "expected_p90_mm": None, "as_built_sd_mm": AS_BUILT_DOME_SD_MM, "noise_sd_mm": None,
        "measured_tilt_pct": levels.plane.tilt_mm_per_m / 10 if levels.plane else None,
        "expected_tilt_p90_pct": _finite(lot.get("tilt_now_pct_p90")),
        "settlement_mm": _finite(lot.get("settlement_mm"))}
    quantiles = [_finite(lot.get(f"bend_now_mm{end}")) for end in ("_p10", "", "_p90")]
    numbers |= dict(zip(("expected_p10_mm", "expected_mm", "expected_p90_mm"), quantiles, strict=True))
    low, middle, high = quantiles
    unknown = bool(lot.get("state")) or low is None or middle is None or high is None
    fit, why = _fit(levels)
    largest = contradictions.LARGEST_DOME_MM if unknown else max(abs(value) for value in quantiles if value is not None)
    odd = _unlike_a_dome(levels, fit, largest, file, "E-SVY-061", system) if fit else ()
    if doubts := (*levels.doubts, *doubts, *(problem.rule for problem in odd)):
        return Consistency("cannot tell", "The survey contradicts itself or the run. " + " ".join(doubts), numbers, odd)
    if unknown or low is None or middle is None or high is None:
        return Consistency("cannot tell", "The run has no estimate for this lot.", numbers)
    if fit is None:
        return Consistency("cannot tell", why, numbers)
    measured = float(np.linalg.lstsq(fit.design, fit.level, rcond=None)[0][3])
    own = levels.sigma_mm * math.sqrt(float(np.linalg.inv(fit.design.T @ fit.design)[3, 3]))
    flat = math.hypot(own, AS_BUILT_DOME_SD_MM)
    side = (high - middle if measured > middle else middle - low) / NORMAL_80
    noise = math.hypot(flat, side)
    numbers |= {"measured_mm": measured, "measured_sd_mm": own, "noise_sd_mm": noise}
    return Consistency(*_said(measured, middle, flat, noise, system), numbers)


def unlike_any_dome(levels: Levels, file: str = "", *, system: str = "si") -> list[Problem]:
    """Return a caution when levels fit no plane with a dome of any likely size; for surveys without a run."""
    fit, _ = _fit(levels)
    return [*_unlike_a_dome(levels, fit, contradictions.LARGEST_DOME_MM, file, "W-SVY-062", system)] if fit else []


@dataclass(frozen=True)
class _Fit:
    """Points used, and the design matrix of zero, two slopes and a dome."""

    points: pd.DataFrame
    design: NDArray[np.float64]
    level: NDArray[np.float64]


def _fit(levels: Levels) -> tuple[_Fit | None, str]:
    used = levels.points[levels.points["exclude"] == ""].reset_index(drop=True)
    x, y, level = (used[name].to_numpy(float) for name in ("x_m", "y_m", "level_mm"))
    if len(used) < FEWEST_POINTS or levels.plane is None:
        return None, f"Fewer than {FEWEST_POINTS} points were read, or they lie on one line."
    shape = dome(x, y)
    if shape.max() < MIDDLE or shape.min() > EDGE:
        return None, "The points do not reach both the middle and the edge of the slab."
    design = np.column_stack([np.ones_like(x), x - x.mean(), y - y.mean(), shape])
    if np.linalg.matrix_rank(design) < 4:
        return None, "The places of the points cannot show a dome apart from a tilt."
    return _Fit(used, design, level), ""


def _unlike_a_dome(levels: Levels, fit: _Fit, largest_mm: float, file: str, code: str,
                   system: str) -> tuple[Problem, ...]:
    """Return a finding that names the rows which do not fit a plane with a dome; none when all do."""
    sd = contradictions.allowed_sd(levels.sigma_mm, largest_mm)
    odd = contradictions.unlike_a_dome(fit.design, fit.level, sd)
    if not odd.any():
        return ()
    names = fit.points["point"][odd]
    rows = sorted(levels.residuals.loc[levels.residuals["point"].isin(names), "row"].astype(int))
    unit = contradictions.likely_unit(fit.design, fit.level, fit.points["raw_mm"].to_numpy(float), odd, sd)
    rule = (f"{counted(len(names), 'point')} of {len(odd)} ({joined(names)}; rows {first_rows(rows, 12)}) cannot "
            f"belong to one floor with the others: more than {_told(contradictions.BEYOND * sd, system)} from a "
            "plane with a dome, or all together too far from it.")
    remedy = (f"They would fit if they were {unit}. " if unit else "") + (
        "Check unit, sign and value; give a reason in exclude to points of another floor or a built-in slope.")
    done = "The survey is not compared with the run." if code[0] == "E" else "They are used as they were read."
    return (Problem(code, file, rule=rule, remedy=remedy, action=done, row=rows[0] if len(rows) == 1 else None,
                    column="elevation"),)


def _told(value_mm: float, system: str) -> str:
    """Return a level as precisely as a survey is read: to 0.1 in or 1 mm."""
    return f"{units.mm_to_inch(value_mm) + 0.0:.1f} in" if system == "us" else f"{value_mm:.0f} mm"


def _said(measured: float, middle: float, flat: float, noise: float, system: str) -> tuple[str, str]:
    def told(value_mm: float) -> str:
        return _told(value_mm, system)

    apart = abs(measured - middle)
    sentence = f"Measured middle minus edge {told(measured)}, expected {told(middle)}, {told(apart)} apart"
    usual, most = told(NORMAL_80 * noise), told(NORMAL_95 * noise)
    explained = "range, reading error and building unevenness together explain up to"
    if apart > NORMAL_95 * noise:
        return "not consistent", f"{sentence}. In 95 of 100 cases, {explained} {most}."
    if apart > NORMAL_80 * noise:
        return "cannot tell", f"{sentence}. In 80 of 100 cases, {explained} {usual}; in 95 of 100, up to {most}."
    if abs(measured) <= NORMAL_80 * flat:
        return "cannot tell", (f"{sentence}, but a slab that was built this way and never moved would read the same "
                               f"(up to {told(NORMAL_80 * flat)} from level).")
    return "consistent", f"{sentence}. In 80 of 100 cases, {explained} {usual}."


def _finite(value: object) -> float | None:
    return float(value) if isinstance(value, int | float | np.number) and math.isfinite(float(value)) else None


def change(first: Levels, second: Levels, *, within_m: float | None = None, reference: str | None = None,
           file: str = "") -> tuple[pd.DataFrame, list[Problem]]:
    """Return the change of level between two surveys.

    Points are matched by name, or by place when `within_m` is given (nearest to each other, both ways). The mean change
    of the common points, or that of the reference point, is set to zero: two surveys with different zeros cannot show a
    change of the whole house.

    Returns
    -------
    DataFrame
        point, point_later, x_m, y_m, first_mm, second_mm, change_mm, band_mm (95 %: reading and tie errors of both
        surveys), beyond_noise; and the problems (points without a partner).

    Raises
    ------
    LayerError
        With fewer than 2 common points, a reference that is not common, or a survey that contradicts itself.
    """
    for which, levels in (("first", first), ("second", second)):
        if levels.doubts:
            raise LayerError(f"E-SVY-043 {file}: the {which} survey contradicts itself, so no change can be given. "
                             + " ".join(levels.doubts))
    a, b = (s.points[s.points["exclude"] == ""].reset_index(drop=True) for s in (first, second))
    if within_m is None:
        pairs = a[["point"]].reset_index().merge(b[["point"]].reset_index(), on="point", validate="one_to_one")
        left, right = pairs["index_x"].to_numpy(int), pairs["index_y"].to_numpy(int)
    else:
        left, right = _near(a[["x_m", "y_m"]].to_numpy(float), b[["x_m", "y_m"]].to_numpy(float), within_m)
    if len(left) < 2:
        raise LayerError(f"E-SVY-040 {file}: the surveys have {len(left)} points in common; at least 2 are needed. "
                         "Use the same names, or match by place with --within.")
    p, q = a.iloc[left].reset_index(drop=True), b.iloc[right].reset_index(drop=True)
    difference = q["level_mm"].to_numpy(float) - p["level_mm"].to_numpy(float)
    variance = _own_variance(first, p) + _own_variance(second, q)
    if reference is None:
        shift, doubt = difference.mean(), variance.sum() / len(left) ** 2
    elif reference in set(p["point"]):
        at = int(np.flatnonzero(p["point"] == reference)[0])
        shift, doubt = difference[at], variance[at]
    else:
        raise LayerError(f"E-SVY-041 {file}: reference point {reference!r} is not in both surveys.")
    out = pd.DataFrame({"point": p["point"], "point_later": q["point"], "x_m": p["x_m"], "y_m": p["y_m"],
                        "first_mm": p["level_mm"], "second_mm": q["level_mm"], "change_mm": difference - shift,
                        "band_mm": NORMAL_95 * np.sqrt(variance + doubt)})
    if reference is not None:
        out.loc[out["point"] == reference, "band_mm"] = 0.0
    out["beyond_noise"] = out["change_mm"].abs() > out["band_mm"]
    problems = [Problem("W-SVY-042", file, rule=f"The {which} survey's point has no partner in the other one.",
                        remedy="Read the same points again.", action="Point left out of the change.",
                        column="point", value=name)
                for which, table, common in (("first", a, left), ("second", b, right))
                for name in table["point"].drop(common)]
    return out, problems


def _own_variance(levels: Levels, table: pd.DataFrame) -> NDArray[np.float64]:
    """Variance of the level of a point from its own readings, never below that of their mean."""
    return np.maximum(table["sd_mm"].to_numpy(float) ** 2, levels.sigma_mm**2 / table["readings"].to_numpy(float))


def _near(a: NDArray[np.float64], b: NDArray[np.float64], within_m: float) -> tuple[NDArray[np.int64], ...]:
    away = np.hypot(*(a[:, None] - b[None]).transpose(2, 0, 1))
    there, back = away.argmin(axis=1), away.argmin(axis=0)
    own = np.arange(len(a))
    good = (back[there] == own) & (away[own, there] <= within_m)
    return own[good], there[good]


def share_of_swing(rib_depth_mm: float) -> float:
    """Return the slab's yearly swing over the ground's, by rib depth; constant beyond the ends of what was computed."""
    from riskmap.movement.slab import section_stiffness

    return float(np.interp(np.log(section_stiffness(rib_depth_mm / 1000) / 1e6), np.log(SWING_AT_MN_M2), SWING_SHARE))


def what_two_seasons_decide(first: Levels, second: Levels | None, rib_depth_mm: float | None, *,
                            system: str = "si") -> str:
    """Say what two surveys show if the rib depth is known and a point is on open ground; empty where either is missing.

    A point on open ground has `open ground` in its column exclude, in both surveys.
    """
    if second is None or rib_depth_mm is None:
        return ""
    open_ground = [set(s.points.loc[s.points["exclude"].str.lower().str.contains(OPEN_GROUND), "point"])
                   for s in (first, second)]
    names = sorted(open_ground[0] & open_ground[1])
    if not names:
        return ""
    return (f"Two surveys with a rib depth of {_told(rib_depth_mm, system)} and open ground ({joined(names)}) test "
            "what nothing measured has: how much of the ground's yearly swing a slab follows. In two opposite seasons "
            f"the model expects about {share_of_swing(rib_depth_mm):.2f} of it at this depth ({_SWINGS}, computed). A "
            "clearly larger share says the slab is less stiff than its ribs say, a smaller one that it is stiffer "
            "or that the ground under its edge moves less than open ground.")


def next_dates(history: History | None, lot_row: int | None, last: date | None, *,
               system: str = "si") -> str:
    """Say when the next survey is most informative: the months in which past edge movement was at its extremes."""
    if history is not None and lot_row is not None and history.series[lot_row] >= 0:
        values = np.asarray(history.deflection_mm[history.series[lot_row]], dtype=float)
        month = np.array([int(name[5:]) for name in history.months])
        counts = np.bincount(month[np.isfinite(values)], minlength=13)[1:]
        if counts.min() > 0:
            mean = np.array([values[(month == m) & np.isfinite(values)].mean() for m in range(1, 13)])
            high, low = int(mean.argmax()), int(mean.argmin())
            if mean[high] - mean[low] >= 1.0:  # mm; below it the season makes no difference
                past = f"{dates.month(history.months[0])} to {dates.month(history.months[-1])}"
                return (f"{telling.MONTHS[high]} and {telling.MONTHS[low]}: there the run's past months ({past}) have "
                        f"the highest and the lowest middle-minus-edge ({_told(mean[high], system)} and "
                        f"{_told(mean[low], system)} on average). Past months, not a forecast.")
    if last is None:
        return f"A second survey {SPACING}."
    return f"Near {telling.MONTHS[(last.month + 5) % 12]} {last.year + (last.month + 6 > 12)}: {SPACING}."
