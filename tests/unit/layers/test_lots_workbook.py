"""Lots in a workbook: cells as a person sees them, one sheet of several, and the same lots and findings as in a CSV."""

from __future__ import annotations

import csv
import datetime as dt
import re
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import openpyxl
import pytest
import xlsxwriter

from riskmap.common.errors import LayerError
from riskmap.common.problems import Problem
from riskmap.common.settings import Area, LotsEntry, SoilEntry
from riskmap.layers import lots

SHEET = "xl/worksheets/sheet1.xml"
HEADING = ["lot_id", "lon", "lat", "pour_date"]
Change = Callable[[openpyxl.Workbook], object]


def read(path: Path, **entry: Any) -> tuple[gpd.GeoDataFrame, list[Problem]]:
    area = Area(name="a", folder=path.parent, lots=LotsEntry(path=path.name, **entry), soil=SoilEntry(path="none.zip"))
    raw, _, problems = lots.read(area.lots, area)
    return raw, problems


def book(folder: Path, rows: list[list[Any]], change: Change = lambda _: None) -> Path:
    made = openpyxl.Workbook()
    made.active.title = "Lots"
    for row in rows:
        made.active.append(row)
    change(made)
    made.save(folder / "lots.xlsx")
    return folder / "lots.xlsx"


def refused(path: Path, **entry: Any) -> str:
    with pytest.raises(LayerError) as caught:
        read(path, **entry)
    return str(caught.value)


def changed(path: Path, name: str, change: Callable[[str], str]) -> Path:
    """Change one part of a workbook."""
    with zipfile.ZipFile(path) as packed:
        parts = {one: packed.read(one) for one in packed.namelist()}
    before = parts[name].decode()
    parts[name] = change(before).encode()
    assert parts[name].decode() != before
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as packed:
        for one, content in parts.items():
            packed.writestr(one, content)
    return path


def computed(path: Path) -> Path:
    """Return the workbook as if a spreadsheet had saved it: it says no more that formulas have to be computed."""
    return changed(path, "xl/workbook.xml", lambda text: text.replace(' fullCalcOnLoad="1"', ""))


# ---------------------------------------------------------------- the same as a CSV
ROWS = [["Parcels of the county"], [], ["lot_id", " lon", "lat", "Owner Name", "YEAR", "slab_width_ft", "zoning"],
        ["0309", "-98.5", "30.25", "Ann", "1987", "39.5", "R1"], ["310", "-98.6125", "30.1", "Bo", "1990-05", "x", ""],
        [], ["lot_id", "lon", "lat", "Owner Name", "YEAR", "slab_width_ft", "zoning"],
        ["311", "98°36'45\"W", "30.5", "", "", "", ""], ["312", "-98.4", "", "", "1985/1988", "40", "R2"],
        ["Total", "", "", "", "", "119.5", ""]]


@pytest.mark.parametrize("typed", [False, True])
def test_lots_and_findings_are_those_of_the_same_csv(typed: bool, tmp_path: Path) -> None:
    """Once all cells are texts, once numbers are numbers, as a person enters them."""
    with (tmp_path / "lots.csv").open("w", newline="", encoding="utf-8") as stream:
        csv.writer(stream).writerows(ROWS)

    def cell(text: str) -> Any:
        return float(text) if typed and re.fullmatch(r"-?[1-9]\d*(\.\d+)?", text) else text or None

    path = book(tmp_path, [[cell(text) for text in row] for row in ROWS])
    for columns in ({"pour_date": "YEAR"}, {"pour_date": "YEAR", "lot_id": "lot_id"}):
        (sheet, said), (table, told) = read(path, columns=columns), read(tmp_path / "lots.csv", columns=columns)
        assert sheet.equals(table)
        assert sheet.attrs == table.attrs
        assert [str(one).replace("lots.xlsx", "lots.csv") for one in said] == list(map(str, told))
        assert sheet["source_row"].tolist() == [4, 5, 8, 9, 10]
        assert {one.code for one in said} == {"W-SCR-065", "W-LOT-006", "W-LOT-004", "W-LOT-005", "E-LOT-004",
                                              "E-LOT-005", "W-LOT-003", "W-LOT-002"}
        assert "Ann" not in sheet.to_csv() + " ".join(map(str, said))


