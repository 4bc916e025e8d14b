"""From a lot file to a map with nothing but `fetch area`, offline: the example town and a stand-in of the services."""

from __future__ import annotations

import functools
import json
import os
import shutil
from datetime import timedelta
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pytest
from area_services import Detour, Services
from around_the_example import EXAMPLE, NOW, map_files, outline_files, station_files, weather_files
from click.testing import CliRunner
from stand_in import SoilService, running

import riskmap
from riskmap.cli.main import cli
from riskmap.download import area, cache, drought
from riskmap.download.cache import Desk
from riskmap.layers import lots_bounds

FIRST_MAP = pd.Timestamp("2021-10-05").date()  # of the example; the weeks before it are missing in the stand-in
EVERY = 20  # lots of the example: each so many


@pytest.fixture(scope="module")
def parcels(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A file of some lots of the example."""
    path = tmp_path_factory.mktemp("lots") / "parcels.gpkg"
    gpd.read_file(EXAMPLE / "lots.gpkg").iloc[::EVERY].to_file(path, layer="lots")
    return path


@pytest.fixture(scope="module")
def stored(parcels: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A cache that a fetch around these lots has filled from a stand-in, under the addresses of the services."""
    folder = tmp_path_factory.mktemp("fetched")
    weeks = [week for week in area._weeks(NOW.date()) if week >= FIRST_MAP]
    files = weather_files() | station_files() | map_files(weeks, folder / "scratch") | outline_files(folder / "scratch")
    with pytest.MonkeyPatch.context() as patch, running() as stand_in:
        patch.setattr(os, "fsync", lambda descriptor: None)  # hundreds of small files, gone in a moment
        stand_in.answer_with(Services(SoilService(EXAMPLE / "soil_ZZ901.zip"), files))
        desk = Desk(Detour(stand_in), folder / "cache", now=lambda: NOW)
        came = area.run(area.box_around(lots_bounds.read(parcels)), folder / "first", daily=True, desk=desk)
    assert [text[:9] for text in came.findings] == ["W-FET-094"]
    return folder / "cache"


@pytest.mark.slow
def test_from_lots_to_a_map(parcels: Path, stored: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(cache, "default_folder", lambda: stored)
    monkeypatch.setattr(cache, "Desk", functools.partial(Desk, now=lambda: NOW))
    shutil.copy(parcels, tmp_path)

    done = CliRunner().invoke(cli, ["fetch", "area", "parcels.gpkg", "--into", "around", "--daily", "--offline"])
    assert done.exit_code == 1, (done.output, done.exception)  # the weeks that the example does not have
    assert "county outlines: 20901 Onewest, 20903 Twoeast\n" in done.stderr
    assert [line[:9] for line in done.stderr.splitlines() if "-FET-" in line[:9]] == ["W-FET-094"]
    assert "W-FET-094 weekly drought maps: 48 of 261 are missing (2020-11-03" in done.stderr
    paths = [Path(line) for line in done.stdout.splitlines()]
    assert all(path.is_file() for path in paths)
    sections = done.stderr.split("For the area file:\n\n", 1)[1]
    for name in ("soil/spatial/soilmu_a_fetched.shp", "counties.geojson", "drought/USDM_20251028_M.zip"):
        said = json.loads(Path(f"around/{name}.provenance").read_text(encoding="utf-8"))
        assert said["answers"][0]["url"].startswith("https://"), name  # of the service, though a stand-in answered

    head = '[area]\nname = "t"\n\n[lots]\npath = "parcels.gpkg"\n\n'
    few = "\n[movement]\ndraws = 40\n"  # the numbers of both are the same with any number of model runs
    Path("area.toml").write_text(head + sections + few, encoding="utf-8")
    ours = riskmap.estimate("area.toml", tmp_path / "outputs")
    named = EXAMPLE.as_posix()
    Path("own.toml").write_text(
        f'{head}[soil]\npath = "{named}/soil_ZZ901.zip"\nscale = 24000\n\n[climate]\nreader = "csv"\n'
        f'path = "{named}/climate.csv"\ncells = "{named}/climate_cells.gpkg"\n\n'
        f'[drought]\npath = "{named}/drought_weekly.parquet"\n{few}', encoding="utf-8")
    theirs = riskmap.estimate("own.toml", tmp_path / "outputs")
    assert (ours.folder / "map.html").is_file()
    mine, example = (pd.read_parquet(run.folder / "lots.parquet").drop(columns="geometry") for run in (ours, theirs))
    assert mine["state"].tolist() == example["state"].tolist()
    assert mine["expected_movement_mm"].notna().sum() >= 50
    numbers = [name for name in example if pd.api.types.is_float_dtype(example[name])]
    # Outlines are rounded to a millionth of a degree: the latitude of a cell, and with it evapotranspiration, is not
    # the same to the last digit.
    pd.testing.assert_frame_equal(mine[numbers], example[numbers], rtol=1e-4, atol=1e-4)


def test_the_maps_of_the_stand_in_are_those_of_five_years() -> None:
    weeks = area._weeks(NOW.date())
    assert len(weeks) == 261
    assert sum(week < FIRST_MAP for week in weeks) == 48
    assert weeks[-1] - weeks[0] == timedelta(days=1820)
    assert weeks[0].weekday() == drought.TUESDAY
