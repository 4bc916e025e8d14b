"""Finds the heading of a list or of a table of lots: a title, a date or a blank row is often exported above it."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Collection, Iterable, Sequence

from riskmap.common.errors import counted
from riskmap.common.problems import Problem

MOST_ABOVE = 20  # judgement: number of first rows in which the heading is searched
# texts that are never a column's name
VALUE = re.compile(r"[-+]?\d+([.,]\d*)?$|(?:MULTI)?(?:POLYGON|POINT)\s*Z?\s*\(", re.IGNORECASE)


def rows_above(rows: Sequence[Sequence[str]], wanted: Collection[str]) -> int:
    """Return how many of the first rows of a list lie above its heading.

    The heading is the first row with a cell that is one of `wanted` (lower case). If no row has one, it is the first
    row with several cells, provided that the rows above it have at most one cell and none of its own cells is a value
    or occurs twice. Otherwise it is the first row.
    """
    named = _named(rows, wanted)
    if named is not None:
        return named
    filled = [[cell.strip() for cell in row if cell.strip()] for row in rows]
    first = next((k for k, cells in enumerate(filled) if len(cells) > 1), 0)
    is_heading = len(set(filled[first])) == len(filled[first]) if filled else False
    return first if is_heading and not any(VALUE.match(cell) for cell in filled[first]) else 0


def lines_above(text: str, separators: Iterable[str], wanted: Collection[str]) -> tuple[int, int]:
    """Return how many lines and characters of a CSV lie above its heading.

    It stops at the first line that begins a quoted text of several lines.
    """
    lines: list[str] = []
    for line in io.StringIO(text, newline=""):
        if line.count('"') % 2 or len(lines) == MOST_ABOVE:
            break
        lines.append(line)
    tables = [[_cells(line, separator) for line in lines] for separator in separators]
    named = [place for place in (_named(rows, wanted) for rows in tables) if place is not None]
    widest = max(tables, key=lambda rows: max(map(len, rows), default=0), default=[])
    above = min(named) if named else rows_above(widest, wanted)
    return above, sum(map(len, lines[:above]))


def _cells(line: str, separator: str) -> list[str]:
    try:
        return next(csv.reader([line], delimiter=separator), [])
    except csv.Error:  # a value longer than that module takes, such as a shape: no heading
        return []


def _named(rows: Sequence[Sequence[str]], wanted: Collection[str]) -> int | None:
    return next((k for k, row in enumerate(rows) if any(cell.strip().lower() in wanted for cell in row)), None)


def finding(count: int, name: str) -> Problem:
    """Return the finding on rows above the heading."""
    return Problem("W-SCR-065", name, rule=f"{counted(count, 'row lies', 'rows lie')} above the heading.",
                   remedy="Check that the heading is the row with the names of the columns.",
                   action=f"Row {count + 1} is read as the heading, and the rows above it are left out.",
                   row=1)
