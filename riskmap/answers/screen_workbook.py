"""The screened list as a workbook: a sheet to read first, twelve columns in words, the whole table, its columns."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from riskmap.answers.screen_words import fields, summary
from riskmap.outputs.files import sheets, xlsx

if TYPE_CHECKING:
    from riskmap.answers.screen import ScreenReport

GROUPS = "Groups"


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
        formats = sheets.Formats(book)
        told = [(sheets.LOTS, f"The rows by rank, {len(columns)} columns in words; rows without an estimate come "
                              "last. The second row has the name of the column in the whole table, and the filter."),
                (sheets.ALL, "Your list in its own order, every column of it as text, then all columns of riskmap."),
                (sheets.COLUMNS, "What each column of riskmap means, and its unit.")]
        sheets.first(book, formats, [
            (sheets.FIRST, [("", note) for note in notes]), ("Rows", counts),
            (f"Columns of the sheet {sheets.LOTS}", [(column.label, column.meaning) for column in columns]),
            ("Sheets", told)], caution)
        sheets.table(book, formats, sheets.LOTS, columns, caution)
        sheets.table(book, formats, sheets.ALL, sheets.plain(done.rows), caution, wrapped=False)
        sheets.dictionary(book, formats, fields(done), caution)
        if done.groups is not None:
            sheets.table(book, formats, GROUPS, sheets.plain(done.groups), caution)
    return path
