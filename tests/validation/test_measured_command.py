"""`riskmap measured` on the open record of Manhattan, Kansas, gives what the evidence page says."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from finished_runs import area

from riskmap.answers.measured import comparing, modelled, series_file
from riskmap.common.weather import ClimateHistory
from riskmap.evidence.measured import comparisons, day_driver, field, wetness


def history(open_data: Path) -> ClimateHistory:
    """Return the station's own months, as cases 1a and 1h use them."""
    rain, pet, _ = field.manhattan(open_data)
    table = pd.read_csv(open_data / wetness.MANHATTAN, parse_dates=["date"])
    number = table["date"].dt.year * 12 + table["date"].dt.month - 1
    warm = table["t_avg_c"].groupby(number).mean().loc[day_driver.MANHATTAN_FIRST:]
    warm = warm.fillna(warm.groupby(warm.index % 12).transform("mean")).to_numpy()
    shape = (1, rain.size)
    return ClimateHistory(("53974",), day_driver.MANHATTAN_FIRST, rain[None], pet[None], np.full(shape, np.nan),
                          np.ones(shape, np.int8), ("",), np.array([-2.0]), warm[None],
                          np.array([day_driver.MANHATTAN_LATITUDE]))


@pytest.fixture(scope="module")
def rows(open_data: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[tuple[str, str], comparing.Row]:
    table = pd.read_csv(open_data / wetness.MANHATTAN)[["date", "vwc_10cm"]].dropna()
    path = tmp_path_factory.mktemp("probe") / "manhattan.csv"
    table.assign(depth_m=0.1).rename(columns={"vwc_10cm": "value_m3_m3"}).to_csv(path, index=False)
    made = series_file.read(path)
    assert made.problems[0].code == "W-MEA-002"  # October 2017 ends on the 4th
    here = area("Manhattan")
    found, _ = comparing.compare(made, modelled.of_cell(history(open_data), 0, here), comparing.Ends(0.146, 0.489),
                                 modelled.Soil.one_clay(here))
    return {(row.driver, row.what): row for row in found}


@pytest.mark.parametrize(("driver", "case"), [("day steps", "1a"), ("monthly bucket", "1h")])
def test_the_station_gives_the_r_of_the_evidence_page(rows: dict[tuple[str, str], comparing.Row], driver: str,
                                                      case: str, open_data: Path) -> None:
    """The page counts 99 months; the last of them, of four days, is no month end here."""
    one = next(c for c in comparisons.comparisons() if c.number == case)
    told = comparisons.find(one, open_data, {}).values
    assert rows[driver, "timing"].months == 98
    for what, place in (("timing", 0), ("anomalies", 1), ("mean wetness", 2)):
        assert rows[driver, what].ours == pytest.approx(told[place], abs=0.005), what
    assert rows[driver, "mean wetness"].measured == pytest.approx(told[3], abs=0.005)
    assert rows[driver, "mean wetness"].rms == pytest.approx(told[4], abs=0.005)
    assert {row.outcome for key, row in rows.items() if key[0] == driver} == {comparing.AGREES}


def test_on_the_same_months_the_two_are_equal(rows: dict[tuple[str, str], comparing.Row], open_data: Path) -> None:
    measured = field.manhattan(open_data)[2][:-1]
    filled = day_driver.wet_share(day_driver.filling(day_driver.manhattan(open_data)["months"]))[:-1]
    use = np.isfinite(measured)
    assert rows["day steps", "timing"].ours == pytest.approx(np.corrcoef(filled[use], measured[use])[0, 1], abs=1e-9)
