"""`riskmap new --fetch`: one file of lots becomes a complete area file, and what does not come is an open point.

The services are a stand-in around the example town; its answers are stored under the addresses of the public services,
so that the commands run as users run them, with `--offline`.
"""

from __future__ import annotations

import functools
import os
import shutil
from datetime import timedelta
from pathlib import Path

import geopandas as gpd
import pytest
from area_services import ADDRESSES, Detour, Services
from around_the_example import EXAMPLE, NEAR, NOW, map_files, outline_files, station_files, weather_files
from click.testing import CliRunner, Result
from stand_in import SoilService, StandIn, running

import riskmap
from riskmap.cli.main import cli
from riskmap.common import settings
from riskmap.download import area, cache, drought, soil
from riskmap.download.cache import Desk
from riskmap.layers import lots_bounds
from riskmap.run.new_area import fetching
from riskmap.run.new_area.flow import NewArea

MONTH = timedelta(days=30)
EVERY = 20  # lots of the example: each so many


def services(scratch: Path) -> Services:
    weeks = drought.tuesdays(NOW.date() - MONTH, NOW.date(), NOW.date())
    files = weather_files() | station_files() | map_files(weeks, scratch) | outline_files(scratch)
    return Services(SoilService(EXAMPLE / "soil_ZZ901.zip"), files)


