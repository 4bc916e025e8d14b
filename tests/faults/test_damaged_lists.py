"""Lists for screening that are damaged, odd or made to fill the memory: bounded, every row and cell accounted for."""

from __future__ import annotations

import gzip
import random
import re
import zipfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd
import pytest
from invented_results import results
from sheet_parts import END, beginning, with_sheet

from riskmap.answers import screen
from riskmap.common.errors import LayerError
from riskmap.common.problems import Problem
from riskmap.layers import workbook
from riskmap.outputs.files import rounding

FOUND = rounding.rounded(results())
WITH_NUMBER = [str(v) for v in FOUND.lots.loc[FOUND.lots["state"] == "", "lot_id"]]
BEGIN = beginning("lot_id")


def book(path: Path, change: Callable[[openpyxl.Workbook], object] = lambda _: None) -> Path:
    made = openpyxl.Workbook()
    for row in (["lot_id", "price"], ["a", 1], [None, None], ["b", 2.5]):
        made.active.append(row)
    change(made)
    made.save(path)
    return path


def refused(path: Path) -> str:
    with pytest.raises(LayerError) as caught:
        screen.read(path, {})
    return str(caught.value)


# ---------------------------------------------------------------- workbooks
def test_a_stray_cell_in_the_far_corner_fills_no_sheet_and_is_told(tmp_path: Path,
                                                                   monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(workbook, "MOST_CELLS", 20_000)  # the row of the stray cell has 16,384, all rows 17,000 million
    path = book(tmp_path / "l.xlsx", lambda made: made.active.cell(1_048_576, 16_384, "far"))
    found = screen.read(path, {})
    assert found.table.to_dict("list") == {"lot_id": ["a", "b"], "price": ["1", "2.5"]}
    assert found.row.tolist() == [2, 4]
    assert [p.code for p in found.problems] == ["W-SCR-060"]
    assert "1 cell lies to the right of the heading, the first at XFD1048576." in found.problems[0].rule


def test_a_size_that_the_sheet_claims_is_not_believed(tmp_path: Path) -> None:
    for claim in ("A1:XFD1048576", "A1", "C3:D9"):
        begin = BEGIN.replace("<sheetData>", f'<dimension ref="{claim}"/><sheetData>')
        path = with_sheet(book(tmp_path / "l.xlsx"), begin + '<row r="3"><c r="A3"><v>7</v></c></row>' + END)
        found = screen.read(path, {})
        assert found.table["lot_id"].tolist() == ["7"]
        assert found.row.tolist() == [3]
        assert found.problems == []


def test_cells_beside_the_list_are_counted_and_blank_ones_are_not(tmp_path: Path) -> None:
    def beside(made: openpyxl.Workbook) -> None:
        made.active["D2"], made.active["E4"], made.active["F9"] = "=1+1", "note", "more"
        made.active["G2"].font = openpyxl.styles.Font(bold=True)

    found = screen.read(book(tmp_path / "l.xlsx", beside), {})
    assert found.table.columns.tolist() == ["lot_id", "price"]
    assert [p.rule for p in found.problems] == ["3 cells lie to the right of the heading, the first at D2."]


def test_other_sheets_are_named(tmp_path: Path) -> None:
    found = screen.read(book(tmp_path / "l.xlsx", lambda made: made.create_sheet("Phase 2")), {})
    assert [(p.code, p.rule) for p in found.problems] == [
        ("W-SCR-063", "the workbook has more than one sheet: Phase 2.")]


@pytest.mark.parametrize(("sheet", "words"), [
    (gzip.compress((BEGIN + END).encode()), "E-SCR-007 l.xlsx: cannot be read as a workbook (not well-formed"),
    (BEGIN, "E-SCR-007 l.xlsx: cannot be read as a workbook"), (b"", "E-SCR-007"), ("<html/>", "E-SCR-082"),
    (BEGIN + '<row r="999999999"><c r="A999999999"><v>1</v></c></row>' + END, "E-SCR-062 l.xlsx: a row number is"),
    (BEGIN + "<row/>" * 3_000_000 + END, "E-SCR-081 l.xlsx: it would unpack to 18,0"),
    ('<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><sheetData><row r="1">'
     '<c r="CZZ1" t="inlineStr"><is><t>lot_id</t></is></c></row>' + END,
     "E-SCR-062 l.xlsx: the heading reaches to column 2,730"),
])
def test_sheets_that_cannot_be_read_are_refused(sheet: str | bytes, words: str, tmp_path: Path) -> None:
    assert words in refused(with_sheet(book(tmp_path / "l.xlsx"), sheet))


def test_a_stray_cell_in_every_row_is_refused_before_it_takes_long(tmp_path: Path,
                                                                   monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(workbook, "MOST_CELLS", 100_000)
    rows = "".join(f'<row r="{k}"><c r="XFD{k}"><v>1</v></c></row>' for k in range(2, 100))
    assert "E-SCR-062 l.xlsx row 8: up to here the rows reach over more than 100,000 cells" in refused(
        with_sheet(book(tmp_path / "l.xlsx"), BEGIN + rows + END))


def test_any_changed_byte_is_read_or_refused_in_words(tmp_path: Path) -> None:
    content = bytearray(book(tmp_path / "l.xlsx").read_bytes())
    draw = random.Random(0)
    path = tmp_path / "m.xlsx"
    ends = set()
    for _ in range(150):
        changed = bytearray(content)
        for _ in range(draw.choice((1, 1, 8))):
            changed[draw.randrange(len(changed))] = draw.randrange(256)
        path.write_bytes(changed[:draw.choice((len(changed), draw.randrange(len(changed))))])
        try:
            ends.add(len(screen.read(path, {}).table))
        except LayerError as error:
            ends.add(str(error).split()[0])
    assert ends <= {2, "E-SCR-007", "E-SCR-081"}
    assert ends >= {2, "E-SCR-007"}, "the changes met nothing"


def test_what_the_library_warns_of_is_a_finding_where_it_touches_a_value(tmp_path: Path,
                                                                         recwarn: pytest.WarningsRecorder) -> None:
    def date(made: openpyxl.Workbook) -> None:
        made.active["B2"].value, made.active["B2"].number_format = 9e9, "yyyy-mm-dd"

    path = book(tmp_path / "l.xlsx", date)
    with zipfile.ZipFile(path) as packed:
        parts = {name: packed.read(name) for name in packed.namelist()}
    style = parts["xl/styles.xml"].decode()
    parts["xl/styles.xml"] = re.sub(r"<cellStyles.*</cellStyles>", "", style).encode()  # "no default style"
    assert len(parts["xl/styles.xml"]) < len(style)
    with zipfile.ZipFile(path, "w") as packed:
        for name, part in parts.items():
            packed.writestr(name, part)
    problems: list[Problem] = []
    workbook.read_first_sheet(path, "l.xlsx", 10, problems)
    assert [p.code for p in problems] == ["W-SCR-061"]
    assert "Cell B2 is marked as a date" in problems[0].rule
    assert list(recwarn) == []


# ---------------------------------------------------------------- text
@pytest.mark.parametrize(("content", "words"), [
    (b"lot_id,price,price\na,1,2\n", "E-SCR-004 l.csv: two columns have the name 'price'. Rename one."),
    (b"lot_id,,\na,1,2\n", "E-SCR-004 l.csv: several columns have no name. Give each a name"),
    (b"lot_id,price\na,1\nb,1,2,3\n", "E-LOT-083 l.csv row 3: the row has more fields than the heading, which has 2."),
    (b'lot_id,price\na,1\n"b,2\nc,3\n', "E-LOT-084 l.csv row 3: a quote is opened in this row and never closed"),
    ("lot_id,price\na,1\n".encode("utf-16")[:-1], "E-LOT-067 l.csv row 2: the text begins as UTF-16"),
    (b"lot_id" + b"," * 5000 + b"\n1\n", "E-LOT-066 l.csv: the heading has 5,001 columns"),
])
def test_lists_of_text_that_are_odd_are_refused_with_the_row(content: bytes, words: str, tmp_path: Path) -> None:
    (tmp_path / "l.csv").write_bytes(content)
    assert words in refused(tmp_path / "l.csv")


def test_a_wide_list_without_its_mark_and_a_short_row_are_told(tmp_path: Path) -> None:
    (tmp_path / "l.csv").write_bytes("lot_id,price\nÄ,1\nb\n".encode("utf-16-be"))
    found = screen.read(tmp_path / "l.csv", {})
    assert found.table["lot_id"].tolist() == ["Ä", "b"]
    assert [p.code for p in found.problems] == ["W-LOT-067", "W-LOT-065"]


def test_a_list_of_no_shapes_is_an_empty_answer(tmp_path: Path) -> None:
    (tmp_path / "l.geojson").write_text('{"type": "FeatureCollection", "features": []}')
    found = screen.read(tmp_path / "l.geojson", {})
    done = screen.screen(FOUND, found)
    assert (len(done.rows), done.counts) == (0, {"rows": 0, "with_estimate": 0})


# ---------------------------------------------------------------- what the list says of the house
def test_a_foundation_that_the_list_names_counts_and_both_sources_are_named() -> None:
    said = ["Slab", "Pillar/Post/Pier", "", "None", "Slab,Basement", "slab on grade", "See Remarks", "Block"]
    ids = [*WITH_NUMBER[30:37], "nope"]
    lots = FOUND.lots.assign(flags=np.where(FOUND.lots["lot_id"] == ids[4], "foundation_type_assumed;x", ""))
    found = replace(FOUND, lots=lots)
    frame = pd.DataFrame({"lot_id": ids, "Foundation Details": said}, dtype=str)
    done = screen.screen(found, screen.Listing("l.csv", frame, np.arange(2, 10)))
    other, unclear = [1, 4], 6
    assert done.rows["state"].tolist() == ["", "not_applicable", "", "", "not_applicable", "", "", "unmatched"]
    assert done.rows["state_reason"][1] == (
        "Column Foundation Details of the list says 'Pillar/Post/Pier'; the lot file says a slab on the ground. The "
        "estimate is for a slab on the ground.")
    assert "says 'Slab,Basement'; the lot file names no foundation." in done.rows["state_reason"][4]
    numbers = [name for name in done.rows if name.startswith((*screen.NUMBERS, "long_run_", "rank"))
               and done.rows[name].dtype.kind in "if"]
    assert len(numbers) > 12
    assert done.rows.loc[other, numbers].isna().all(axis=None)
    assert (done.rows.loc[other, ["band", "long_run_reason_text"]] == "").all(axis=None)
    assert "says 'See Remarks'; the estimate is for a slab on the ground" in done.rows["match_note"][unclear]
    assert [(p.code, p.row, p.column) for p in done.problems] == [("W-SCR-064", 3, "Foundation Details"),
                                                                  ("W-SCR-068", 8, "Foundation Details")]
    assert done.problems[0].rule == "2 rows have a foundation that is not a slab on the ground: Pillar/Post/Pier, " \
                                    "Slab,Basement."
    plain = screen.screen(found, screen.Listing("l.csv", frame[["lot_id"]], np.arange(2, 10)))
    kept = [k for k in range(8) if k not in (*other, unclear)]
    names = [name for name in plain.rows if not name.startswith("rank")]  # fewer rows have a larger one
    pd.testing.assert_frame_equal(done.rows.loc[kept, names], plain.rows.loc[kept, names])
    assert plain.problems == []


def test_a_slab_in_the_list_does_not_bring_an_estimate_back() -> None:
    lot = next(str(one) for one, state in zip(FOUND.lots["lot_id"], FOUND.lots["state"], strict=True)
               if state == "not_applicable")
    frame = pd.DataFrame({"lot_id": [lot], "foundation": ["slab"]}, dtype=str)
    row = screen.screen(FOUND, screen.Listing("l.csv", frame, np.arange(1))).rows.iloc[0]
    assert row["state"] == "not_applicable"
    assert row["match_note"] == "column foundation of the list says 'slab'"
    assert np.isnan(row["long_run_mm"])


def test_columns_that_a_data_frame_hides_are_documented() -> None:
    """`frame.flags` is pandas' own; a new column with such a name would surprise its user too."""
    from riskmap import api
    from riskmap.common import tables
    from riskmap.common.results import Results

    hidden = {column.name for column in tables.ESTIMATE.columns if hasattr(FOUND.lots.iloc[:0][[]], column.name)}
    assert hidden - {"geometry"} == {"flags"}
    assert (FOUND.lots["flags"].astype(str) != "").any()
    for text in (Results.__doc__, api.__doc__):
        assert 'lots["flags"]' in str(text)
    rows = screen.screen(FOUND, screen.Listing("l", pd.DataFrame({"lot_id": ["nope"]}), np.arange(1))).rows
    assert {name for name in rows if hasattr(pd.DataFrame(), name)} == {"flags", "rank"}
    for name in ("flags", "rank"):
        assert f'rows["{name}"]' in str(screen.ScreenReport.__doc__)
