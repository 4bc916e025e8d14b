"""`riskmap new`, `estimate` on files, `check --as climate`, and wrong starts: codes, exits, and what is said."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pandas as pd
import pytest
from click.testing import CliRunner, Result

from riskmap import api
from riskmap.cli.main import cli
from riskmap.common import codes, settings
from riskmap.common.errors import RiskmapError


def run(*words: object) -> Result:
    return CliRunner().invoke(cli, [str(word) for word in words])


@pytest.fixture
def data(tmp_path: Path, example: Path) -> Path:
    """The example's raw files, without its area files."""
    folder = tmp_path / "delivery"
    folder.mkdir()
    for name in ("lots.gpkg", "soil_ZZ901.zip", "climate.csv", "climate_cells.gpkg", "drought_weekly.parquet",
                 "spei_6.tif", "listings.csv"):
        shutil.copy(example / name, folder / name)
    return folder


# ---------------------------------------------------------------- new
def test_new_exits_by_what_is_open(data: Path, tmp_path: Path) -> None:
    done = run("new", data, "--into", tmp_path / "a")
    assert done.exit_code == 0, done.output
    assert done.output.rstrip().endswith(f"Next: riskmap estimate {(tmp_path / 'a' / 'area.toml').as_posix()}")
    assert "1,531 lots read" in done.output
    half = run("new", data / "lots.gpkg", data / "soil_ZZ901.zip", "--into", tmp_path / "b")
    assert half.exit_code == 1
    assert "riskmap fetch climate" in half.output
    nothing = run("new", data / "listings.csv", tmp_path / "a" / "area.toml", "--into", tmp_path / "c")
    assert nothing.exit_code == 1  # a list of points may be all the lots there are
    for words, code in ((["new", tmp_path / "a"], "E-NEW-007"), (["new", tmp_path / "none"], "E-NEW-001"),
                        (["new", data / "lots.gpkg", "--into", tmp_path / "a"], "E-NEW-008")):
        refused = run(*words)
        assert isinstance(refused.exception, RiskmapError), words  # the program ends with 2
        assert str(refused.exception).startswith(code)
    assert run("new", data / "lots.gpkg", "--into", tmp_path / "a", "--replace").exit_code == 1


def test_help_says_what_leaves_the_computer() -> None:
    for command in ("new", "estimate"):
        said = " ".join(run(command, "--help").output.split())
        assert "--fetch Get the layers that the files lack from the public services. Only a box around all lots " \
               "leaves this computer, at least 4 km wide" in said, command
    assert "Nothing about the lots leaves this computer but a box around all of them" in \
        " ".join(run("new", "--help").output.split())


def test_fetching_goes_with_files(data: Path, example: Path, tmp_path: Path) -> None:
    for option in ("--daily", "--offline"):
        done = run("new", data, option, "--into", tmp_path)
        assert (done.exit_code, "--daily and --offline belong to --fetch" in done.output) == (2, True)
    with pytest.raises(ValueError, match="belong to fetch=True"):
        api.new(data, tmp_path, offline=True)
    assert str(run("estimate", example / "area.toml", "--fetch").exception).startswith("E-NEW-012 ")
    with pytest.raises(RiskmapError, match=r"^E-NEW-012 .*riskmap fetch area .*area\.toml --into around"):
        api.estimate(example / "area.toml", tmp_path / "out", fetch=True)
    assert not list(tmp_path.glob("*.toml"))
    assert not (tmp_path / "out").exists()


def test_new_needs_files() -> None:
    assert run("new").exit_code == 2


