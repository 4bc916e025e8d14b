"""What can go wrong, and how it is said.

Two kinds of trouble are kept apart. A `Problem` is a finding about one file, row or value: it is collected
with all the others, reported together and never stops the run by itself. A `RiskmapError` stops the run,
because going on would give a wrong answer (no coordinate reference system, a table that is not there).
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import asdict, dataclass, replace
from difflib import SequenceMatcher

SAME_SHOWN = 5  # findings that differ in nothing but the row: as many are shown on one line, fewer row by row
VALUES_SHOWN = 20  # values that break one rule; more are shown by their first ones
_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f\u00ad\u200b-\u200f\u2028-\u202e\u2060\u2066-\u2069\ufeff]")
SHOWN_CHARACTERS = 40
SAID_CHARACTERS = 200  # of what another library says: a sentence with its row number (judgement)


def visible(text: str) -> str:
    """Return text with control, zero-width and direction characters written out."""
    return _CONTROL.sub(lambda m: f"\\u{ord(m.group()):04x}", text)


def shown(value: object) -> str:
    """Return `value` as short text with control and direction characters made visible."""
    text = visible(str(value))
    return text if len(text) <= SHOWN_CHARACTERS else text[: SHOWN_CHARACTERS - 1] + "…"


def said_by(error: BaseException, lines_before: int = 0) -> str:
    """Return what another library says of a file, in one line, whole with its row number and without a full stop.

    `lines_before` is added to that number, for a parser that was given a file without its first lines.
    """
    text = " ".join(visible(line) for line in str(error).split("\n") if line.strip())
    text = re.sub(r"^Error tokenizing data\. (?:C error: )?", "", text).rstrip(". ")
    text = re.sub(r"(?<=in line )\d+", lambda number: str(int(number.group()) + lines_before), text)
    return (text if len(text) <= SAID_CHARACTERS else text[: SAID_CHARACTERS - 1] + "…") or type(error).__name__


@dataclass(frozen=True)
class Problem:
    """One finding about the input.

    Attributes
    ----------
    code : str
        `E-...` a value, row or file that was not used, `W-...` used with a caution, for example `E-LOT-014`. An
        `E-` does not stop a run: its row may still get a number, from what else is known.
    file : str
        File, with layer or member where there is one; a relative path.
    row : int or None
        Row as the user's editor numbers it (header line is 1 in a CSV; feature 1 is the first of a layer).
    column, value : str
        Where and what; empty when the finding is about the whole file.
    rule : str
        What was expected.
    remedy : str
        What the user can do.
    action : str
        What was done with the row, for example `row kept, not estimated`.
    """

    code: str
    file: str
    rule: str
    remedy: str
    action: str
    row: int | None = None
    column: str = ""
    value: str = ""

    def __str__(self) -> str:
        row = f" row {self.row}" if self.row is not None else ""
        value = f'"{shown(self.value)}": ' if self.value != "" else ""
        return self._told(row, value)

    def of_rows(self, rows: list[int]) -> str:
        """Return the line of several findings that differ from this one in nothing but the row."""
        value = f'"{shown(self.value)}" in ' if self.value != "" else ""
        return self._told("", f"{value}{len(rows):,} rows ({first_rows(rows)}): ")

    def _told(self, row: str, value: str) -> str:
        column = f" column {self.column}" if self.column else ""
        said = " ".join(part for part in (self.rule, self.remedy, self.action) if part)
        return f"{self.code} {self.file}{row}{column}: {value}{said}".strip()

    def as_dict(self) -> dict[str, object]:
        """Return the finding as plain values for JSON."""
        return asdict(self)


def lines(problems: Iterable[Problem]) -> list[str]:
    """Return findings as lines for people, in the order of their first row.

    From `SAME_SHOWN` on, findings that differ in nothing but the row stand on one line with their count and first
    rows; where more than `VALUES_SHOWN` values break one rule, all of them stand on one line with the first values.
    Files (`problems.json`, `--json`) keep them row by row.
    """
    kinds: dict[object, dict[str, list[Problem]]] = {}
    for k, problem in enumerate(problems):
        kind = k if problem.row is None else replace(problem, row=None, value="")
        kinds.setdefault(kind, {}).setdefault(problem.value, []).append(problem)
    out = []
    for values in kinds.values():
        if len(values) > VALUES_SHOWN:
            out.append(_of_values(values))
            continue
        for same in values.values():
            out += [str(problem) for problem in same] if len(same) < SAME_SHOWN else [same[0].of_rows(_rows(same))]
    return out


def _of_values(values: dict[str, list[Problem]]) -> str:
    """Return the line of findings of one kind with many values."""
    every = [problem for same in values.values() for problem in same]
    first = ", ".join(f'"{shown(value)}"' for value in list(values)[:3])
    said = f"{first} and other values in {len(every):,} rows ({first_rows(sorted(_rows(every)))}): {every[0].rule}"
    return str(replace(every[0], row=None, value="", rule=said))


def _rows(problems: Iterable[Problem]) -> list[int]:
    return [problem.row for problem in problems if problem.row is not None]


def counted(count: int, one: str, many: str = "") -> str:
    """Return `1 lot`, `3,200 lots`; `many` where it is not the word with an s."""
    return f"{count:,} {one if count == 1 else many or one + 's'}"


def first_rows(rows: Iterable[int], limit: int = 3) -> str:
    """Return the first row numbers, as `3, 6, 12, ...`."""
    listed = list(rows)
    return ", ".join(str(row) for row in listed[:limit]) + (", ..." if len(listed) > limit else "")


class RiskmapError(Exception):
    """Base of every error that riskmap raises on purpose."""


class LayerError(RiskmapError):
    """An input layer cannot be used as it is."""


class TableError(RiskmapError):
    """A table between two stages broke its contract in `tables.py`."""


class SettingsError(RiskmapError):
    """The area file or a setting in it is wrong."""


class WorkerError(RiskmapError):
    """Workers cannot be had, or died too often."""


class RunFolderError(RiskmapError):
    """The run folder could not be written whole."""


def closest(wanted: str, names: Iterable[str]) -> list[str]:
    """Return names by their likeness to `wanted`, the nearest first; capitals do not matter, equals stay in order."""
    return sorted(names, key=lambda name: -SequenceMatcher(None, wanted.lower(), name.lower()).ratio())


def joined(items: Iterable[object], limit: int = 8) -> str:
    """Return items as `a, b, c and 5 more`, each shortened for display."""
    listed = [shown(item) for item in items]
    more = len(listed) - limit
    return ", ".join(listed[:limit]) + (f" and {more} more" if more > 0 else "")
