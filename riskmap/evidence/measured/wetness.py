"""Comparisons with measured wetness and suction: the surface driver, its fallbacks, and depth.

The driver is that of today's default settings with nothing varied: day steps on monthly data. The monthly bucket, which
every second model run uses, is given as the former driver, with the evapotranspiration column of the climate divisions
or, for a station, Thornthwaite from its own temperature.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache, partial
from pathlib import Path
from typing import Any

import numpy as np

from riskmap.climate import category, evapotranspiration
from riskmap.climate.indices import spei
from riskmap.common import series_fit
from riskmap.common.settings import ClimateSettings, MovementSettings
from riskmap.evidence import closed_forms
from riskmap.evidence.measured import field
from riskmap.evidence.measured.comparison import ANY, DIVISIONS, Comparison, Values, around, at_least
from riskmap.movement import cracked, reduced_model, suction_levels, surface
from riskmap.movement import open_ground as ground

CLIMATE, MOVEMENT = ClimateSettings(), MovementSettings()
CRACKED = MOVEMENT.model_copy(update={"ground": "cracked"})
MANHATTAN = "field/uscrn_53974_manhattan_ks_daily_2003_2017.csv.gz"
STILLWATER = "field/uscrn_53927_stillwater_ok_month_end_vwc_2010_2012.csv"
PROFILES = "field/uscrn_2020_daily_profiles_29_stations.csv.gz"
COUNTIES = "drought/usdm_county_stats/county_weekly_2000_2025_selected.csv.gz"
NETWORK = "NOAA U.S. Climate Reference Network"
NOAA = NETWORK + ", station "
LEVEL_1 = "day steps on monthly data (default, not varied), "
BY_DAYS = "day steps on daily data, "
FORMER = (f"former driver, monthly bucket of {CLIMATE.bucket_capacity_mm:g} mm, rain x {CLIMATE.rain_factor:g} (half "
          "of the model runs), ")
KPA_PER_CM = 0.0980665  # 1 cm of water column
SUCTION_DEPTH_M, SUCTION_TESTS = 6.0, 1200  # depth and smallest value of the Dallas tests
DEEP_BELOW_M = 1.6  # Adelaide
R_FAIR = "r >= {least:g}"
TYPED = "data file, typed by hand; depth not stated"


@dataclass(frozen=True)
class Weather:
    """Surface suction of a climate division at today's default settings; month ends."""

    months: list[str]
    suction_pf: Any
    equilibrium_pf: float

    def place(self, month: str) -> int:
        """Return the position of a month, YYYY-MM."""
        return self.months.index(month)


@lru_cache(maxsize=16)
def weather(open_data: Path, division: str, driver: str = "day") -> Weather:
    """Return suction and covered equilibrium of a division by day steps or the monthly bucket, nothing varied. [pF]"""
    from riskmap.evidence.measured import day_driver

    months, rain, pet = field.division(open_data, division)
    span = MOVEMENT.dry_limit_pf - MOVEMENT.wet_limit_pf
    filled = (surface.filling(rain, pet, CLIMATE.rain_factor, CLIMATE.bucket_capacity_mm, 0.5) if driver == "month" else
              day_driver.wet_share(day_driver.filling(day_driver.division_days(open_data, division))))
    suction = MOVEMENT.dry_limit_pf - span * filled
    first = months.index(f"{CLIMATE.equilibrium_first_year}-01") - (CLIMATE.equilibrium_months - 1)
    last = months.index(f"{CLIMATE.equilibrium_last_year}-12")
    covered = surface.equilibrium(suction[first : last + 1], window=CLIMATE.equilibrium_months,
                                  percentile=CLIMATE.equilibrium_percentile)
    return Weather(months, suction, covered)


