"""The driver by day steps and the monthly bucket against measured wetness; and how their domes cover measured years.

Wetness is the filling between the two limits, so that it has the same proportion to suction as measured relative
wetness in `measured_suction`. Records, months and comparisons are the same as in `wetness`.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from riskmap.common import series_fit
from riskmap.evidence.measured import field, wetness
from riskmap.evidence.measured.comparison import DIVISIONS, LATITUDES
from riskmap.evidence.measured.movement import ALPHA, DEPTH, RESTRAINT, cells_of
from riskmap.evidence.measured.wetness import CLIMATE, MOVEMENT
from riskmap.layers import daily_gaps
from riskmap.movement import day_steps, draws, surface, trace
from riskmap.movement import reduced_model as rm

Array = NDArray[np.float64]

MANHATTAN_LATITUDE = 39.1
MANHATTAN_FIRST = 12 * 2003 + 10  # November 2003
MEASURED_YEARS = 8
# repeats of the measured years before them, after which the ground has forgotten its start (computed: 0.0 mm left)
LAPS = 5
# a usual slab on expansive clay; the coverage hardly depends on these values (computed)
HALF_WIDTH_M, EXTENSIBILITY = 6.0, 9.0
RANGE = (10, 90)  # the 80 % range [%]


class Settings(NamedTuple):
    """Parameters of the driver by day steps."""

    no_stress_share: float = 0.6  # FAO-56, from memory
    curve_number: float = 74.0  # TR-55: open space, good cover, group C
    capacity_mm: float = 150.0
    low: float = 0.05  # like `high`, in-sample for size: one probe, about 100 settings tried
    high: float = 0.95


DEFAULT = Settings()
NO_LIMITS = Settings(0.5, 80.0, 150.0, 0.0, 1.0)  # as published elsewhere, not chosen on any of these records
SPREADS = {"no_stress_share": (0.4, 0.7), "curve_number": (70.0, 82.0), "capacity_mm": (100.0, 200.0),
           "low": (0.0, 0.1), "high": (0.9, 1.0)}


def filling(days: day_steps.Days, settings: Settings = DEFAULT) -> Array:
    """Return the filling at month ends for one set of parameters, half full before the first day, shape (n_month,)."""
    share, number, capacity = (np.array([v]) for v in settings[:3])
    return day_steps.filling(days.rain_mm, days.pet_mm, days.month_stop, share, number, capacity, np.ones(1),
                             np.full(1, 0.5))[0]


def wet_share(filled: Array, settings: Settings = DEFAULT) -> Array:
    """Return the position of the filling between its limits: 0 at the dry one, 1 at the wet one."""
    return np.clip((filled - settings.low) / (settings.high - settings.low), 0, 1)


# ---------------------------------------------------------------- records
@lru_cache(maxsize=1)
def manhattan(open_data: Path) -> dict[str, day_steps.Days]:
    """Return the weather of Manhattan, Kansas, by months (one rain per week) and by days; from November 2003.

    Months with fewer than 25 days of rain have the calendar month's mean, as in `field.manhattan`; by days, gaps are
    filled by the reader's rule (`layers.daily_gaps`), and a month that lacks more is taken from the monthly record.
    """
    import pandas as pd

    table = pd.read_csv(open_data / wetness.MANHATTAN, parse_dates=["date"]).set_index("date")
    rain = field.manhattan(open_data)[0]
    number = table.index.year * 12 + table.index.month - 1  # type: ignore[attr-defined]
    warmth = table["t_avg_c"].groupby(np.asarray(number)).mean().loc[MANHATTAN_FIRST:]
    warmth = warmth.fillna(warmth.groupby(warmth.index % 12).transform("mean"))
    by_months = day_steps.from_months(rain, warmth.to_numpy(), first_month=MANHATTAN_FIRST,
                                      latitude_deg=MANHATTAN_LATITUDE)
    known = table.loc["2003-11":]
    filled, _ = daily_gaps.whole_months(known["p_mm"], known["t_avg_c"], "53974", wetness.MANHATTAN)
    by_days = day_steps.from_days(filled.rain_mm, filled.temperature_c, first_month=MANHATTAN_FIRST, n_month=rain.size,
                                  latitude_deg=MANHATTAN_LATITUDE)
    return {"months": by_months, "days": by_days.or_else(by_months)}


def manhattan_fit(open_data: Path, steps: str, settings: Settings = DEFAULT) -> list[float]:
    """Return `series_fit.fit` at Manhattan, 10 cm: r, r of anomalies, our mean, measured mean, rms error."""
    measured = field.manhattan(open_data)[2]
    ours = wet_share(filling(manhattan(open_data)[steps], settings), settings)
    return series_fit.fit(ours, measured, (10 + np.arange(ours.size)) % 12)


def _station_days(station: Any, steps: str) -> day_steps.Days:
    """Return the year 2020 of a station. A day without rain data counts as no rain, as in its month's sum."""
    first, latitude = 12 * 2020, float(station["lat"].iloc[0])
    if steps == "days":
        every = station.set_index("date").reindex(np.arange("2020-01-01", "2021-01-01", dtype="datetime64[D]"))
        return day_steps.from_days(every["p_mm"].fillna(0).to_numpy(float),
                                   every["t_avg_c"].interpolate(limit_direction="both").to_numpy(float),
                                   first_month=first, n_month=12, latitude_deg=latitude)
    month = station.groupby(station["date"].dt.month)
    return day_steps.from_months(month["p_mm"].sum().to_numpy(float), month["t_avg_c"].mean().to_numpy(float),
                                 first_month=first, latitude_deg=latitude)