@pytest.fixture(scope="module")
def parcels(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A file of some lots of the example."""
    path = tmp_path_factory.mktemp("lots") / "parcels.gpkg"
    gpd.read_file(EXAMPLE / "lots.gpkg").iloc[::EVERY].to_file(path, layer="lots")
    return path


@pytest.fixture(scope="module")
def filled(parcels: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A cache that a fetch around these lots has filled."""
    folder = tmp_path_factory.mktemp("filled")
    with pytest.MonkeyPatch.context() as patch, running() as stand_in:
        patch.setattr(area, "MAPS_BACK", MONTH)
        patch.setattr(os, "fsync", lambda descriptor: None)  # many small files, gone in a moment
        stand_in.answer_with(services(folder / "scratch"))
        desk = Desk(Detour(stand_in), folder / "cache", now=lambda: NOW)
        box = area.box_around(lots_bounds.read(parcels))
        assert area.run(box, folder / "around", daily=True, desk=desk).findings == []
    return folder / "cache"


@pytest.fixture
def stored(filled: Path, parcels: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The user's cache, on a day of 2025, with the maps of one month; the working folder has `parcels.gpkg`."""
    folder = shutil.copytree(filled, tmp_path / "stored")
    monkeypatch.setattr(area, "MAPS_BACK", MONTH)
    monkeypatch.setattr(cache, "default_folder", lambda: folder)
    monkeypatch.setattr(cache, "Desk", functools.partial(Desk, now=lambda: NOW))
    monkeypatch.setattr(os, "fsync", lambda descriptor: None)
    shutil.copy(parcels, tmp_path)
    monkeypatch.chdir(tmp_path)
    return folder


def forget(stored: Path, *addresses: str) -> None:
    """Drop stored answers of these addresses."""
    notes = [note for note in stored.rglob("*.provenance")
             if any(address in note.read_text(encoding="utf-8") for address in addresses)]
    assert notes
    for note in notes:
        note.unlink()


def run(*words: str) -> Result:
    return CliRunner().invoke(cli, list(words))


def made(*files: str, **choices: bool) -> NewArea:
    return riskmap.new(files or ["parcels.gpkg"], "a", fetch=True, offline=True, replace=True, **choices)


def value(new: NewArea, section: str, key: str) -> str:
    return next(one.value for one in new.guesses if (one.section, one.key) == (section, key))


# ---------------------------------------------------------------- what comes
def test_one_file_of_lots_becomes_a_complete_area_file(stored: Path) -> None:
    done = run("new", "parcels.gpkg", "--fetch", "--offline", "--into", "a")
    assert done.exit_code == 0, (done.output, done.exception)
    assert done.stderr.startswith("soil survey: box -98.61 37.89 -98.57 37.93, 1 tile of 0.1 degree")
    assert done.stderr.count("about") == 6  # parts, before anything is fetched; no station was asked for
    assert done.stdout.rstrip().endswith("Next: riskmap estimate a/area.toml")
    assert "Fetched:\n  soil survey: 1 survey (ZZ901 " in done.stdout
    entry = settings.load(Path("a/area.toml"))
    assert (entry.soil.path, entry.soil.provider) == (Path("fetched/soil"), soil.CREDIT.provider)
    assert entry.climate is not None
    assert (entry.climate.reader, entry.climate.cells) == ("noaa_fixed_width", Path("fetched/counties.geojson"))
    assert entry.climate.cells_key == "county_fips"
    assert entry.drought is not None
    assert entry.drought.path == Path("fetched/drought")
    for name in ("soil/tabular/chorizon.txt", "counties.geojson", "county_weather/precipitation.txt",
                 "drought/USDM_20251028_M.zip"):
        assert Path(f"a/fetched/{name}.provenance").is_file(), name
    for text in Path("a/area.toml").read_text(encoding="utf-8").splitlines():
        if " = " in text and not text.startswith("#"):
            assert "  # " in text, text


def test_the_same_answers_give_the_same_file_and_are_left_by_a_later_new(stored: Path) -> None:
    first = riskmap.new("parcels.gpkg", "a", fetch=True, offline=True)
    content = first.path.read_bytes()
    again = riskmap.new("parcels.gpkg", "a", fetch=True, offline=True)  # nothing is overwritten
    assert (again.path.read_bytes(), again.replaced) == (content, False)
    shutil.copy("parcels.gpkg", "a")
    later = riskmap.new("a", "a", replace=True)
    assert ("a/fetched", "riskmap writes here") in {(one.name, one.reason) for one in later.left}
    assert not later.complete  # what was fetched is used with `fetch` only: it has files of counties and of divisions
    assert riskmap.new("a", "a", replace=True, fetch=True, offline=True).complete


def test_own_files_are_used_and_only_the_rest_is_fetched(stored: Path) -> None:
    said: list[str] = []
    files = ["parcels.gpkg", *(EXAMPLE / name for name in ("climate.csv", "climate_cells.gpkg",
                                                           "drought_weekly.parquet"))]
    new = riskmap.new(files, "a", fetch=True, offline=True, daily=True, warn=said.append)
    assert new.complete, new.open_points
    assert [text.partition(":")[0] for text in said] == ["soil survey"]
    assert [path.name for path in Path("a/fetched").iterdir()] == ["soil"]
    assert value(new, "climate", "reader") == '"csv"'
    whole = riskmap.new([*files, EXAMPLE / "soil_ZZ901.zip"], "b", fetch=True, offline=True)
    assert whole.complete
    assert whole.fetched == fetching.Report(("Nothing was fetched: your files have every layer.",))
    assert not Path("b/fetched").exists()


def test_days_are_used_when_they_are_asked_for(stored: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    new = made(daily=True)
    entry = settings.load(new.path).climate
    assert entry is not None
    assert (entry.reader, entry.path) == ("daily", Path(f"fetched/daily/{NEAR}.csv"))
    assert (entry.monthly_reader, entry.monthly_cell in {"20901", "20903"}) == ("noaa_fixed_width", True)
    assert new.complete, new.open_points
    assert "the nearest long record by days, 5 km from the lots" in new.text()
    assert entry.title == "Global Historical Climatology Network - Daily"

    monkeypatch.setattr(fetching, "FAR_DEG", 0.01)
    far = made(daily=True)
    assert far.exit_code == 1
    assert [point for point in far.open_points if point.startswith("[climate] path: fetched: the nearest long record "
                                                                   "by days, 5 km from the lots")] == far.open_points


# ---------------------------------------------------------------- what is sent
def test_the_lots_give_a_box_and_nothing_else(stored: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of one lot, too: what is asked for is a box of at least 0.04 degree."""
    gpd.read_file(EXAMPLE / "lots.gpkg").iloc[[700]].to_file("one.gpkg", layer="lots")
    with running() as stand_in:
        stand_in.answer_with(services(tmp_path / "scratch"))
        monkeypatch.setattr(cache, "Desk", functools.partial(Desk, Detour(stand_in), now=lambda: NOW))
        new = riskmap.new("one.gpkg", "a", fetch=True, cache="empty")
        asked = stand_in.asked
    assert new.complete, new.open_points
    assert new.box is not None
    sent = "\n".join(form["query"] for _, path, form in asked if path == ADDRESSES["soil"])
    assert sent
    for corner in new.box:
        assert f"{corner:.3f}" not in sent
    assert all(not form and "?" not in path for _, path, form in asked if path != ADDRESSES["soil"])
    assert fetched_box(new) == pytest.approx((0.04, 0.04), abs=0.011)


def fetched_box(new: NewArea) -> tuple[float, float]:
    assert new.box is not None
    west, south, east, north = area.box_around(new.box)
    return east - west, north - south


# ---------------------------------------------------------------- what does not come
def test_a_part_that_does_not_come_is_an_open_point(stored: Path) -> None:
    forget(stored, "post.rest")
    done = run("new", "parcels.gpkg", "--fetch", "--offline", "--into", "a")
    assert done.exit_code == 1, (done.output, done.exception)
    points = done.stdout.split("1 open point:\n", 1)[1].splitlines()
    assert points[0].startswith("  - No soil survey of the lots was recognised. The fetch failed: E-FET-020 ")
    assert "riskmap fetch area LOTS --into around" in points[0]
    assert points[1].startswith("To fetch what did not come, run the same command again with --replace")
    assert points[2] == "Edit a/area.toml, then: riskmap check a/area.toml"
    text = Path("a/area.toml").read_text(encoding="utf-8")
    assert "# Missing: No soil survey of the lots was recognised. The fetch failed: E-FET-020" in text
    assert 'cells_key = "county_fips"' in text
    assert not Path("a/fetched/soil").exists()


def test_weather_of_divisions_is_to_be_confirmed(stored: Path) -> None:
    forget(stored, "climdiv-tmpccy")
    new = made()
    assert new.exit_code == 1
    (point,) = new.open_points
    assert point.startswith("[climate] path: fetched: division weather: 1 cell")
    assert "to be confirmed: the weather of the climate division, because that of the counties did not come" in point
    assert value(new, "climate", "cells_key") == '"division"'
    assert new.findings.refusals == []
    assert new.fetched is not None
    assert new.fetched.findings[0].startswith("E-FET-090 county weather: could not be fetched. ")


def test_a_missing_week_stops_nothing(stored: Path) -> None:
    forget(stored, "USDM_20251021")
    new = made()
    assert new.complete, new.open_points
    assert "W-FET-094 weekly drought maps: 1 of 4 are missing (2025-10-21)" in new.text()


def test_without_a_network_everything_is_open_and_the_file_is_written(
        stored: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with running() as stand_in:
        gone: StandIn = stand_in
    monkeypatch.setattr(cache, "Desk", functools.partial(Desk, Detour(gone, attempts=1), now=lambda: NOW))
    monkeypatch.setattr(cache, "default_folder", lambda: tmp_path / "empty")
    done = run("new", "parcels.gpkg", "--fetch", "--into", "a")
    assert done.exit_code == 1, (done.output, done.exception)
    points = [line for line in done.stdout.split("3 open points:\n", 1)[1].splitlines() if line.startswith("  - ")]
    assert [point.split(" The fetch failed: ")[0] for point in points] == [
        "  - No soil survey of the lots was recognised.", "  - No record of rain and temperature was recognised.",
        "  - No weekly drought maps were recognised; they are not needed."]
    assert all("E-FET-002" in point for point in points), points
    assert not Path("a/fetched").exists()
    assert "[soil]" not in Path("a/area.toml").read_text(encoding="utf-8")
    stopped = run("estimate", "parcels.gpkg", "--fetch", "--into", "a", "--outputs", "o")
    assert str(stopped.exception).startswith("E-NEW-010 a/area.toml: the area file was written, and a run cannot start")
    assert not Path("o").exists()


def test_lots_without_a_place_are_not_fetched_around(stored: Path) -> None:
    places = gpd.read_file("parcels.gpkg").representative_point()
    rows = [f"P{k},{place.x:.1f},{place.y:.1f}" for k, place in enumerate(places[places.notna() & ~places.is_empty])]
    Path("bare.csv").write_text("\n".join(["lot_id,x,y", *rows]) + "\n", encoding="utf-8")
    new = made("bare.csv")
    assert new.fetched == fetching.Report(("Nothing was fetched: the place of the lots is not known.",))
    assert new.exit_code == 1
    assert not Path("a/fetched").exists()


def test_a_box_that_is_too_large_is_an_open_point(stored: Path) -> None:
    lots = gpd.read_file("parcels.gpkg").to_crs("EPSG:4326")
    lots.loc[lots.index[-1], "geometry"] = lots.geometry.iloc[0].buffer(0.001)
    moved = lots.geometry.iloc[1].buffer(0.0001)
    lots.loc[lots.index[1], "geometry"] = gpd.GeoSeries([moved]).translate(1.9, 1.9).iloc[0]
    lots.loc[lots.index[2], "geometry"] = gpd.GeoSeries([moved]).translate(-1.9, -1.9).iloc[0]
    lots.to_file("wide.gpkg", layer="lots")
    new = made("wide.gpkg")
    assert new.exit_code == 1
    assert new.fetched is not None
    assert new.fetched.findings[0].startswith("E-FET-03")
    assert sum("The fetch failed: E-FET-03" in point for point in new.open_points) == 3


# ---------------------------------------------------------------- the whole path
@pytest.mark.slow
def test_one_command_makes_a_map_of_one_file(stored: Path) -> None:
    done = run("estimate", "parcels.gpkg", "--fetch", "--offline", "--into", "a", "--outputs", "o")
    assert done.exit_code == 1, (done.output, done.exception)  # the example has lots without an estimate on purpose
    (folder,) = [path for path in Path("o").iterdir() if (path / "map.html").is_file() and not path.is_symlink()]
    table = riskmap.read(folder).lots
    assert len(table) == 77
    assert table["expected_movement_mm"].notna().sum() >= 50
