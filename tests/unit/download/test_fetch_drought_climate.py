"""Weekly drought maps, statistics and climate files from a stand-in, and the ways in which they may be wrong."""

from __future__ import annotations

import gzip
import io
import json
import subprocess
import sys
import zipfile
from dataclasses import replace
from datetime import UTC, date, datetime

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from stand_in import files, running

from riskmap import api
from riskmap.common.errors import LayerError
from riskmap.common.settings import Area, DroughtEntry
from riskmap.download import climate, drought, shape_zip
from riskmap.download.cache import Desk
from riskmap.layers import drought_weekly, noaa_fixed_width

NOW = datetime(2026, 11, 25, tzinfo=UTC)


@pytest.fixture
def service():
    with running() as stand_in:
        yield stand_in


@pytest.fixture
def desk(service, tmp_path):
    return Desk(service.client(read_s=20.0), tmp_path / "cache", now=lambda: NOW)


# ------------------------------------------------------------------------------------------------ weeks
def test_weeks_are_published_tuesdays() -> None:
    today = date(2026, 11, 25)  # a Wednesday: the map of the 24th comes out on the 26th
    assert drought.tuesdays(date(2011, 7, 1), date(2011, 7, 12), today) == [date(2011, 7, 5), date(2011, 7, 12)]
    assert drought.tuesdays(date(1990, 1, 1), date(2000, 1, 10), today) == [date(2000, 1, 4)]
    assert drought.tuesdays(date(2026, 11, 10), date(2030, 1, 1), today)[-1] == date(2026, 11, 17)
    assert drought.tuesdays(date(2026, 11, 10), date(2030, 1, 1), date(2026, 11, 26))[-1] == date(2026, 11, 24)
    for first, last in ((date(2011, 7, 6), date(2011, 7, 11)), (date(2012, 1, 1), date(2011, 1, 1)),
                        (date(1990, 1, 1), date(1999, 12, 31)), (date(2027, 1, 1), date(2028, 1, 1))):
        with pytest.raises(LayerError, match="E-FET-040"):
            drought.tuesdays(first, last, today)


@given(st.dates(date(1999, 1, 1), date(2026, 1, 1)), st.integers(7, 900))
def test_every_tuesday_once(first: date, days: int) -> None:
    last = date.fromordinal(first.toordinal() + days)
    every = [date.fromordinal(d) for d in range(first.toordinal(), last.toordinal() + 1)]
    wanted = [d for d in every if d.isoweekday() == 2 and date(2000, 1, 4) <= d <= date(2025, 12, 30)]
    if wanted:
        assert drought.tuesdays(first, last, date(2026, 1, 1)) == wanted


# ------------------------------------------------------------------------------------------------- maps
def map_path(day: str) -> str:
    return f"/data/shapefiles_m/USDM_{day}_M.zip"


def test_maps_come_as_published_and_are_read(service, desk, open_data, tmp_path) -> None:
    raw = (open_data / "drought" / "usdm_raw" / "USDM_20190416_M.zip").read_bytes()
    service.answer_with(files({map_path("20190416"): (raw, "application/zip")}))
    paths = drought.run(date(2019, 4, 15), date(2019, 4, 20), tmp_path / "maps", desk=desk, map_service=service.origin)
    assert [p.name for p in paths] == ["USDM_20190416_M.zip", "USDM_20190416_M.zip.provenance"]
    assert paths[0].read_bytes() == raw
    said = json.loads(paths[1].read_text(encoding="utf-8"))
    assert said["credit"].startswith("U.S. Drought Monitor, produced jointly by the National Drought Mitigation Center")
    assert said["retrieved_utc"] == "2026-11-25T00:00:00Z"
    assert said["answers"][0]["url"] == service.origin + map_path("20190416")

    entry = DroughtEntry(path="maps")
    area = Area(name="t", lots={"path": "l.csv"}, soil={"path": "s"}, drought=entry, folder=tmp_path)
    tables, _, _ = drought_weekly.read(entry, area)  # the folder as it is, provenance in it
    assert tables.weeks == ("2019-04-16",)
    assert set(tables.polygons["category"]) == {0, 1, 2}

    offline = replace(desk, offline=True)
    again = drought.run(date(2019, 4, 15), date(2019, 4, 20), tmp_path / "b", desk=offline, map_service=service.origin)
    assert again[0].read_bytes() == raw
    assert len(service.asked) == 1