# ---------------------------------------------------------------- estimate on files
def test_estimate_goes_on_when_nothing_is_open(data: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    begun = []
    monkeypatch.setattr(api, "estimate", lambda area, *_, **__: begun.append(Path(area)) or _stop())
    done = run("estimate", data, "--into", tmp_path / "a")
    assert begun == [tmp_path / "a" / "area.toml"], done.output
    assert 'lot_id = "lot_id"' in done.output
    again = run("estimate", data, "--into", tmp_path / "a")  # the same files: the same area file
    assert len(begun) == 2, again.output


class _Stopped(Exception):
    pass


def _stop() -> None:
    raise _Stopped


def test_estimate_stops_where_somebody_has_to_look(data: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(api, "estimate", lambda *_, **__: _stop())
    done = run("estimate", data / "lots.gpkg", data / "soil_ZZ901.zip", "--into", tmp_path / "a")
    assert isinstance(done.exception, RiskmapError)
    assert str(done.exception).startswith(f"E-NEW-010 {(tmp_path / 'a' / 'area.toml').as_posix()}: ")
    assert "No record of rain and temperature was recognised." in str(done.exception)
    assert (tmp_path / "a" / "area.toml").is_file()


def test_the_function_does_the_same(data: Path, tmp_path: Path) -> None:
    with pytest.raises(RiskmapError, match=r"^E-NEW-010 "):
        api.estimate([data / "lots.gpkg"], tmp_path / "out", into=tmp_path / "a")
    assert not (tmp_path / "out").exists()


# ---------------------------------------------------------------- wrong starts
@pytest.mark.parametrize("command", [["check"], ["fetch", "soil", "--into", "x", "--area"]])
def test_a_wrong_start_says_what_to_do(command: list[str], data: Path, tmp_path: Path) -> None:
    """Every command that takes an area file: a zip, a folder, a table or a workbook in its place."""
    (data / "list.xlsx").write_bytes(b"PK\x03\x04" + bytes(60))
    (data / "old.xls").write_bytes(b"\xd0\xcf\x11\xe0" + bytes(60))
    (data / "lots.csv").write_text("lot_id,pour_date\n1,1985\n", encoding="utf-8")
    (tmp_path / "with_area").mkdir()
    (tmp_path / "with_area" / "mine.toml").write_text("", encoding="utf-8")
    for given, said in ((data / "soil_ZZ901.zip", "`riskmap new soil_ZZ901.zip` writes one"),
                        (data / "lots.gpkg", "`riskmap new lots.gpkg` writes one"),
                        (data / "lots.csv", "`riskmap new lots.csv` writes one"),
                        (data / "list.xlsx", "`riskmap new list.xlsx` writes one"),
                        (data / "old.xls", "Save the table of lots as .xlsx"),
                        (data, f"`riskmap new {data.as_posix()}` writes one from its files"),
                        (tmp_path / "with_area", "in it: mine.toml")):
        done = run(*command, given)
        text = done.output + str(done.exception or "")
        assert said in text, (given, text)
        found = re.findall(r"[EW]-[A-Z]{3,4}-\d{3}", text)
        assert found, text
        assert found[0] in codes.register()
        assert "Traceback" not in text
        assert "codec" not in text


def test_an_area_file_among_files_is_refused(example: Path, data: Path) -> None:
    done = run("estimate", example / "area.toml", data / "lots.gpkg")
    assert str(done.exception).startswith("E-NEW-011 ")


def test_a_folder_with_area_files_is_not_estimated_as_files(example: Path) -> None:
    done = run("estimate", example)
    assert str(done.exception).startswith("E-SET-030 ")
    assert "area.toml, area_may.toml, area_september.toml" in str(done.exception)


# ---------------------------------------------------------------- check one file
def test_check_takes_the_columns_of_a_lot_file(tmp_path: Path) -> None:
    (tmp_path / "l.csv").write_text("PARCEL_NUM,YR,lon,lat\nA1,1985,-98.6,37.9\n", encoding="utf-8")
    refused = run("check", tmp_path / "l.csv", "--as", "lots")
    assert refused.exit_code == 2
    assert "E-LOT-008" in refused.output
    done = run("check", tmp_path / "l.csv", "--as", "lots", "--column", "lot_id=PARCEL_NUM", "--column", "pour_date=YR")
    assert done.exit_code == 0, done.output
    assert "1 lots read" in done.output
    assert "E-LOT-009" in run("check", tmp_path / "l.csv", "--as", "lots", "--column", "lot_id=NONE").output
    assert run("check", tmp_path / "l.csv", "--column", "lot_id=PARCEL_NUM").exit_code == 2
    assert run("check", tmp_path / "l.csv", "--as", "soil", "--column", "lot_id=PARCEL_NUM").exit_code == 2
    with pytest.raises(ValueError, match="columns belong to the role lots"):
        api.check(tmp_path / "l.csv", "soil", columns={"lot_id": "PARCEL_NUM"})


def test_check_takes_weather_of_every_form(example: Path, open_data: Path) -> None:
    divisions = open_data / "drought" / "climate_divisions"
    for path, rows in ((example / "climate.csv", 1096), (divisions / "climdiv-pcpndv-reemitted.txt", 7 * 128),
                       (divisions / "nclimdiv_arkansas_iowa_1895_2022.csv.gz", 4 * 128 * 12)):
        report = api.check(path, "climate")
        assert report.refusals == [], path
        assert report.sources[0].rows == rows, path
        assert run("check", path, "--as", "climate").exit_code == 0
    days = api.check(open_data / "daily" / "college_station_tx_usw00003904_2000_2021.csv.gz", "climate")
    assert [line[:9] for line in days.refusals] == ["E-CLI-107"]  # 162 whole months; a latitude is not asked for


def test_check_takes_a_station_of_many_years(tmp_path: Path) -> None:
    date = pd.date_range("1990-01-01", "2015-12-31")
    pd.DataFrame({"date": date.strftime("%Y-%m-%d"), "rain_mm": 2.0, "tavg_c": 15.0}).to_csv(tmp_path / "d.csv",
                                                                                           index=False)
    report = api.check(tmp_path / "d.csv", "climate")
    assert report.refusals == []
    assert report.sources[0].rows == len(date)


def test_check_of_weather_finds_what_a_run_finds(tmp_path: Path) -> None:
    months = pd.DataFrame({"year": 1990 + (pd.RangeIndex(240) // 12), "month": pd.RangeIndex(240) % 12 + 1,
                           "precip_in": 2.0, "tavg_c": 60.0})
    months.to_csv(tmp_path / "w.csv", index=False)
    report = api.check(tmp_path / "w.csv", "climate")
    assert report.exit_code == 2
    assert "Fahrenheit given as Celsius" in report.refusals[0]
    (tmp_path / "l.csv").write_text("a,b\n1,2\n", encoding="utf-8")
    assert api.check(tmp_path / "l.csv", "climate").refusals[0].startswith("E-CLI-114 l.csv: ")


# ---------------------------------------------------------------- the demo
def test_make_demo_writes_a_complete_area_file_from_the_raw_files(example: Path, tmp_path: Path,
                                                                  monkeypatch: pytest.MonkeyPatch) -> None:
    """The line of the Makefile, and the same one in the README; what it writes names the layers of the example."""
    root = example.parents[1]
    line = "riskmap new layers/example --into outputs/from_files --replace"
    for name in ("Makefile", "README.md"):
        assert line in (root / name).read_text(encoding="utf-8"), name
    monkeypatch.chdir(root)
    done = run(*line.replace("outputs/from_files", str(tmp_path)).split()[1:])
    assert done.exit_code == 0, done.output
    assert "Fetched:" not in done.output
    ours, own = settings.load(tmp_path / "area.toml"), settings.load(example / "area.toml")
    for section in ("lots", "soil", "climate", "drought"):
        paths = [area.resolve(getattr(area, section).path).resolve() for area in (ours, own)]
        assert paths[0] == paths[1], section
    assert ours.climate.cells_key == own.climate.cells_key
    assert {entry.name for entry in ours.index} == {entry.name for entry in own.index}
    assert ours.buildings.path.name == own.buildings.path.name
    assert {(entry.path.name, entry.label) for entry in ours.context} == {(entry.path.name, entry.label)
                                                                          for entry in own.context}
