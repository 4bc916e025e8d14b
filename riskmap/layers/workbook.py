"""Sheets of a workbook (.xlsx), in limited memory whatever size a sheet claims; the first one as a list of texts.

`lots_workbook` reads lots from them.
"""

from __future__ import annotations

import mmap
import re
import zipfile
from collections.abc import Collection, Iterator
from contextlib import closing, contextmanager
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
_NOT_COMPUTED = re.compile(rb'fullCalcOnLoad\s*=\s*["\'](?:1|true)["\']')
# Published ([MS-CFB], [MS-OFFCRYPTO]): what a compound file begins with, in which workbooks with a password and those
# of before 2007 are, and the name of the part with the content of those with a password.
OLD_MARK, _LOCKED = b"\xd0\xcf\x11\xe0", "EncryptedPackage".encode("utf-16-le")


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

    found = _Found(name, most_rows, wanted)
    with opened(path, name, problems) as book:
        sheet = book.worksheets[0]
        others = [other.title for other in book.worksheets[1:]]
        if others:
            problems.append(Problem("W-SCR-063", name, rule=f"the workbook has more than one sheet: {joined(others)}.",
                                    remedy="Put all rows of the list on the first sheet.",
                                    action="Only the first sheet is read."))
        for number, cells in lines(sheet, name):
            found.take(number, cells)
        found.decide()
    if found.heading is None:
        raise LayerError(f"E-SCR-082 {name}: the first sheet is empty.")
    if found.above:
        problems.append(title_rows.finding(found.above, name))
    problems += found.beyond.finding(name, "They are not read and do not come back.")
    return Sheet(pd.DataFrame(found.rows, columns=found.heading, dtype=str), np.array(found.numbers, dtype=np.int64),
                 {found.heading[place]: cell for place, cell in sorted(found.formulas.items())})


@contextmanager
def opened(path: Path, name: str, problems: list[Problem], values: bool = False) -> Iterator[Any]:
    """Open a workbook after a look at its zip; whatever fails while its sheets are read is damage of the workbook.

    Parameters
    ----------
    path, name
        The file, and its name for messages.
    problems : list of Problem
        What the library says of single cells is added to it.
    values : bool
        Give the stored value of a formula, and not its text.

    Raises
    ------
    LayerError
        When the file is not a workbook, has a password, is damaged, or would unpack to more than is believed.
    """
    import openpyxl

    refuse_old(path, name)
    archive.entries(path, name, unreadable="E-SCR-007", unsafe="E-SCR-081", ratio=MAX_RATIO, harmless=HARMLESS_BYTES)
    try:
        with as_findings(path, name, problems, "W-SCR-061", only="^Cell "), \
                closing(openpyxl.load_workbook(path, read_only=True, data_only=values)) as book:
            yield book  # of what the library says, that of styles and drawings is left out
    except LayerError:
        raise
    except Exception as error:  # measured by changing bytes at random: errors of any type come through the library
        raise LayerError(f"E-SCR-007 {name}: cannot be read as a workbook ({first_line(error, path, name)}). A part of "
                         "it is damaged or is not what its name says. Open it and save it again as .xlsx.") from None


def refuse_old(path: Path, name: str) -> None:
    """Raise LayerError for a workbook with a password or of the kind before 2007, which no library here reads."""
    with path.open("rb") as stream:
        if stream.read(len(OLD_MARK)) != OLD_MARK:
            return
        with mmap.mmap(stream.fileno(), 0, access=mmap.ACCESS_READ) as content:
            locked = content.find(_LOCKED) >= 0
    what = ("the workbook has a password. Open it, remove the password" if locked else
            "this is a file of the old kind, such as XLS, whatever its name says. Open it")
    raise LayerError(f"E-SCR-083 {name}: {what} and save it as .xlsx.")


def has_values(path: Path) -> bool:
    """Return whether formulas have values; a program that stored none asks the next one to compute all of them.

    The library reads that wish as given when it is not.
    """
    with zipfile.ZipFile(path) as packed:
        entry = next((entry for entry in packed.infolist() if entry.filename == "xl/workbook.xml"), None)
        return entry is None or _NOT_COMPUTED.search(archive.content(packed, entry)) is None