# ---------------------------------------------------------------- the bucket against measured wetness
def manhattan(open_data: Path, rain_factor: float) -> Values:
    """Return `series_fit.fit` of the bucket at Manhattan, Kansas, 10 cm; the record begins in November."""
    rain, pet, measured = field.manhattan(open_data)
    filling = surface.filling(rain, pet, rain_factor, CLIMATE.bucket_capacity_mm, 0.5)
    return series_fit.fit(filling, measured, (10 + np.arange(rain.size)) % 12)


def best_factor(fit: Callable[[Path, float], Values], open_data: Path) -> float:
    """Return which rain factor of 0.7, 0.8, 0.9 and 1 has the smallest root mean square error at one site."""
    return min((0.7, 0.8, 0.9, 1.0), key=lambda factor: fit(open_data, factor)[4])


def stillwater(open_data: Path, rain_factor: float) -> Values:
    """Return `series_fit.fit` of the bucket of division 3405 at Stillwater, Oklahoma."""
    _, rain, pet = field.division(open_data, "3405")
    at, measured = field.stillwater(open_data)
    filling = surface.filling(rain, pet, rain_factor, CLIMATE.bucket_capacity_mm, 0.5)
    return series_fit.fit(filling[at], measured, np.array(at) % 12)


# ---------------------------------------------------------------- day steps against the same
def by_steps(what: str, steps: str = "months") -> Callable[[Path], Values]:
    """Return a comparison of day steps at `manhattan`, `stillwater` or `stations`, on data by months or days."""
    def fit(open_data: Path) -> Values:
        from riskmap.evidence.measured import day_driver

        if what == "stillwater":
            return day_driver.stillwater_fit(open_data)
        return (day_driver.manhattan_fit if what == "manhattan" else day_driver.station_timing)(open_data, steps)

    return fit


# ---------------------------------------------------------------- index and weekly categories
def _by_score(open_data: Path, division: str, score: Any) -> Any:
    """Return surface wetness from a score as the product does it: usual season plus a share of its spread. [-pF]"""
    here = weather(open_data, division)
    years = np.array([int(month[:4]) for month in here.months])
    calendar = np.arange(years.size) % 12
    use = (years >= CLIMATE.normal_first_year) & (years <= CLIMATE.normal_last_year)
    mean, sd = surface.monthly_climatology(here.suction_pf, calendar, use)
    return -surface.from_score(score, mean[calendar], sd[calendar], slope=CLIMATE.index_slope)


def _index(open_data: Path, division: str, months: int) -> Any:
    _, rain, pet = field.division(open_data, division)
    return spei.compute(rain[None], pet[None], first_calendar_month=1, accumulation_months=months)[0]


def _weekly(open_data: Path, county: str, first_month: int, count: int) -> Any:
    """Return the monthly normal score of a county's weekly maps."""
    import pandas as pd

    table = pd.read_csv(open_data / COUNTIES, dtype={"FIPS": str}, parse_dates=["MapDate"])
    table = table[table["FIPS"] == county]
    score = category.normal_score(table[list(category.NAMES)].to_numpy() / 100)
    month = (table["MapDate"].dt.year * 12 + table["MapDate"].dt.month - 1).to_numpy()
    return category.monthly_score(score[:, None], month, first_month, count)[0]


def fallbacks(open_data: Path, division: str, county: str, at: Any, measured: Any) -> Values:
    """Return r with measured wetness: index of six and of twelve months, weekly categories, usual season, rain."""
    here = weather(open_data, division)
    count = len(here.months)
    scores = [_index(open_data, division, CLIMATE.index_months), _index(open_data, division, 12),
              _weekly(open_data, county, 1895 * 12, count), np.zeros(count)]
    wetness = [*(_by_score(open_data, division, score) for score in scores), -here.suction_pf]
    return [float(np.corrcoef(series[at], measured)[0, 1]) for series in wetness]