def station_timing(open_data: Path, steps: str, settings: Settings = DEFAULT) -> list[float]:
    """Return the same as `wetness.station_timing`, east and west: median r at 12 month ends, n with r >= 0.7, n.

    Each year is run twice.
    """
    found = []
    for station in wetness._stations(open_data):
        twice = _station_days(station, steps).take(np.tile(np.arange(12), 2))
        ours = wet_share(filling(twice, settings)[12:], settings)
        seen = station.groupby(station["date"].dt.month)["vwc_10cm"].last().to_numpy(float)
        found.append((float(station["lon"].iloc[0]), float(np.corrcoef(ours, seen)[0, 1])))
    out: list[float] = []
    for r in (np.array([r for lon, r in found if (lon > -100) == east]) for east in (True, False)):
        out += [float(np.median(r)), float((r >= 0.7).sum()), float(r.size)]
    return out


def season_alone(open_data: Path) -> list[float]:
    """Return the median r with the mean standardised season of the other stations on the same side, east and west."""
    stations = wetness._stations(open_data)
    seen = np.array([s.groupby(s["date"].dt.month)["vwc_10cm"].last().to_numpy(float) for s in stations])
    score = (seen - seen.mean(axis=1, keepdims=True)) / seen.std(axis=1, keepdims=True)
    east = np.array([float(s["lon"].iloc[0]) > -100 for s in stations])
    out = []
    for side in (score[east], score[~east]):
        others = (side.sum(axis=0) - side) / (len(side) - 1)
        out.append(float(np.median([np.corrcoef(a, b)[0, 1] for a, b in zip(side, others, strict=True)])))
    return out


def division_days(open_data: Path, division: str) -> day_steps.Days:
    """Return the weather of a climate division since 1895, with one rain per week."""
    import pandas as pd

    table = pd.read_csv(open_data / DIVISIONS, dtype={"division": str})
    table = table[table["division"] == division]
    return day_steps.from_months(25.4 * table["precip_in"].to_numpy(), (table["tavg_f"].to_numpy() - 32) / 1.8,
                                 first_month=12 * 1895, latitude_deg=LATITUDES[division])


def stillwater_fit(open_data: Path, settings: Settings = DEFAULT) -> list[float]:
    """Return `series_fit.fit` at Stillwater, Oklahoma, with the months of division 3405."""
    days = division_days(open_data, "3405")
    at, measured = field.stillwater(open_data)
    return series_fit.fit(wet_share(filling(days, settings), settings)[at], measured, np.array(at) % 12)


# ---------------------------------------------------------------- domes of the measured years
@dataclass(frozen=True)
class Coverage:
    """Largest dome of each measured year, by measured wetness and by model runs of the driver.

    Attributes
    ----------
    measured_mm : array, shape (n_year,)
    drawn_mm : array, shape (n_draw, n_year)
    """

    measured_mm: Array
    drawn_mm: Array

    @property
    def limits_mm(self) -> Array:
        """Limits of the 80 % range, shape (2, n_year)."""
        return np.percentile(self.drawn_mm, RANGE, axis=0)

    @property
    def share(self) -> float:
        """Share of the years whose dome lies in the range."""
        low, high = self.limits_mm
        return float(((self.measured_mm >= low) & (self.measured_mm <= high)).mean())


def measured_suction(open_data: Path) -> tuple[Array, slice]:
    """Return surface suction from measured wetness at Manhattan, eight years from 2009-08, and their positions. [pF]"""
    measured = field.manhattan(open_data)[2]
    first = int(np.flatnonzero(np.isfinite(measured))[0])
    years = slice(first, first + 12 * MEASURED_YEARS)
    span = MOVEMENT.dry_limit_pf - MOVEMENT.wet_limit_pf
    return MOVEMENT.dry_limit_pf - span * np.clip(measured[years], 0, 1), years


