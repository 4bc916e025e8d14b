"""Workbooks of lots that are damaged, locked, made to fill the memory or not workbooks at all: refused in words."""

from __future__ import annotations

import random
import zipfile
from pathlib import Path

import openpyxl
import pytest
from sheet_parts import END, beginning, with_sheet

from riskmap.common.errors import LayerError
from riskmap.common.settings import Area, LotsEntry, SoilEntry
from riskmap.layers import lots, lots_bounds, recognise, workbook

BEGIN = beginning("lot_id", "lon", "lat")
COMPOUND = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(600)


def book(folder: Path) -> Path:
    made = openpyxl.Workbook()
    for row in (["lot_id", "lon", "lat", "pour_date"], ["0309", -98.5, 30.25, 1987], ["310", -98.5, 30.5, "1990"]):
        made.active.append(row)
    made.save(folder / "lots.xlsx")
    return folder / "lots.xlsx"


def read(path: Path) -> list[str]:
    area = Area(name="a", folder=path.parent, lots=LotsEntry(path=path.name), soil=SoilEntry(path="none.zip"))
    ids: list[str] = lots.read(area.lots, area)[0]["lot_id"].tolist()
    return ids


def refused(path: Path) -> str:
    """Return why a workbook is refused as lots; the same is said where files are recognised."""
    with pytest.raises(LayerError) as caught:
        read(path)
    (found,) = recognise.recognise([path], path.parent / "unpacked")
    assert found.kind == "left"
    assert found.reason, found
    said = str(caught.value)
    if not said.startswith("E-LOT-001"):  # whose sentence says what a lot file has to be
        assert found.reason.split()[0] == said.split()[0], (found.reason, said)
    return said


@pytest.mark.parametrize(("content", "words"), [
    (COMPOUND + "EncryptedPackage".encode("utf-16-le") + bytes(600),
     "E-SCR-083 lots.xlsx: the workbook has a password. Open it, remove the password and save it as .xlsx."),
    (COMPOUND, "E-SCR-083 lots.xlsx: this is a file of the old kind, such as XLS, whatever its name says."),
    (b"<html>lot_id</html>", "E-LOT-001 lots.xlsx: the content is not XLSX, whatever the name says; a saved web page"),
    (b"lot_id,lon,lat\n1,-98,30\n", "E-LOT-001 lots.xlsx: the content is not XLSX"),
    (b"  \n", "E-LOT-001 lots.xlsx: the file is empty."),
    (b"PK\x03\x04" + bytes(100), "E-SCR-007 lots.xlsx: not a readable zip file"),
])
def test_what_is_no_workbook_is_named(content: bytes, words: str, tmp_path: Path) -> None:
    (tmp_path / "lots.xlsx").write_bytes(content)
    assert refused(tmp_path / "lots.xlsx").startswith(words)


def test_a_zip_of_other_things_is_no_workbook(tmp_path: Path) -> None:
    with zipfile.ZipFile(tmp_path / "lots.xlsx", "w") as packed:
        packed.writestr("lots.csv", "lot_id,lon,lat\n1,-98,30\n")
    assert refused(tmp_path / "lots.xlsx").startswith("E-SCR-007 lots.xlsx: cannot be read as a workbook")


@pytest.mark.parametrize(("sheet", "words"), [
    (BEGIN, "E-SCR-007 lots.xlsx: cannot be read as a workbook"), (b"", "E-SCR-007"),
    (BEGIN + '<row r="2"><c r="A2"><v>twelve</v></c></row>' + END, "E-SCR-007"),
    (BEGIN + '<row r="2"><c r="A2" t="s"><v>99</v></c></row>' + END, "E-SCR-007"),
    (BEGIN + '<row r="999999999"><c r="A999999999"><v>1</v></c></row>' + END, "E-SCR-062 lots.xlsx: a row number is"),
    (BEGIN + "<row/>" * 3_000_000 + END, "E-SCR-081 lots.xlsx: it would unpack to 18,0"),
    (BEGIN.replace('r="C1"', 'r="CZZ1"') + END, "E-SCR-062 lots.xlsx: the heading reaches to column 2,730"),
    ('<!DOCTYPE a [<!ENTITY a "aaaaaaaaaa">' + "".join(
        f'<!ENTITY {new} "{f"&{old};" * 10}">' for old, new in zip("abcdefghi", "bcdefghij", strict=True))
     + "]>" + BEGIN + '<row r="2"><c r="A2" t="inlineStr"><is><t>&j;</t></is></c></row>' + END, "E-SCR-007"),
])
def test_sheets_that_cannot_be_read_are_refused(sheet: str | bytes, words: str, tmp_path: Path) -> None:
    assert refused(with_sheet(book(tmp_path), sheet)).startswith(words)


def test_a_stray_cell_in_every_row_is_refused_before_it_takes_long(tmp_path: Path,
                                                                   monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(workbook, "MOST_CELLS", 400_000)  # more than the rows in which the heading is searched
    rows = "".join(f'<row r="{k}"><c r="XFD{k}"><v>1</v></c></row>' for k in range(2, 100))
    assert refused(with_sheet(book(tmp_path), BEGIN + rows + END)).startswith(
        "E-SCR-062 lots.xlsx row 26: up to here the rows reach over more than 400,000 cells")


def test_names_that_lead_out_of_the_workbook_are_refused(tmp_path: Path) -> None:
    with zipfile.ZipFile(book(tmp_path), "a") as packed:
        packed.writestr("../../evil.xml", "x")
    assert refused(tmp_path / "lots.xlsx").startswith("E-SCR-081 lots.xlsx: unsafe names inside the zip")


def test_any_changed_byte_is_read_or_refused_in_words(tmp_path: Path) -> None:
    content = bytearray(book(tmp_path).read_bytes())
    draw = random.Random(0)
    ends = set()
    (tmp_path / "m").mkdir()
    path = tmp_path / "m" / "lots.xlsx"
    for _ in range(150):
        damaged = bytearray(content)
        for _ in range(draw.choice((1, 1, 8))):
            damaged[draw.randrange(len(damaged))] = draw.randrange(256)
        path.write_bytes(damaged[:draw.choice((len(damaged), draw.randrange(1, len(damaged))))])
        (found,) = recognise.recognise([path], tmp_path / "unpacked")
        try:
            ends.add(tuple(read(path)))
            assert found.kind == "shapes", found.reason
        except LayerError as error:
            ends.add(str(error).split()[0])
    assert ends <= {("0309", "310"), "E-SCR-007", "E-SCR-081", "E-LOT-001"}
    assert ends >= {("0309", "310"), "E-SCR-007"}, "the changes met nothing"


def test_where_the_lots_are_needs_no_id(tmp_path: Path) -> None:
    made = openpyxl.Workbook()
    for row in (["PARCEL", "lon", "lat", "owner"], [7, -98.5, 30.25, "Ann"], [8, -98.25, 30.5, "Bo"]):
        made.active.append(row)
    made.create_sheet("Notes").append(["a", "b"])
    made.save(tmp_path / "lots.xlsx")
    assert lots_bounds.read(tmp_path / "lots.xlsx") == (-98.5, 30.25, -98.25, 30.5)
