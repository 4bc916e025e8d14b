"""The first sheet of a workbook (.xlsx) as a table of texts, in limited memory whatever size the sheet claims."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from riskmap.common.errors import LayerError, counted, joined
from riskmap.common.problems import Problem
from riskmap.layers import archive, title_rows
from riskmap.layers.lots_csv import MAX_COLUMNS
from riskmap.layers.reader_words import as_findings, first_line
from riskmap.layers.title_rows import MOST_ABOVE

if TYPE_CHECKING:
    import pandas as pd

MOST_LINES = 1_048_576  # published: the rows of a sheet (Excel specifications and limits)
MOST_CELLS = 50_000_000  # judgement: a million rows of 50 columns
# Workbooks shrink 8 to 20 times (measured: lists of 100,000 rows), those made to fill the memory a thousand times. Up
# to this size even those are read within seconds.
MAX_RATIO, HARMLESS_BYTES = 100, 10 * 1024**2


@dataclass
class Sheet:
    """The cells of a sheet as texts.

    Attributes
    ----------
    table : DataFrame
        One row per row that is not blank; a formula is given as its own text.
    row : int array
        The number of each row as an editor shows it.
    formulas : dict of str
        Column -> its first cell with a formula, such as `C7`.
    """

    table: pd.DataFrame
    row: NDArray[np.int64]
    formulas: dict[str, str]


def read_first_sheet(path: Path, name: str, most_rows: int, problems: list[Problem], wanted: Collection[str] = ()) \
        -> Sheet:
    """Read the first sheet. Its heading is the row that `title_rows` finds, or the first row.

    Parameters
    ----------
    path, name
        The file, and its name for messages.
    most_rows : int
        A sheet with more rows that have a value is refused.
    problems : list of Problem
        Findings on cells that are not read are added to it.
    wanted : collection of str
        Names of columns, in lower case, by which the heading is recognised.

    Returns
    -------
    Sheet

    Raises
    ------
    LayerError
        When the file is not a workbook, is damaged, has too many rows or columns, or a formula in its heading.
    """
    import pandas as pd

    archive.entries(path, name, unreadable="E-SCR-007", unsafe="E-SCR-081", ratio=MAX_RATIO, harmless=HARMLESS_BYTES)
    found = _Found(name, most_rows, wanted)
    try:
        with as_findings(path, name, problems, "W-SCR-061", only="^Cell "):  # not that of styles and drawings
            for number, cells in _lines(path, name, problems):
                found.take(number, cells)
            found.decide()
    except LayerError:
        raise
    except Exception as error:  # measured by changing bytes at random: errors of any type come through the library
        raise LayerError(f"E-SCR-007 {name}: cannot be read as a workbook ({first_line(error, path, name)}). A part of "
                         "it is damaged or is not what its name says. Open it and save it again as .xlsx.") from None
    if found.heading is None:
        raise LayerError(f"E-SCR-082 {name}: the first sheet is empty.")
    if found.above:
        problems.append(title_rows.finding(found.above, name))
    if found.beyond:
        problems.append(Problem(
            "W-SCR-060", name, rule=f"{counted(found.beyond, 'cell lies', 'cells lie')} to the right of the heading, "
            f"the first at {found.first_beyond}.", remedy="Give the column a heading if it belongs to the list, or "
            "clear the cells.", action="They are not read and do not come back."))
    return Sheet(pd.DataFrame(found.rows, columns=found.heading, dtype=str), np.array(found.numbers, dtype=np.int64),
                 {found.heading[place]: cell for place, cell in sorted(found.formulas.items())})


class _Found:
    """What is known of a sheet while its rows are read; the first rows wait until the heading is known."""

    def __init__(self, name: str, most_rows: int, wanted: Collection[str]) -> None:
        self.name, self.most_rows, self.wanted = name, most_rows, wanted
        self.heading: list[str] | None = None
        self.waiting: list[tuple[int, Any]] = []
        self.rows: list[list[str]] = []
        self.numbers: list[int] = []
        self.formulas: dict[int, str] = {}
        self.above = self.beyond = self.cells = 0
        self.first_beyond = ""

    def take(self, number: int, cells: Any) -> None:
        self.cells += len(cells)
        if number > MOST_LINES:
            raise LayerError(f"E-SCR-062 {self.name}: a row number is above {MOST_LINES:,}, the most that a sheet "
                             "has. Save the list as CSV.")
        if self.cells > MOST_CELLS:
            raise LayerError(f"E-SCR-062 {self.name} row {number}: up to here the rows reach over more than "
                             f"{MOST_CELLS:,} cells, empty ones counted. Clear the cells that are far to the right of "
                             "the list, or save it as CSV.")
        if self.heading is None:
            self.waiting.append((number, cells))
            if len(self.waiting) == MOST_ABOVE + 1 or not self.wanted:
                self.decide()
        else:
            self._row(number, cells)

    def decide(self) -> None:
        """Find the heading among the waiting rows, and read those below it."""
        if self.heading is not None or not self.waiting:
            return
        texts = [[_text(cell) for cell in cells] for _, cells in self.waiting[:MOST_ABOVE]]
        self.above = title_rows.rows_above(texts, self.wanted) if self.wanted else 0
        formula = next((cell for cell in self.waiting[self.above][1] if cell.data_type == "f"), None)
        if formula is not None:
            raise LayerError(f"E-SCR-008 {self.name} cell {formula.coordinate}: a formula. Paste the values only.")
        self.heading = _heading(texts[self.above], self.name)
        for number, cells in self.waiting[self.above + 1:]:
            self._row(number, cells)
        self.waiting = []

    def _row(self, number: int, cells: Any) -> None:
        width = len(self.heading or ())
        over = [cell.coordinate for cell in cells[width:] if cell.value is not None]
        self.beyond, self.first_beyond = self.beyond + len(over), self.first_beyond or next(iter(over), "")
        texts = [_text(cell) for cell in cells[:width]]
        if any(texts):
            self.rows.append(texts + [""] * (width - len(texts)))
            self.numbers.append(number)
            for place, cell in enumerate(cells[:width]):
                if cell.data_type == "f":
                    self.formulas.setdefault(place, cell.coordinate)
        if len(self.rows) > self.most_rows:
            raise LayerError(f"E-SCR-003 {self.name}: more than {self.most_rows:,} rows. Use an estimate.")


def _lines(path: Path, name: str, problems: list[Problem]) -> Iterator[tuple[int, Any]]:
    """Yield the number and the cells of each row, up to its last cell; rows that the file leaves out are empty."""
    import openpyxl

    with closing(openpyxl.load_workbook(path, read_only=True, data_only=False)) as book:
        sheet = book.worksheets[0]
        others = [other.title for other in book.worksheets[1:]]
        if others:
            problems.append(Problem("W-SCR-063", name, rule=f"the workbook has more than one sheet: {joined(others)}.",
                                    remedy="Put all rows of the list on the first sheet.",
                                    action="Only the first sheet is read."))
        sheet.reset_dimensions()  # otherwise each row is filled up to the far corner that the sheet claims
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


def _text(cell: Any) -> str:
    value = cell.value
    if value is None:
        return ""
    if cell.data_type == "f":
        return str(getattr(value, "text", value))  # for a formula over several cells, the text of the formula
    if isinstance(value, float) and abs(value) < 2**53 and value == int(value):
        return str(int(value))
    return str(value)