def largest_domes(suction_pf: Array, shift_pf: float = 0.0, lep: float = EXTENSIBILITY) -> Array:
    """Return the largest dome of each year for an old slab, these years repeated, each with its own equilibrium. [mm]

    The ground has the default parameters; the equilibrium follows by the rule from these years alone, plus `shift_pf`.
    """
    covered = surface.equilibrium(suction_pf, window=CLIMATE.equilibrium_months,
                                  percentile=CLIMATE.equilibrium_percentile) + shift_pf
    model = rm.cached(HALF_WIDTH_M / DEPTH)
    run = trace.ground(model, np.tile(suction_pf - covered, LAPS + 1), 0, diffusivity_m2_per_yr=ALPHA,
                       active_depth_m=DEPTH, restraint=RESTRAINT, index_cells=cells_of(model, lep))
    return 1000 * run.dome_m[-suction_pf.size :].reshape(-1, 12).max(axis=1)


def drawn_fillings(open_data: Path, steps: str) -> tuple[Array, dict[str, Array]]:
    """Return the filling at the measured month ends for every model run, shape (n_draw, n_month), and its parameters.

    The random streams are those of a run; the capacity is the bucket's.
    """
    u, count = draws.stratified(MOVEMENT.draws, MOVEMENT.seed), MOVEMENT.draws
    streams = {"capacity_mm": "bucket", "low": "low_filling", "high": "high_filling"}
    drawn = {name: low + (high - low) * u[streams.get(name, name)] for name, (low, high) in SPREADS.items()}
    days, (_, years) = manhattan(open_data)[steps], measured_suction(open_data)
    ones = np.ones(count)
    filled = day_steps.filling(days.rain_mm, days.pet_mm, days.month_stop, drawn["no_stress_share"],
                               drawn["curve_number"], drawn["capacity_mm"], ones, 0.5 * ones)
    return filled[:, years], drawn


@lru_cache(maxsize=16)
def coverage(open_data: Path, driver: str, spread: str = "driver", lep: float = EXTENSIBILITY) -> Coverage:
    """Return the domes of Manhattan's years for a driver and for what is varied.

    Parameters
    ----------
    driver : str
        `months`: day steps on monthly data; `days`: on daily data; `bucket`: the monthly bucket; `half`: every second
        model run uses the monthly bucket, the others day steps on monthly data.
    spread : str
        `driver`: only its own parameters are varied, everything else is the same as for measured wetness; `limits`: the
        wet and the dry limit too; `equilibrium`: the covered equilibrium as well.
    """
    truth, years = measured_suction(open_data)
    made, count = draws.make(MOVEMENT), MOVEMENT.draws
    common = spread == "driver"
    wet = np.full(count, MOVEMENT.wet_limit_pf) if common else made.wet_limit_pf
    dry = np.full(count, MOVEMENT.dry_limit_pf) if common else made.dry_limit_pf
    shift = made.equilibrium_shift_pf if spread == "equilibrium" else np.zeros(count)
    suction = np.empty((count, truth.size))
    by_bucket = {"bucket": np.ones(count, bool), "half": np.arange(count) % 2 == 1}.get(driver, np.zeros(count, bool))
    filled, drawn = drawn_fillings(open_data, "days" if driver == "days" else "months")
    rain, pet, _ = field.manhattan(open_data)
    for d in range(count):
        if by_bucket[d]:
            share = surface.filling(rain, pet, made.rain_factor[d], made.bucket_mm[d], 0.5)[years]
        else:
            share = wet_share(filled[d], Settings(*(float(drawn[name][d]) for name in Settings._fields)))
        suction[d] = dry[d] - (dry[d] - wet[d]) * share
    domes = np.array([largest_domes(suction[d], float(shift[d]), lep) for d in range(count)])
    return Coverage(largest_domes(truth, lep=lep), domes)


# ---------------------------------------------------------------- the table
def table(open_data: Path) -> list[tuple[str, list[float]]]:
    """Return a row for each driver: median r east and west, and r, r of anomalies and rms error at Manhattan."""
    rain, pet, measured = field.manhattan(open_data)
    bucket = surface.filling(rain, pet, CLIMATE.rain_factor, CLIMATE.bucket_capacity_mm, 0.5)
    rows = [("monthly bucket", wetness.station_timing(open_data),
             series_fit.fit(bucket, measured, (10 + np.arange(bucket.size)) % 12))]
    rows += [(f"day steps on {'monthly' if steps == 'months' else 'daily'} data{', no limits' if plain else ''}",
              station_timing(open_data, steps, settings), manhattan_fit(open_data, steps, settings))
             for steps in ("months", "days") for plain, settings in ((False, DEFAULT), (True, NO_LIMITS))]
    return [(name, [timing[0], timing[3], fit[0], fit[1], fit[4]]) for name, timing, fit in rows]