@pytest.mark.parametrize("columns", [{"lot_id": "nowhere"}, {"lot_id": "Owner Name"}, {"lon": "nowhere"}, {"x": "YEAR"},
                                     {"pour_date": "EFF_YR"}, {"lon": ""}])
def test_columns_are_refused_in_the_same_words(columns: dict[str, str], tmp_path: Path) -> None:
    rows = [[*ROWS[2], "EFF_YR"], [*ROWS[3], "1990"]]
    (tmp_path / "lots.csv").write_text("\n".join(",".join(row) for row in rows), encoding="utf-8")
    path = book(tmp_path, rows)
    said = refused(path, columns=columns)
    assert said.replace("lots.xlsx", "lots.csv") == refused(tmp_path / "lots.csv", columns=columns)
    assert re.match(r"E-LOT-00[39] ", said)


def test_two_columns_of_one_name_and_a_first_row_of_values_are_refused(tmp_path: Path) -> None:
    assert refused(book(tmp_path, [[*HEADING, "lot_id"], [1, -98, 30, 1990, 2]])).startswith("E-LOT-007 lots.xlsx: ")
    said = refused(book(tmp_path, [["1001", -98.1, 37.1, "Ann Example"], ["1002", -98.1, 37.1, "Bo Example"]]))
    assert said.startswith("E-LOT-090 lots.xlsx row 1: ")
    assert "Example" not in said
    assert refused(book(tmp_path, [["PARCEL", "lon", "lat"], [1, -98, 30]])).startswith("E-LOT-008 lots.xlsx: ")


def test_outlines_as_text_need_a_system(tmp_path: Path) -> None:
    path = book(tmp_path, [["lot_id", "wkt"], ["1", "POLYGON ((500000 4195000, 500020 4195000, 500020 4195035, "
                                               "500000 4195000))"], ["2", "POLYGON ((500000 4195000, 5000"]])
    assert refused(path).startswith("E-LOT-020 ")
    raw, problems = read(path, crs="EPSG:26914")
    assert raw.geometry.area.round().tolist()[0] == 350  # 20 x 35 / 2
    assert [(one.code, one.row) for one in problems] == [("E-LOT-004", 3)]


# ---------------------------------------------------------------- cells
@pytest.mark.parametrize(("value", "form", "text"), [
    (309, "General", "309"), ("0309", "General", "0309"), (309.0, "General", "309"), (309, "00000", "00309"),
    (12345678, "000\\-00\\-0000", "012-34-5678"), (12345678, '000"-"00" "00', "1234-56 78"), (7, "0", "7"),
    (309, "0.00", "309"), (309, "#,##0", "309"), (-5, "0000", "-5"), ("1E5", "General", "1E5"), ("NA", "General", "NA"),
    (999999999999999.0, "General", "999999999999999"), (0.1, "0%", "0.1"), (309.5, "000", "309.5"),
    (True, "General", "TRUE"), ("#N/A", "General", "#N/A"), (dt.time(13, 5), "hh:mm", "13:05:00"), (" 7 ", "@", " 7 "),
])
def test_an_id_is_the_text_that_a_person_sees(value: Any, form: str, text: str, tmp_path: Path) -> None:
    def shape(made: openpyxl.Workbook) -> None:
        made.active["A2"].number_format = form

    assert read(book(tmp_path, [HEADING, [value, -98, 30, ""]], shape))[0]["lot_id"].tolist() == [text]


