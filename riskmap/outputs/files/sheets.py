"""Sheets that people read: headings in words with the code below, widths by content, a filter, formats, a bar.

Every text is written as a text, so that no cell runs as a formula.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from math import isinf
from typing import Any, NamedTuple

import pandas as pd

from riskmap.outputs import palette

FIRST, LOTS, ALL, COLUMNS = "Read me first", "Lots", "All columns", "Columns"
NARROWEST, WIDEST = 6, 48  # characters; judgement: wider texts are wrapped
MOST_ROWS = 1_048_575  # rows of a sheet below its heading (file format limit)
HEADER = 250  # characters of a page header (file format limit 255)
BAR = palette.SIZE[1]  # a pale class of size, on which the black number can be read
_ROWS_AT_ONCE = 1000  # rows whose cells are in memory as text
_LOOKED_AT = 200  # number of rows by which the width of a column is chosen
_LONGEST = 32_767  # characters of a cell (file format limit)
_CUT = " [cut: a cell takes no more]"
_DICTIONARY = (("name", "Name"), ("description", "Meaning"), ("unit", "Unit"), ("type", "Kind"), ("values", "Codes"))


class Shown(NamedTuple):
    """A column as people read it.

    Attributes
    ----------
    label : str
        Its heading in words.
    values : Series
    meaning : str
        A sentence for the first sheet.
    decimals : int, optional
        Decimals of a number; None for a text.
    code : str
        The column of the full table that it shows; empty where it is made of several.
    bar : bool
        Whether a bar in each cell shows the size of the number.
    """

    label: str
    values: pd.Series
    meaning: str
    decimals: int | None = None
    code: str = ""
    bar: bool = False


class Formats:
    """The formats of a workbook: made once for all its sheets."""

    def __init__(self, book: Any) -> None:
        """Make them in a workbook."""
        self.title = book.add_format({"bold": True, "font_size": 14})
        self.heading = book.add_format({"bold": True, "text_wrap": True, "valign": "top"})
        self.last_heading = book.add_format({"bold": True, "text_wrap": True, "valign": "top", "bottom": 1})
        self.code = book.add_format({"font_size": 8, "font_color": palette.QUIET, "text_wrap": True, "valign": "top",
                                     "bottom": 1})
        self.text = book.add_format({"valign": "top"})
        self.wrapped = book.add_format({"text_wrap": True, "valign": "top"})
        self._numbers = {digits: book.add_format({"num_format": "0." + "0" * digits if digits else "#,##0",
                                                  "valign": "top"}) for digits in range(5)}

    def number(self, digits: int) -> Any:
        """Return the format of numbers with this number of decimals; four at most."""
        return self._numbers[min(digits, 4)]


def fitting(text: str) -> str:
    """Return a text that fits into a cell: cut, with a mark, where it is too long."""
    return text if len(text) <= _LONGEST else text[:_LONGEST - len(_CUT)] + _CUT


def first(book: Any, formats: Formats, blocks: Iterable[tuple[str, Iterable[tuple[str, str | int]]]],
          caution: str) -> None:
    """Add the sheet that is read first.

    Parameters
    ----------
    book : workbook
    formats : Formats
    blocks : iterable of (str, iterable of (str, str or int))
        A heading and its lines, of two cells each.
    caution : str
        The printed header.
    """
    page = book.add_worksheet(FIRST)
    page.set_header(_header(caution))
    page.set_column(0, 0, 30)
    page.set_column(1, 1, 96)
    page.fit_to_pages(1, 0)
    line = 0
    for heading, rows in blocks:
        line += line > 0
        page.write_string(line, 0, fitting(heading), formats.title)
        for name, said in rows:
            line += 1
            if name:
                page.write_string(line, 0, fitting(name), formats.wrapped)
            if isinstance(said, int):
                page.write_number(line, 1, said, formats.number(0))
            elif said:
                page.write_string(line, 1, fitting(said), formats.wrapped)
        line += 1


def plain(frame: pd.DataFrame) -> list[Shown]:
    """Return columns under their own names; numbers with as many decimals as they have."""
    out = []
    for name, values in frame.items():
        kind = values.dtype.kind
        out.append(Shown(str(name), values, "", 0 if kind in "iu" else _decimals(values) if kind == "f" else None))
    return out


def _decimals(values: pd.Series) -> int:
    number = values.dropna().to_numpy(float)
    return next((digits for digits in range(4) if (abs(number.round(digits) - number) < 1e-9).all()), 4)


def table(book: Any, formats: Formats, name: str, columns: Sequence[Shown], caution: str, *,
          wrapped: bool = True) -> None:
    """Add a sheet with a frozen heading, widths by content, a filter, and numbers in their formats.

    Where any column has a code, the codes are in the second row, which then has the filter; otherwise the heading is
    one row.

    Parameters
    ----------
    book : workbook
    formats : Formats
    name : str
    columns : sequence of Shown
        All of one length.
    caution : str
        The printed header, and a comment on the first cell.
    wrapped : bool
        Whether long texts are wrapped and the first two columns stay in view.
    """
    page = book.add_worksheet(name)
    coded = any(column.code for column in columns)
    top = 2 if coded else 1
    page.freeze_panes(top, 2 if wrapped else 0)
    page.set_header(_header(caution))
    page.set_landscape()
    page.fit_to_pages(1, 0)
    page.repeat_rows(0, top - 1)
    page.ignore_errors({"number_stored_as_text": "A1:XFD1048576"})  # cells of a list are texts on purpose
    if columns:
        page.write_comment(0, 0, caution, {"x_scale": 3, "y_scale": 1.5})
    for place, column in enumerate(columns):
        page.set_column(place, place, _width(column))
        page.write_string(0, place, fitting(column.label), formats.heading if coded else formats.last_heading)
    for place, column in enumerate(columns if coded else ()):
        page.write_string(1, place, column.code, formats.code)
    text = formats.wrapped if wrapped else formats.text
    styles = [text if column.decimals is None else formats.number(column.decimals) for column in columns]
    _write_rows(page, top, columns, styles)
    last = max(len(columns[0].values) if columns else 0, 1) + top - 1
    for place, column in enumerate(columns):
        if column.bar:
            page.conditional_format(top, place, last, place, {
                "type": "data_bar", "bar_color": BAR, "bar_solid": True, "min_type": "num", "min_value": 0,
                "max_type": "max"})
    if columns:
        page.autofilter(top - 1, 0, last, len(columns) - 1)


def _write_rows(page: Any, top: int, columns: Sequence[Shown], styles: Sequence[Any]) -> None:
    """Write the rows of a sheet from the row `top` on, empty cells left out.

    The library writes cell by cell, which took half the time of a small run. Here each column is written as text, some
    rows at a time, and the rows go to where the library collects them.
    """
    from xlsxwriter.utility import xl_col_to_name

    rows = len(columns[0].values) if columns else 0
    numbers = [style._get_xf_index() for style in styles]
    page._write_single_row(top)  # the last row of the heading, which the library has not written yet
    for start in range(0, rows, _ROWS_AT_ONCE):
        lines = range(top + start + 1, top + min(start + _ROWS_AT_ONCE, rows) + 1)
        cells = [_cells(column, start, xl_col_to_name(place), number, lines, page)
                 for place, (column, number) in enumerate(zip(columns, numbers, strict=True))]
        for line, row in zip(lines, map("".join, zip(*cells, strict=True)), strict=True):
            if row:
                page.fh.write(f'<row r="{line}">{row}</row>')
                page._check_dimensions(line - 1, 0)
    page.previous_row = top + rows


def _cells(column: Shown, start: int, letters: str, number: int, lines: range, page: Any) -> list[str]:
    """Return the cells of a column in some rows as a sheet stores them (ECMA-376, part 1, section 18.3.1.4)."""
    part = column.values.iloc[start:start + len(lines)]
    values = part.astype(object).where(part.notna(), None).tolist()
    if column.decimals is not None:
        if any(value is not None and isinf(value) for value in values):
            raise ValueError(f"column {column.label}: a number is infinite")
        return ["" if value is None else f'<c r="{letters}{line}" s="{number}"><v>{value:.16G}</v></c>'
                for line, value in zip(lines, values, strict=True)]
    texts = ["" if value is None else str(value) for value in values]
    inside = {text: _inside(text, page) for text in set(texts)}  # there are few different texts
    return [f'<c r="{letters}{line}" s="{number}" {inside[text]}</c>' if text else ""
            for line, text in zip(lines, texts, strict=True)]


def _inside(text: str, page: Any) -> str:
    """Return a text as a cell stores it, with spaces at its ends kept."""
    written = page._escape_control_characters(fitting(text))
    kept = ' xml:space="preserve"' if written != written.strip() else ""
    return f't="inlineStr"><is><t{kept}>{page._escape_data(written)}</t></is>'


def dictionary(book: Any, formats: Formats, fields: Iterable[Mapping[str, Any]], caution: str) -> None:
    """Add the sheet of columns: name, meaning, unit, kind and codes of each field, as columns.json has them."""
    told: list[dict[str, Any]] = [
        {**field, "values": "\n".join(f"{code}: {meaning}" for code, meaning in field.get("values", {}).items())}
        for field in fields]
    table(book, formats, COLUMNS, [Shown(label, pd.Series([str(field.get(key, "")) for field in told], dtype=object),
                                         "") for key, label in _DICTIONARY], caution)


def _header(caution: str) -> str:
    return "&L" + caution.replace("&", "&&")[:HEADER]


def _width(column: Shown) -> float:
    # the heading wraps; the button of the filter takes room
    longest = max(max(map(len, column.label.split()), default=0) + 3, min(len(column.code), 12))
    if column.decimals is None:
        texts = column.values.head(_LOOKED_AT).astype("str").str.len()
        longest = max(longest, int(texts.max()) if len(texts) else 0)
    return float(min(max(longest + 1, NARROWEST), WIDEST))
