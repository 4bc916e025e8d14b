"""The first sheet of a workbook (.xlsx) as a table of texts, in bounded memory whatever the sheet says of its size."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from riskmap.common.errors import LayerError, counted, joined
from riskmap.common.problems import Problem
from riskmap.layers import archive
from riskmap.layers.lots_csv import MAX_COLUMNS
from riskmap.layers.reader_words import as_findings, first_line

if TYPE_CHECKING:
    import pandas as pd

MOST_LINES = 1_048_576  # published: the rows of a sheet (Excel specifications and limits)
MOST_CELLS = 50_000_000  # judgement: a million rows of 50 columns
# Workbooks shrink 8 to 20 times (measured: lists of 100,000 rows), those made to fill the memory a thousand times; up
# to this size even those are read within seconds.
MAX_RATIO, HARMLESS_BYTES = 100, 10 * 1024**2

def read_first_sheet(path: Path, name: str, most_rows: int, problems: list[Problem]) \
        -> tuple[pd.DataFrame, NDArray[np.int64]]:
    """Read the first sheet; its first row is the heading.

    Parameters
    ----------
    path, name
        The file, and its name for messages.
    most_rows : int
        More rows with a value than this are refused.
    problems : list of Problem
        Receives what is said of cells that are not read.

    Returns
    -------
    DataFrame, array of int
        Every cell as text, without rows that are blank; the number of each row as an editor shows it.

    Raises
    ------
    LayerError
        When the file is no workbook, is damaged, has too many rows or columns, or a formula: its stored value may be
        old.
    """
    import pandas as pd

    archive.entries(path, name, unreadable="E-SCR-007", unsafe="E-SCR-081", ratio=MAX_RATIO, harmless=HARMLESS_BYTES)
    rows: list[list[str]] = []
    numbers: list[int] = []
    beyond, cells_seen, first_beyond = 0, 0, ""
    heading: list[str] | None = None
    try:
        with as_findings(path, name, problems, "W-SCR-061", only="^Cell "):  # not of styles and drawings
            for number, cells in _lines(path, name, problems):
                cells_seen += len(cells)
                if number > MOST_LINES:
                    raise LayerError(f"E-SCR-062 {name}: a row has a number above {MOST_LINES:,}, the most that a "
                                     "sheet has. Save the list as CSV.")
                if cells_seen > MOST_CELLS:
                    raise LayerError(f"E-SCR-062 {name} row {number}: up to here the rows reach over more than "
                                     f"{MOST_CELLS:,} cells, empty ones counted. Clear the cells that are far to the "
                                     "right of the list, or save it as CSV.")
                if heading is None:
                    heading = _heading([_text(cell, name) for cell in cells], name)
                    continue
                over = [cell.coordinate for cell in cells[len(heading):] if cell.value is not None]
                beyond, first_beyond = beyond + len(over), first_beyond or next(iter(over), "")
                texts = [_text(cell, name) for cell in cells[:len(heading)]]
                if any(texts):
                    rows.append(texts + [""] * (len(heading) - len(texts)))
                    numbers.append(number)
                if len(rows) > most_rows:
                    raise LayerError(f"E-SCR-003 {name}: more than {most_rows:,} rows. Use an estimate.")
    except LayerError:
        raise
    except Exception as error:  # measured by changing bytes at random: the library lets through errors of any kind
        raise LayerError(f"E-SCR-007 {name}: cannot be read as a workbook ({first_line(error, path, name)}). A part of "
                         "it is damaged or is not what its name says. Open it and save it again as .xlsx.") from None
    if heading is None:
        raise LayerError(f"E-SCR-082 {name}: the first sheet is empty.")
    if beyond:
        problems.append(Problem(
            "W-SCR-060", name, rule=f"{counted(beyond, 'cell lies', 'cells lie')} to the right of the heading, the "
            f"first at {first_beyond}.", remedy="Give the column a heading if it belongs to the list, or clear the "
            "cells.", action="Not read and not carried."))
    table = pd.DataFrame(rows, columns=heading, dtype=str)
    return table, np.array(numbers, dtype=np.int64)


def _lines(path: Path, name: str, problems: list[Problem]) -> Iterator[tuple[int, Any]]:
    """Yield the number and the cells of each row, as wide as its last cell; rows that the file leaves out are empty."""
    import openpyxl

    with closing(openpyxl.load_workbook(path, read_only=True, data_only=False)) as book:
        sheet = book.worksheets[0]
        others = [other.title for other in book.worksheets[1:]]
        if others:
            problems.append(Problem("W-SCR-063", name, rule=f"the workbook has more than one sheet: {joined(others)}.",
                                    remedy="Put all rows of the list on the first sheet.",
                                    action="Only the first sheet is read."))
        sheet.reset_dimensions()  # else each row is filled up to the far corner that the sheet claims
        yield from enumerate(sheet.iter_rows(), 1)


def _heading(texts: list[str], name: str) -> list[str]:
    heading = [text.strip() for text in texts]
    width = max((k + 1 for k, text in enumerate(heading) if text), default=0)
    if width == 0:
        raise LayerError(f"E-SCR-082 {name}: the first row is empty. Write the names of the columns there.")
    if width > MAX_COLUMNS:
        raise LayerError(f"E-SCR-062 {name}: the heading reaches to column {width:,}; at most {MAX_COLUMNS:,} are "
                         "read. Clear the cells that are far to the right.")
    return heading[:width]


def _text(cell: Any, name: str) -> str:
    value = cell.value
    if value is None:
        return ""
    if cell.data_type == "f":
        raise LayerError(f"E-SCR-008 {name} cell {cell.coordinate}: a formula. Paste the values only.")
    if isinstance(value, float) and abs(value) < 2**53 and value == int(value):
        return str(int(value))
    return str(value)
