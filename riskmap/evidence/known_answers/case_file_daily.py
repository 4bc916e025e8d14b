"""Check our driver by day steps against a file of its cases: days in, filling and suction at month ends out.

The format is that of `cases_daily.json` with the reference values; its keys `units`, `start`, `pet`, `limits`,
`four_rains` and `order_of_a_day` give the conventions. Filling and sums are compared to within one unit of their last
printed digit.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from riskmap.common import month_numbers
from riskmap.common.weather import days_in_months
from riskmap.evidence.known_answers.case_file import Line
from riskmap.movement import day_steps

Array = NDArray[np.float64]

FILLING, SUM_MM = 1.0e-4, 0.002
HALF_FULL = 0.5
STATIONS = "field/uscrn_2020_daily_profiles_29_stations.csv.gz"
STEPS = ("daily", "monthly_four_rains")


def is_one(content: Any) -> bool:
    """Return whether the content of a file is cases by day steps."""
    return isinstance(content, dict) and {"order_of_a_day", "four_rains", "cases", "limits"} <= set(content)


def _filled(days: day_steps.Days, known: dict[str, Any], names: tuple[str, str, str]) -> Array:
    share, number, capacity = (np.array([float(known[name])]) for name in names)
    return day_steps.filling(days.rain_mm, days.pet_mm, days.month_stop, share, number, capacity, np.ones(1),
                             np.full(1, HALF_FULL))[0]


def _worst(kind: str, name: str, ours: Any, told: Any, limit: float, unit: str) -> Line:
    difference = np.abs(np.atleast_1d(np.asarray(ours, float)) - np.atleast_1d(np.asarray(told, float)))
    where = int(difference.argmax())
    place = f"month {where + 1}" if difference.size > 1 else "sum"
    return Line(kind, name, float(difference[where]), limit, unit, place)


def _series(case: dict[str, Any]) -> tuple[dict[str, day_steps.Days], float]:
    """Return the days of a case, as they are and as made from its months, and its evapotranspiration. [mm]"""
    rain, warmth = np.array(case["rain_mm"], float), np.array(case["temp_c"], float)
    first, count, latitude = month_numbers.parse_month(case["months"][0]), len(case["months"]), float(case["lat_deg"])
    month = np.repeat(np.arange(count), days_in_months(first, count))
    sums, means = np.bincount(month, rain), np.bincount(month, warmth) / np.bincount(month)
    by_days = day_steps.from_days(rain, warmth, first_month=first, n_month=count, latitude_deg=latitude)
    by_months = day_steps.from_months(sums.astype(np.float64), means.astype(np.float64), first_month=first,
                                      latitude_deg=latitude)
    return dict(zip(STEPS, (by_days, by_months), strict=True)), float(by_days.pet_mm.sum())


def check_case(case: dict[str, Any], content: dict[str, Any]) -> Iterator[Line]:
    """Yield filling, suction, evapotranspiration and runoff of one series."""
    series, pet = _series(case)
    yield _worst("pet", case["id"], pet, case["pet_mm_total"], SUM_MM, "mm")
    limits, tolerance = content["limits"], float(content["tolerance_pF"])
    for name, result in case["results"].items():
        known = result["parameters"]
        runoff = day_steps.runoff_sum(series["daily"].rain_mm, float(known["cn"]))
        yield _worst("runoff", f"{case['id']} {name}", runoff, result["runoff_mm"], SUM_MM, "mm")
        for steps, days in series.items():
            filled = _filled(days, known, ("p", "cn", "capacity"))
            suction = day_steps.suction(filled, wet_pf=limits["wet_pF"], dry_pf=limits["dry_pF"], low=known["lo"],
                                        high=known["hi"])
            called = f"{case['id']} {name} {steps}"
            yield _worst("filling", called, filled, result[f"{steps}_s"], FILLING, "-")
            yield _worst("suction", called, suction, result[f"{steps}_u_s_pF"], tolerance, "pF")


def check_station(case: dict[str, Any], content: dict[str, Any], stations: pd.DataFrame) -> Iterator[Line]:
    """Yield the same for a station's year, which is run twice; the filling has no limits."""
    known, limits = case["input"], content["limits"]
    station = stations[stations["wban"] == known["wban"]]
    days = day_steps.from_days(station["p_mm"].to_numpy(float), station["t_avg_c"].to_numpy(float),
                               first_month=12 * 2020, n_month=12, latitude_deg=float(known["lat_deg"]))
    yield _worst("pet", case["id"], days.pet_mm.sum(), case["pet_mm"], SUM_MM, "mm")
    runoff = day_steps.runoff_sum(days.rain_mm, float(known["curve_number"]))
    yield _worst("runoff", case["id"], runoff, case["runoff_mm"], SUM_MM, "mm")
    twice = days.take(np.tile(np.arange(12), 2))
    filled = _filled(twice, known, ("no_stress_share", "curve_number", "capacity_mm"))[12:]
    suction = day_steps.suction(filled, wet_pf=limits["wet_pF"], dry_pf=limits["dry_pF"], low=0.0, high=1.0)
    yield _worst("filling", case["id"], filled, case["s_month_end"], FILLING, "-")
    yield _worst("suction", case["id"], suction, case["u_s_month_end_pf"], float(content["tolerance_pF"]), "pF")


def check(content: dict[str, Any], open_data: Path | None) -> list[Line]:
    """Return every comparison of the file; stations, whose weather is not in it, only with the open data folder."""
    lines = [line for case in content["cases"] for line in check_case(case, content)]
    if open_data is not None and content.get("month_end_stations"):
        stations = pd.read_csv(open_data / STATIONS)
        lines += [line for case in content["month_end_stations"] for line in check_station(case, content, stations)]
    return lines