@pytest.mark.parametrize(("value", "form", "text"), [
    (1987, "General", "1987"), ("1987", "@", "1987"), ("1985/1988", "General", "1985/1988"),
    (dt.datetime(1987, 5, 2), "m/d/yyyy", "1987-05-02"), (dt.datetime(1987, 5, 2), "mm-dd-yy", "1987-05-02"),
    (dt.datetime(1987, 5, 2), "[$-409]d\\-mmm\\-yy;@", "1987-05-02"), (dt.datetime(1987, 5, 1), "mmm\\-yy", "1987-05"),
    (dt.datetime(1987, 5, 1), "yyyy", "1987"), (dt.datetime(1987, 5, 1), '"day "yyyy', "1987"),
    (dt.datetime(1987, 5, 2), "d-mmm", "1987-05-02"), (dt.datetime(1987, 5, 2, 13, 30), "m/d/yyyy", "1987-05-02"),
    (dt.datetime(1987, 5, 2, 13, 30), "m/d/yyyy h:mm", "1987-05-02 13:30:00"),
    (dt.datetime(1987, 5, 2), "m/d/yyyy h:mm", "1987-05-02"),
])
def test_a_date_is_as_exact_as_it_is_shown(value: Any, form: str, text: str, tmp_path: Path) -> None:
    def shape(made: openpyxl.Workbook) -> None:
        made.active["D2"].number_format = form

    assert read(book(tmp_path, [HEADING, ["1", -98, 30, value]], shape))[0]["pour_date"].tolist() == [text]


def test_dates_of_the_older_calendar_are_the_same_days(tmp_path: Path) -> None:
    def of_1904(made: openpyxl.Workbook) -> None:
        made.epoch = openpyxl.utils.datetime.CALENDAR_MAC_1904

    path = book(tmp_path, [HEADING, ["1", -98, 30, dt.datetime(1987, 5, 2)]], of_1904)
    with zipfile.ZipFile(path) as packed:
        assert b"date1904" in packed.read("xl/workbook.xml")
    assert read(path)[0]["pour_date"].tolist() == ["1987-05-02"]


def test_coordinates_keep_all_their_digits(tmp_path: Path) -> None:
    """A spreadsheet writes 17 digits, this test's library 16."""
    places = [float(f"{x:.16g}") for x in np.random.default_rng(0).uniform(-99, -98, 20)]
    path = book(tmp_path, [HEADING, *([str(k), x, 111, ""] for k, x in enumerate(places))])
    raw, problems = read(changed(path, SHEET, lambda text: text.replace("<v>111</v>", "<v>30.100000000000001</v>")))
    np.testing.assert_array_equal(raw.geometry.x, places)
    assert (raw.geometry.y == 30.1).all()
    assert problems == []


def test_years_in_a_date_format_are_refused(tmp_path: Path) -> None:
    """A sheet shows 1987 as 6/9/1905 there: as dates they would make every house 80 years older."""
    def shape(made: openpyxl.Workbook) -> None:
        for row in (2, 3):
            made.active[f"D{row}"].value, made.active[f"D{row}"].number_format = 1985 + row, "m/d/yyyy"

    path = book(tmp_path, [HEADING, ["1", -98, 30, ""], ["2", -98, 30, ""], ["3", -98, 30, dt.datetime(1990, 1, 1)]],
                shape)
    said = refused(path)
    assert said.startswith("E-LOT-098 lots.xlsx: 2 of 3 dates of the column 'pour_date' are from 1905-01-23 to "
                           "1905-09-30.")
    assert read(path, columns={"pour_date": ""})[0]["pour_date"].tolist() == [""] * 3
    rows = [["1", -98, 30, dt.datetime(1905, 6, 9)], ["2", -98, 30, dt.datetime(1990, 1, 1)]]
    assert read(book(tmp_path, [HEADING, *rows]))[0]["pour_date"].tolist() == ["1905-06-09", "1990-01-01"]


def test_a_number_that_is_no_date_keeps_its_row_and_is_told(tmp_path: Path) -> None:
    def shape(made: openpyxl.Workbook) -> None:
        made.active["D2"].value, made.active["D2"].number_format = 9e9, "yyyy-mm-dd"

    raw, problems = read(book(tmp_path, [HEADING, ["1", -98, 30, ""]], shape))
    assert raw["pour_date"].tolist() == ["#VALUE!"]
    assert [one.code for one in problems] == ["W-SCR-061"]


@pytest.mark.parametrize(("stored", "text"), [
    ("12345678901234567", "12345678901234567"), ("1.23456789012346E+15", "1.23456789012346E+15"),
    ("3.09E2", "309"), ("1e999", "inf")])
def test_a_long_id_keeps_its_digits_or_is_seen_to_have_lost_some(stored: str, text: str, tmp_path: Path) -> None:
    path = book(tmp_path, [HEADING, [111, -98, 30, ""]])
    changed(path, SHEET, lambda xml: xml.replace("<v>111</v>", f"<v>{stored}</v>"))
    assert read(path)[0]["lot_id"].tolist() == [text]


