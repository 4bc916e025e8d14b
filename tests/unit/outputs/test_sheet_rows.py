"""Rows of a sheet that are written as text are what the library writes cell by cell, character by character."""

from __future__ import annotations

import zipfile
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import xlsxwriter

from riskmap.outputs.files import sheets, xlsx
from riskmap.outputs.files.sheets import Shown

TEXTS = ["", "plain", "=1+1", " kept ", "a <b> & \"c\"", "line\nend", "\x00\x1f", "_x0041_", "é 家", None, "x" * 40_000,
         "\u00a0", "https://example.org", "007"]


def columns() -> list[Shown]:
    rows = 2 * len(TEXTS)
    numbers = np.where(np.arange(rows) % 3 == 0, np.nan, np.linspace(-1e9, 1e-9, rows) / 3)
    return [Shown("text", pd.Series(TEXTS * 2, dtype=object), "", None, "text"),
            Shown("kind", pd.Series([True, None] * len(TEXTS), dtype=object), "", None, "kind"),
            Shown("empty", pd.Series([None] * rows, dtype=object), "", 1, "empty"),
            Shown("number", pd.Series(numbers), "", 2, "number"),
            Shown("count", pd.Series(np.arange(rows) - 3), "", 0, "count"),
            Shown("known", pd.Series([pd.NA, 5] * len(TEXTS), dtype="Int64"), "", 0, "known")]


def sheet(folder: Path, by_cell: bool, monkeypatch: pytest.MonkeyPatch, at_once: int = 1000) -> bytes:
    folder.mkdir()
    monkeypatch.setattr(sheets, "_ROWS_AT_ONCE", at_once)
    if by_cell:
        monkeypatch.setattr(sheets, "_write_rows", cell_by_cell)
    with xlsxwriter.Workbook(folder / "one.xlsx", xlsx.options(folder)) as book:
        sheets.table(book, sheets.Formats(book), "Lots", columns(), "caution")
    monkeypatch.undo()
    with zipfile.ZipFile(folder / "one.xlsx") as packed:
        return packed.read("xl/worksheets/sheet1.xml")


def cell_by_cell(page: object, top: int, shown: list[Shown], styles: list[object]) -> None:
    assert isinstance(page, xlsxwriter.worksheet.Worksheet)
    for style in styles:
        style._get_xf_index()  # type: ignore[attr-defined]  # the order of the numbers of styles is free
    for line in range(len(shown[0].values)):
        for place, (column, style) in enumerate(zip(shown, styles, strict=True)):
            value = column.values.astype(object).iloc[line]
            if pd.isna(value) or value == "":
                continue
            if column.decimals is None:
                page.write_string(top + line, place, sheets.fitting(str(value)), style)
            else:
                page.write_number(top + line, place, value, style)


@pytest.mark.parametrize("at_once", [1000, 3, 1])
def test_rows_are_what_the_library_writes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, at_once: int) -> None:
    ours = sheet(tmp_path / "ours", False, monkeypatch, at_once)
    assert ours == sheet(tmp_path / "library", True, monkeypatch)
    assert ours.count(b"<row ") == 2 + 2 * len(TEXTS)


def test_an_infinite_number_is_refused(tmp_path: Path) -> None:
    with xlsxwriter.Workbook(tmp_path / "one.xlsx", xlsx.options(tmp_path)) as book:
        formats = sheets.Formats(book)
        with pytest.raises(ValueError, match="column size: a number is infinite"):
            sheets.table(book, formats, "Lots", [Shown("size", pd.Series([1.0, np.inf]), "", 1)], "caution")