def manhattan_fallbacks(open_data: Path) -> Values:
    """Return `fallbacks` at Manhattan with division 1408 and county 20173, the nearest available."""
    measured = field.manhattan(open_data)[2]
    use = np.flatnonzero(np.isfinite(measured))
    first = weather(open_data, "1408").place("2003-11")
    return fallbacks(open_data, "1408", "20173", first + use, measured[use])


def stillwater_fallbacks(open_data: Path) -> Values:
    """Return `fallbacks` at Stillwater with division 3405 and county 40109."""
    at, measured = field.stillwater(open_data)
    return fallbacks(open_data, "3405", "40109", np.array(at), measured)


# ---------------------------------------------------------------- 29 stations of 2020
@lru_cache(maxsize=1)
def _stations(open_data: Path) -> list[Any]:
    import pandas as pd

    table = pd.read_csv(open_data / PROFILES, parse_dates=["date"])
    return [station for _, station in table.groupby("wban", sort=True)]


def station_timing(open_data: Path) -> Values:
    """Return, east and west of 100 W: median r of bucket and 10 cm water content at 12 month ends, n with r >= 0.7, n.

    The bucket first runs once through the same year, because the months before are not in the file.
    """
    stations = []
    for station in _stations(open_data):
        month = station.groupby(station["date"].dt.month)
        rain, content = month["p_mm"].sum().to_numpy(float), month["vwc_10cm"].last().to_numpy(float)
        pet = evapotranspiration.thornthwaite(month["t_avg_c"].mean().to_numpy(float)[None],
                                              np.array([station["lat"].iloc[0]]), first_calendar_month=1)[0]
        filling = surface.filling(np.tile(rain, 2), np.tile(pet, 2), CLIMATE.rain_factor, CLIMATE.bucket_capacity_mm,
                                  0.5)[12:]
        stations.append((float(station["lon"].iloc[0]), float(np.corrcoef(filling, content)[0, 1])))
    out: list[float] = []
    for east in (True, False):
        r = np.array([r for lon, r in stations if (lon > -100) == east])
        out += [float(np.median(r)), float((r >= 0.7).sum()), float(r.size)]
    return out


def _yearly_wave(station: Any, depth_cm: int) -> tuple[complex, float]:
    """Return the complex yearly wave of water content and the share of variance it explains."""
    content = station[f"vwc_{depth_cm}cm"].to_numpy(float)
    use = np.isfinite(content)
    if use.sum() < 330:
        return 0j, 0.0
    return series_fit.yearly_wave(content[use], 2 * np.pi * station["date"].dt.day_of_year.to_numpy()[use] / 366)


def cracked_wave(depths_m: Any) -> Any:
    """Return the complex yearly wave at depths of cracked open ground, relative to the surface, shape (n_depth,)."""
    depth = MOVEMENT.active_depth_m
    model = reduced_model.cached(1.7, cracked_depth=cracked.depth_of(CRACKED, depth))
    turn = 2j * np.pi * depth**2 / MOVEMENT.diffusivity_m2_per_yr  # a year in the model's time
    by_mode = model.ground_inputs / (model.ground_rates + turn)
    wave = model.ground_output @ by_mode / np.diff(model.depth_edges)
    middle = depth * (model.depth_edges[1:] + model.depth_edges[:-1]) / 2
    return np.interp(depths_m, middle, wave.real) + 1j * np.interp(depths_m, middle, wave.imag)


def depth_damping(open_data: Path, depth_cm: int, ground: str = "uncracked") -> Values:
    """Return our and the measured median amplitude ratio to 10 cm, our and the measured lag [months], and n.

    It uses stations whose yearly wave explains at least 0.4 of the variance at both depths.
    """
    ratio, lag = [], []
    for station in _stations(open_data):
        (top, top_r2), (deep, deep_r2) = _yearly_wave(station, 10), _yearly_wave(station, depth_cm)
        if min(top_r2, deep_r2) >= series_fit.LEAST_WAVE:
            ratio.append(abs(deep) / abs(top))
            lag.append(series_fit.lag_months(deep, top))
    at = np.array([0.1, depth_cm / 100])
    if ground == "cracked":
        wave = cracked_wave(at)
        ours, late = abs(wave), -np.angle(wave) * 12 / (2 * np.pi)
    else:
        ours, late = closed_forms.periodic_amplitude(at, active_depth_m=MOVEMENT.active_depth_m,
                                                     diffusivity_m2_per_yr=MOVEMENT.diffusivity_m2_per_yr)
    return [float(ours[1] / ours[0]), float(np.median(ratio)), float(late[1] - late[0]), float(np.median(lag)),
            float(len(ratio))]