# ---------------------------------------------------------------- formulas
def with_values(path: Path, last: str = "1987", date_format: str = "General") -> Path:
    with xlsxwriter.Workbook(path) as made:
        sheet = made.add_worksheet("Lots")
        sheet.write_row(0, 0, [*HEADING, "owner", "note"])
        for row in (1, 2):
            sheet.write_string(row, 0, f"{row}")
            sheet.write_row(row, 1, [-98.5, 30.25])
            sheet.write_formula(row, 3, "=1900+87", made.add_format({"num_format": date_format}), last)
            sheet.write_formula(row, 4, '="Canary"&"1"', None, "Canary1")
        for row in (3, 4):  # copied down below the table: nothing is seen there
            sheet.write_formula(row, 3, '=IF(A4="","",1)', None, "")
        sheet.write_formula(2, 5, "=1+1", None, 2)
    # a spreadsheet says of an empty text that it is a text
    return changed(path, SHEET, lambda text: re.sub(r'<c r="D([45])"', r'<c r="D\1" t="str"', text))


def test_formulas_give_the_values_that_were_saved(tmp_path: Path) -> None:
    raw, problems = read(computed(with_values(tmp_path / "lots.xlsx")))
    assert raw["pour_date"].tolist() == ["1987", "1987"]
    assert raw["source_row"].tolist() == [2, 3]
    told = {one.code: one.rule for one in problems}
    assert told == {"W-LOT-071": "1 column has formulas: pour_date (D2).",
                    "W-LOT-002": "columns that the estimate does not use: note.",
                    "W-LOT-003": "columns about people are refused: owner."}
    assert "Canary" not in raw.to_csv() + " ".join(map(str, problems))


def test_a_value_that_is_not_stored_is_never_taken_for_an_empty_cell(tmp_path: Path) -> None:
    path = with_values(tmp_path / "lots.xlsx")  # the program says itself that it computed nothing
    assert refused(path).startswith("E-LOT-097 lots.xlsx cell D2: the value of a formula is not stored, in the column "
                                    "'pour_date'")
    raw, _ = read(path, columns={"pour_date": ""})  # that column is not used
    assert raw["lot_id"].tolist() == ["1", "2", "", ""]  # whether the last two rows are blank is not known
    rows = [HEADING, ["1", -98, 30, "1990"], ["2", -98, 30, "=1900+90"]]
    assert "E-LOT-097 lots.xlsx cell D3:" in refused(computed(book(tmp_path, rows)))
    assert "E-LOT-097 lots.xlsx cell A2:" in refused(computed(book(tmp_path, [HEADING, ["=1", -98, 30, ""]])))


def test_a_formula_in_the_heading_is_read_too(tmp_path: Path) -> None:
    with xlsxwriter.Workbook(tmp_path / "lots.xlsx") as made:
        sheet = made.add_worksheet()
        sheet.write_row(0, 0, ["lot_id", "lon", "lat"])
        sheet.write_formula(0, 3, '="pour_"&"date"', None, "pour_date")
        sheet.write_row(1, 0, ["1", -98, 30, 1990])
    assert read(computed(tmp_path / "lots.xlsx"))[0]["pour_date"].tolist() == ["1990"]


# ---------------------------------------------------------------- rows
def test_rows_have_the_numbers_that_the_sheet_shows(tmp_path: Path) -> None:
    def shape(made: openpyxl.Workbook) -> None:
        sheet = made.active
        for row, name in ((4, "lot_id"), (9, "a"), (12, " "), (1000, "b")):
            sheet.cell(row, 1, name)
        for column, name in enumerate(HEADING[1:], 2):
            sheet.cell(4, column, name)
        sheet["A5000"].font = openpyxl.styles.Font(bold=True)
        sheet["A6000"].value = "  "

    raw, problems = read(book(tmp_path, [], shape))
    assert raw["source_row"].tolist() == [9, 1000]
    blank = next(one for one in problems if one.code == "W-LOT-006")
    assert blank.rule.startswith("994 rows are blank: 5, 6, 7, 8, 10, 11, 12, 13 and ")  # those below row 1000 are not
    assert "W-SCR-065" not in [one.code for one in problems]  # blank rows are no title