def lines(sheet: Any, name: str) -> Iterator[tuple[int, Any]]:
    """Yield the number and the cells of each row, up to its last cell; rows that the file leaves out are empty.

    Raises
    ------
    LayerError
        When the sheet has more rows or cells than are read.
    """
    sheet.reset_dimensions()  # otherwise each row is filled up to the far corner that the sheet claims
    count = 0
    for number, cells in enumerate(sheet.iter_rows(), 1):
        count += len(cells)
        if number > MOST_LINES:
            raise LayerError(f"E-SCR-062 {name}: a row number is above {MOST_LINES:,}, the most that a sheet has. Save "
                             "the table as CSV.")
        if count > MOST_CELLS:
            raise LayerError(f"E-SCR-062 {name} row {number}: up to here the rows reach over more than {MOST_CELLS:,} "
                             "cells, empty ones counted. Clear the cells that are far to the right of the table, or "
                             "save it as CSV.")
        yield number, cells


@dataclass
class Beyond:
    """The cells with a value to the right of the heading: how many there are, and the first of them."""

    count: int = 0
    first: str = ""

    def look(self, cells: Any) -> None:
        """Count the cells of one row that have no heading."""
        over = [cell.coordinate for cell in cells if cell.value is not None]
        self.count, self.first = self.count + len(over), self.first or next(iter(over), "")

    def finding(self, name: str, action: str) -> list[Problem]:
        """Return the finding on these cells; none where there are none."""
        return [Problem("W-SCR-060", name, rule=f"{counted(self.count, 'cell lies', 'cells lie')} to the right of the "
                        f"heading, the first at {self.first}.", remedy="Give the column a heading if it belongs to the "
                        "table, or clear the cells.", action=action)] if self.count else []


class _Found:
    """What is known of a sheet while its rows are read; the first rows wait until the heading is known."""

    def __init__(self, name: str, most_rows: int, wanted: Collection[str]) -> None:
        self.name, self.most_rows, self.wanted = name, most_rows, wanted
        self.heading: list[str] | None = None
        self.waiting: list[tuple[int, Any]] = []
        self.rows: list[list[str]] = []
        self.numbers: list[int] = []
        self.formulas: dict[int, str] = {}
        self.above, self.beyond = 0, Beyond()

    def take(self, number: int, cells: Any) -> None:
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
        self.heading = heading(texts[self.above], self.name)
        for number, cells in self.waiting[self.above + 1:]:
            self._row(number, cells)
        self.waiting = []

    def _row(self, number: int, cells: Any) -> None:
        width = len(self.heading or ())
        self.beyond.look(cells[width:])
        texts = [_text(cell) for cell in cells[:width]]
        if any(texts):
            self.rows.append(texts + [""] * (width - len(texts)))
            self.numbers.append(number)
            for place, cell in enumerate(cells[:width]):
                if cell.data_type == "f":
                    self.formulas.setdefault(place, cell.coordinate)
        if len(self.rows) > self.most_rows:
            raise LayerError(f"E-SCR-003 {self.name}: more than {self.most_rows:,} rows. Use an estimate.")


def heading(texts: list[str], name: str) -> list[str]:
    """Return the names of the columns up to the last one with a name.

    Raises
    ------
    LayerError
        When there is none, or the heading reaches too far to the right.
    """
    names = [text.strip() for text in texts]
    width = max((k + 1 for k, text in enumerate(names) if text), default=0)
    if width == 0:
        raise LayerError(f"E-SCR-082 {name}: the first row is empty. Write the names of the columns there.")
    if width > MAX_COLUMNS:
        raise LayerError(f"E-SCR-062 {name}: the heading reaches to column {width:,}; at most {MAX_COLUMNS:,} are "
                         "read. Clear the cells that are far to the right.")
    return names[:width]


def _text(cell: Any) -> str:
    value = cell.value
    if value is None:
        return ""
    if cell.data_type == "f":
        return str(getattr(value, "text", value))  # for a formula over several cells, the text of the formula
    if isinstance(value, float) and abs(value) < 2**53 and value == int(value):
        return str(int(value))
    return str(value)
