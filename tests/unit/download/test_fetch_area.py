"""All that a map needs around lots, from a stand-in: what comes, what is sent, and what is said when parts fail.

The example town serves as the place. Counties, divisions and stations around it are invented; the layouts are those of
the services. Outlines of climate divisions were not at hand: their reading is tested with these invented ones only.
"""

from __future__ import annotations

import functools
import json
import os
import re
import shutil
import tomllib
from collections.abc import Iterator
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from area_services import (
    ADDRESSES,
    DAY,
    MISBEHAVIOUR,
    Asks,
    Detour,
    Services,
    fixed_width,
    inventory_line,
    map_address,
    origins,
    outline_frames,
    station_address,
    station_csv,
    zipped_shapefile,
)
from around_the_example import (
    BOX,
    COUNTY,
    EXAMPLE,
    FAR,
    NEAR,
    NOW,
    SECOND,
    cells,
    map_files,
    outline_files,
    station_files,
    weather_files,
)
from click.testing import CliRunner, Result
from hypothesis import given
from hypothesis import strategies as st
from stand_in import SoilService, StandIn, page, running

import riskmap
from riskmap.cli.main import cli
from riskmap.common import states
from riskmap.common.errors import LayerError
from riskmap.common.settings import Area, ClimateEntry, SoilEntry
from riskmap.download import area, cache, climate, drought, outlines, soil, stations
from riskmap.download.cache import Desk
from riskmap.layers import climate_area, climate_daily, drought_weekly, lots_bounds, noaa_fixed_width, soil_ssurgo

PARTS = ("soil survey", "county outlines", "county weather", "division outlines", "division weather",
         "weekly drought maps", "station records")


@pytest.fixture(scope="module")
def content(tmp_path_factory: pytest.TempPathFactory) -> dict[str, tuple[bytes, str]]:
    scratch = tmp_path_factory.mktemp("sent")
    weeks = drought.tuesdays(NOW.date() - timedelta(days=30), NOW.date(), NOW.date())
    return weather_files() | station_files() | map_files(weeks, scratch) | outline_files(scratch)


@pytest.fixture(scope="module")
def survey() -> SoilService:
    return SoilService(EXAMPLE / "soil_ZZ901.zip")


@pytest.fixture
def service() -> Iterator[StandIn]:
    with running() as stand_in:
        yield stand_in


@pytest.fixture
def other() -> Iterator[StandIn]:
    """A server that must never be asked."""
    with running() as stand_in:
        stand_in.answer_with(page(b"{}"))
        yield stand_in
        assert stand_in.asked == []


@pytest.fixture
def services(service: StandIn, survey: SoilService, content: dict[str, tuple[bytes, str]],
             monkeypatch: pytest.MonkeyPatch) -> Services:
    """Everything as it should be, for the maps of the last month."""
    monkeypatch.setattr(area, "MAPS_BACK", timedelta(days=30))
    out = Services(survey, dict(content))
    service.answer_with(out)
    return out


@pytest.fixture
def desk(service: StandIn, tmp_path: Path) -> Desk:
    return Desk(service.client(attempts=2), tmp_path / "cache", now=lambda: NOW)


def fetched(service: StandIn, desk: Desk, folder: Path, **choices: bool) -> area.Fetched:
    return area.run(BOX, folder, desk=desk, services=origins(service), **choices)


def files_of(folder: Path) -> dict[str, bytes]:
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in sorted(folder.rglob("*"))
            if path.is_file()}


# ------------------------------------------------------------------------------------------------ what comes
def test_every_part_comes_with_its_provenance(service: StandIn, services: Services, desk: Desk, tmp_path: Path) -> None:
    folder = tmp_path / "around"
    came = fetched(service, desk, folder, daily=True)
    assert came.findings == []
    names = set(files_of(folder))
    assert {path.relative_to(folder).as_posix() for path in came.files} == names
    for name in ("soil/tabular/chorizon.txt", "soil/spatial/soilmu_a_fetched.shp", "counties.geojson",
                 "divisions.geojson", "county_weather/precipitation.txt", "county_weather/temperature.txt",
                 "division_weather/precipitation.txt", "division_weather/temperature.txt",
                 "drought/USDM_20251028_M.zip", f"daily/{NEAR}.csv", f"daily/{SECOND}.csv", "daily/stations.json"):
        assert name in names, name
    assert sum(name.startswith("drought/") for name in names) == 2 * 4  # weeks of 30 days, and their provenance
    for name in names:
        if name.endswith(".provenance"):
            continue
        said = json.loads((folder / f"{name}.provenance").read_text(encoding="utf-8"))
        assert said["bytes"] == len((folder / name).read_bytes()), name
        assert said["retrieved_utc"] == "2025-10-31T12:00:00Z", name
        assert said["licence"], name
        assert all(answer["url"].startswith(service.origin) and len(answer["sha256"]) == 64 and answer["bytes"] > 0
                   for answer in said["answers"]), name


