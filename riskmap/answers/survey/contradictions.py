"""Readings that contradict each other, their unit, their dates or the house. They are found and reported, never
averaged.

The rule. What is expected of a survey is fixed before its readings are looked at: the reading error (practice, 0.1 in),
the unevenness of new slabs (published) and how far a real shape may be from the dome that is fitted (computed).
Readings that differ by more contradict each other. They are reported with their rows and left out, or the survey gets
no answer ("cannot tell"); they never widen the band that judges them. What may come to light:

- Readings of one point, or ties between zeros and coverings, that differ (`contradicting`): Baarda's test.
- Levels that do not form a plane with a dome, for example when some readings are in another unit (`unlike_a_dome`).
- Levels that differ by more than a floor does, or by less than a floor can be read to (`of_size`).
- Dates that have not come yet, that are far apart, or that lie before the slab was poured (`of_dates`, `before_pour`).

Tolerances, each with its source:

- `BEYOND`, `CHANCE`: one correct reading in a thousand is beyond (published: Baarda 1968, A testing procedure for use
  in geodetic networks, Netherlands Geodetic Commission 2(5); 3.29 is the two-sided normal value).
- The reading error: `levels.READING_SD_MM`.
- `AS_BUILT_POINT_SD_MM`: new slabs differ by 13.5 mm on average a few days after placement (published: Walsh, Bashford
  & Mason 2001, abstract); the largest difference of 25 normal values is 3.9 standard deviations on average (computed).
- `SHAPE_SHARE`: on grids of 5 by 5 to 9 by 9 points a fitted dome leaves 7 to 20 % of its height unexplained, root
  mean square, of flat-topped, conical and round shapes, and up to 50 % of a shape that is bent one way only
  (computed); 25 % is used (judgement).
- `LARGEST_DOME_MM`: 5 in, the largest movement near trees that a practitioner reports (3 to 5 in; practice). It is
  used where no run says what is expected.
- `LARGEST_RANGE_MM`: a foot (judgement: movement, tilt and building unevenness of one floor together stay below; a step
  between floors belongs in `exclude`). Below one reading error no floor of six points or more can be read (computed:
  six normal values lie so near to each other in 1 % of cases, 25 never).
- `LONGEST_SURVEY_DAYS`: a month is the time step of the expectation (practice: a survey takes one day, and a
  second visit follows within a week).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import date, timedelta
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from riskmap.common.errors import counted
from riskmap.common.problems import Problem, first_rows
from riskmap.common.units import M_PER_FOOT, MM_PER_INCH

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

BEYOND, CHANCE = 3.29, 0.001
AS_BUILT_MM = 13.5
AS_BUILT_POINT_SD_MM = AS_BUILT_MM / 3.9
SHAPE_SHARE = 0.25
LARGEST_DOME_MM = 127.0
LARGEST_RANGE_MM = 300.0
FEWEST_TO_JUDGE = 6
LONGEST_SURVEY_DAYS = 31
SAME_PLACE_M = 0.05  # judgement: two places given for one point may be this far apart
PICKS, SEED = 500, 0  # computed: with 45 % wrong readings, one choice of four points in eleven has none of them
OTHER_UNITS = {  # factor that would correct odd readings -> the unit they would then be in
    1 / MM_PER_INCH: "millimetres under an inch heading",
    MM_PER_INCH: "inches under a millimetre heading", 1 / 12: "inches under a foot heading",
    12.0: "feet under an inch heading",
    1 / 1000: "millimetres under a metre heading", 1000.0: "metres under a millimetre heading",
    1 / (1000 * M_PER_FOOT): "millimetres under a foot heading", 1000 * M_PER_FOOT: "feet under a millimetre heading",
    39.3701: "metres under an inch heading", 1 / 10: "a decimal point one place too far right",
    10.0: "centimetres under a millimetre heading, or a decimal point one place too far left",
    -1.0: "the sign reversed, as of a rod held on the floor"}


def normalized(design: Floats, value: Floats, sd: Floats | float) -> tuple[Floats, bool]:
    """Return each row's residual divided by its own standard deviation, and whether all rows together fit.

    Parameters
    ----------
    design : array, shape (n_row, n_unknown)
        Its rank may be too low; unknowns that nothing determines change no residual.
    value : array, shape (n_row,)
    sd : array, shape (n_row,), or float
        Standard deviation of each row, known beforehand.

    Returns
    -------
    array, shape (n_row,)
        0 where no other row checks this one.
    bool
        Whether the squared residuals are below what one correct set in a thousand exceeds (chi square).
    """
    from scipy.stats import chi2

    scaled, target = design / np.reshape(sd, (-1, 1)), value / sd
    u, size, _ = np.linalg.svd(scaled, full_matrices=False)
    u = u[:, size > 1e-9 * size.max(initial=1e-300)]
    residual = target - u @ (u.T @ target)
    free = np.clip(1.0 - (u**2).sum(axis=1), 0.0, None)
    out = np.where(free > 1e-9, np.abs(residual) / np.sqrt(np.maximum(free, 1e-9)), 0.0)
    redundant = len(value) - u.shape[1]
    return out, redundant < 1 or bool(residual @ residual <= chi2.isf(CHANCE, redundant))


def contradicting(design: Floats, value: Floats, sd: float, group: NDArray[Any]) -> tuple[Mask, bool]:
    """Return which rows contradict others, and whether the rest fits, by Baarda's test without the worst, repeated.

    Nothing says which reading of a group (a point) is right, so a whole group is in or out. Groups that fit equally
    badly are out together. Rows that no other row checks are never out.
    """
    out = np.zeros(len(value), dtype=bool)
    _, which, counts = np.unique(group, return_inverse=True, return_counts=True)
    many = counts[which] > 1
    while True:
        here = np.flatnonzero(many & ~out)
        if not len(here):
            return out, True
        residual, together = normalized(design[here], value[here] - value[here].mean(), sd)
        if residual.max() <= BEYOND:
            return out, together
        out |= np.isin(group, group[here][residual >= residual.max() * (1 - 1e-6)])


def same_place(readings: pd.DataFrame, sd: float) -> list[str]:
    """Return names of points that are in one place but differ, read from the same zeros on the same coverings.

    Parameters
    ----------
    readings : DataFrame
        point, x_m, y_m, zero, cover, net_mm.
    sd : float
        Standard deviation of one reading. [mm]
    """
    from scipy.spatial import KDTree

    points = readings.groupby("point", sort=True)[["x_m", "y_m", "net_mm"]].mean()
    how = (readings["zero"] + "\n" + readings["cover"]).groupby(readings["point"]).agg(
        lambda kinds: "\n".join(sorted(set(kinds))))
    pairs = KDTree(points[["x_m", "y_m"]].to_numpy(float)).query_pairs(SAME_PLACE_M, output_type="ndarray")
    a, b = points.index[pairs[:, 0]], points.index[pairs[:, 1]]
    apart = np.abs(points.loc[a, "net_mm"].to_numpy(float) - points.loc[b, "net_mm"].to_numpy(float))
    bad = (apart > BEYOND * math.sqrt(2.0) * sd) & (how[a].to_numpy() == how[b].to_numpy())
    return sorted({*a[bad], *b[bad]})


# ---------------------------------------------------------------- the size of what was read
def of_size(level: Floats, reading_sd_mm: float, file: str) -> list[Problem]:
    """Return a finding when levels differ by more than one floor does, or by less than it can be read to. [mm]"""
    spread = float(np.ptp(level)) if len(level) else 0.0
    done = "Levels are given as read; nothing is compared with them."
    remedy = "Check whether the readings are in the unit of the column's name"
    if spread > LARGEST_RANGE_MM:
        return [Problem("E-SVY-067", file, rule=f"The levels differ by {spread:,.0f} mm ({spread / 25.4:,.1f} in), "
                        f"more than the {LARGEST_RANGE_MM:.0f} mm that one floor can differ by.",
                        remedy=f"{remedy}; give a reason in exclude to points of another floor.", action=done)]
    if len(level) >= FEWEST_TO_JUDGE and spread < reading_sd_mm:
        return [Problem("E-SVY-068", file, rule=f"The levels of {len(level)} points differ by {spread:.2g} mm in all, "
                        f"less than the {reading_sd_mm} mm to which a floor is read.", remedy=f"{remedy} (heights in "
                        "metres or feet belong under elevation_m or elevation_ft).", action=done)]
    return []


def allowed_sd(reading_sd_mm: float, largest_dome_mm: float) -> float:
    """Return how far a level may be from the fitted plane with dome, one standard deviation. [mm]"""
    return math.hypot(reading_sd_mm, AS_BUILT_POINT_SD_MM, SHAPE_SHARE * largest_dome_mm)


def unlike_a_dome(design: Floats, level: Floats, sd: float) -> Mask:
    """Return which points do not fit a plane with a dome; none when all fit within `sd`.

    Least squares shows whether there are any. Which ones they are is shown by the fit that half of the points follow
    best (published: Rousseeuw 1984, Least median of squares regression), because least squares spreads the error over
    all points.

    Parameters
    ----------
    design : array, shape (n_point, n_unknown)
    level : array, shape (n_point,)
    sd : float
        As returned by `allowed_sd`. [mm]
    """
    residual, together = normalized(design, level - level.mean(), sd)
    if residual.max(initial=0.0) <= BEYOND and together:
        return np.zeros(len(level), dtype=bool)
    left = np.abs(level - design @ robust(design, level))
    odd = left > BEYOND * sd
    return odd if odd.any() else left >= left.max()


def robust(design: Floats, level: Floats) -> Floats:
    """Return the coefficients that half of the points follow best, out of a fixed set of choices."""
    rows, unknowns = design.shape
    draw = np.random.default_rng(SEED)
    picks = np.array([draw.choice(rows, unknowns, replace=False) for _ in range(PICKS)])
    fits = np.einsum("kuv,kv->ku", np.linalg.pinv(design[picks]), level[picks])
    half = (rows + unknowns + 1) // 2
    middle = np.partition(np.abs(level[None] - fits @ design.T), half - 1, axis=1)[:, half - 1]
    best: Floats = fits[int(np.argmin(middle.round(9)))]
    return best


def likely_unit(design: Floats, level: Floats, raw: Floats, odd: Mask, sd: float) -> str:
    """Return in words what would correct the odd readings; empty when no other unit does."""
    fit = design @ robust(design, level)
    left = {factor: np.abs(level + raw * (factor - 1.0) - fit)[odd] for factor in OTHER_UNITS}
    good = {factor: float(np.median(away)) for factor, away in left.items() if (away <= BEYOND * sd).mean() >= 0.8}
    return OTHER_UNITS[min(good, key=lambda factor: good[factor])] if good else ""


# ---------------------------------------------------------------- dates
def latest_day(run_month: str | None = None) -> date:
    """Return the last day on which a reading can have been made: tomorrow, or the end of a run's month (YYYY-MM).

    It is tomorrow because the house may be in a time zone ahead of this computer's, and the run's month because a
    computer's clock may be slow.
    """
    latest = date.today() + timedelta(days=1)
    if run_month is None:
        return latest
    year, month = (int(part) for part in run_month.split("-"))
    return max(latest, date(year + month // 12, month % 12 + 1, 1) - timedelta(days=1))


def of_dates(readings: pd.DataFrame, file: str, latest: date) -> list[Problem]:
    """Return findings on dates after `latest`, and on readings of different months in one survey.

    Parameters
    ----------
    readings : DataFrame
        `readings.COLUMNS`; dates are YYYY-MM-DD, or empty.
    latest : date
        The last day on which a reading can have been made.
    """
    days = readings["date"].astype(str)
    out = [Problem("E-SVY-069", file, rule=f"The date lies in the future (after {latest.isoformat()}).",
                   remedy="Correct the date.", action="Levels are given; they are compared with nothing.", row=int(row),
                   column="date", value=day)
           for row, day in zip(readings["row"], days, strict=True) if day > latest.isoformat()]
    dates = sorted(set(days) - {""})
    if dates and (date.fromisoformat(dates[-1]) - date.fromisoformat(dates[0])).days > LONGEST_SURVEY_DAYS:
        rows = [int(readings.loc[days == day, "row"].iloc[0]) for day in (dates[0], dates[-1])]
        out.append(Problem("E-SVY-070", file, rule=f"The readings are from {dates[0]} (row {rows[0]}) to {dates[-1]} "
                           f"(row {rows[1]}), and a floor moves within so long a time.", remedy="Give each survey in a "
                           "file of its own; compare two with --second.", action="Levels are given; they are compared "
                           "with nothing.", column="date"))
    return out


def before_pour(readings: pd.DataFrame, lot: Mapping[str, Any], file: str) -> list[Problem]:
    """Return a finding when readings are from a month before the earliest in which the slab can have been poured."""
    early = str(lot.get("pour_from") or "")
    days = readings["date"].astype(str)
    old = (days != "") & (days.str[:7] < early)
    if not old.any():
        return []
    rows = readings.loc[old, "row"].astype(int).tolist()
    return [Problem("E-SVY-071", file, rule=f"{counted(len(rows), 'reading')} (rows {first_rows(rows)}) are of a date "
                    f"before {early}, the earliest month in which the run has the slab poured.",
                    remedy="Correct the date of the survey, or the pour date in the lot file and run the estimate "
                    "again.", action="The survey is not compared with the run.", column="date",
                    value=sorted(days[old])[0])]
