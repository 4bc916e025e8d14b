"""Lots from a workbook (.xlsx): the sheet that has them, and its cells as the texts that a person sees.

The rules for columns, places and rows are those of a CSV (`lots_csv`). Rows are numbered as the spreadsheet numbers
them. The whole number 309 is the text `309`, or `0309` where its format shows it so; other numbers keep all their
digits. A date is written YYYY-MM-DD, or YYYY-MM or YYYY where its format shows no more. Of a formula, the value is read
that was stored when the workbook was saved.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Collection, Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field
from functools import lru_cache
from itertools import dropwhile, islice
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from riskmap.common.errors import LayerError, counted, joined, shown
from riskmap.common.problems import Problem, kept_by_refusal
from riskmap.layers import lots_csv, title_rows, workbook
from riskmap.layers.lots_columns import ALSO_CALLED, KNOWN, RawLots, label_column, match_columns

if TYPE_CHECKING:
    import pandas as pd

    from riskmap.common.settings import LotsEntry

EXACT = 1e15  # published: a spreadsheet keeps 15 digits of a number (Excel specifications and limits)
# computed: the days of the numbers 1850 to 2100, counted from 1899-12-30, as a date format shows a plain year
YEARS_AS_DATES = dt.date(1905, 1, 23), dt.date(1905, 9, 30)
MOST_SUCH = 0.5  # judgement: largest share of such dates in a column; few houses on a slab are that old
_MASK = re.compile(r"0+(?:[ -]+0+)*")
_NOT_DATE = re.compile(r'\\.|_.|\*.|"[^"]*"|\[[^\]]*\]')  # parts of a format that are shown as they are


@dataclass(frozen=True)
class Sheet:
    """One sheet with a row: its title, the row number of its heading, and the texts of the heading.

    `titled` says whether rows with something in them lie above the heading.
    """

    title: str
    number: int
    texts: list[str]
    titled: bool

    @property
    def names(self) -> list[str]:
        """The names of the columns, without blanks around them."""
        return [text.strip() for text in self.texts]


@dataclass
class Cells:
    """The rows below a heading.

    Attributes
    ----------
    table : DataFrame
        Text of the columns that were kept, numbered by their places in the heading.
    rows : int array
    formulas : dict of str
        Place of a column -> its first cell with a formula.
    unknown : dict of str
        Place of a column -> its first cell with a formula whose value is not stored.
    dates : dict of list of int
        Place of a column -> how many of its cells are dates, and how many of these may be years in a date format.
    """

    table: pd.DataFrame
    rows: NDArray[np.int64]
    formulas: dict[int, str]
    unknown: dict[int, str]
    dates: dict[int, list[int]]


def read_workbook(path: Path, name: str, entry: LotsEntry, kind: str) -> RawLots:
    """Read the sheet that `[lots] layer` names, or else the only one that looks like lots.

    Raises
    ------
    LayerError
        When the workbook cannot be read, several sheets may be the lots, a column that is used has formulas without
        stored values or years in a date format, and where `lots_csv` refuses a table.
    """
    problems: list[Problem] = []
    with kept_by_refusal(problems):
        named = {theirs.strip().lower() for theirs in entry.columns.values() if theirs}
        sheet = _chosen(sheets(path, name, named or KNOWN, entry.layer), entry, name, problems)
        heading = workbook.heading(sheet.texts, name)
        lots_csv.check_heading(heading, entry, name)
        names, _ = match_columns(heading, entry, name, csv_place=True)
        used = {*names.values(), *label_column(heading, entry, name).values()}
        cells = cells_of(path, name, sheet, heading, [heading.index(one) for one in used], problems)
        _judge(cells, heading, names, name, problems)
        return lots_csv.as_lots(cells.table, heading, cells.rows, name, entry, problems)


# ---------------------------------------------------------------- sheets
def sheets(path: Path, name: str, wanted: Collection[str], layer: str | None = None) -> list[Sheet]:
    """Return the sheets that have a row and are not hidden, in their order; with `layer` that one only.

    Parameters
    ----------
    path, name
        The file, and its name for messages.
    wanted : collection of str
        Names of columns, in lower case, by which a heading is recognised.
    layer : str, optional
        Title of a sheet; it may be hidden.

    Raises
    ------
    LayerError
        When the workbook cannot be read, or has no sheet of this title.
    """
    with workbook.opened(path, name, [], values=True) as book:
        seen = [sheet for sheet in book.worksheets if sheet.sheet_state == "visible"]
        if layer is not None:
            chosen = [sheet for sheet in book.worksheets if sheet.title == layer]
            if not chosen:
                raise LayerError(f"E-LOT-089 {name}: there is no sheet '{shown(layer)}'. Set lots.layer to one of: "
                                 f"{joined(sheet.title for sheet in seen) or 'none found'}.")
            seen = chosen
        found = [_head(sheet, name, wanted) for sheet in seen]
    return [sheet for sheet in found if sheet is not None]


def _head(sheet: Any, name: str, wanted: Collection[str]) -> Sheet | None:
    """Return the heading of a sheet; None for an empty one. Blank rows at its top do not count as rows of a title."""
    rows = ((number, [seen(cell) for cell in cells]) for number, cells in workbook.lines(sheet, name))
    first = list(islice(dropwhile(lambda row: _blank(row[1]), rows), title_rows.MOST_ABOVE))
    if not first:
        return None
    above = title_rows.rows_above([texts for _, texts in first], wanted)
    return Sheet(sheet.title, *first[above], above > 0)


def _blank(texts: Sequence[str]) -> bool:
    return not any(map(str.strip, texts))


def _chosen(found: list[Sheet], entry: LotsEntry, name: str, problems: list[Problem]) -> Sheet:
    """Return the sheet with an id and a place, else the one with a place, with an id, or the only one."""
    if not found:
        raise LayerError(f"E-LOT-001 {name}: there is no row in it. Check that the workbook was saved whole.")
    likely = [sheet for sheet in found if _likeness(sheet, entry) == max(_likeness(one, entry) for one in found)]
    if len(likely) > 1:
        raise LayerError(f"E-LOT-089 {name}: there are {len(likely)} sheets that may be the lots. Set lots.layer to "
                         f"one of: {joined(sheet.title for sheet in likely)}.")
    if len(found) > 1:
        others = joined(sheet.title for sheet in found if sheet is not likely[0])
        problems.append(Problem("W-LOT-070", name, rule=f"the workbook has other sheets with rows: {others}.",
                                remedy="Set lots.layer to the sheet with the lots if this one is wrong.",
                                action=f"The sheet '{shown(likely[0].title)}' is read."))
    return likely[0]


def _likeness(sheet: Sheet, entry: LotsEntry) -> tuple[bool, bool]:
    """Return whether the heading of a sheet names a place, and whether it names an id."""
    own = {ALSO_CALLED.get(cell.lower(), cell.lower()) for cell in sheet.names}
    given = {ours for ours in KNOWN
             if (entry.columns[ours] in sheet.names if entry.columns.get(ours) else ours in own)}
    return "geometry" in given or {"lon", "lat"} <= given, "lot_id" in given


# ---------------------------------------------------------------- rows
def cells_of(path: Path, name: str, sheet: Sheet, heading: list[str], kept: Collection[int],
             problems: list[Problem]) -> Cells:
    """Return the rows below the heading of a sheet, with the columns at the places `kept`.

    Rows above the heading, rows that are blank or repeat the heading, and cells to the right of it are reported.
    """
    import pandas as pd

    if sheet.titled:
        problems.append(title_rows.finding(sheet.number - 1, name))
    rows = _rows(path, name, sheet, heading, kept, False) or _rows(path, name, sheet, heading, kept, True)
    assert rows is not None  # the second time nothing stops it
    problems += [*rows.said, *rows.beyond.finding(name, "They are not read.")]
    last = max([*rows.numbers[-1:], *rows.again[-1:]], default=0)
    # formats often reach below the last row: blank rows there are not of the table
    lots_csv.tell_rows_left([number for number in rows.blank if number < last], rows.again, name, problems)
    return Cells(pd.DataFrame(rows.texts, columns=rows.kept, dtype=str), np.array(rows.numbers, dtype=np.int64),
                 rows.formulas, rows.unknown, rows.dates)


def _rows(path: Path, name: str, sheet: Sheet, heading: list[str], kept: Collection[int], twice: bool) -> _Rows | None:
    """Return the rows of a sheet; None when it has formulas and is not read twice.

    The library gives either the formulas or their values, so the second time both are read side by side.
    """
    rows = _Rows(heading, sorted(kept))
    with ExitStack() as both:
        book = both.enter_context(workbook.opened(path, name, rows.said, values=twice))
        lines = _below(book, name, sheet)
        if twice:
            rows.computed = workbook.has_values(path)
            written = _below(both.enter_context(workbook.opened(path, name, [])), name, sheet)
            for (number, cells), (_, formulas) in zip(lines, written, strict=True):
                rows.take(number, cells, [cell for cell in formulas[:len(heading)] if cell.data_type == "f"])
            return rows
        for number, cells in lines:
            if any(cell.data_type == "f" for cell in cells[:len(heading)]):
                return None
            rows.take(number, cells, [])
    return rows


def _below(book: Any, name: str, sheet: Sheet) -> Iterator[tuple[int, Any]]:
    return ((number, cells) for number, cells in workbook.lines(book[sheet.title], name) if number > sheet.number)


@dataclass
class _Rows:
    """The rows of a sheet while they are read. `computed`: the program that saved the formulas knew their values."""

    heading: list[str]
    kept: list[int]
    computed: bool = True
    texts: list[list[str]] = field(default_factory=list)
    numbers: list[int] = field(default_factory=list)
    blank: list[int] = field(default_factory=list)
    again: list[int] = field(default_factory=list)
    formulas: dict[int, str] = field(default_factory=dict)
    unknown: dict[int, str] = field(default_factory=dict)
    dates: dict[int, list[int]] = field(default_factory=dict)
    beyond: workbook.Beyond = field(default_factory=workbook.Beyond)
    said: list[Problem] = field(default_factory=list)

    def take(self, number: int, cells: Any, formulas: Sequence[Any]) -> None:
        """Take the cells of one row, and those of them with a formula as the library gives the formulas."""
        width = len(self.heading)
        self.beyond.look(cells[width:])
        unknown = [cell for cell in formulas if not (self.computed and _stored(cells[cell.column - 1]))]
        if not unknown and not any(_filled(cell.value) for cell in cells[:width]):
            self.blank.append(number)
            return
        if seen(cells[0]).strip() == self.heading[0] and [seen(cell).strip() for cell in cells[:width]] == self.heading:
            self.again.append(number)
            return
        not_known = {cell.column - 1 for cell in unknown}
        self.texts.append([seen(cells[place]) if place < len(cells) and place not in not_known else ""
                           for place in self.kept])
        self.numbers.append(number)
        for cell in formulas:
            self.formulas.setdefault(cell.column - 1, cell.coordinate)
        for cell in unknown:
            self.unknown.setdefault(cell.column - 1, cell.coordinate)
        for place in self.kept:
            if place < len(cells) and isinstance(value := cells[place].value, dt.date):
                count = self.dates.setdefault(place, [0, 0])
                count[0] += 1
                count[1] += YEARS_AS_DATES[0] <= dt.date(value.year, value.month, value.day) <= YEARS_AS_DATES[1]


def _filled(value: Any) -> bool:
    return value is not None and (not isinstance(value, str) or value.strip() != "")


def _stored(cell: Any) -> bool:
    """Return whether a formula has a stored value; the library gives that of an empty text as nothing of kind `str`."""
    return cell.value is not None or cell.data_type == "str"


def _judge(cells: Cells, heading: list[str], names: dict[str, str], name: str, problems: list[Problem]) -> None:
    """Refuse columns that are used and whose cells do not say what they seem to; report formulas."""
    refuse_unknown(cells, heading, name)
    for ours in (ours for ours in names if ours.startswith("pour_date")):
        place = heading.index(names[ours])
        count, years = cells.dates.get(place, [0, 0])
        if years > MOST_SUCH * count:
            raise LayerError(f"E-LOT-098 {name}: {years:,} of {count:,} dates of the column '{shown(heading[place])}' "
                             f"are from {YEARS_AS_DATES[0]} to {YEARS_AS_DATES[1]}. A spreadsheet shows the years 1850 "
                             "to 2100 so when their cells have a date format. Give the cells the format General, and "
                             "save the workbook.")
    used = {place: cell for place, cell in sorted(cells.formulas.items()) if heading[place] in names.values()}
    if used:
        problems.append(Problem(
            "W-LOT-071", name, rule=f"{counted(len(used), 'column has', 'columns have')} formulas: "
            f"{joined(f'{heading[place]} ({cell})' for place, cell in used.items())}.",
            remedy="Check that the workbook was saved after its last change, or paste the values.",
            action="The values that were saved with the formulas are read."))


def refuse_unknown(cells: Cells, heading: list[str], name: str) -> None:
    """Raise LayerError when a column that was kept has a formula whose value is not stored."""
    place, cell = next(((place, cell) for place, cell in cells.unknown.items() if place in cells.table), (0, ""))
    if cell:
        raise LayerError(f"E-LOT-097 {name} cell {cell}: the value of a formula is not stored, in the column "
                         f"'{shown(heading[place])}'. Open the workbook in a spreadsheet program and save it, or paste "
                         "the values.")


# ---------------------------------------------------------------- cells
def seen(cell: Any) -> str:
    """Return the text of a cell as a person sees it; numbers keep all digits that are stored."""
    value = cell.value
    if value is None:
        return ""
    if isinstance(value, str):
        return value
    if isinstance(value, bool):
        return "TRUE" if value else "FALSE"
    if isinstance(value, int | float):
        return _number(value, cell.number_format)
    if isinstance(value, dt.datetime):
        return _date(value, cell.number_format)
    return str(value)  # a date or a time alone, in the notation of ISO 8601


def _number(value: int | float, number_format: str) -> str:
    if isinstance(value, float) and not (value.is_integer() and abs(value) < EXACT):
        # a whole number of `EXACT` or more is written like 1E+20, because its last digits are not stored
        return f"{value:.15G}" if value.is_integer() else repr(value)
    digits, mask = str(int(value)), _mask(number_format)
    if not mask or value < 0:
        return digits
    rest, out = list(digits.zfill(mask.count("0"))), ""
    for sign in reversed(mask):
        out = (rest.pop() if sign == "0" else sign) + out
    return "".join(rest) + out


@lru_cache(256)
def _mask(number_format: str) -> str:
    """Return a format such as 00000 or 000-00-000, without its quotes; empty text for any other."""
    plain = re.sub(r'\\(.)|"([^"]*)"', lambda match: match[1] or match[2] or "", number_format.split(";")[0])
    return plain if _MASK.fullmatch(plain) else ""


def _date(value: dt.datetime, number_format: str) -> str:
    shows = _shows(number_format)
    if "y" in shows and "d" not in shows:
        return f"{value:%Y-%m}" if "m" in shows else f"{value:%Y}"
    at = f" {value:%H:%M:%S}" if {"h", "s"} & shows and value.time() != dt.time() else ""
    return f"{value:%Y-%m-%d}{at}"


@lru_cache(256)
def _shows(number_format: str) -> frozenset[str]:
    """Return which of the letters y, m, d, h and s a date format has."""
    return frozenset(_NOT_DATE.sub("", number_format.split(";")[0]).lower()) & frozenset("ymdhs")