def test_weather_is_of_the_counties_that_touch_the_box_by_the_climate_number_of_their_state(
        service: StandIn, services: Services, desk: Desk, tmp_path: Path) -> None:
    fetched(service, desk, tmp_path / "around")
    table, problems = noaa_fixed_width.read(tmp_path / "around/county_weather/precipitation.txt", Path("p"),
                                            noaa_fixed_width.PRECIPITATION)
    assert not problems
    assert set(table["cell_id"]) == {"20901", "20903"}
    assert table["value"].max() < 25 * 25.4  # the record of Michigan's county of that number says 77 inches
    outline = json.loads((tmp_path / "around/counties.geojson").read_text(encoding="utf-8"))
    assert [f["properties"] for f in outline["features"]] == [
        {"county_fips": "20901", "name": "Onewest"}, {"county_fips": "20903", "name": "Twoeast"}]
    divisions = json.loads((tmp_path / "around/divisions.geojson").read_text(encoding="utf-8"))
    assert [f["properties"]["division"] for f in divisions["features"]] == ["1409"]
    assert {line[:4] for line in (tmp_path / "around/division_weather/temperature.txt").read_text().splitlines()} == {
        "1409"}


def test_sections_name_files_that_layers_read(service: StandIn, services: Services, desk: Desk, tmp_path: Path,
                                              monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    came = fetched(service, desk, Path("around"), daily=True)
    said = tomllib.loads(came.sections)
    assert set(said) == {"soil", "climate", "drought"}
    named = Area.model_validate({"name": "t", "lots": {"path": "l.csv"}, **said, "folder": tmp_path})
    assert named.climate is not None
    assert named.drought is not None
    months, _, problems = climate_area.read(named.climate, named)
    assert not problems
    own = ClimateEntry(reader="csv", path="climate.csv", cells="climate_cells.gpkg")
    example, _, _ = climate_area.read(own, Area(name="e", lots={"path": "l"}, soil={"path": "s"}, folder=EXAMPLE))
    theirs = example.monthly.assign(cell_id=example.monthly["cell_id"].map(COUNTY))
    pd.testing.assert_frame_equal(months.monthly[theirs.columns], theirs, check_dtype=False, rtol=1e-9)
    soils, _, _ = soil_ssurgo.read(named.soil, named)
    whole, _, _ = soil_ssurgo.read(SoilEntry(path="soil_ZZ901.zip"), Area(name="e", lots={"path": "l"},
                                                                          soil={"path": "s"}, folder=EXAMPLE))
    assert len(soils.polygons) == len(whole.polygons)
    maps, _, _ = drought_weekly.read(named.drought, named)
    assert maps.weeks == ("2025-10-07", "2025-10-14", "2025-10-21", "2025-10-28")

    by_days = "\n".join(line.removeprefix("# ") for line in came.sections.split("\n") if line.startswith("# ")
                        and " = " in line)
    entry = ClimateEntry.model_validate(tomllib.loads(by_days))
    days, _, _ = climate_area.read(entry, named)
    assert days.daily[0].cell_id == NEAR
    # Whole months only: not February and April 2023, which have gaps, nor the last four days. The county has the rest.
    assert np.isfinite(days.daily[0].rain_mm).sum() == 400 - 28 - 30 - 4


def test_lots_lie_in_the_counties_of_the_outlines(service: StandIn, services: Services, desk: Desk,
                                                  tmp_path: Path) -> None:
    fetched(service, desk, tmp_path / "around")
    outline = gpd.read_file(tmp_path / "around/counties.geojson")
    lots = gpd.read_file(EXAMPLE / "lots.gpkg").to_crs("EPSG:4326")
    places = gpd.GeoDataFrame(geometry=lots.representative_point()[lots.geometry.notna()], crs="EPSG:4326")
    ours = places.sjoin(outline, predicate="within")["county_fips"]
    theirs = places.sjoin(cells(), predicate="within")["key"]
    assert ours.sort_index().tolist() == theirs.sort_index().tolist()
    assert set(ours) == {"20901", "20903"}


# ---------------------------------------------------------------------------------------------- what is sent
def test_nothing_of_the_lots_is_sent_but_the_box(service: StandIn, services: Services, desk: Desk,
                                                 tmp_path: Path) -> None:
    fetched(service, desk, tmp_path / "around", daily=True)
    west, south, east, north = BOX
    sent = [form["query"] for _, path, form in service.asked if path == ADDRESSES["soil"]]
    corners = {number for query in sent for number in re.findall(r"-?\d+\.\d+", query.partition("STIntersects")[2])}
    lines = {f"{k / 10:g}" for k in range(-1800, 1801)}  # of the grid of tiles
    assert corners - lines <= {f"{value:g}" for value in BOX}
    others = {path for _, path, _ in service.asked if path != ADDRESSES["soil"]}
    assert others <= set(services.files)  # national files and the two stations: no query, no coordinate
    assert not any("?" in path for path in others)
    assert all(not form for _, path, form in service.asked if path != ADDRESSES["soil"])
    assert (west, south, east, north) == area.box_around(lots_bounds.read(EXAMPLE / "lots.gpkg"))


@given(st.floats(-124, -67), st.floats(25, 49), st.floats(0, 2), st.floats(0, 2))
def test_the_box_is_wider_rounded_and_never_that_of_a_lot(west: float, south: float, width: float,
                                                          height: float) -> None:
    bounds = (west, south, west + width, south + height)
    box = area.box_around(bounds)
    assert all(abs(value * 100 - round(value * 100)) < 1e-9 for value in box)
    assert box[0] <= bounds[0] - 0.005 + 1e-9
    assert box[1] <= bounds[1] - 0.005 + 1e-9
    assert box[2] >= bounds[2] + 0.005 - 1e-9
    assert box[3] >= bounds[3] + 0.005 - 1e-9
    assert min(box[2] - box[0], box[3] - box[1]) >= 0.04 - 1e-9
    assert box[2] - box[0] <= max(0.04, width + 0.03) + 1e-9
    assert box[3] - box[1] <= max(0.04, height + 0.03) + 1e-9


def test_bounds_need_no_identifier(tmp_path: Path) -> None:
    lots = gpd.read_file(EXAMPLE / "lots.gpkg")
    whole = lots.to_crs("EPSG:4326").total_bounds
    lots = lots[lots.geometry.notna()].rename(columns={"lot_id": "PARCEL_NUM"})[["PARCEL_NUM", "geometry"]]
    lots.assign(OWNER="x").to_file(tmp_path / "parcels.gpkg")
    np.testing.assert_allclose(lots_bounds.read(tmp_path / "parcels.gpkg"), whole, atol=1e-9)
    (tmp_path / "places.csv").write_text("OWNER,lon,lat,APN\nx,-98.6,37.9,1\ny,-98.5,37.8,2\n", encoding="utf-8")
    assert lots_bounds.read(tmp_path / "places.csv") == (-98.6, 37.8, -98.5, 37.9)
    (tmp_path / "area.toml").write_text('[area]\nname = "t"\n[lots]\npath = "parcels.gpkg"\n'
                                        'columns = {lot_id = "PARCEL_NUM"}\n[soil]\npath = "none"\n', encoding="utf-8")
    np.testing.assert_allclose(lots_bounds.read(tmp_path / "area.toml"), whole, atol=1e-9)
    (tmp_path / "people.csv").write_text("owner,lon,lat\nx,-98.6,37.9\n", encoding="utf-8")
    with pytest.raises(LayerError, match="E-LOT-008"):
        lots_bounds.read(tmp_path / "people.csv")
    lots.assign(geometry=None).set_geometry("geometry", crs=lots.crs).to_parquet(tmp_path / "nowhere.parquet")
    with pytest.raises(LayerError, match="E-LOT-095"):
        lots_bounds.read(tmp_path / "nowhere.parquet")


# -------------------------------------------------------------------------------------------- before it starts
def test_the_list_asks_nothing_and_names_every_part(service: StandIn, services: Services) -> None:
    planned = area.plan(BOX, NOW.date(), daily=True)
    assert tuple(part.part for part in planned) == PARTS
    assert [part.host for part in planned] == ["sdmdataaccess.sc.egov.usda.gov", "www2.census.gov", "www.ncei.noaa.gov",
                                               "www.ncei.noaa.gov", "www.ncei.noaa.gov", "droughtmonitor.unl.edu",
                                               "www.ncei.noaa.gov"]
    assert all(part.megabytes > 0 for part in planned)
    assert tuple(part.part for part in area.plan(BOX, NOW.date())) == PARTS[:-1]
    larger = area.plan((-99, 37, -98, 38), NOW.date())
    assert larger[0].megabytes == pytest.approx(100 * area.SOIL_MB)
    assert service.asked == []
    with pytest.raises(LayerError, match="E-FET-032"):
        area.plan((-99, 30, -90, 38), NOW.date())


def test_the_list_is_of_five_years() -> None:
    maps = next(part for part in area.plan(BOX, NOW.date()) if part.part == "weekly drought maps")
    assert maps.what.startswith("261 national maps")
    assert area._weeks(NOW.date())[0] == date(2020, 11, 3)


# --------------------------------------------------------------------------------- again, offline, in a folder
def test_a_second_call_asks_only_for_what_did_not_come(service: StandIn, services: Services, desk: Desk,
                                                       tmp_path: Path) -> None:
    late = ADDRESSES["counties tmpc"]
    services.misbehave[late] = page(b"", "text/html", 404)
    first = fetched(service, desk, tmp_path / "around", daily=True)
    assert [text[:9] for text in first.findings] == ["E-FET-090"]
    services.misbehave.clear()
    before = len(service.asked)
    second = fetched(service, desk, tmp_path / "around", daily=True)
    assert second.findings == []
    assert [path for _, path, _ in service.asked[before:]] == [late]
    kept = files_of(tmp_path / "around")
    offline = replace(desk, offline=True)
    assert fetched(service, offline, tmp_path / "again", daily=True).findings == []
    assert files_of(tmp_path / "again") == kept
    assert len(service.asked) == before + 1


def test_stopped_anywhere_it_goes_on(service: StandIn, services: Services, desk: Desk, tmp_path: Path) -> None:
    """Ctrl-C at each change of stage: no half file, and the next call ends with the same files."""
    whole = fetched(service, desk, tmp_path / "whole", daily=True)
    assert whole.findings == []
    wanted = files_of(tmp_path / "whole")
    for stage in PARTS:
        def stop(now: str, share: float, stage: str = stage) -> None:
            if now == stage and share >= 1.0:
                raise KeyboardInterrupt

        folder = tmp_path / stage.replace(" ", "_")
        with pytest.raises(KeyboardInterrupt):
            area.run(BOX, folder, desk=desk, services=origins(service), daily=True, progress=stop)
        assert all(wanted[name] == content for name, content in files_of(folder).items())
        fetched(service, desk, folder, daily=True)
        assert files_of(folder) == wanted


def test_files_that_were_not_fetched_stay(service: StandIn, services: Services, desk: Desk, tmp_path: Path) -> None:
    folder = tmp_path / "around"
    mine = {"counties.geojson": b"mine", "county_weather/temperature.txt": b"mine too", "notes.txt": b"my notes",
            "soil/survey.txt": b"my survey"}
    for name, text in mine.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(text)
    came = fetched(service, desk, folder)
    assert {name: (folder / name).read_bytes() for name in mine} == mine
    assert sorted(re.findall(r"E-FET-090 ([a-z ]+):", " ".join(came.findings))) == [
        "county outlines", "county weather", "soil survey"]
    assert sum("E-FET-023" in text for text in came.findings) == 2
    assert (folder / "drought/USDM_20251028_M.zip").is_file()


def test_nothing_at_all_is_an_error_with_every_reason(service: StandIn, services: Services, desk: Desk,
                                                      tmp_path: Path) -> None:
    with pytest.raises(LayerError) as refused:
        fetched(service, replace(desk, offline=True), tmp_path / "around", daily=True)
    said = [line.partition(":")[0] for line in str(refused.value).split("\n")]
    assert said == [f"E-FET-090 {part}" for part in PARTS]
    assert service.asked == []
    assert not (tmp_path / "around").exists()


# ------------------------------------------------------------------------------------------------ misbehaviour
LOST = {"soil": {"soil survey"}, "county outlines": {"county outlines", "county weather"},
        "division outlines": {"division outlines", "division weather"}, "date": {"county weather", "division weather"},
        "counties pcpn": {"county weather"}, "counties tmpc": {"county weather"},
        "divisions pcpn": {"division weather"}, "divisions tmpc": {"division weather"},
        "list of stations": {"station records"}, "inventory": {"station records"}}
PLACES = {"soil survey": "soil", "county outlines": "counties.geojson", "county weather": "county_weather",
          "division outlines": "divisions.geojson", "division weather": "division_weather",
          "weekly drought maps": "drought", "station records": "daily"}
CODES = {"slow": "E-FET-013", "cut": "E-FET-010", "wrong content type": "E-FET-006",
         "page with status 200": "E-FET-006",
         "page that lies about its type": "E-FET-006", "redirect to another host": "E-FET-00[14]",
         "not there": "E-FET-011", "too many requests": "E-FET-005.*asks to wait 3,600 s",
         "changed format": "E-FET-0(06|34|51|52|70|71)", "too large": "E-FET-007"}


@pytest.fixture(scope="module")
def full_cache(survey: SoilService, content: dict[str, tuple[bytes, str]],
               tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Every answer under the address of the public service."""
    folder = tmp_path_factory.mktemp("stored")
    with pytest.MonkeyPatch.context() as patch, running() as stand_in:
        patch.setattr(area, "MAPS_BACK", timedelta(days=30))
        stand_in.answer_with(Services(survey, content))
        desk = Desk(Detour(stand_in), folder / "cache", now=lambda: NOW)
        assert area.run(BOX, folder / "around", daily=True, desk=desk).findings == []
    return folder / "cache"


@pytest.fixture
def asks(service: StandIn, services: Services, full_cache: Path, tmp_path: Path, way: str,
         monkeypatch: pytest.MonkeyPatch) -> Asks:
    """A desk that has stored everything; a test says for which paths it asks anew."""
    monkeypatch.setattr(os, "fsync", lambda descriptor: None)  # hundreds of small files, gone in a moment
    shutil.copytree(full_cache, tmp_path / "cache")
    patience = {"read_s": 0.4} if way == "slow" else {}
    return Asks(Detour(service, attempts=2, **patience), tmp_path / "cache", now=lambda: NOW)


def reply_of(services: Services, address: str, way: str, other: StandIn):  # type: ignore[no-untyped-def]
    good, media = services.files.get(address, (b'{"Table": []}', "application/json"))
    return MISBEHAVIOUR[way](good, media, other.origin)


@pytest.mark.parametrize("way", MISBEHAVIOUR)
@pytest.mark.parametrize("what", LOST)
def test_a_service_that_misbehaves_costs_its_own_part_only(what: str, way: str, service: StandIn, other: StandIn,
                                                           services: Services, asks: Asks, tmp_path: Path) -> None:
    address, folder = ADDRESSES[what], tmp_path / "around"
    services.misbehave[address] = reply_of(services, address, way, other)
    asks.paths = (address,)
    came = area.run(BOX, folder, daily=True, desk=asks)
    lost = {re.match(r"E-FET-090 ([a-z ]+): ", text)[1]: text for text in came.findings}  # type: ignore[index]
    assert set(lost) == LOST[what]
    assert any(re.search(CODES[way], text) for text in lost.values()), lost
    for part in PARTS:
        assert (folder / PLACES[part]).exists() == (part not in lost), part
    assert not [path for path in folder.rglob("*") if path.name.startswith(".")]  # nothing half made
    named = tomllib.loads(came.sections).get("climate", {}).get("cells_key")
    assert named == (None if what == "date" else "division" if "county weather" in lost else "county_fips")
    assert {path for _, path, _ in service.asked} == {address}
    asked_by = 2 if what == "date" else 1  # parts
    tries = {"slow": 2, "cut": 2}.get(way, 1)
    splits = 1 + soil.SPLITS if (what, way) == ("soil", "too large") else 1  # smaller and smaller tiles
    assert len(service.asked) == asked_by * tries * splits


@pytest.mark.parametrize("way", MISBEHAVIOUR)
def test_a_week_or_a_station_that_misbehaves_costs_only_itself(way: str, service: StandIn, other: StandIn,
                                                               services: Services, asks: Asks, tmp_path: Path) -> None:
    folder = tmp_path / "around"
    asks.paths = (map_address(date(2025, 10, 21)), station_address(NEAR))
    for address in asks.paths:
        services.misbehave[address] = reply_of(services, address, way, other)
    came = area.run(BOX, folder, daily=True, desk=asks)
    assert len(came.findings) == 2
    assert re.search(r"W-FET-094 weekly drought maps: 1 of 4 are missing \(2025-10-21\)", came.findings[0])
    assert came.findings[1].startswith("W-FET-073")
    assert all(re.search(CODES[way], text) for text in came.findings), came.findings
    assert sorted(path.name for path in (folder / "drought").glob("*.zip")) == [
        "USDM_20251007_M.zip", "USDM_20251014_M.zip", "USDM_20251028_M.zip"]
    assert sorted(path.name for path in (folder / "daily").glob("*.csv")) == [f"{SECOND}.csv"]
    assert [one["station"] for one in json.loads((folder / "daily/stations.json").read_text())] == [SECOND]


def test_maps_that_are_away_are_not_asked_for_week_after_week(service: StandIn, services: Services, desk: Desk,
                                                              tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(area, "MAPS_BACK", timedelta(days=1826))
    came = fetched(service, desk, tmp_path / "around")  # the stand-in has four weeks
    asked = [path for _, path, _ in service.asked if path.startswith("/data/shapefiles_m")]
    assert len(asked) == 4 + area.MOST_REFUSALS
    assert "W-FET-094 weekly drought maps: 257 of 261 are missing (2020-11-03, 2020-11-10" in came.findings[0]
    assert "E-FET-011" in came.findings[0]  # the reason, not that the rest was no longer asked for


# --------------------------------------------------------------------------------------------- several surveys
def test_a_box_that_two_surveys_touch(service: StandIn, services: Services, desk: Desk, tmp_path: Path) -> None:
    survey = SoilService(EXAMPLE / "soil_ZZ901.zip")
    units = survey.table("mapunit")
    second = units["mukey"] >= sorted(units["mukey"])[3]
    units.loc[second, "lkey"] = "99902"
    one = survey.table("legend")
    survey._read["legend"] = pd.concat([one, one.assign(lkey="99902", areasymbol="ZZ902", areaname="Other County")],
                                       ignore_index=True)
    services.soil = survey
    came = fetched(service, desk, tmp_path / "around")
    assert came.findings == []
    assert re.match(r"soil survey: 2 surveys \(ZZ901 .*, ZZ902 Other County\)", came.said[0])
    named = Area(name="t", lots={"path": "l"}, soil={"path": "soil"}, folder=tmp_path / "around")
    tables, _, _ = soil_ssurgo.read(SoilEntry(path="soil"), named)
    assert set(tables.map_unit["mukey"]) == set(units["mukey"])


# --------------------------------------------------------------------------------------------------- outlines
def test_state_numbers_of_the_climate_files() -> None:
    assert len(states.STATES) == 48
    names = [state.name for state in states.STATES]
    assert names == sorted(names)
    assert [state.climate for state in states.STATES] == [f"{k:02d}" for k in range(1, 49)]
    federal = [int(state.federal) for state in states.STATES]
    assert federal == sorted(set(federal))  # by alphabet too, with gaps
    assert set(range(1, 57)) - set(federal) == {2, 3, 7, 11, 14, 15, 43, 52}  # Alaska, Hawaii, the capital, never given
    differ = {state.postal: (state.climate, state.federal) for state in states.STATES}
    assert differ["TX"] == ("41", "48")
    assert differ["AR"] == ("03", "05")
    assert differ["OK"] == ("34", "40")
    assert differ["AL"] == ("01", "01")
    assert differ["WY"] == ("48", "56")
    assert outlines.county_in_climate_files("48113") == "41113"
    assert outlines.county_in_climate_files("11001") is None


def test_real_counties_and_the_states_in_which_the_numbers_differ(service: StandIn, desk: Desk, open_data: Path,
                                                                  tmp_path: Path) -> None:
    path = open_data / "drought" / "counties" / "counties_8states_cb2016_500k.parquet"
    counties = gpd.read_parquet(path)
    columns = counties[["GEOID", "STATEFP", "COUNTYFP", "NAME", "geometry"]]
    zipped = zipped_shapefile(columns, "cb_2018_us_county_500k", tmp_path)
    rain = {(key, year): [value] * 12 for year in (2024, 2025) for key, value in (
        ("41113", 1.0), ("48113", 9.0), ("03041", 2.0), ("05041", 9.0), ("34143", 3.0), ("40143", 9.0))}
    base = climate.FOLDER
    service.answer_with(Services(None, {  # type: ignore[arg-type]
        outlines.COUNTIES.path: (zipped, "application/zip"), base + "procdate.txt": (DAY.encode(), "text/plain"),
        ADDRESSES["counties pcpn"]: (fixed_width(rain, "01"), "text/plain"),
        ADDRESSES["counties tmpc"]: (fixed_width(rain, "02"), "text/plain")}))
    places = {"Dallas": ((-96.85, 32.75, -96.80, 32.80), {"48113": 1.0}),
              "Desha": ((-91.40, 33.75, -91.35, 33.80), {"05041": 2.0}),
              "Tulsa": ((-95.95, 36.10, -95.90, 36.15), {"40143": 3.0})}
    for name, (box, wanted) in places.items():
        folder = tmp_path / name
        work = area._Work(box, folder, desk, origins(service), lambda stage, share: None)
        touching = work.outlines("county outlines", outlines.COUNTIES, service.origin)
        assert touching is not None
        assert touching.names == {next(iter(wanted)): name}
        assert touching.middle == next(iter(wanted))
        work.weather("county weather", "counties", touching)
        table, _ = noaa_fixed_width.read(folder / "county_weather/precipitation.txt", Path("p"), "01")
        got = table.groupby("cell_id")["value"].mean() / 25.4
        assert got.round(6).to_dict() == wanted
        outline = gpd.read_file(folder / "counties.geojson").to_crs("EPSG:5070").area.iloc[0]
        published = counties[counties["GEOID"] == next(iter(wanted))].to_crs("EPSG:5070").area.iloc[0]
        assert outline == pytest.approx(published, rel=1e-4)


def test_a_box_on_a_county_line_takes_both(service: StandIn, desk: Desk, open_data: Path, tmp_path: Path) -> None:
    path = open_data / "drought" / "counties" / "counties_8states_cb2016_500k.parquet"
    zipped = zipped_shapefile(gpd.read_parquet(path), "cb_2018_us_county_500k", tmp_path)
    service.answer_with(Services(None, {outlines.COUNTIES.path: (zipped, "application/zip")}))  # type: ignore[arg-type]
    box = (-97.06, 32.80, -97.00, 32.86)  # Dallas and Tarrant
    assert set(outlines.touching(box, outlines.COUNTIES, desk, service.origin).names) == {"48113", "48439"}
    with pytest.raises(LayerError, match="E-FET-061"):
        outlines.touching((-80.0, 40.0, -79.9, 40.1), outlines.COUNTIES, desk, service.origin)


def changed_outlines(scratch: Path) -> dict[str, bytes]:
    good, _ = outline_frames(cells(), cells())

    def of(frame: gpd.GeoDataFrame, without: str = "nothing", geometry_type: str = "Polygon") -> bytes:
        return zipped_shapefile(frame, "cb_2018_us_county_500k", scratch, without, geometry_type)

    whole = of(good)
    return {"no key": of(good.drop(columns="GEOID")), "short keys": of(good.assign(GEOID=["901", "903"])),
            "letters": of(good.assign(GEOID=["20901", "2090X"])), "no name": of(good.drop(columns="NAME")),
            "half": whole[: len(whole) // 2], "no end": whole[:-30], "no system": of(good, without=".prj"),
            "no table": of(good, without=".dbf"), "no shapes": of(good, without=".shp"),
            "lines": of(good.set_geometry(good.boundary), geometry_type="LineString")}


def test_outlines_of_another_form_are_refused(tmp_path: Path) -> None:
    for name, content in changed_outlines(tmp_path).items():
        with pytest.raises(LayerError, match="E-FET-060"):
            outlines.check(content, outlines.COUNTIES)
            pytest.fail(name)
    good, _ = outline_frames(cells(), cells())
    outlines.check(zipped_shapefile(good, "cb_2018_us_county_500k", tmp_path), outlines.COUNTIES)
    outlines.check(zipped_shapefile(good, "inner", tmp_path), outlines.COUNTIES)  # whatever its name


@pytest.mark.parametrize(("written", "key"), [(306, "0306"), (4103, "4103"), ("0306", "0306"), (306.0, "0306")])
def test_divisions_are_numbers_in_the_file_and_four_digits_here(written: object, key: str, tmp_path: Path) -> None:
    frame = gpd.GeoDataFrame({"CLIMDIV": [written], "NAME": ["X"]}, geometry=[shapely.box(-99, 37, -98, 38)],
                             crs="EPSG:4269")
    read = outlines._frame(zipped_shapefile(frame, "GIS.OFFICIAL_CLIM_DIVISIONS", tmp_path), outlines.DIVISIONS)
    assert read["key"].tolist() == [key]


@pytest.mark.parametrize("written", [4900, 99, 0, 10306])
def test_divisions_of_no_state_are_refused(written: int, tmp_path: Path) -> None:
    frame = gpd.GeoDataFrame({"CLIMDIV": [written], "NAME": ["X"]}, geometry=[shapely.box(-99, 37, -98, 38)],
                             crs="EPSG:4269")
    with pytest.raises(LayerError, match=r"E-FET-060 divisions.*keys of another form"):
        outlines.check(zipped_shapefile(frame, "d", tmp_path), outlines.DIVISIONS)


def test_a_county_without_a_record_is_said(service: StandIn, services: Services, desk: Desk, tmp_path: Path) -> None:
    for element in climate.ELEMENTS:
        address = ADDRESSES[f"counties {element}"]
        lines = services.files[address][0].splitlines(keepends=True)
        services.files[address] = (b"".join(x for x in lines if not x.startswith(b"14903")), "text/plain")
    came = fetched(service, desk, tmp_path / "around")
    assert len(came.findings) == 1
    assert came.findings[0].startswith("W-FET-093 county weather: no record of 20903.")
    assert '# cells_key = "division"' in came.sections
    assert tomllib.loads(came.sections)["climate"]["cells_key"] == "county_fips"
    for element in climate.ELEMENTS:
        address = ADDRESSES[f"counties {element}"]
        lines = services.files[address][0].splitlines(keepends=True)
        services.files[address] = (b"".join(x for x in lines if not x.startswith(b"14901")), "text/plain")
    came = fetched(service, replace(desk, refresh=True), tmp_path / "again")
    assert "E-FET-092 county weather: the files have no record of 20901, 20903" in came.findings[0]
    assert tomllib.loads(came.sections)["climate"]["cells_key"] == "division"


def test_real_division_records_are_cut_line_by_line(open_data: Path) -> None:
    """Records of real divisions, written again in the published layout; no county file was at hand."""
    raw = (open_data / "drought" / "climate_divisions" / "climdiv-pcpndv-reemitted.txt").read_bytes()
    cut, lacking = climate.records_of(raw, ["4103", "1408", "0999"])
    assert lacking == ["0999"]
    lines = raw.splitlines(keepends=True)
    assert cut.splitlines(keepends=True) == [line for line in lines if line[:4] in (b"4103", b"1408")]
    climate.check_records(cut, "divisions", "01")
    assert len(cut.splitlines()) == 2 * 128


def test_counties_of_a_state_that_the_monthly_files_do_not_have(service: StandIn, services: Services, desk: Desk,
                                                               tmp_path: Path) -> None:
    """As in Hawaii: nothing is asked for them, and the divisions stand in where there are some."""
    far = outline_frames(cells().assign(key=["15901", "15903"]), cells())[0]
    services.files[outlines.COUNTIES.path] = (zipped_shapefile(far, "cb_2018_us_county_500k", tmp_path),
                                              "application/zip")
    came = fetched(service, desk, tmp_path / "around")
    assert len(came.findings) == 1
    assert "E-FET-092 county weather: the files have no record of 15901, 15903." in came.findings[0]
    assert tomllib.loads(came.sections)["climate"]["cells_key"] == "division"
    assert not any("pcpncy" in path for _, path, _ in service.asked)


# --------------------------------------------------------------------------------------------------- stations
def test_stations_are_near_long_and_of_the_country() -> None:
    sent = station_files()
    found = stations.named(stations.nearest(sent[ADDRESSES["inventory"]][0], BOX, 2025),
                           sent[ADDRESSES["list of stations"]][0])
    assert [(one.key, one.first, one.last, one.name) for one in found] == [
        (NEAR, 1951, 2025, "INVENTED 1"), (SECOND, 1981, 2025, "INVENTED 2")]
    assert found[0].distance_km == pytest.approx(4.9, abs=0.2)
    assert found[0].elevation_m == 590.3
    assert stations.nearest(sent[ADDRESSES["inventory"]][0], BOX, 2027) == []  # all ended in 2025


def test_gaps_and_changed_hours_are_counted_and_said(service: StandIn, services: Services, desk: Desk,
                                                     tmp_path: Path) -> None:
    came = fetched(service, desk, tmp_path / "around", daily=True)
    near = next(text for text in came.said if NEAR in text)
    # ten empty days and one that failed a check of the archive
    assert "rain from 2023-01-01 to 2024-02-04, 11 days of it (2.8%) missing" in near
    assert "rain is read at 0700, 2400, changed 1 times, last on 2023-07-20" in near
    assert "the hour of observation is not written" in next(text for text in came.said if SECOND in text)
    said = json.loads((tmp_path / "around/daily/stations.json").read_text(encoding="utf-8"))
    assert said[0]["missing_days"] == 11
    assert said[0]["observation_hours"] == [{"hour": "0700", "since": "2023-01-01"},
                                            {"hour": "2400", "since": "2023-07-20"}]


def test_no_station_near_enough_says_what_goes_without(service: StandIn, services: Services, desk: Desk,
                                                       tmp_path: Path) -> None:
    far_only = inventory_line(FAR, 40.5, -98.6, "PRCP", 1900, 2025).encode()
    services.files[ADDRESSES["inventory"]] = (far_only, "text/plain")
    came = fetched(service, desk, tmp_path / "around", daily=True)
    assert len(came.findings) == 1
    assert "E-FET-072" in came.findings[0]


def test_lists_and_records_that_are_not_whole(tmp_path: Path) -> None:
    sent = station_files()
    inventory, listed = sent[ADDRESSES["inventory"]][0], sent[ADDRESSES["list of stations"]][0]
    for content, form, what in ((inventory, stations._ELEMENT, "inventory"), (listed, stations._STATION, "list")):
        stations._check_lines(content, form, what)
        for bad in (content[:-1], content[:-20], content + b"x\n", content.replace(b" 37.9", b" 3x.9"), content[3:]):
            with pytest.raises(LayerError, match="E-FET-070"):
                stations._check_lines(bad, form, what)
    record = sent[station_address(NEAR)][0]
    stations._read(record, NEAR)
    lines = record.splitlines(keepends=True)
    for bad in (record[:-1], record[:-30], b"".join([*lines[:9], lines[8], *lines[9:]]),
                b"".join([*lines[:5], lines[9], lines[6]]), record.replace(b"PRCP_ATTRIBUTES", b"RAIN"),
                record.replace(NEAR.encode(), SECOND.encode(), 3), b"\xff\xfe", b"", lines[0],
                record.replace(b'"2023-01-05"', b'"05.01.2023"')):
        with pytest.raises(LayerError, match="E-FET-071"):
            stations._read(bad, NEAR)


def test_a_real_record_in_the_layout_of_the_archive(service: StandIn, services: Services, desk: Desk, open_data: Path,
                                                    tmp_path: Path) -> None:
    """College Station, Texas: the numbers are real, its layout is that of a station file."""
    days = pd.read_csv(open_data / "daily" / "college_station_tx_usw00003904_2000_2021.csv.gz")
    key = "USW00003904"
    rows = [(date.fromisoformat(day), f"{round(rain * 10)}", ",,W,2400",
             "" if np.isnan(high) else f"{round(high * 10)}", "" if np.isnan(high) else f"{round(high * 10) - 100}")
            for day, rain, high in days[["date", "rain_mm", "tmax_c"]].itertuples(index=False)]
    services.files[station_address(key)] = (station_csv(key, 30.59, -96.36, rows), "text/csv")
    inventory = "".join(inventory_line(key, 30.59, -96.36, element, 1951, 2025) for element in ("PRCP", "TMAX", "TMIN"))
    services.files[ADDRESSES["inventory"]] = (inventory.encode(), "text/plain")
    files, said, findings, keys = stations.run((-96.4, 30.5, -96.3, 30.6), tmp_path, desk=desk, service=service.origin)
    assert (keys, findings) == ([key], [])
    assert "rain from 2000-01-01 to 2021-03-19, 0 days of it (0.0%) missing; rain is read at 2400" in said[0]
    records, _ = climate_daily.read(files[0], files[0])
    np.testing.assert_allclose(records[0].rain_mm[:365], days["rain_mm"][:365], atol=1e-9)


# ------------------------------------------------------------------------------------------------- as a function
def test_the_function_gives_what_the_command_prints(tmp_path: Path) -> None:
    listed = riskmap.fetch("area", tmp_path / "around", lots=EXAMPLE / "lots.gpkg", only_list=True)
    assert listed.box == BOX
    assert len(listed.plan) == 6
    assert listed.files == []
    assert not list(tmp_path.iterdir())
    with pytest.raises(LayerError, match=r"(?s)E-FET-090 soil survey: could not be fetched\. E-FET-020.*E-FET-091"):
        riskmap.fetch("area", tmp_path / "around", box=BOX, offline=True, cache=tmp_path / "cache")


def test_soil_box_is_checked_first(service: StandIn, desk: Desk, tmp_path: Path) -> None:
    for box in ((1, 2), (-98, 37, -99, 38), (-99, 30, -90, 38)):
        with pytest.raises(LayerError, match=r"E-FET-03[12]"):
            area.run(box, tmp_path, desk=desk, services=origins(service))  # type: ignore[arg-type]
    assert service.asked == []


# --------------------------------------------------------------------------------------------------- the command
def command(*words: str) -> Result:
    return CliRunner().invoke(cli, ["fetch", "area", *words])


def test_the_command_lists_first_and_ends_as_its_help_says(full_cache: Path, tmp_path: Path,
                                                           monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(area, "MAPS_BACK", timedelta(days=30))
    monkeypatch.setattr(cache, "Desk", functools.partial(Desk, now=lambda: NOW))
    stored = shutil.copytree(full_cache, tmp_path / "stored")
    monkeypatch.setattr(cache, "default_folder", lambda: stored)
    lots, into = str(EXAMPLE / "lots.gpkg"), str(tmp_path / "around")

    listed = command(lots, "--list", "--daily")
    assert (listed.exit_code, listed.stderr) == (0, "")
    assert [line.partition(":")[0] for line in listed.stdout.splitlines()] == list(PARTS)
    assert not Path(into).exists()

    whole = command(lots, "--into", into, "--daily", "--offline")
    assert whole.exit_code == 0, (whole.output, whole.exception)
    assert whole.stderr.startswith("soil survey: box -98.61 37.89 -98.55 37.93")
    assert {Path(line) for line in whole.stdout.splitlines()} == {path for path in Path(into).rglob("*")
                                                                  if path.is_file()}
    assert "rain is read at 0700, 2400, changed 1 times" in whole.stderr
    assert f'path = "{into}/soil"' in whole.stderr
    by_box = command("--bbox", *map(str, BOX), "--into", str(tmp_path / "box"), "--daily", "--offline")
    assert by_box.exit_code == 0
    assert files_of(tmp_path / "box") == files_of(Path(into))

    for note in stored.rglob("*.provenance"):
        if "climdiv-tmpccy" in note.read_text(encoding="utf-8"):
            note.unlink()
    part = command(lots, "--into", str(tmp_path / "part"), "--offline")
    assert part.exit_code == 1
    assert "E-FET-090 county weather: could not be fetched. E-FET-020 www.ncei.noaa.gov" in part.stderr
    assert 'cells_key = "division"' in part.stderr

    shutil.rmtree(stored)
    nothing = command(lots, "--into", str(tmp_path / "nothing"), "--offline")
    assert isinstance(nothing.exception, LayerError)  # the program ends with 2
    assert not (tmp_path / "nothing").exists()


@pytest.mark.parametrize(("words", "said"), [
    ([], "give either LOTS or --bbox"), (["lots.gpkg"], "Missing option '--into'"),
    (["lots.gpkg", "--bbox", "-99", "37", "-98", "38"], "give either LOTS or --bbox"),
    (["--bbox", "-99", "37", "--into", "x"], "Invalid value for '--bbox'")])
def test_the_command_says_what_is_missing(words: list[str], said: str, tmp_path: Path,
                                          monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    done = command(*words)
    assert done.exit_code == 2
    assert said in done.stderr
    assert not list(tmp_path.iterdir())
