"""The screened list as a workbook: a sheet to read first, twelve columns in words, then the whole table."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from riskmap.answers.screen_words import Shown, summary
from riskmap.outputs.files import xlsx

if TYPE_CHECKING:
    from riskmap.answers.screen import ScreenReport

FIRST, IN_ORDER, ALL, GROUPS = "Read me first", "In order", "All columns", "Groups"
NARROWEST, WIDEST = 6, 48  # characters; judgement: wider texts are wrapped
_LOOKED_AT = 200  # number of rows by which the width of a column is chosen


def write(done: ScreenReport, notes: Sequence[str], counts: Iterable[tuple[str, int]], caution: str, today: str,
          path: Path) -> Path:
    """Write the workbook and return its path.

    Parameters
    ----------
    done : ScreenReport
    notes : sequence of str
        Sentences on the first sheet, one per row.
    counts : iterable of (str, int)
        Number of rows by what became of them, in words.
    caution : str
        Printed on every sheet.
    today : str
        Month of the data, YYYY-MM; with it, equal results give equal files.
    path : Path
    """
    import xlsxwriter

    columns = summary(done)
    with xlsxwriter.Workbook(path, xlsx.options(path.parent)) as book:
        book.set_properties({"title": "riskmap screening", "created": xlsx.first_day(today)})
        formats = _Formats(book)
        _first(book, formats, notes, counts, columns, caution)
        _sheet(book, formats, IN_ORDER, columns, caution)
        _sheet(book, formats, ALL, _plain(done.rows), caution, wrapped=False)
        if done.groups is not None:
            _sheet(book, formats, GROUPS, _plain(done.groups), caution)
    return path


class _Formats:
    def __init__(self, book: Any) -> None:
        self.bold = book.add_format({"bold": True, "text_wrap": True, "valign": "top", "bottom": 1})
        self.title = book.add_format({"bold": True, "font_size": 14})
        self.text = book.add_format({"valign": "top"})
        self.wrapped = book.add_format({"text_wrap": True, "valign": "top"})
        self._numbers = {digits: book.add_format({"num_format": "0." + "0" * digits if digits else "#,##0",
                                                  "valign": "top"}) for digits in range(5)}

    def number(self, digits: int) -> Any:
        return self._numbers[min(digits, 4)]


def _first(book: Any, formats: _Formats, notes: Sequence[str], counts: Iterable[tuple[str, int]],
           columns: Sequence[Shown], caution: str) -> None:
    page = book.add_worksheet(FIRST)
    page.set_header("&L" + caution.replace("&", "&&")[:xlsx.HEADER])
    page.set_column(0, 0, 26)
    page.set_column(1, 1, 96)
    line = 0

    def put(first: str, second: str | int = "", heading: bool = False) -> None:
        nonlocal line
        page.write_string(line, 0, xlsx.fitting(first), formats.title if heading else formats.wrapped)
        if isinstance(second, int):
            page.write_number(line, 1, second, formats.number(0))
        elif second:
            page.write_string(line, 1, xlsx.fitting(second), formats.wrapped)
        line += 1

    put("Read me first", heading=True)
    for note in notes:
        put("", note)
    put("")
    put("Rows", heading=True)
    for name, count in counts:
        put(name, count)
    put("")
    put(f"Columns of the sheet {IN_ORDER}", heading=True)
    for column in columns:
        put(column.label, column.meaning)
    put("")
    put("Sheets", heading=True)
    put(IN_ORDER, f"The rows by rank, {len(columns)} columns in words; rows without an estimate come last.")
    put(ALL, "Your list in its own order, every column of it as text, then all columns of riskmap.")


def _plain(frame: pd.DataFrame) -> list[Shown]:
    """Return columns under their own names; numbers with as many decimals as they have."""
    out = []
    for name, values in frame.items():
        kind = values.dtype.kind
        decimals = 0 if kind in "iu" else _decimals(values) if kind == "f" else None
        out.append(Shown(str(name), values, "", decimals))
    return out


def _decimals(values: pd.Series) -> int:
    number = values.dropna().to_numpy(float)
    return next((digits for digits in range(4) if (abs(number.round(digits) - number) < 1e-9).all()), 4)


def _sheet(book: Any, formats: _Formats, name: str, columns: Sequence[Shown], caution: str,
           wrapped: bool = True) -> None:
    """Add a sheet with a frozen heading, column widths by content, a filter, and numbers in their formats."""
    page = book.add_worksheet(name)
    page.freeze_panes(1, 2 if wrapped else 0)
    page.set_header("&L" + caution.replace("&", "&&")[:xlsx.HEADER])
    page.set_landscape()
    page.fit_to_pages(1, 0)
    page.repeat_rows(0)
    page.ignore_errors({"number_stored_as_text": "A1:XFD1048576"})  # cells of the list are texts on purpose
    page.write_comment(0, 0, caution, {"x_scale": 3, "y_scale": 1.5})
    for place, column in enumerate(columns):
        page.set_column(place, place, _width(column))
        page.write_string(0, place, xlsx.fitting(column.label), formats.bold)
    cells = [column.values.astype(object).where(column.values.notna(), None).tolist() for column in columns]
    text = formats.wrapped if wrapped else formats.text
    for line, values in enumerate(zip(*cells, strict=True), start=1):
        for place, (column, value) in enumerate(zip(columns, values, strict=True)):
            if value is None or value == "":
                continue
            if column.decimals is None:
                page.write_string(line, place, xlsx.fitting(str(value)), text)
            else:
                page.write_number(line, place, value, formats.number(column.decimals))
    if columns:
        page.autofilter(0, 0, max(len(cells[0]), 1), len(columns) - 1)


def _width(column: Shown) -> float:
    # the heading wraps; the button of the filter takes room
    longest = max(map(len, column.label.split()), default=0) + 3
    if column.decimals is None:
        texts = column.values.head(_LOOKED_AT).astype("str").str.len()
        longest = max(longest, int(texts.max()) if len(texts) else 0)
    return float(min(max(longest + 1, NARROWEST), WIDEST))
