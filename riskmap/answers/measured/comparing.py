"""The comparisons of a measured series with the driver, each with its tolerance and what it means for the estimate.

They are those of notebooks/evidence.md, cases 1 to 3 and 6. Nothing is fitted and no estimate changes.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from riskmap.answers.measured.modelled import Modelled, Soil
from riskmap.answers.measured.series_file import Series
from riskmap.common import series_fit
from riskmap.common.month_numbers import month_name

AGREES, DISAGREES, CANNOT = "agrees", "disagrees", "cannot tell"
LEAST_MONTHS, LEAST_FOR_ANOMALIES = 24, 36  # judgement: every calendar month twice, or three times
SURFACE_M = 0.2  # a probe down to this depth is compared with the surface driver, a deeper one with open ground
R_FAIR, R_ANOMALY_FAIR = 0.7, 0.5  # the limit of the evidence page; judgement
# as on the evidence page; for size, the factor that every product states
LEVEL_FAIR, FACTOR_FAIR, SIZE_FACTOR_FAIR = 0.1, 1.5, 2.0
TIMING, ANOMALIES, LEVEL, DAMPING, LAG, SIZE = ("timing", "anomalies", "mean wetness", "damping", "lag",
                                                "yearly movement")


@dataclass(frozen=True)
class Row:
    """One comparison.

    Attributes
    ----------
    depth_m : float
    driver : str
    what : str
    measured, ours : float
        nan where there is none. r describes both series together and is in `ours`.
    unit, tolerance : str
    months : int
        Number of month ends compared.
    outcome : str
        `agrees`, `disagrees` or `cannot tell`.
    meaning : str
        What it means for the estimate, or why nothing can be said.
    rms : float
        Root mean square error of relative wetness; only for `mean wetness`.
    """

    depth_m: float
    driver: str
    what: str
    measured: float
    ours: float
    unit: str
    tolerance: str
    months: int
    outcome: str
    meaning: str
    rms: float = np.nan


@dataclass(frozen=True)
class Ends:
    """Values of the driest and the wettest ground, in the unit of the series; if none, the extremes of the series."""

    dry: float | None = None
    wet: float | None = None

    @property
    def given(self) -> bool:
        """Whether the two ends were given."""
        return self.dry is not None and self.wet is not None


def wetness(series: Series, depth_m: float, ends: Ends) -> pd.Series:
    """Return measured relative wetness at month ends, between the given ends, or else between the extremes."""
    values, every = series.month_ends(depth_m), series.at(depth_m)
    if series.kind == "share":
        return values
    dry, wet = (ends.dry, ends.wet) if ends.dry is not None and ends.wet is not None else (every.min(), every.max())
    return (values - dry) / (wet - dry) if wet > dry else values * np.nan


def months_of(series: Series, modelled: list[Modelled], ends: Ends, soil: Soil) -> pd.DataFrame:
    """Return month, depth, driver, measured and ours for every month end that both series have."""
    parts = []
    for model in modelled:
        for depth in series.depths_m:
            seen = series.month_ends(depth) if series.level else wetness(series, depth, ends)
            ours = model.level_mm(depth, soil) if series.level else model.wetness(depth if depth > SURFACE_M else 0.0)
            both = pd.DataFrame({"measured": seen, "ours": ours}).dropna()
            parts.append(both.assign(month_number=both.index, depth_m=depth, driver=model.name))
    table = pd.concat(parts, ignore_index=True)
    table.insert(0, "month", [month_name(int(number)) for number in table["month_number"]])
    return table


def compare(series: Series, modelled: list[Modelled], ends: Ends, soil: Soil) -> tuple[list[Row], pd.DataFrame]:
    """Return every comparison that the series allows, and the month ends that were compared.

    Parameters
    ----------
    series : Series
    modelled : list of Modelled
        The drivers of the run.
    ends : Ends
    soil : Soil
        For levels of the ground; its extensibility counts only where a lot is known.
    """
    table = months_of(series, modelled, ends, soil)
    rows = []
    for model in modelled:
        for depth in series.depths_m:
            both = table[(table["driver"] == model.name) & (table["depth_m"] == depth)]
            rows += _timing(both, depth, model.name)
            rows.append(_size(both, depth, model.name, soil) if series.level else _level(both, depth, model.name))
        if not series.level:
            rows += _depths(series, model, table)
    return rows, table


def _short(months: int, least: int) -> str:
    return f"{months} month ends are compared, and {least} are needed."


def _timing(both: pd.DataFrame, depth: float, name: str) -> list[Row]:
    count, least = len(both), {TIMING: LEAST_MONTHS, ANOMALIES: LEAST_FOR_ANOMALIES}
    figures = [np.nan] * 2
    if count >= LEAST_MONTHS:
        calendar = both["month_number"].to_numpy(np.int64) % 12
        figures = series_fit.fit(both["ours"].to_numpy(float), both["measured"].to_numpy(float), calendar)[:2]
    said = {
        TIMING: ("The ground was wet and dry in the months in which the estimate takes it to be: its figures for now "
                 "and the next 12 months rest on that.",
                 "The ground was wet and dry in other months than the estimate takes it to be: give its figures for "
                 "now and the next 12 months less weight here. The long-run figure rests on the size of the swings, "
                 "which this does not test."),
        ANOMALIES: ("Months wetter or drier than usual are recognised.",
                    "Beyond the usual season the two have little in common: a dry or wet year here may be missed.")}
    rows = []
    for what, r, fair in ((TIMING, figures[0], R_FAIR), (ANOMALIES, figures[1], R_ANOMALY_FAIR)):
        tolerance = f"r of {fair:g} or more"
        if count < least[what]:
            rows.append(Row(depth, name, what, np.nan, np.nan, "r", tolerance, count, CANNOT,
                            _short(count, least[what])))
        elif not np.isfinite(r):
            rows.append(Row(depth, name, what, np.nan, np.nan, "r", tolerance, count, CANNOT,
                            "One of the two does not vary."))
        else:
            rows.append(Row(depth, name, what, np.nan, r, "r", tolerance, count, AGREES if r >= fair else DISAGREES,
                            said[what][r < fair]))
    return rows


def _level(both: pd.DataFrame, depth: float, name: str) -> Row:
    tolerance, count = f"within {LEVEL_FAIR:g} of measured", len(both)
    if count < LEAST_MONTHS:
        return Row(depth, name, LEVEL, np.nan, np.nan, "share", tolerance, count, CANNOT, _short(count, LEAST_MONTHS))
    measured, ours = float(both["measured"].mean()), float(both["ours"].mean())
    rms = float(np.sqrt(((both["ours"] - both["measured"]) ** 2).mean()))
    off = ours - measured
    if abs(off) <= LEVEL_FAIR:
        outcome, said = AGREES, "On average the ground is about as wet as the estimate takes it to be."
    else:
        outcome = DISAGREES
        said = (f"The estimate takes the ground to be {'wetter' if off > 0 else 'drier'} than you measured. Movement "
                "rests on changes of wetness, so this alone makes no estimate larger or smaller.")
    return Row(depth, name, LEVEL, measured, ours, "share", tolerance, count, outcome, said, rms)


def _size(both: pd.DataFrame, depth: float, name: str, soil: Soil) -> Row:
    tolerance, count = f"within a factor of {SIZE_FACTOR_FAIR:g} of measured", len(both)

    def cannot(why: str, seen: float = np.nan) -> Row:
        return Row(depth, name, SIZE, seen, np.nan, "mm", tolerance, count, CANNOT, why)

    if count < LEAST_MONTHS:
        return cannot(_short(count, LEAST_MONTHS))
    angle = _angle_of_months(both["month_number"].to_numpy(np.int64))
    seen, share = series_fit.yearly_wave(both["measured"].to_numpy(float), angle)
    measured = 2 * abs(seen)
    if share < series_fit.LEAST_WAVE:
        return cannot(f"The yearly wave explains {100 * share:.0f} % of what was measured, and "
                      f"{100 * series_fit.LEAST_WAVE:.0f} % are needed.", measured)
    if not soil.known:
        return cannot("How far the ground moves depends on the soil: name a lot.", measured)
    ours = 2 * abs(series_fit.yearly_wave(both["ours"].to_numpy(float), angle)[0])
    if measured / SIZE_FACTOR_FAIR <= ours <= measured * SIZE_FACTOR_FAIR:
        return Row(depth, name, SIZE, measured, ours, "mm", tolerance, count, AGREES,
                   "Open ground moves over the year about as far as the estimate takes it to.")
    larger = ours > measured
    ratio = ours / measured if larger else measured / max(ours, 1e-9)
    return Row(depth, name, SIZE, measured, ours, "mm", tolerance, count, DISAGREES,
               f"Open ground moves {'less' if larger else 'more'} than the estimate takes it to: the movement of a "
               f"slab edge on this soil may be too {'large' if larger else 'small'} by a factor of about {ratio:.1f}.")


def _angle_of_months(months: NDArray[np.int64]) -> NDArray[np.float64]:
    """Return the time in the year of month ends. [radian]"""
    return np.asarray(2 * np.pi * ((months % 12) + 1) / 12)


def _angle_of_days(days: pd.DatetimeIndex) -> NDArray[np.float64]:
    """Return the time in the year of days.

    A month's last day gives the same as `_angle_of_months`, within a day. [radian]
    """
    passed = np.asarray(days.day_of_year, float)  # type: ignore[attr-defined]
    return np.asarray(2 * np.pi * passed / series_fit.DAYS_PER_YEAR)


def _depths(series: Series, model: Modelled, table: pd.DataFrame) -> list[Row]:
    """Return damping and lag of the yearly wave between the shallowest depth and each deeper one."""
    top, *deeper = series.depths_m
    rows: list[Row] = []
    own = table[table["driver"] == model.name]
    months = {depth: set(own.loc[own["depth_m"] == depth, "month_number"]) for depth in series.depths_m}
    for depth in deeper:
        common = sorted(months[top] & months[depth])
        fair = f"within a factor of {FACTOR_FAIR:g} of measured"
        if len(common) < LEAST_MONTHS:
            rows += [_no_wave(depth, model.name, what, fair, len(common), _short(len(common), LEAST_MONTHS))
                     for what in (DAMPING, LAG)]
            continue
        waves, shares = [], []
        for one in (top, depth):
            values = series.at(one)
            inside = np.isin(np.asarray(12 * values.index.year + values.index.month - 1),  # type: ignore[attr-defined]
                             common)
            wave, share = series_fit.yearly_wave(values[inside].to_numpy(float), _angle_of_days(values.index[inside]))
            waves.append(wave)
            shares.append(share)
        if min(shares) < series_fit.LEAST_WAVE:
            why = (f"The yearly wave explains {100 * min(shares):.0f} % of what was measured, and "
                   f"{100 * series_fit.LEAST_WAVE:.0f} % are needed.")
            rows += [_no_wave(depth, model.name, what, fair, len(common), why) for what in (DAMPING, LAG)]
            continue
        angle = _angle_of_months(np.array(common, dtype=np.int64))
        ours = [series_fit.yearly_wave(model.wetness(one).loc[common].to_numpy(float), angle)[0]
                for one in (top, depth)]
        rows += _of_waves(depth, model.name, fair, len(common), waves, ours)
    return rows


def _no_wave(depth: float, name: str, what: str, fair: str, count: int, why: str) -> Row:
    return Row(depth, name, what, np.nan, np.nan, "" if what == DAMPING else "months", fair, count, CANNOT, why)


def _of_waves(depth: float, name: str, fair: str, count: int, seen: list[complex],
              ours: list[complex]) -> list[Row]:
    ratio = [abs(wave[1]) / abs(wave[0]) for wave in (seen, ours)]
    lag = [series_fit.lag_months(wave[1], wave[0]) for wave in (seen, ours)]
    return [_within(depth, name, DAMPING, "", fair, count, ratio, (
                "The season reaches this depth as strongly as the estimate takes it to.",
                "The season reaches this depth more strongly than the estimate takes it to: the ground may move more "
                "over the year than it says.",
                "The season reaches this depth less strongly than the estimate takes it to: the ground may move less "
                "over the year than it says.")),
            _within(depth, name, LAG, "months", fair, count, lag, (
                "Deep ground answers when the estimate takes it to.",
                "Deep ground answers later than the estimate takes it to: the largest movement may come later than it "
                "says.",
                "Deep ground answers earlier than the estimate takes it to: the largest movement may come earlier than "
                "it says."))]


def _within(depth: float, name: str, what: str, unit: str, fair: str, count: int, values: list[float],
            said: tuple[str, str, str]) -> Row:
    """Return the row of one figure. `said`: agrees, measured larger, measured smaller."""
    measured, ours = values
    if measured / FACTOR_FAIR <= ours <= measured * FACTOR_FAIR:
        return Row(depth, name, what, measured, ours, unit, fair, count, AGREES, said[0])
    return Row(depth, name, what, measured, ours, unit, fair, count, DISAGREES, said[1 if measured > ours else 2])
