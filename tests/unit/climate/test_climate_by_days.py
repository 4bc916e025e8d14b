"""An area whose weather is daily: reading, the record beside it, and what the driver makes of it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from changed_areas import write_area

from riskmap.common import settings
from riskmap.common.errors import LayerError
from riskmap.layers import climate_area
from riskmap.movement import draws, driver
from riskmap.run import check, flow, record

FIRST = "1995-01-01"
DAYS = pd.date_range(FIRST, "2025-08-31")


def daily(folder: Path) -> pd.DataFrame:
    """Write 30 years of invented days and return them."""
    rng = np.random.default_rng(5)
    rain = np.where(rng.random(DAYS.size) < 0.25, rng.gamma(0.7, 14, DAYS.size).round(1), 0.0)
    warmth = (17 - 11 * np.cos(2 * np.pi * (np.asarray(DAYS.day_of_year) - 15) / 365)).round(1)
    table = pd.DataFrame({"date": DAYS.strftime("%Y-%m-%d"), "rain_mm": rain, "tavg_c": warmth})
    table.to_csv(folder / "days.csv", index=False)
    return table


def area_by_days(example: Path, folder: Path, *, months: bool = True, more: str = "") -> settings.Area:
    """Return the example's area with daily weather and, before it, the months of one of its cells."""
    path = write_area(example, folder, last="2025-08")
    daily(folder)
    text = path.read_text(encoding="utf-8")
    begin, end = text.index("[climate]"), text.index("[movement]")
    beside = 'monthly_path = "climate.csv"\nmonthly_cell = "Z01"\n' if months else ""
    given = f'[climate]\nreader = "daily"\npath = "days.csv"\nlatitude_deg = 33.0\n{beside}{more}\n'
    path.write_text(text[:begin] + given + text[end:], encoding="utf-8")
    return settings.load(path)


def test_days_follow_the_months_before_them(example: Path, tmp_path: Path) -> None:
    area = area_by_days(example, tmp_path / "area")
    assert area.climate is not None
    found, sources, problems = climate_area.read(area.climate, area)
    (one,) = found.daily
    assert one.first_month == 12 * 1980
    assert (one.from_days.sum(), one.from_days.size) == (12 * 30 + 8, 12 * 45 + 8)
    assert [source.role for source in sources] == ["climate", "climate"]
    assert [problem.code for problem in problems if problem.code.startswith("W-CLI-106")] == ["W-CLI-106"]
    table = found.monthly.set_index("month")["precipitation_mm"]
    given = pd.read_csv(tmp_path / "area" / "days.csv")
    assert table[12 * 1995] == pytest.approx(given["rain_mm"][:31].sum())
    assert found.latitude_deg == {"area": 33.0}


def test_an_area_of_days_is_checked_estimated_kept_and_driven_by_them(example: Path, tmp_path: Path) -> None:
    area = area_by_days(example, tmp_path / "area")
    report = check.check_area(tmp_path / "area" / "area.toml")
    assert report.refusals == []
    folder = flow.run(tmp_path / "area" / "area.toml", tmp_path / "outputs", workers=1).folder
    found = record.read(folder)
    history = found.inputs.history
    own = history.days[0]
    assert own is not None
    assert np.isnan(own.rain_mm[: 365 * 15]).all()
    assert np.isfinite(own.rain_mm[-365:]).all()
    made = random_driver(history, area)
    monthly = random_driver(replace(history, days=()), area)
    assert np.abs(made.suction_pf - monthly.suction_pf).max() > 0.05  # days are no rain a week
    assert (found.lots["state"] == "").sum() > 30
    days = driver.record(history, 0, area.climate_settings).days
    assert days is not None
    assert days.rain_mm[-31:] == pytest.approx(pd.read_csv(tmp_path / "area" / "days.csv")["rain_mm"][-31:])


def random_driver(history: object, area: settings.Area) -> driver.Driver:
    return driver.make(history, 0, draws.make(area.movement), area.climate_settings, area.movement)


@pytest.mark.parametrize(("months", "more", "code"), [
    (True, 'pet_source = "hamon"', "E-CLI-112"),
    (False, 'cell = "x"', "E-CLI-108"),
])
def test_what_does_not_fit_is_refused(example: Path, tmp_path: Path, months: bool, more: str, code: str) -> None:
    area = area_by_days(example, tmp_path / "area", months=months, more=more)
    assert area.climate is not None
    if code == "E-CLI-108":
        table = pd.read_csv(tmp_path / "area" / "days.csv").assign(station="y")
        table.to_csv(tmp_path / "area" / "days.csv", index=False)
    with pytest.raises(LayerError, match=code):
        climate_area.read(area.climate, area)


def test_monthly_path_belongs_to_days(example: Path, tmp_path: Path) -> None:
    path = write_area(example, tmp_path / "area", last="2025-08")
    path.write_text(path.read_text(encoding="utf-8").replace('cells_key = "cell_id"', 'monthly_path = "x.csv"'),
                    encoding="utf-8")
    area = settings.load(path)
    assert area.climate is not None
    with pytest.raises(LayerError, match="E-CLI-112"):
        climate_area.read(area.climate, area)
