"""The driver by day steps against an independent solution: every value of cases_daily.json.

Tolerance of suction: 0.0002 pF, as the file states it (its values are rounded to 0.0001 pF, one rounding of the filling
at 0.0001 makes 0.00016 pF). Of the filling 0.0001: 4 printed digits. Of a sum of evapotranspiration or runoff 0.002 mm:
3 or 4 printed digits and the last digit of a long sum.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from riskmap.evidence.known_answers import case_file
from riskmap.movement import day_steps

FILLING, SUM_MM, WET, DRY = 1.0e-4, 0.002, 2.9, 4.3


@pytest.fixture(scope="module")
def cases(referee: Path) -> dict[str, Any]:
    return dict(json.loads((referee / "cases_daily.json").read_text(encoding="utf-8")))


def one(value: float) -> np.ndarray:
    return np.array([float(value)])


def filled(days: day_steps.Days, p: float, cn: float, capacity: float, start: float = 0.5) -> np.ndarray:
    return day_steps.filling(days.rain_mm, days.pet_mm, days.month_stop, one(p), one(cn), one(capacity), one(1.0),
                             one(start))[0]


@pytest.fixture(scope="module")
def two_years(cases: dict[str, Any]) -> dict[str, day_steps.Days]:
    (case,) = cases["cases"]
    assert (case["first"], case["last"], case["months"][0]) == ("2014-01-01", "2015-12-31", "2014-01")
    rain, warmth = np.array(case["rain_mm"]), np.array(case["temp_c"])
    first, latitude = 12 * 2014, case["lat_deg"]
    month = pd.Series(pd.date_range(case["first"], case["last"])).dt.to_period("M")
    by_month = pd.DataFrame({"rain": rain, "warmth": warmth}).groupby(month)
    assert by_month["rain"].sum().to_numpy() == pytest.approx(np.array(case["month_rain_mm"]), abs=0.051)
    return {"daily": day_steps.from_days(rain, warmth, first_month=first, n_month=24, latitude_deg=latitude),
            "monthly_four_rains": day_steps.from_months(
                by_month["rain"].sum().to_numpy(), by_month["warmth"].mean().to_numpy(), first_month=first,
                latitude_deg=latitude)}


@pytest.mark.parametrize("steps", ["daily", "monthly_four_rains"])
@pytest.mark.parametrize("settings", ["recommended", "published_p5_cn80"])
def test_two_years_by_days_and_by_months(cases: dict[str, Any], two_years: dict[str, day_steps.Days], settings: str,
                                         steps: str) -> None:
    result = cases["cases"][0]["results"][settings]
    known = result["parameters"]
    s = filled(two_years[steps], known["p"], known["cn"], known["capacity"])
    assert s == pytest.approx(np.array(result[f"{steps}_s"]), abs=FILLING)
    ours = day_steps.suction(s, wet_pf=WET, dry_pf=DRY, low=known["lo"], high=known["hi"])
    assert (cases["limits"]["wet_pF"], cases["limits"]["dry_pF"]) == (WET, DRY)
    assert ours == pytest.approx(np.array(result[f"{steps}_u_s_pF"]), abs=cases["tolerance_pF"])


def test_sums_of_two_years(cases: dict[str, Any], two_years: dict[str, day_steps.Days]) -> None:
    case = cases["cases"][0]
    daily = two_years["daily"]
    assert daily.pet_mm.sum() == pytest.approx(case["pet_mm_total"], abs=SUM_MM)
    for result in case["results"].values():
        assert day_steps.runoff_sum(daily.rain_mm, result["parameters"]["cn"]) == pytest.approx(result["runoff_mm"],
                                                                                                abs=SUM_MM)


@pytest.mark.parametrize("place", [0, 1])
def test_a_station_of_2020_run_twice(cases: dict[str, Any], open_data: Path, place: int) -> None:
    case = cases["month_end_stations"][place]
    known = case["input"]
    table = pd.read_csv(open_data / "field" / "uscrn_2020_daily_profiles_29_stations.csv.gz")
    station = table[table["wban"] == known["wban"]]
    days = day_steps.from_days(station["p_mm"].to_numpy(float), station["t_avg_c"].to_numpy(float),
                               first_month=12 * 2020, n_month=12, latitude_deg=known["lat_deg"])
    assert station["p_mm"].sum() == pytest.approx(case["rain_mm"], abs=0.051)
    assert days.pet_mm.sum() == pytest.approx(case["pet_mm"], abs=SUM_MM)
    assert day_steps.runoff_sum(days.rain_mm, known["curve_number"]) == pytest.approx(case["runoff_mm"], abs=SUM_MM)
    twice = days.take(np.tile(np.arange(12), 2))
    s = filled(twice, known["no_stress_share"], known["curve_number"], known["capacity_mm"])[12:]
    assert s == pytest.approx(np.array(case["s_month_end"]), abs=FILLING)
    assert day_steps.suction(s, wet_pf=WET, dry_pf=DRY, low=0.0, high=1.0) == pytest.approx(
        np.array(case["u_s_month_end_pf"]), abs=cases["tolerance_pF"])


def test_selftest_takes_the_file(referee: Path, open_data: Path) -> None:
    found = case_file.compared(referee / "cases_daily.json", open_data)
    assert found.passed
    kinds = [line.kind for line in found.lines]
    assert {kind: kinds.count(kind) for kind in kinds} == {"pet": 3, "runoff": 4, "filling": 6, "suction": 6}
    assert len(case_file.compared(referee / "cases_daily.json").lines) == len(kinds) - 8  # without the two stations


def test_selftest_sees_a_wrong_value(cases: dict[str, Any], tmp_path: Path) -> None:
    wrong = json.loads(json.dumps(cases))
    wrong["cases"][0]["results"]["recommended"]["daily_u_s_pF"][7] += 0.001
    (tmp_path / "wrong.json").write_text(json.dumps(wrong), encoding="utf-8")
    found = case_file.compared(tmp_path / "wrong.json")
    assert [(line.kind, line.where) for line in found.lines if not line.passed] == [("suction", "month 8")]
