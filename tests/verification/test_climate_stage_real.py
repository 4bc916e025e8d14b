"""The stage on a real division and real weekly maps, against the official weekly county statistics and SPEI values."""

from __future__ import annotations

import json
from pathlib import Path
from types import SimpleNamespace

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest

from riskmap import climate
from riskmap.climate import category
from riskmap.common import month_numbers
from riskmap.common.constants import EQUAL_AREA_CRS
from riskmap.common.settings import ClimateEntry, ClimateSettings, DroughtEntry
from riskmap.layers import climate_monthly, drought_weekly

AREA = SimpleNamespace(resolve=lambda path: path)
FIPS = "48439"  # Tarrant; the record of its division stands in for the county's own


@pytest.fixture(scope="session")
def county(open_data: Path) -> gpd.GeoDataFrame:
    counties = gpd.read_parquet(open_data / "drought" / "counties" / "counties_8states_cb2016_500k.parquet")
    return counties[counties["GEOID"] == FIPS]


@pytest.fixture(scope="session")
def attached(open_data: Path, county: gpd.GeoDataFrame, tmp_path_factory: pytest.TempPathFactory) \
        -> climate.ClimateAttached:
    folder = open_data / "drought"
    work = tmp_path_factory.mktemp("cells")
    county.to_file(work / "cells.geojson")
    table = pd.read_csv(folder / "climate_divisions" / "nclimdiv_monthly_1895_2022.csv.gz", dtype={"division": str})
    table = table[(table["division"] == "4103") & (table["date"] <= "2018-08")]
    table.drop(columns="division").assign(cell_id=FIPS).to_csv(work / "climate.csv", index=False)
    weather, _, _ = climate_monthly.read(ClimateEntry(
        reader="csv", path=work / "climate.csv", cells=work / "cells.geojson", cells_key="GEOID",
        pet_source="Thornthwaite"), AREA)
    maps, _, _ = drought_weekly.read(DroughtEntry(
        path=folder / "usdm_polygons" / "usdm_monthly_2018-09_to_2019-07_clip.parquet"), AREA)
    west, south, east, north = county.total_bounds
    x, y = np.meshgrid(np.linspace(west, east, 12)[1:-1], np.linspace(south, north, 12)[1:-1])
    lot = gpd.GeoDataFrame({"lot_row": range(x.size)}, geometry=gpd.points_from_xy(x.ravel(), y.ravel()).buffer(2e-4),
                           crs="EPSG:4326")
    return climate.attach(lot, weather, maps, (), ClimateSettings(), EQUAL_AREA_CRS)


def test_months_after_the_record_carry_the_official_shares(open_data: Path, attached: climate.ClimateAttached) -> None:
    """Score of each month's one map from the official per cent of area; half a point of area is at most 0.015."""
    official = pd.read_csv(open_data / "drought" / "usdm_county_stats" / "county_percent_area_categorical.csv.gz",
                           dtype={"FIPS": str, "MapDate": str})
    official = official[(official["FIPS"] == FIPS) & (official["MapDate"] >= "201809")].sort_values("MapDate")
    record = attached.history
    assert record.source[0, -11:].tolist() == [3] * 11
    assert month_numbers.month_name(attached.today) == "2019-07"
    expected = official[list(category.NAMES)].to_numpy() / 100 @ category.SCORES
    np.testing.assert_allclose(record.z[0, -11:], expected, atol=0.015)
    largest = official[list(category.NAMES)].idxmax(axis=1).replace("None", "none").tolist()
    assert attached.drought_weeks["category"].tolist() == largest


def test_record_keeps_the_indices_of_its_whole_length(open_data: Path, attached: climate.ClimateAttached) -> None:
    """SPI-3 and SPEI-12 of division 4103, 2011-09.

    0.05 because this record, and so the calibration, ends in 2018-08 and not in 2022-12: a driest month of 124 years
    instead of 128. The exact values are checked in test_climate_indices_real.py.
    """
    stored = json.loads((open_data / "drought" / "expected_spi_spei.json").read_text())["values"]["4103"]["2011-09"]
    row = attached.climate.set_index("month").loc["2011-09"]
    assert row["spi_3"] == pytest.approx(stored["k3"]["spi_thom"], abs=0.05)
    assert row["spei_12"] == pytest.approx(stored["k12"]["spei_loglogistic"], abs=0.05)
    assert attached.climate["spi_3"].iloc[-11:].isna().all()  # no rain is known after the record


def test_lots_know_their_level_and_category(attached: climate.ClimateAttached) -> None:
    table = attached.lot_climate
    inside = table["cell_id"] == FIPS
    assert inside.sum() > 90
    assert set(table.loc[inside, "driver_level"]) == {3}
    assert set(table.loc[inside, "drought_category"]) == {"none"}
    assert set(table["drought_valid_date"]) == {"2019-07-16"}