def test_cells_beside_the_table_are_counted(tmp_path: Path) -> None:
    def beside(made: openpyxl.Workbook) -> None:
        made.active["F2"], made.active["G9"] = "=1+1", "note"

    raw, problems = read(book(tmp_path, [HEADING, ["1", -98, 30, ""]], beside))
    assert raw["lot_id"].tolist() == ["1"]
    assert [(one.code, one.rule) for one in problems] == [
        ("W-SCR-060", "2 cells lie to the right of the heading, the first at F2.")]


def test_a_sheet_without_a_row_of_lots_is_an_empty_answer(tmp_path: Path) -> None:
    raw, problems = read(book(tmp_path, [HEADING]))
    assert len(raw) == 0
    assert [one.code for one in problems] == ["W-LOT-001"]
    assert refused(book(tmp_path, [])).startswith("E-LOT-001 lots.xlsx: there is no row in it.")


# ---------------------------------------------------------------- sheets
def several(folder: Path, **sheets: list[list[Any]]) -> Path:
    def add(made: openpyxl.Workbook) -> None:
        made.remove(made.active)
        for title, rows in sheets.items():
            sheet = made.create_sheet(title)
            for row in rows:
                sheet.append(row)

    return book(folder, [], add)


LOTS = [HEADING, ["1", -98, 30, "1990"]]
OTHERS: list[list[Any]] = [HEADING, ["2", -98, 30, "1991"]]


def test_the_only_sheet_with_an_id_and_a_place_is_read_and_said(tmp_path: Path) -> None:
    path = several(tmp_path, About=[["Parcels"], ["of", "the", "county"]], Values=[["lot_id", "price"], [1, 2]],
                   Parcels=LOTS, Empty=[])
    raw, problems = read(path)
    assert raw["lot_id"].tolist() == ["1"]
    assert [(one.code, one.rule, one.action) for one in problems] == [
        ("W-LOT-070", "the workbook has other sheets with rows: About, Values.", "The sheet 'Parcels' is read.")]
    assert read(path, layer="Parcels")[1] == []
    assert "E-LOT-003" in refused(path, layer="Values")
    mapped = several(tmp_path, A=[["PID", "X", "Y"], [7, -98, 30]], B=LOTS[:1])
    assert read(mapped, columns={"lot_id": "PID", "lon": "X", "lat": "Y"})[0]["lot_id"].tolist() == ["7"]


def test_of_several_sheets_with_lots_one_has_to_be_named(tmp_path: Path) -> None:
    path = several(tmp_path, North=LOTS, Notes=[["a", "b"]], South=OTHERS)
    assert refused(path) == ("E-LOT-089 lots.xlsx: there are 2 sheets that may be the lots. Set lots.layer to one of: "
                             "North, South.")
    assert read(path, layer="South")[0]["lot_id"].tolist() == ["2"]
    assert refused(path, layer="West") == ("E-LOT-089 lots.xlsx: there is no sheet 'West'. Set lots.layer to one of: "
                                           "North, Notes, South.")
    assert "2 sheets that may be the lots" in refused(several(tmp_path, A=[["x", "y"]], B=[["u", "v"]]))


def test_a_hidden_sheet_is_read_only_by_its_name(tmp_path: Path) -> None:
    path = several(tmp_path, Lots=LOTS, Old=OTHERS)
    changed(path, "xl/workbook.xml", lambda text: re.sub(
        r'(name="Old" sheetId="\d+" state=)"visible"', r'\1"hidden"', text))
    raw, problems = read(path)
    assert (raw["lot_id"].tolist(), problems) == (["1"], [])
    assert read(path, layer="Old")[0]["lot_id"].tolist() == ["2"]


def test_the_label_is_read_and_one_about_people_is_refused(tmp_path: Path) -> None:
    path = book(tmp_path, [[*HEADING, "SITUS", "owner"], ["1", -98, 30, "", "1 Elm  St", "Ann"]])
    assert read(path, label="SITUS")[0]["label"].tolist() == ["1 Elm St"]
    assert read(path, label="SITUS")[1] == read(path)[1]
    assert "E-LOT-092" in refused(path, label="owner")
