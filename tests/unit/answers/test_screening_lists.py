"""A list in, the same rows out: nothing lost, nothing about people, states told, the lender's words on everything."""

from __future__ import annotations

import csv
import html
import json
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import pandas as pd
import pytest
import xlsxwriter
from click.testing import CliRunner
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from invented_results import NEVER, results

from riskmap.answers import screen
from riskmap.cli.main import cli
from riskmap.common import wording as common_wording
from riskmap.common.errors import LayerError, SettingsError
from riskmap.common.results import RowCounts
from riskmap.outputs.files import csv_table, rounding
from riskmap.run import folder as run_folder
from riskmap.run.products import write_all

FOUND = rounding.rounded(results())
IDS = [str(value) for value in FOUND.lots["lot_id"]]
WITH_NUMBER = [str(v) for v in FOUND.lots.loc[FOUND.lots["state"] == "", "lot_id"]]


@pytest.fixture(scope="module")
def outputs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    from riskmap.common.settings import Area
    from riskmap.run import manifest

    folder = tmp_path_factory.mktemp("outputs")
    with run_folder.new_run(folder, "made up") as run:
        found = results()
        write_all(found, run.path)
        manifest.write(run.path, found, Area.model_validate(
            {"name": "made up", "lots": {"path": "l.csv"}, "soil": {"path": "s.zip"}}), [], RowCounts.of(found.lots))
    return folder


def listing(path: Path, rows: list[list[str]]) -> Path:
    with path.open("w", encoding="utf-8", newline="") as stream:
        csv.writer(stream).writerows(rows)
    return path


def call(outputs: Path, *words: object) -> Any:
    return CliRunner().invoke(cli, ["screen", "latest", *map(str, words), "--outputs", str(outputs)])