def test_missing_week_says_which(service, desk, tmp_path) -> None:
    service.answer_with(files({}))
    with pytest.raises(LayerError, match=r"E-FET-011.*USDM_20190416_M\.zip"):
        drought.run(date(2019, 4, 16), date(2019, 4, 16), tmp_path / "maps", desk=desk, map_service=service.origin)
    assert not (tmp_path / "maps").exists()


def test_only_weeks_after_a_day_come_and_those_before_a_gap_stay(service, desk, tmp_path) -> None:
    def week(day: str) -> tuple[bytes, str]:
        parts = {f"USDM_{day}{part}": b"x" for part in shape_zip.PARTS}
        return zipped(parts), "application/zip"

    there = {map_path(day): week(day) for day in ("20261027", "20261103", "20261110", "20261117")}
    service.answer_with(files(there))
    _, weeks, error = drought.newer(date(2026, 10, 27), tmp_path / "maps", desk=desk, map_service=service.origin)
    assert (weeks, error) == ([date(2026, 11, 3), date(2026, 11, 10), date(2026, 11, 17)], None)
    assert map_path("20261027") not in [asked[1] for asked in service.asked]  # that one was there already
    assert len(list((tmp_path / "maps").glob("*.zip"))) == 3
    nothing = drought.newer(date(2026, 11, 17), tmp_path / "none", desk=desk, map_service=service.origin)
    assert nothing == ([], [], None)  # the map of the 24th comes out on the 26th
    assert not (tmp_path / "none").exists()
    empty = replace(desk, folder=tmp_path / "other_cache")
    service.answer_with(files({path: content for path, content in there.items() if "1110" not in path}))
    paths, weeks, error = drought.newer(date(2026, 10, 27), tmp_path / "gap", desk=empty, map_service=service.origin)
    assert weeks == [date(2026, 11, 3)]
    assert paths[0].is_file()
    assert "E-FET-011" in str(error)
    assert "20261110" in str(error)


def test_without_a_network_it_is_said_that_nothing_is_known(tmp_path) -> None:
    with pytest.raises(LayerError, match=r"^E-FET-020") as refused:
        api.newer_weeks("2025-10-28", tmp_path / "maps", offline=True, cache=tmp_path / "cache")
    assert refused.value.__notes__ == ["No map came: perhaps this computer is offline. Nothing was changed; try again "
                                       "later."]
    assert not (tmp_path / "maps").exists()


def zipped(names: dict[str, bytes], packing: int = zipfile.ZIP_DEFLATED) -> bytes:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", packing) as opened:
        for name, content in names.items():
            opened.writestr(name, content)
    return stream.getvalue()


def test_maps_that_are_not_whole() -> None:
    stem = "USDM_20190416"
    good = zipped({stem + part: b"some bytes " * 50 for part in (".shp", ".shx", ".dbf", ".prj")})
    drought.check_map(good, stem)
    bad = [good[:n] for n in range(0, len(good), 23)] + [good[:60] + b"\x00\xff\x00" + good[63:]]
    bad += [zipped({stem + ".shp": b"x"}), zipped({"USDM_20190409" + p: b"x" for p in shape_zip.PARTS}), b"PK\x03\x04"]
    for content in bad:
        with pytest.raises(LayerError, match="E-FET-042"):
            drought.check_map(content, stem)


