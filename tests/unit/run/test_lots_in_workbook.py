"""From a workbook of lots to a map: recognised, checked and estimated like the same table in a CSV."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import geopandas as gpd
import openpyxl
import pandas as pd
import pytest
from changed_areas import two_widths
from click.testing import CliRunner

import riskmap
from riskmap import api
from riskmap.cli.main import cli
from riskmap.common.errors import LayerError, RunFolderError
from riskmap.run.new_area import flow
from riskmap.run.new_area.flow import NewArea
from riskmap.run.new_area.guesses import Guess

LOTS = 60


def table(example: Path) -> pd.DataFrame:
    """Return points of the example town with ids that begin with zeros, and columns as a county names them."""
    lots = gpd.read_file(example / "lots.gpkg", layer="lots").to_crs("EPSG:4326")
    cells = gpd.read_file(example / "climate_cells.gpkg").to_crs("EPSG:4326")
    lots = two_widths(lots[lots.within(cells.geometry[cells["cell_id"] == "Z01"].iloc[0])].iloc[:LOTS])
    points = lots.representative_point()
    return pd.DataFrame({"PARCEL": lots["lot_id"].to_numpy(), "Owner": "Canary",
                         "Longitude": points.x.round(7).to_numpy(), "Latitude": points.y.round(7).to_numpy(),
                         "YEAR_BUILT": [1950 + k for k in range(len(lots))],
                         "slab_width_ft": lots["slab_width_ft"].to_numpy()})


@pytest.fixture
def data(tmp_path: Path, example: Path) -> Path:
    folder = tmp_path / "data"
    folder.mkdir()
    shutil.copy(example / "soil_ZZ901.zip", folder / "soil.zip")
    weather = pd.read_csv(example / "climate.csv")
    weather[weather["cell_id"] == "Z01"].to_csv(folder / "weather.csv", index=False)
    return folder


def sheets(path: Path, **tables: pd.DataFrame) -> Path:
    with pd.ExcelWriter(path) as book:
        for title, rows in tables.items():
            rows.to_excel(book, sheet_name=title, index=False)
    return path


def lines(new: NewArea, section: str) -> dict[str, str]:
    return {one.key: json.loads(one.value) for one in new.guesses if one.section == section and one.written}


def guess(new: NewArea, key: str) -> Guess:
    return next(one for one in new.guesses if (one.section, one.key) == ("lots", key))


def call(*words: Any) -> str:
    done = CliRunner().invoke(cli, [str(word) for word in words])
    assert done.exit_code in (0, 1), done.output  # 1: some lots have a state
    assert not isinstance(done.exception, Exception), done.output
    return done.output


def test_a_map_from_a_workbook_is_the_map_from_the_same_csv(data: Path, example: Path, tmp_path: Path) -> None:
    """By the commands of a user: `new`, `check` and `estimate`."""
    rows = table(example)
    assert rows["PARCEL"].str.startswith("0").any()
    rows.to_csv(tmp_path / "lots.csv", index=False)
    sheets(tmp_path / "lots.xlsx", Parcels=rows)
    made: dict[str, Any] = {}
    for kind in ("csv", "xlsx"):
        into, outputs = tmp_path / kind, tmp_path / f"of_{kind}"
        text = call("new", tmp_path / f"lots.{kind}", data / "soil.zip", data / "weather.csv", "--into", into)
        assert "The area file is complete." in text
        with (into / "area.toml").open("a", encoding="utf-8") as area:
            area.write("\n[movement]\ndraws = 20\n")
        call("check", into / "area.toml", "--json", tmp_path / f"{kind}.json")
        call("estimate", into / "area.toml", "--outputs", outputs, "--workers", 1)
        run = riskmap.read("latest", outputs)
        made[kind] = (run.lots, json.loads((tmp_path / f"{kind}.json").read_text("utf-8"))["problems"], into, outputs)
        assert "Canary" not in run.lots.to_csv() + (into / "area.toml").read_text("utf-8")
    (lots, problems, _, of_csv), (same, findings, into, of_xlsx) = made["csv"], made["xlsx"]
    pd.testing.assert_frame_equal(lots, same, check_exact=True)
    assert (lots["state"] == "").sum() > LOTS / 2
    assert [{**one, "file": "lots.csv"} for one in findings if one["file"].endswith("lots.xlsx")] == [
        {**one, "file": "lots.csv"} for one in problems if one["file"].endswith("lots.csv")]
    (first,), (second,) = of_csv.glob("*/lots.csv"), of_xlsx.glob("*/lots.csv")
    assert first.read_bytes() == second.read_bytes()


def test_estimate_takes_the_workbook_itself(data: Path, example: Path, tmp_path: Path,
                                            monkeypatch: pytest.MonkeyPatch) -> None:
    begun: list[Path] = []

    def begin(area: Path, *_: Any, **__: Any) -> None:
        begun.append(Path(area))
        raise RunFolderError("E-RUN-001 stopped by this test.")

    sheets(tmp_path / "lots.xlsx", Parcels=table(example))
    monkeypatch.setattr(api, "estimate", begin)
    CliRunner().invoke(cli, ["estimate", str(tmp_path / "lots.xlsx"), str(data / "soil.zip"), str(data / "weather.csv"),
                             "--into", str(tmp_path / "a")])
    assert begun == [tmp_path / "a" / "area.toml"]
    assert 'path = "../lots.xlsx"' in begun[0].read_text(encoding="utf-8")


def test_check_takes_a_workbook_as_lots(example: Path, tmp_path: Path) -> None:
    path = sheets(tmp_path / "lots.xlsx", Parcels=table(example))
    for columns, usable in (({"lot_id": "PARCEL"}, LOTS), ({}, None)):
        report = riskmap.check(path, "lots", columns=columns)
        assert (report.lots or {}).get("usable") == usable
    assert report.refusals[0].startswith("E-LOT-008 lots.xlsx: no column lot_id. The file has: PARCEL, Owner, ")


def test_of_several_sheets_the_one_with_lots_is_written(data: Path, example: Path) -> None:
    rows = table(example)
    words = pd.DataFrame({"code": ["SL", "PB"], "meaning": ["slab", "pier and beam"]})
    path = sheets(data / "county.xlsx", Codes=words, Parcels=rows,
                  Weather=pd.read_csv(data / "weather.csv").iloc[:5], Blank=pd.DataFrame())
    new = flow.run([data], data.parent / "area")
    assert lines(new, "lots") == {"path": "../data/county.xlsx", "layer": "Parcels"}
    assert lines(new, "lots.columns") == {"lot_id": "PARCEL", "pour_date": "YEAR_BUILT",
                                          "slab_width_ft": "slab_width_ft", "lon": "Longitude", "lat": "Latitude"}
    assert new.complete, new.open_points
    left = {one.name: one.reason for one in new.left}
    assert left["data/county.xlsx, layer Codes"].startswith("a table without weather and without a place in its rows")
    assert left["data/county.xlsx, layer Weather"].endswith("Save the sheet as a CSV table in UTF-8")
    assert len(left) == 2
    assert new.lots_files == ()
    assert new.findings.lots["usable"] == LOTS
    assert path.name in guess(new, "path").value


def test_of_two_sheets_of_lots_one_has_to_be_confirmed(data: Path, example: Path) -> None:
    rows = table(example)
    sheets(data / "county.xlsx", North=rows.iloc[:35], South=rows.iloc[35:])
    new = flow.run([data], data.parent / "area")
    assert not new.complete
    assert guess(new, "path").reason.endswith("to be confirmed: there is also data/county.xlsx, layer South")
    assert [(one.name, one.used) for one in new.lots_files] == [("data/county.xlsx, layer North", True),
                                                               ("data/county.xlsx, layer South", False)]
    said = flow.run([data], data.parent / "b", lots="data/county.xlsx, layer South")
    assert said.complete, said.open_points
    assert guess(said, "layer").value == '"South"'
    assert said.findings.lots["read"] == 25


def test_a_workbook_in_a_zip_and_what_is_no_workbook_of_lots(data: Path, example: Path) -> None:
    inside = sheets(data.parent / "lots.xlsx", Parcels=table(example))
    shutil.make_archive(str(data / "county"), "zip", inside.parent, inside.name)
    (data / "old.xls").write_bytes(b"\xd0\xcf\x11\xe0" + bytes(600))
    (data / "locked.xlsx").write_bytes(b"\xd0\xcf\x11\xe0" + "EncryptedPackage".encode("utf-16-le"))
    openpyxl.Workbook().save(data / "empty.xlsx")
    shutil.copy(inside, data / "~$county.xlsx")  # as a spreadsheet that is open leaves it
    new = flow.run([data], data.parent / "area")
    assert new.complete, new.open_points
    assert lines(new, "lots") == {"path": "unpacked/county/lots.xlsx"}
    left = {one.name: one.reason for one in new.left}
    assert left == {
        "data/empty.xlsx": "a workbook without a row",
        "data/locked.xlsx": "E-SCR-083 the workbook has a password. Open it, remove the password and save it as .xlsx.",
        "data/old.xls": "an old workbook: save its table of lots as .xlsx, and other tables as CSV in UTF-8"}


def test_what_new_says_of_a_workbook_that_cannot_be_used(data: Path, example: Path) -> None:
    """Formulas without values, and years in a date format: nothing is guessed from them."""
    rows = table(example).assign(Longitude="=-98+0")
    sheets(data / "formulas.xlsx", Parcels=rows)
    new = flow.run([data], data.parent / "a")
    assert {one.name: one.reason for one in new.left}["data/formulas.xlsx"].startswith(
        "E-LOT-097 data/formulas.xlsx cell C2: the value of a formula is not stored, in the column 'Longitude'.")
    (data / "formulas.xlsx").unlink()
    path = sheets(data / "years.xlsx", Parcels=table(example))
    book = openpyxl.load_workbook(path)
    for cell in book["Parcels"]["E"][1:]:
        cell.number_format = "m/d/yyyy"
    book.save(path)
    new = flow.run([data], data.parent / "b")
    assert [one.split(": ")[0] for one in new.open_points] == ["E-LOT-098 ../data/years.xlsx"]


@pytest.mark.parametrize("heading", ["lot_id,lon,lon,lat", "lot_id,lon,lat,lat", "lot_id,wkt,wkt,year"])
@pytest.mark.parametrize("kind", ["csv", "xlsx"])
def test_a_place_twice_is_listed_and_no_fault(heading: str, kind: str, tmp_path: Path) -> None:
    cells = ["POINT (-98 30)" if "wkt" in heading else "-98.5"] * 2
    made = openpyxl.Workbook()
    (tmp_path / "l").mkdir()
    with (tmp_path / "l" / "lots.csv").open("w", encoding="utf-8") as stream:
        for row in (heading.split(","), ["1", *cells, "30"], ["2", *cells, "31"]):
            made.active.append(row)
            stream.write(",".join(row) + "\n")
    if kind == "xlsx":
        (tmp_path / "l" / "lots.csv").unlink()
        made.save(tmp_path / "l" / "lots.xlsx")
    with pytest.raises(LayerError, match=rf"lots\.{kind}: E-LOT-007 two columns have the name"):
        riskmap.new(tmp_path / "l", tmp_path / "into")
