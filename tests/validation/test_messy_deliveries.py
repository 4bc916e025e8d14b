"""Four messy deliveries, invented, on a real survey with real weather: from the files to a map with one command each.

Lots, ids, years and names are invented (`tests/messy_deliveries.py`); soil, weather and weekly maps are real.
"""

from __future__ import annotations

import json
from pathlib import Path

import geopandas as gpd
import messy_deliveries
import pytest
from click.testing import CliRunner

import riskmap
from riskmap.cli.main import cli

TAKEN = {
    "state plane shapefile": {"lot_id": "PARCEL_NUM", "pour_date": "YEAR_BUILT", "foundation_type": "FOUNDATION"},
    "national CSV": {"lot_id": "APN", "pour_date": "YR_BLT", "foundation_type": "FOUNDATION_TYPE_DESC",
                     "land_use": "LAND_USE_DESC", "lon": "LONGITUDE", "lat": "LATITUDE"},
    "GeoPackage of points": {"lot_id": "PropID", "pour_date": "BuiltYear", "foundation_type": "FndnType",
                             "slab_width_ft": "House_Width_ft"},
    "KML": {"lot_id": "name", "pour_date": "Year Built", "foundation_type": "Foundation"},
}


@pytest.fixture(scope="module")
def lots(open_data: Path) -> gpd.GeoDataFrame:
    return messy_deliveries.lots_on(open_data / "soil" / "AR041_2021.zip")


@pytest.fixture(scope="module")
def outputs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One folder for all four: what one computed, the next uses."""
    return tmp_path_factory.mktemp("outputs")


@pytest.mark.slow
@pytest.mark.parametrize("delivery", list(messy_deliveries.DELIVERIES))
def test_one_command_from_files_to_a_map(delivery: str, lots: gpd.GeoDataFrame, outputs: Path, open_data: Path,
                                         tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    given = [messy_deliveries.DELIVERIES[delivery](lots, tmp_path), messy_deliveries.weather(open_data, tmp_path),
             open_data / "soil" / "AR041_2021.zip",
             open_data / "drought" / "usdm_polygons" / "usdm_monthly_2018-09_to_2019-07_clip.parquet"]
    monkeypatch.chdir(tmp_path)
    done = CliRunner().invoke(cli, ["estimate", *map(str, given), "--outputs", str(outputs)])
    assert done.exit_code in (0, 1), (done.output, done.exception)  # 1: some lots have a state
    run = next(Path(line) for line in done.stdout.splitlines() if line.endswith("map.html")).parent
    table = gpd.read_parquet(run / "lots.parquet")
    assert set(table["lot_id"]) == set(lots["parcel"])  # every id, with its zeros
    answered = table["expected_movement_mm"].notna()
    print(f"{delivery}: {int(answered.sum())} of {len(table)} lots with an estimate")
    assert answered.mean() > 0.7
    again = riskmap.new(given, tmp_path)  # the same area file: nothing is overwritten
    columns = {guess.key: json.loads(guess.value) for guess in again.guesses if guess.section == "lots.columns"}
    assert columns == TAKEN[delivery]
    text = (tmp_path / "area.toml").read_text(encoding="utf-8")
    for forbidden in ("EFF", "SQFT", "OWNER", "Owner", "SHAPE_AREA", "ADDR"):
        assert forbidden not in text, forbidden


def test_the_years_are_those_of_the_file(lots: gpd.GeoDataFrame, open_data: Path, tmp_path: Path) -> None:
    """The year built, not the effective year ten years later, reaches the reader of the lots."""
    from riskmap.common import settings
    from riskmap.layers import lots as reader

    for number, make in enumerate(messy_deliveries.DELIVERIES.values()):
        folder = tmp_path / str(number)
        folder.mkdir()
        made = riskmap.new([make(lots, folder), open_data / "soil" / "AR041_2021.zip"], folder)
        area = settings.load(made.path)
        raw = reader.read(area.lots, area)[0].set_index("lot_id")
        read = raw.loc[lots["parcel"], "pour_date"].str.replace(".0", "").replace("", "0").astype(int)
        assert read.tolist() == lots["year"].tolist()