def test_bombs_are_not_unpacked(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(drought, "MAX_UNPACKED", 10_000)
    monkeypatch.setattr(zipfile.ZipFile, "testzip", lambda self: pytest.fail("unpacked"))
    with pytest.raises(LayerError, match="more than is believed"):
        drought.check_map(zipped({"USDM_20190416.shp": bytes(20_000)}), "USDM_20190416")


# ------------------------------------------------------------------------------------------- statistics
def official(open_data, place: str, weeks: list[date]) -> bytes:
    """Rows of the service as kept in the open data, newest first as it sends them."""
    path = open_data / "drought" / "usdm_county_stats" / "county_percent_area_categorical.csv.gz"
    table = pd.read_csv(path, dtype=str, keep_default_na=False)
    rows = table[(table["FIPS"] == place) & table["MapDate"].isin([f"{w:%Y%m%d}" for w in weeks])]
    return rows.sort_values("MapDate", ascending=False).to_csv(index=False).encode()


def test_statistics_of_a_county(service, desk, open_data, tmp_path) -> None:
    week = [date(2011, 7, 5)]
    content = official(open_data, "48113", week)
    address = ("/api/CountyStatistics/GetDroughtSeverityStatisticsByAreaPercent?aoi=48113&startdate=7/5/2011"
               "&enddate=7/5/2011&statisticsType=2")
    service.answer_with(files({address: (content, "text/csv")}))
    paths = drought.run(date(2011, 7, 5), date(2011, 7, 5), tmp_path, places=["48113"], maps=False, desk=desk,
                        statistics_service=service.origin)
    assert paths[0].name == "statistics_48113.csv"
    assert paths[0].read_bytes() == content
    assert pd.read_csv(paths[0])["None"].tolist() == [84.30]  # Dallas County, official


def test_statistics_that_are_not_whole(open_data) -> None:
    weeks = [date(2018, 10, 16), date(2019, 2, 12)]
    good = official(open_data, "48439", weeks)
    drought.check_statistics(good, "48439", weeks)
    lines = good.splitlines(keepends=True)
    bad = [good[:n] for n in range(0, len(good) - 2, 7)]
    bad += [lines[0] + lines[1], b"".join([*lines, lines[1]]), good.replace(b"48439", b"48113"), b"\xff\xfe", b"",
            good.replace(b",2\n", b",1\n"), good.replace(b"60.55", b"10.55"), good.replace(b"FIPS", b"Fips")]
    for content in bad:
        with pytest.raises(LayerError, match="E-FET-043"):
            drought.check_statistics(content, "48439", weeks)
    with pytest.raises(LayerError, match="weeks missing: 2018-10-23"):
        drought.check_statistics(good, "48439", [*weeks, date(2018, 10, 23)])


@pytest.mark.parametrize("place", ["4811", "481133", "tx", "TX&x=1", "", "TEX", "48113\n", "٤٨١١٣"])
def test_places_are_codes(place: str, desk, service, tmp_path) -> None:
    with pytest.raises(LayerError, match="E-FET-041"):
        drought.run(date(2011, 7, 5), date(2011, 7, 5), tmp_path, places=[place], desk=desk)
    assert service.asked == []


# ---------------------------------------------------------------------------------------------- climate
@pytest.fixture(scope="module")
def rain(open_data) -> bytes:
    return (open_data / "drought" / "climate_divisions" / "climdiv-pcpndv-reemitted.txt").read_bytes()


def serve(rain: bytes, day: bytes = b"20260706\n") -> dict[str, tuple[bytes, str]]:
    base, warm = "/pub/data/cirs/climdiv/", rain
    lines = [line[:4] + b"02" + line[6:] for line in warm.splitlines(keepends=True)]
    return {base + "procdate.txt": (day, "text/plain"),
            base + "climdiv-pcpndv-v1.0.0-20260706": (rain, "text/plain"),
            base + "climdiv-tmpcdv-v1.0.0-20260706": (b"".join(lines), "application/octet-stream")}


def test_climate_files_come_as_published_and_are_read(service, desk, rain, tmp_path) -> None:
    service.answer_with(files(serve(rain)))
    paths = climate.run(tmp_path / "climate", desk=desk, service=service.origin)
    assert [p.name for p in paths[::2]] == ["climdiv-pcpndv-v1.0.0-20260706.txt", "climdiv-tmpcdv-v1.0.0-20260706.txt"]
    assert paths[0].read_bytes() == rain
    frame, problems = noaa_fixed_width.read(paths[0], paths[0], noaa_fixed_width.PRECIPITATION)
    assert not problems
    assert {"4103", "4108"} <= set(frame["cell_id"])
    assert climate.run(tmp_path / "b", desk=replace(desk, offline=True), service=service.origin)[0].read_bytes() == rain
    assert len(service.asked) == 3


def test_a_file_that_was_not_fetched_stays(service, desk, rain, tmp_path) -> None:
    service.answer_with(files(serve(rain)))
    folder = tmp_path / "climate"
    path = climate.run(folder, desk=desk, service=service.origin)[0]
    climate.run(folder, desk=desk, service=service.origin)  # fetched before: written again
    path.with_name(path.name + ".provenance").unlink()
    climate.run(folder, desk=desk, service=service.origin)  # stopped between the file and its provenance
    path.with_name(path.name + ".provenance").unlink()
    path.write_bytes(b"mine")
    (folder / f"{path.name}.part").write_bytes(b"mine too")
    with pytest.raises(LayerError, match=r"E-FET-023 climate: contains .*, which was not fetched"):
        climate.run(folder, desk=desk, service=service.origin)
    assert path.read_bytes() == b"mine"
    path.unlink()
    climate.run(folder, desk=desk, service=service.origin)
    assert path.read_bytes() == rain
    assert (folder / f"{path.name}.part").read_bytes() == b"mine too"
    assert not list(folder.glob(".*"))


@pytest.mark.parametrize("day", [b"", b"2026", b"20261306", b"../../x", b"20260706x", b"2026070\xff"])
def test_date_of_the_files_must_be_one(service, desk, rain, tmp_path, day: bytes) -> None:
    service.answer_with(files(serve(rain, day)))
    with pytest.raises(LayerError, match=r"E-FET-0(51|06)"):
        climate.run(tmp_path / "climate", desk=desk, service=service.origin)
    assert not (tmp_path / "climate").exists()


def test_climate_files_that_are_not_whole(rain) -> None:
    climate.check_records(rain, "divisions", "01")
    lines = rain.splitlines(keepends=True)
    middle = len(lines) // 2 + 40
    for content in (rain[:-1], rain[:-50], b"".join(lines[:middle]), rain + b"x", rain[5:],
                    rain.replace(b"1.44", b"1,44", 1), rain.replace(b"1408", b"14O8", 1),
                    b"".join([*lines[:9], b"\n" + lines[9][:60] + b"\n", *lines[10:]])):
        with pytest.raises(LayerError, match="E-FET-052"):
            climate.check_records(content, "divisions", "01")
    for cells, code in (("divisions", "02"), ("counties", "01")):
        with pytest.raises(LayerError, match="E-FET-052"):
            climate.check_records(rain, cells, code)
    with pytest.raises(LayerError, match="row 3: "):
        climate.check_records(b"".join([*lines[:2], b"48 broken\n", *lines[3:]]), "divisions", "01")


def test_county_records(rain) -> None:
    county = b"".join(line[:4] + b"3" + line[4:] for line in rain.splitlines(keepends=True))
    climate.check_records(county, "counties", "01")


def test_cells_are_divisions_or_counties(desk, tmp_path) -> None:
    with pytest.raises(LayerError, match="E-FET-050"):
        climate.run(tmp_path, cells="states", desk=desk)  # type: ignore[arg-type]


# ------------------------------------------------------------------------------------------------ quick
def test_importing_the_package_loads_nothing_heavy() -> None:
    code = ("import sys; import riskmap.download.area; "
            "print([m for m in ('httpx', 'stamina', 'platformdirs', 'pandas', 'geopandas', 'shapely', 'numpy') "
            "if m in sys.modules])")
    assert subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout == "[]\n"


def test_gzip_is_no_secret_of_the_reader(rain) -> None:
    """A packed copy is what a user may keep; the check is on what was sent, so a packed body is refused."""
    with pytest.raises(LayerError, match="E-FET-052"):
        climate.check_records(gzip.compress(rain), "divisions", "01")