def table(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8-sig", newline="") as stream:
        return list(csv.DictReader(stream))


# ---------------------------------------------------------------- rows
cells = st.text(alphabet=st.characters(codec="utf-8", exclude_characters="\r\n\x00"), max_size=12)


@settings(max_examples=40, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.lists(st.tuples(st.sampled_from([*IDS[:30], "nope", "", "7", "0000030 ", "000-0031"]), cells, cells),
                min_size=1, max_size=15))
def test_rows_out_are_rows_in_and_the_group_never_enters_a_number(rows: list[tuple[str, str, str]]) -> None:
    frame = pd.DataFrame(rows, columns=["lot_id", "note", "party"], dtype=str)
    given_list = screen.Listing("l.csv", frame, np.arange(len(frame)))
    plain = screen.screen(FOUND, given_list)
    grouped = screen.screen(FOUND, given_list, groups="party")
    pd.testing.assert_frame_equal(plain.rows, grouped.rows)
    pd.testing.assert_frame_equal(plain.rows[["lot_id", "note", "party"]], frame)
    other = screen.screen(FOUND, screen.Listing("l.csv", frame.assign(party="x", note=""), given_list.row))
    ours = [name for name in plain.rows if name not in frame]
    pd.testing.assert_frame_equal(plain.rows[ours], other.rows[ours])
    number = plain.rows["long_run_mm"].notna()
    assert (number == (plain.rows["state"] == "")).all()
    assert (plain.rows.loc[~number, "state_reason"] != "").all()
    assert plain.counts["rows"] == len(frame) == plain.counts["with_number"] + sum(
        count for name, count in plain.counts.items() if name not in ("rows", "with_number"))
    ordered = screen.in_order(plain.rows)
    values = ordered["long_run_mm"].dropna().to_numpy()
    assert (np.diff(values) <= 0).all()
    assert ordered["long_run_mm"].isna().to_numpy().tolist() == sorted(
        ordered["long_run_mm"].isna().tolist())
    ties = ordered.index[ordered["long_run_mm"].isna()]
    assert list(ties) == sorted(ties)


def test_values_are_those_of_the_run() -> None:
    frame = pd.DataFrame({"lot_id": WITH_NUMBER[-20:]}, dtype=str)
    done = screen.screen(FOUND, screen.Listing("l", frame, np.arange(20)), system="us")
    lots = FOUND.lots.set_index("lot_id").loc[WITH_NUMBER[-20:]]
    unique = ~lots.index.duplicated(keep=False)
    matched = (done.rows["match_status"] == "matched").to_numpy()
    assert matched[unique].all()
    for name in screen.NUMBERS:
        np.testing.assert_array_equal(done.rows[name][matched], lots[name].to_numpy()[matched])
        inches = done.rows[name.replace("_mm", "_in")][matched]
        np.testing.assert_allclose(inches, lots[name].to_numpy()[matched] / 25.4, atol=0.0501)


def test_a_column_of_the_list_with_our_name_stays_the_lists() -> None:
    frame = pd.DataFrame({"lot_id": WITH_NUMBER[30:32], "state": ["TX", "OK"]}, dtype=str)
    done = screen.screen(FOUND, screen.Listing("l", frame, np.arange(2)))
    assert done.rows["state"].tolist() == ["TX", "OK"]
    assert done.rows["state_riskmap"].tolist() == ["", ""]
    assert done.counts["with_number"] == 2


# ---------------------------------------------------------------- lists
def test_csv_of_coordinates_with_other_names_and_separators(outputs: Path, tmp_path: Path) -> None:
    point = FOUND.lots.geometry.iloc[45].representative_point()
    path = tmp_path / "l.csv"
    path.write_bytes(f"name;X;Y\nCañón;{point.x};{point.y}\nsea;0;0\n".encode("cp1252"))
    done = call(outputs, path, "--column", "lon=X", "--column", "lat=Y", "--into", tmp_path / "o")
    assert done.exit_code == 1, done.output
    rows = table(tmp_path / "o" / "screened.csv")
    assert [(row["name"], row["match_status"], row["matched_lot_id"]) for row in rows] == [
        ("Cañón", "matched", IDS[45]), ("sea", "unmatched", "")]


def test_a_list_without_an_id_column_says_which_could_be_meant(outputs: Path, tmp_path: Path) -> None:
    rows = [["Listing ID", "lon", "lat", "ref"], ["A1", "-91.1", "30.4", "000-0040"], ["A2", "-91.1", "30.4", "x"]]
    done = call(outputs, listing(tmp_path / "l.csv", rows), "--into", tmp_path / "o")
    words = "no lot_id column; matched by lon, lat only. "
    assert f"W-SCR-011 l.csv: {words}1 of 2 cells of 'ref' are ids of lots. If a column holds the parcel id, say " \
           "which: --column lot_id='ref'." in done.output
    page = (tmp_path / "o" / "screened.html").read_text(encoding="utf-8")
    assert words in page
    rows = [[*line[:3], ""] for line in rows]
    done = call(outputs, listing(tmp_path / "m.csv", rows))
    assert f"{words}If a column holds the parcel id, say which: --column lot_id='Listing ID'." in done.output
    done = call(outputs, listing(tmp_path / "n.csv", rows), "--column", "lot_id=Listing ID")
    assert "W-SCR-011" not in done.output


def test_the_page_tells_why_and_in_words(outputs: Path, tmp_path: Path) -> None:
    lots = FOUND.lots.set_index("lot_id")
    high = next(lot for lot in WITH_NUMBER[-20:] if lots.loc[lot, "direction"] == "edge_lift")
    without = next(lot for lot in IDS[21:27] if lots.loc[lot, "state"] == "not_enough_data")
    path = listing(tmp_path / "l.csv", [["note", "state", "lot_id"], ["x", "TX", high], ["y", "TX", without],
                                        ["z", "TX", "nope"]])
    assert call(outputs, path, "--into", tmp_path / "o").exit_code == 1
    text = (tmp_path / "o" / "screened.html").read_text(encoding="utf-8").split("<table>")[2]
    heading = re.findall("<th>(.*?)</th>", text)
    told = {line[0]: line for line in (re.findall("<td.*?>(.*?)</td>", row) for row in text.split("<tr>")) if line}
    assert heading[:4] == ["note", "rank", "found", "note"]
    assert told["x"][heading.index("direction")] == "edge high"
    assert told["y"][2:4] == ["matched", "not enough data to estimate this lot; " +
                              html.escape(lots.loc[without, "state_reason"])]
    assert told["z"][2:4] == ["unmatched", "the parcel id is not among the lots"]


def test_ranks_tell_ties_and_how_many_values_there_are(outputs: Path, tmp_path: Path) -> None:
    ids = WITH_NUMBER[-4:]
    value = dict(zip(ids, (8.0, 9.5, 8.0, 7.0), strict=True))
    lots = FOUND.lots.assign(long_run_mm=FOUND.lots["lot_id"].map(value))
    frame = pd.DataFrame({"lot_id": [*ids, "nope"]}, dtype=str)
    done = screen.screen(replace(FOUND, lots=lots), screen.Listing("l", frame, np.arange(5)))
    assert done.rows["rank"].tolist() == ["2 to 3", "1", "2 to 3", "4", ""]
    assert done.ties.startswith("Long run: 3 different values in 4 rows with a number. Rows of one")
    path = listing(tmp_path / "l.csv", [["lot_id"], *([lot] for lot in ids)])
    said = call(outputs, path, "--into", tmp_path / "o").output
    assert "Long run: 4 different values in 4 rows with a number.\n" in said
    for name in ("screened.html", "README.txt"):
        assert "4 different values in 4 rows" in (tmp_path / "o" / name).read_text(encoding="utf-8")
    assert [row["rank"] for row in table(tmp_path / "o" / "sorted.csv")] == ["1", "2", "3", "4"]


@pytest.mark.parametrize(("units", "unit", "other"), [("us", "in", "mm"), ("si", "mm", "in")])
def test_why_is_told_in_the_unit_of_the_page(units: str, unit: str, other: str, outputs: Path, tmp_path: Path) -> None:
    path = listing(tmp_path / "l.csv", [["lot_id"], [WITH_NUMBER[0]], ["nope"]])
    said = call(outputs, path, "--why", "--units", units, "--into", tmp_path / "o").output
    (line,) = [line for line in said.splitlines() if line.startswith(f"  {WITH_NUMBER[0]}: ")]
    assert re.search(rf"Expected bending [\d.]+ {unit} \([\d.]+ to [\d.]+\); the typical lot here has ", line)
    assert line.endswith(f" {unit} gaps in the data on this lot")
    assert not re.search(rf"\d {other}\b", line)
    assert "  nope: unmatched" in said


def test_within_and_a_lost_minus_are_told(outputs: Path, tmp_path: Path) -> None:
    from pyproj import Geod

    outline = FOUND.lots.geometry.iloc[40]
    west, south, _, north = outline.bounds
    lon, lat, _ = Geod(ellps="GRS80").fwd(west, (south + north) / 2, 270, 8.0)  # the first lot of its row
    rows = [["lon", "lat"], [f"{lon:.7f}", f"{lat:.7f}"], [f"{-lon:.7f}", f"{lat:.7f}"]]
    path = listing(tmp_path / "l.csv", rows)
    assert call(outputs, path, "--into", tmp_path / "o").exit_code == 1
    told = table(tmp_path / "o" / "screened.csv")
    assert [row["match_status"] for row in told] == ["unmatched", "unmatched"]
    assert f"nearest is '{IDS[40]}', 8 m away" in told[0]["match_note"]
    assert "a minus sign is lost" in told[1]["match_note"]
    assert call(outputs, path, "--within", 10, "--into", tmp_path / "w").exit_code == 1
    told = table(tmp_path / "w" / "screened.csv")
    assert [row["matched_lot_id"] for row in told] == [IDS[40], ""]
    assert call(outputs, path, "--within", 501).exit_code == 2
    with pytest.raises(LayerError, match="E-SCR-012"):
        screen.matched(FOUND, screen.read(path, {}), {}, -1)


def test_a_workbook_keeps_ids_and_refuses_formulas(outputs: Path, tmp_path: Path) -> None:
    path = tmp_path / "l.xlsx"
    with xlsxwriter.Workbook(path, {"strings_to_numbers": False}) as book:
        sheet = book.add_worksheet()
        for line, row in enumerate([["lot_id", "price"], [IDS[40], 100], [IDS[41], 5.5], ["", ""], ["nope", ""]]):
            for place, value in enumerate(row):
                sheet.write(line, place, value) if value != "" else None
    done = call(outputs, path, "--into", tmp_path / "o")
    assert done.exit_code == 1, done.output
    rows = table(tmp_path / "o" / "screened.csv")
    assert [(row["lot_id"], row["price"]) for row in rows] == [(IDS[40], "100"), (IDS[41], "5.5"), ("nope", "")]
    with xlsxwriter.Workbook(path) as book:
        sheet = book.add_worksheet()
        sheet.write(0, 0, "lot_id")
        sheet.write_formula(1, 0, "=1+1")
    assert "E-SCR-008 l.xlsx cell A2: a formula" in str(call(outputs, path).exception)


def test_pins_and_outlines_are_lists_too(outputs: Path, tmp_path: Path) -> None:
    import shapely

    part = FOUND.lots.iloc[[45, 46]]
    pins = "".join(f"<Placemark><name>{IDS[3]}</name><Point><coordinates>{p.x},{p.y}</coordinates></Point></Placemark>"
                   .replace("<img", "&lt;img") for p in part.geometry.representative_point())
    pins = pins.replace(IDS[3].replace("<img", "&lt;img"), "pin")
    (tmp_path / "l.kml").write_text('<kml xmlns="http://www.opengis.net/kml/2.2"><Document>'
                                    f"{pins}</Document></kml>", encoding="utf-8")
    part[["lot_id", "geometry"]].to_file(tmp_path / "l.geojson")
    for name in ("l.kml", "l.geojson"):
        done = call(outputs, tmp_path / name, "--into", tmp_path / f"o_{name}")
        assert done.exit_code == 0, (name, done.output, done.exception)
        rows = table(tmp_path / f"o_{name}" / "screened.csv")
        assert [row["matched_lot_id"] for row in rows] == IDS[45:47], name
    assert shapely.is_valid(part.geometry.to_numpy()).all()


@pytest.mark.parametrize(("content", "words", "told"), [
    ("a,b\n1,2\n", (), "E-SCR-010"), ("lon,b\n1,2\n", (), "E-SCR-010"), ("a,a,lot_id\n1,2,3\n", (), "E-SCR-004"),
    ("lot_id,b\n1,2\n", ("--column", "lot_id=nope"), "E-SCR-005"), ("lot_id,b\n1,2\n", ("--column", "x"), "E-SCR-005"),
    ("lot_id,b\n1,2\n", ("--groups", "nope"), "E-SCR-009"), ("<html>", (), "E-SCR-010")])
def test_lists_that_cannot_be_used_are_refused(content: str, words: tuple[str, ...], told: str, outputs: Path,
                                               tmp_path: Path) -> None:
    (tmp_path / "l.csv").write_text(content, encoding="utf-8")
    error = call(outputs, tmp_path / "l.csv", *words).exception
    assert isinstance(error, LayerError)
    assert told in str(error)


@pytest.mark.parametrize(("header", "columns", "groups", "code"), [
    ("lot_id,owner", {"lot_id": "nope"}, None, "E-SCR-005"), ("parcel,owner", {}, None, "E-SCR-010"),
    ("lot_id,owner", {}, "nope", "E-SCR-009")])
def test_a_refusal_carries_the_findings_made_until_then(header: str, columns: dict[str, str], groups: str | None,
                                                        code: str, tmp_path: Path) -> None:
    (tmp_path / "l.csv").write_text(f"{header}\n1,x\n,\n2,y\n", encoding="utf-8")
    with pytest.raises(LayerError, match=code) as refusal:
        screen.screen(FOUND, screen.read(tmp_path / "l.csv", columns), groups=groups)
    codes = [problem.code for problem in refusal.value.problems]
    assert codes
    assert len(codes) == len(set(codes))
    assert ("W-SCR-006" in codes) == (code != "E-SCR-005")  # the columns of the command are looked at before


@pytest.mark.parametrize("name", ["nothing.csv", "l.pdf"])
def test_files_that_are_no_list(name: str, outputs: Path, tmp_path: Path) -> None:
    (tmp_path / "l.pdf").write_text("x", encoding="utf-8")
    assert "E-SCR-00" in str(call(outputs, tmp_path / name).exception)


# ---------------------------------------------------------------- people, places, groups
def test_columns_about_people_and_postcodes_are_not_carried(outputs: Path, tmp_path: Path) -> None:
    path = listing(tmp_path / "l.csv", [["lot_id", "Owner", "ZIP", "zip_code", "price", "Post Code", "census_tract"],
                                        [IDS[40], "CANARY1", "CANARY2", "CANARY3", "9", "CANARY4", "CANARY5"]])
    done = call(outputs, path, "--into", tmp_path / "o", "--why")
    assert done.exit_code == 0, done.output
    assert "W-SCR-006" in done.output
    for file in (tmp_path / "o").iterdir():
        assert b"CANARY" not in file.read_bytes(), file.name
    with pytest.raises(LayerError, match="E-SCR-009"):
        screen.screen(FOUND, screen.read(path, {}), groups="Owner")


@pytest.mark.parametrize("text", [
    "movement_mm = [5, 10]\n[area.x]\nmovement_mm = [1]", "[postcode]\n78701 = [5]", "map_unit = 'x'", "zone = 3",
    "[[groups]]\nname = 'a'"])
def test_bands_that_differ_by_place_or_group_are_refused(text: str, tmp_path: Path) -> None:
    (tmp_path / "b.toml").write_text(text, encoding="utf-8")
    with pytest.raises(SettingsError, match=r"E-SCR-021 .*same for every row"):
        screen.bands(tmp_path / "b.toml")


@pytest.mark.parametrize("text", ["", "movement_mm = []", "movement_mm = [5, 5]", "movement_mm = [10, 5]",
                                  "movement_mm = [true]", "movement_mm = [-1]", "movement_mm = 'x'", "x ="])
def test_bands_that_are_none(text: str, tmp_path: Path) -> None:
    (tmp_path / "b.toml").write_text(text, encoding="utf-8")
    with pytest.raises(SettingsError, match=r"E-SCR-02[02]"):
        screen.bands(tmp_path / "b.toml")


def test_other_bands_only_rename(tmp_path: Path) -> None:
    (tmp_path / "b.toml").write_text("movement_mm = [15, 30]", encoding="utf-8")
    limits = screen.bands(tmp_path / "b.toml")
    frame = pd.DataFrame({"lot_id": WITH_NUMBER[22:50]}, dtype=str)
    ours = screen.screen(FOUND, screen.Listing("l", frame, np.arange(len(frame))))
    theirs = screen.screen(FOUND, screen.Listing("l", frame, np.arange(len(frame))), limits=limits)
    pd.testing.assert_frame_equal(ours.rows.drop(columns="band"), theirs.rows.drop(columns="band"))
    assert set(theirs.rows["band"]) <= {"under 15 mm", "15-30 mm", "30 mm and more"}


def test_the_self_check_tells_groups_and_hides_small_ones() -> None:
    ids = [*WITH_NUMBER[22:48], "nope", "nope2", *WITH_NUMBER[-5:], *["nope"] * 6]
    frame = pd.DataFrame({"lot_id": ids, "side": ["north"] * 14 + ["south"] * 10 + ["west"] * 4 + ["east"] * 11},
                         dtype=str)
    done = screen.screen(FOUND, screen.Listing("l", frame, np.arange(len(frame))), groups="side")
    assert done.groups is not None
    told = done.groups.set_index("group")
    assert list(told.index) == ["north", "south", "west", "east"]
    assert told.loc["east", "rows"] == 11
    assert told.loc["east", "note"] == "fewer than 10 with a number: no percentiles"
    assert told.loc["east", ["characteristic_p10_mm", "characteristic_p50_mm"]].isna().all()
    assert told.loc["north", "note"] == ""
    assert told.loc["west"].drop("note").isna().all()
    assert "fewer than 10" in told.loc["west", "note"]
    value = done.rows.loc[frame["side"] == "north", "long_run_mm"].dropna()
    assert told.loc["north", "characteristic_p50_mm"] == pytest.approx(np.percentile(value, 50), abs=0.051)


# ---------------------------------------------------------------- files
def test_every_file_carries_the_lenders_words_and_no_text_runs(outputs: Path, tmp_path: Path) -> None:
    rows = [["lot_id", "remark"], *([lot, text] for lot, text in zip(IDS[:30], IDS[:30], strict=True))]
    done = call(outputs, listing(tmp_path / "l.csv", rows), "--into", tmp_path / "o")
    assert done.exit_code == 1
    words = common_wording.CAUTION_LENDER
    assert words in done.output
    for name in ("screened.html", "README.txt", "screened.json"):
        assert words in (tmp_path / "o" / name).read_text(encoding="utf-8"), name
    book = openpyxl.load_workbook(tmp_path / "o" / "screened.xlsx")
    assert book.sheetnames == ["screened", "sorted", "notes"]
    for sheet in book:
        assert words in str(sheet.oddHeader.left.text)
        assert all(cell.data_type != "f" for line in sheet.iter_rows() for cell in line)
    assert words in [cell.value for cell in book["notes"]["A"]]
    page = (tmp_path / "o" / "screened.html").read_text(encoding="utf-8")
    assert "<script" not in page.lower().replace("&lt;script", "")
    assert "<img" not in page
    for file in (tmp_path / "o").iterdir():
        assert NEVER.encode() not in file.read_bytes(), file.name
    told = table(tmp_path / "o" / "screened.csv")
    assert [row["remark"] for row in told] == list(csv_table.guarded(pd.Series(IDS[:30]), numbers_stay=True))
    assert [row["lot_id"] for row in told] == list(csv_table.guarded(pd.Series(IDS[:30]), numbers_stay=True))
    ordered = table(tmp_path / "o" / "sorted.csv")
    assert sorted(row["remark"] for row in ordered) == sorted(row["remark"] for row in told)
    counts = json.loads((tmp_path / "o" / "screened.json").read_text(encoding="utf-8"))["counts"]
    assert counts["rows"] == 30


def test_numbers_of_the_list_come_back_as_they_were(outputs: Path, tmp_path: Path) -> None:
    rows = [["lot_id", "lon", "price", "code", "mixed", "long"],
            ["0000040", "-91.140607", "1.50", "007", "-0.5", "1234567890123456"],
            ["0000041", "-91.14", "+3", "12", "-1+cmd|' /C calc'!A0", ""],
            ["7", "", "1.5e-3", "-0", "-5\t", "-.5"]]
    done = call(outputs, listing(tmp_path / "l.csv", rows), "--column", "lat=price", "--into", tmp_path / "o")
    assert done.exit_code == 1, done.output
    for name in ("screened.csv", "sorted.csv"):
        told = sorted(([row[key] for key in rows[0]] for row in table(tmp_path / "o" / name)), reverse=True)
        assert told[0] == [*rows[3][:4], "'-5\t", "-.5"]
        assert told[1] == [*rows[2][:4], "'-1+cmd|' /C calc'!A0", ""]
        assert told[2] == rows[1]
    sheet = openpyxl.load_workbook(tmp_path / "o" / "screened.xlsx")["screened"]
    told = [[cell.value for cell in line[:6]] for line in sheet.iter_rows(min_row=2)]
    assert told[0] == ["0000040", -91.140607, "1.50", "007", "-0.5", "1234567890123456"]
    assert told[1] == ["0000041", -91.14, "+3", "12", "-1+cmd|' /C calc'!A0", None]
    assert [cell.number_format for cell in sheet["B"][1:3]] == ["0.000000", "0.00"]
    assert told[2][0] == "7", "an id stays a text"


@given(st.lists(st.text(alphabet="'=+-@.e0123\t\n", max_size=6), min_size=1, max_size=5))
def test_plain_numbers_need_no_guard_and_the_guard_can_be_undone(values: list[str]) -> None:
    texts = pd.Series(values, dtype="str")
    told = csv_table.guarded(texts, numbers_stay=True)
    assert list(csv_table.unguarded(told)) == values
    for value in told:
        assert not value.startswith(("=", "@", "\t", "\n"))
        if value.startswith(("+", "-")):
            assert np.isfinite(float(value))
            assert value == value.strip()


def test_the_same_list_gives_the_same_files_years_later(outputs: Path, tmp_path: Path) -> None:
    path = listing(tmp_path / "l.csv", [["lot_id"], *([lot] for lot in IDS[20:50])])
    for name in ("now", "later"):
        assert call(outputs, path, "--into", tmp_path / name).exit_code == 1
    for file in (tmp_path / "now").iterdir():
        assert file.read_bytes() == (tmp_path / "later" / file.name).read_bytes(), file.name
    assert CliRunner().invoke(cli, ["verify", "latest", "--outputs", str(outputs)]).exit_code == 0
