"""The files of a survey: a table of readings (CSV or XLSX), and lines from point to point.

Cells are taken unchanged, with the row number of the user's editor; `readings` turns them into readings.
"""

from __future__ import annotations

import csv
import io
from pathlib import Path
from typing import Any

import pandas as pd

from riskmap.common.errors import LayerError, joined
from riskmap.layers import archive

MOST_BYTES = 20 * 1024**2  # judgement: the readings of one house take kilobytes
MOST_ROWS = 5000


def read(path: Path) -> pd.DataFrame:
    """Return the cells of a CSV or XLSX unchanged, with the row number of the user's editor in the column `row`.

    Raises
    ------
    LayerError
        When the file does not exist, cannot be read or is too large; when it has no row, has formulas or has too many
        cells.
    """
    name = path.name
    if not path.is_file():
        raise LayerError(f"E-SVY-000 {name}: there is no such file. Name a CSV or XLSX file of readings.")
    if path.stat().st_size > MOST_BYTES:
        raise LayerError(f"E-SVY-006 {name}: more than {MOST_BYTES:,} bytes; readings of a house are far less.")
    rows = _sheet(path) if path.suffix.lower() == ".xlsx" else _lines(path)
    rows = [(number, cells) for number, cells in rows if any(c not in (None, "") for c in cells)]
    if len(rows) < 2:
        raise LayerError(f"E-SVY-080 {name}: there is no row below the header.")
    if len(rows) > MOST_ROWS:
        raise LayerError(f"E-SVY-006 {name}: more than {MOST_ROWS:,} rows. Give one house at a time.")
    header = [str(cell).strip() if cell is not None else "" for cell in rows[0][1]]
    while header and not header[-1]:
        header.pop()
    width = len(header)
    for number, cells in rows[1:]:
        if any(c not in (None, "") for c in cells[width:]):
            raise LayerError(f"E-SVY-007 {name} row {number}: more cells than the header has. Put text with commas in "
                             "double quotes; the decimal mark is a point.")
    frame = pd.DataFrame([list(cells[:width]) + [None] * (width - len(cells)) for _, cells in rows[1:]],
                         columns=header, dtype=object)
    frame["row"] = [number for number, _ in rows[1:]]
    return frame


def _lines(path: Path) -> list[tuple[int, list[Any]]]:
    try:
        text = path.read_bytes().decode("utf-8-sig")
        reader = csv.reader(io.StringIO(text, newline=""), strict=False)
        return [(reader.line_num, list(cells)) for cells in reader]
    except (UnicodeDecodeError, csv.Error) as error:
        raise LayerError(f"E-SVY-008 {path.name}: not a readable CSV in UTF-8 ({error}). Save it as such.") from None


def _sheet(path: Path) -> list[tuple[int, list[Any]]]:
    import openpyxl

    archive.entries(path, path.name, unreadable="E-SVY-008", unsafe="E-SVY-081")
    try:
        book = openpyxl.load_workbook(path, read_only=True, data_only=False)
        sheet = book.worksheets[0]
        rows = [(k, list(cells)) for k, cells in
                enumerate(sheet.iter_rows(max_row=MOST_ROWS + 2, max_col=500, values_only=True), 1)]
        kinds = [cell.coordinate for cells in sheet.iter_rows(max_row=MOST_ROWS + 2, max_col=500) for cell in cells
                 if getattr(cell, "data_type", "") == "f"]
        book.close()
    except Exception as error:  # the reader raises many types of error on a damaged file
        raise LayerError(f"E-SVY-008 {path.name}: not a readable XLSX ({type(error).__name__}). "
                         "Save it again.") from None
    if kinds:
        raise LayerError(f"E-SVY-009 {path.name}: cells with formulas: {joined(kinds)}. Paste them as values.")
    return rows


def pairs(path: Path) -> list[tuple[str, str]]:
    """Return the names of the two points of each line in a file; LayerError when the columns are missing."""
    frame = read(path)
    if not {"from", "to"} <= set(frame):
        raise LayerError(f"E-SVY-032 {path.name}: a file of lines has the columns from and to.")
    return [(str(a).strip(), str(b).strip()) for a, b in zip(frame["from"], frame["to"], strict=True)]