# ---------------------------------------------------------------- suction with depth
@lru_cache(maxsize=4)
def open_ground(open_data: Path, division: str, driver: str = "day") -> tuple[Any, Any]:
    """Return depth cell edges [m] and suction of open ground [pF], shape (n_month, n_z), at the default settings."""
    here, depth = weather(open_data, division, driver), MOVEMENT.active_depth_m
    return ground.depth_edges_m(depth), ground.suction(here.suction_pf, here.equilibrium_pf,
                                                       diffusivity_m2_per_yr=MOVEMENT.diffusivity_m2_per_yr,
                                                       active_depth_m=depth)


def dallas_suction(open_data: Path, driver: str = "day") -> Values:
    """Return our mean suction 1995-97 over 6 m [pF], the inferred median of the tests [pF], and our mean in kPa.

    Ours is based on two levels: the covered equilibrium, and the drier natural level below the roots. The median is
    inferred from the mean of the tests, with a log-normal spread from the smallest and the largest of them.
    """
    from scipy.special import ndtri

    from riskmap.evidence.measured.comparison import facts

    edges, suction = open_ground(open_data, "4103", driver)
    here, known = weather(open_data, "4103", driver), facts(open_data)
    years = suction[here.place("1995-01") : here.place("1997-12") + 1]
    natural = suction_levels.natural_level(here.suction_pf[here.place(f"{CLIMATE.normal_first_year}-01") :
                                                           here.place(f"{CLIMATE.normal_last_year}-12") + 1])
    weight = np.append(np.diff(edges), SUCTION_DEPTH_M - edges[-1]) / SUCTION_DEPTH_M
    absolute = suction_levels.with_inflow(years, (edges[1:] + edges[:-1]) / 2, natural_pf=natural,
                                          covered_pf=here.equilibrium_pf, active_depth_m=float(edges[-1]))
    whole = np.column_stack([absolute, np.full(len(years), natural)])
    mean, limits = known["DFW-S1"].value, known["DFW-S2"]
    spread = np.log(limits.high / limits.low) / (2 * ndtri(1 - 0.375 / (SUCTION_TESTS + 0.25)))
    median = mean * np.exp(-(spread**2) / 2)
    kpa = float((10**whole * KPA_PER_CM @ weight).mean())
    return [float((whole @ weight).mean()), float(np.log10(median / KPA_PER_CM)), kpa]


def deep_share(open_data: Path) -> Values:
    """Return the share of open-ground movement from below 1.6 m: yearly wave, and 1981-2020 on division 4103. [%]"""
    edges, suction = open_ground(open_data, "4103")
    here = weather(open_data, "4103")
    years = suction[here.place("1981-01") : here.place("2020-12") + 1]
    below = np.clip(edges[1:] - np.maximum(edges[:-1], DEEP_BELOW_M), 0, None)
    return [*field.deep_share(), 100 * float(np.ptp(years @ below) / np.ptp(years @ np.diff(edges)))]


def active_depth(open_data: Path, division: str = "3405") -> Values:
    """Return the depth at which the mean yearly suction range 1991-2020 of a division falls to 0.1 pF. [m]"""
    edges, suction = open_ground(open_data, division)
    here = weather(open_data, division)
    years = suction[here.place("1991-01") : here.place("2020-12") + 1].reshape(30, 12, -1)
    span = np.ptp(years, axis=1).mean(axis=0)
    middle = (edges[1:] + edges[:-1]) / 2
    return [float(np.interp(-0.1, -span, middle))]


def reference_ratio(open_data: Path) -> Values:
    """Return grass reference divided by Thornthwaite evapotranspiration at Acme, Oklahoma, and the guard's limit."""
    from riskmap.evidence.measured.comparison import facts

    known = facts(open_data)["ACME"]
    ratio = evapotranspiration.ratio_to_thornthwaite(np.array([[known.high]]), np.array([[known.low]]))
    return [float(ratio[0]), evapotranspiration.REFERENCE_RATIO]


def nothing(open_data: Path) -> Values:
    """Return no value, because the comparison cannot be computed."""
    return ()


IN_SAMPLE = f"rain x {CLIMATE.rain_factor:g} was chosen after seeing this record and Stillwater's, out of 11 variants"

def _factor(fact: Any, values: Values, at: int) -> tuple[float, float]:
    """Return the limits of a factor of 1.5 about one of the values."""
    return values[at] / 1.5, values[at] * 1.5


COMPARISONS = (
    Comparison("1a", "Manhattan KS prairie, timing of wet and dry",
               "relative wetness at 10 cm, 99 month ends 2009-2017",
               LEVEL_1 + "station rain and temperature", "r {0:.2f} (anomalies {1:.2f})", R_FAIR,
               by_steps("manhattan"), at_least(0.7), source=NOAA + "53974", files=(MANHATTAN,),
               remark="the two limits of the filling were chosen for size at this probe"),
    Comparison("1b", "Manhattan KS prairie, level", "mean relative wetness {3:.2f}", LEVEL_1 + "as 1a",
               "mean {2:.2f}, rms error {4:.2f}", "{least:.2f} to {most:.2f} (+-0.1)", by_steps("manhattan"),
               around(3, 0.1), (2,), source=NOAA + "53974", files=(MANHATTAN,),
               remark="in-sample for size: the limits of the filling, out of about 100 settings looked at"),
    Comparison("1g", "Manhattan KS prairie, timing on daily data", "as 1a", BY_DAYS + "the station's own",
               "r {0:.2f} (anomalies {1:.2f}), mean {2:.2f}, rms error {4:.2f}", R_FAIR, by_steps("manhattan", "days"),
               at_least(0.7), source=NOAA + "53974", files=(MANHATTAN,), remark="what a daily record adds"),
    Comparison("1h", "Manhattan KS prairie, timing by the former driver", "as 1a", FORMER + "as 1a",
               "r {0:.2f} (anomalies {1:.2f})", R_FAIR, lambda d: manhattan(d, CLIMATE.rain_factor), at_least(0.7),
               source=NOAA + "53974", files=(MANHATTAN,), remark="timing hardly depends on the rain factor"),
    Comparison("1i", "Manhattan KS prairie, level by the former driver", "mean relative wetness {3:.2f}",
               FORMER + "as 1a", "mean {2:.2f}, rms error {4:.2f}", "{least:.2f} to {most:.2f} (+-0.1)",
               lambda d: [*manhattan(d, CLIMATE.rain_factor), best_factor(manhattan, d)], around(3, 0.1), (2,),
               source=NOAA + "53974", files=(MANHATTAN,),
               remark="in-sample: " + IN_SAMPLE + "; this site alone would choose {5:g} of 0.7, 0.8, 0.9, 1"),
    Comparison("1c", "Manhattan KS prairie, level with all rain", "mean relative wetness {3:.2f}",
               "as 1i with rain x 1 (the first default, given up)", "mean {2:.2f}, rms error {4:.2f}",
               "{least:.2f} to {most:.2f} (+-0.1)", lambda d: manhattan(d, 1.0), around(3, 0.1), (2,),
               source=NOAA + "53974", files=(MANHATTAN,), remark="too wet; this is why the rain factor exists"),
    Comparison("1d", "Manhattan KS prairie, index in place of rain", "as 1a",
               "driver level 2: usual season and SPEI of six months, division 1408",
               "r {0:.2f} (twelve months {1:.2f}; usual season alone {3:.2f})", R_FAIR, manhattan_fallbacks,
               at_least(0.7), source=NOAA + "53974", files=(MANHATTAN, DIVISIONS, COUNTIES),
               remark="most of r is the season; the rain of the same division does little better (1f)"),
    Comparison("1e", "Manhattan KS prairie, weekly categories", "as 1a",
               "driver level 3: usual season and weekly categories of another county (20173)",
               "r {2:.2f} (usual season alone {3:.2f})", R_FAIR, manhattan_fallbacks, at_least(0.7), (2,),
               source=NOAA + "53974", files=(MANHATTAN, DIVISIONS, COUNTIES),
               remark="categories add little to the season"),
    Comparison("1f", "Manhattan KS prairie, weather of a division", "as 1a",
               LEVEL_1 + "division 1408 (south-central Kansas, the nearest at hand, not the station's own)",
               "r {4:.2f}", R_FAIR, manhattan_fallbacks, at_least(0.7), (4,), source=NOAA + "53974",
               files=(MANHATTAN, DIVISIONS, COUNTIES),
               remark="weather from elsewhere costs more than the fallback does"),
    Comparison("2a", "Stillwater OK grass, timing of wet and dry", "relative wetness, 24 month ends 2010-2012",
               LEVEL_1 + "division 3405", "r {0:.2f} (anomalies {1:.2f})", R_FAIR, by_steps("stillwater"),
               at_least(0.7), source=NOAA + "53927", way_read=TYPED, files=(STILLWATER, DIVISIONS),
               remark="worse than the former driver (2g): after 291 mm of the division's rain from October 2011 the "
               "probe stayed dry; not explained"),
    Comparison("2b", "Stillwater OK grass, level", "mean relative wetness {3:.2f}", LEVEL_1 + "division 3405",
               "mean {2:.2f}, rms error {4:.2f}", "{least:.2f} to {most:.2f} (+-0.1)", by_steps("stillwater"),
               around(3, 0.1), (2,), source=NOAA + "53927", way_read=TYPED, files=(STILLWATER, DIVISIONS)),
    Comparison("2g", "Stillwater OK grass, timing by the former driver", "as 2a", FORMER + "division 3405",
               "r {0:.2f} (anomalies {1:.2f})", R_FAIR, lambda d: stillwater(d, CLIMATE.rain_factor), at_least(0.7),
               source=NOAA + "53927", way_read=TYPED, files=(STILLWATER, DIVISIONS),
               remark="includes the drought of 2011"),
    Comparison("2h", "Stillwater OK grass, level by the former driver", "mean relative wetness {3:.2f}",
               FORMER + "division 3405",
               "mean {2:.2f}, rms error {4:.2f}", "{least:.2f} to {most:.2f} (+-0.1)",
               lambda d: [*stillwater(d, CLIMATE.rain_factor), best_factor(stillwater, d)], around(3, 0.1), (2,),
               source=NOAA + "53927", way_read=TYPED, files=(STILLWATER, DIVISIONS),
               remark="in-sample as 1i; this site alone would choose {5:g} of 0.7, 0.8, 0.9, 1"),
    Comparison("2c", "Stillwater OK grass, level with all rain", "mean relative wetness {3:.2f}",
               "as 2g with rain x 1 (given up)", "mean {2:.2f}, rms error {4:.2f}",
               "{least:.2f} to {most:.2f} (+-0.1)", lambda d: stillwater(d, 1.0), around(3, 0.1), (2,),
               source=NOAA + "53927", way_read=TYPED,
               files=(STILLWATER, DIVISIONS), remark="too wet"),
    Comparison("2d", "Stillwater OK grass, index in place of rain", "as 2a",
               "driver level 2: usual season and SPEI of six months, division 3405",
               "r {0:.2f} (twelve months {1:.2f}; usual season alone {3:.2f})", R_FAIR, stillwater_fallbacks,
               at_least(0.7), source=NOAA + "53927", way_read=TYPED,
               files=(STILLWATER, DIVISIONS, COUNTIES),
               remark="two years with one great drought: the season alone passes, so this decides little"),
    Comparison("2e", "Stillwater OK grass, weekly categories", "as 2a",
               "driver level 3: usual season and weekly categories of another county (40109)",
               "r {2:.2f} (usual season alone {3:.2f})", R_FAIR, stillwater_fallbacks, at_least(0.7), (2,),
               source=NOAA + "53927", way_read=TYPED,
               files=(STILLWATER, DIVISIONS, COUNTIES), remark="as 2d"),
    Comparison("2f", "29 stations of 2020, timing", "water content at 10 cm, 12 month ends, 29 stations 25-43 N",
               LEVEL_1 + "each station's rain and temperature of the year, run twice",
               "median r {0:.2f} east of 100 W ({1:.0f} of {2:.0f} reach 0.7), {3:.2f} west ({4:.0f} of {5:.0f})",
               "median r >= {least:g} on either side", by_steps("stations"), at_least(0.7), (0, 3),
               source=NETWORK, files=(PROFILES,),
               remark="no setting was chosen on these; one year only, mostly its season"),
    Comparison("2i", "29 stations of 2020, timing on daily data", "as 2f",
               BY_DAYS + "each station's own of the year, run twice",
               "median r {0:.2f} east of 100 W ({1:.0f} of {2:.0f} reach 0.7), {3:.2f} west ({4:.0f} of {5:.0f})",
               "median r >= {least:g} on either side", by_steps("stations", "days"), at_least(0.7), (0, 3),
               source=NETWORK, files=(PROFILES,), remark="as 2f"),
    Comparison("2j", "29 stations of 2020, timing by the former driver", "as 2f",
               FORMER + "each station's rain and temperature of the year, run twice",
               "median r {0:.2f} east of 100 W ({1:.0f} of {2:.0f} reach 0.7), {3:.2f} west ({4:.0f} of {5:.0f})",
               "median r >= {least:g} on either side", station_timing, at_least(0.7), (0, 3),
               source=NETWORK, files=(PROFILES,), remark="the month as a time step is what misses"),
    Comparison("3a", "29 stations of 2020, damping to 50 cm", "yearly wave at 50 over 10 cm: median {1:.2f}, n {4:.0f}",
               f"diffusivity {MOVEMENT.diffusivity_m2_per_yr:g} m2/yr, bare diffusion", "{0:.2f}",
               "{least:.2f} to {most:.2f} (factor 1.5)", lambda d: depth_damping(d, 50),
               lambda fact, v: (v[1] / 1.5, v[1] * 1.5), source=NETWORK, files=(PROFILES,),
               remark="water content represents suction; profile texture unknown"),
    Comparison("3b", "29 stations of 2020, damping to 100 cm", "the same at 100 cm: median {1:.2f}, n {4:.0f}", "as 3a",
               "{0:.2f}", "{least:.2f} to {most:.2f} (factor 1.5)", lambda d: depth_damping(d, 100),
               lambda fact, v: (v[1] / 1.5, v[1] * 1.5), source=NETWORK, files=(PROFILES,),
               remark="roots and cracks move the first metre nearly together; the model has neither"),
    Comparison("3c", "29 stations of 2020, lag to 50 cm", "lag 10 to 50 cm: median {3:.2f} months, n {4:.0f}", "as 3a",
               "{2:.2f} months", "{least:.2f} to {most:.2f} (factor 1.5)", lambda d: depth_damping(d, 50),
               lambda fact, v: (v[3] / 1.5, v[3] * 1.5), (2,), source=NETWORK, files=(PROFILES,),
               remark="modelled depth answers too late"),
    Comparison("3d", "29 stations of 2020, lag to 100 cm", "lag 10 to 100 cm: median {3:.2f} months, n {4:.0f}",
               "as 3a", "{2:.2f} months", "{least:.2f} to {most:.2f} (factor 1.5)", lambda d: depth_damping(d, 100),
               lambda fact, v: (v[3] / 1.5, v[3] * 1.5), (2,), source=NETWORK, files=(PROFILES,),
               remark="as 3c"),
    *(Comparison(number, f"29 stations of 2020, {what} to {depth} cm, cracked ground", f"as {first}",
                 "as 3a, scenario of cracked ground", ours, "{least:.2f} to {most:.2f} (factor 1.5)",
                 partial(depth_damping, depth_cm=depth, ground="cracked"), partial(_factor, at=at + 1), (at,),
                 source=NETWORK, files=(PROFILES,), cannot="its diffusivity was chosen on these stations")
      for number, first, what, depth, at, ours in (
          ("3e", "3a", "damping", 50, 0, "{0:.2f}"), ("3f", "3b", "damping", 100, 0, "{0:.2f}"),
          ("3g", "3c", "lag", 50, 2, "{2:.2f} months"), ("3h", "3d", "lag", 100, 2, "{2:.2f} months"))),
    Comparison("4", "Lahoma OK wheat, neutron probe to 2 m", "spread of water content by layer, 62 dates 2009-2011",
               "-", "none", "spread ratio 0.67 to 1.5", nothing, judged=(), fact="LAHOMA",
               cannot="the probe's file has no open licence and is not among the open data; only its layer spreads are "
                      "at hand, which do not say suction", files=()),
    Comparison("5", "Dallas-Fort Worth TX, level of suction",
               "mean of more than 1,200 tests {value:g} kPa, upper 6 m, 1995-97; median pF {1:.2f} inferred",
               "default driver, open ground, division 4103, 1995-97, upper 6 m", "mean pF {0:.2f}",
               "pF {least:.2f} to {most:.2f} (+-0.4: osmotic part, mixed lots)", dallas_suction, around(1, 0.4),
               fact="DFW-S1", remark="two levels of suction, no number fitted; the mean in kPa is {2:.0f}, which the "
               "few driest tests decide, so no product shows suction in kPa. Movement rests on differences of suction, "
               "which this does not test. The median rests on a log-normal reading"),
    Comparison("9", "Adelaide grassland, depth of movement", "little movement below {value:g} m",
               "yearly wave on uniform clay, default diffusivity and depth", "{0:.0f} % from below 1.6 m",
               "< {most:g} % ('little')", deep_share, lambda fact, v: (0, 20), fact="ADELAIDE",
               remark="over 1981-2020 with Texas weather (division 4103, no Adelaide record at hand) {1:.0f} %: slow "
               "dry and wet spells reach deeper than the season"),
    Comparison("10", "Oklahoma, active depth", "{low:g} to {high:g} m (network of soil suction stations)",
               "default driver, open ground, division 3405, depth where the yearly range is 0.1 pF", "{0:.1f} m",
               "inside {least:g} to {most:g} m", active_depth, lambda fact, v: (fact.low, fact.high), fact="OKLA",
               remark="a wide target; the definitions of active depth differ"),
    Comparison("18", "Acme OK, reference evapotranspiration",
               "grass reference {high:g} against Thornthwaite {low:g} mm/yr",
               "the guard for a declared evapotranspiration", "ratio {0:.2f}, guard at {1:g}",
               "recognised: ratio above the guard", reference_ratio, lambda fact, v: (v[1], ANY), fact="ACME",
               files=(), remark="checks the guard, not the model; the ratio of the two sums, the station's file is "
               "not open"),
)
