"""Findings about the input: one `Problem` each, and the lines in which people read them."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import KW_ONLY, asdict, dataclass, replace

from riskmap.common.errors import LayerError, shown

# from this many on, findings that differ only in the row are shown on one line; fewer are shown row by row
SAME_SHOWN = 5
VALUES_SHOWN = 20  # number of values that break one rule; of more, only the first are shown


@dataclass(frozen=True)
class Problem:
    """One finding about the input.

    Attributes
    ----------
    code : str
        `E-...` for a value, row or file that was not used, `W-...` for one that was used with a caution, for example
        `E-LOT-014`. An `E-` does not stop a run: its row may still get an estimate from what else is known.
    file : str
        File, with layer or member where there is one; a relative path.
    row : int or None
        Row as the user's editor numbers it (header line is 1 in a CSV; feature 1 is the first of a layer).
    column, value : str
        The column and the value; empty when the finding is about the whole file.
    rule : str
        What was expected.
    remedy : str
        What the user can do.
    action : str
        What was done with the row, for example `row kept, not estimated`.
    """

    code: str
    file: str
    _: KW_ONLY  # sentences in swapped places would mislead without raising an error
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
        """Return the line of several findings that differ from this one only in the row."""
        value = f'"{shown(self.value)}" in ' if self.value != "" else ""
        return self._told("", f"{value}{len(rows):,} rows ({first_rows(rows)}): ")

    def _told(self, row: str, value: str) -> str:
        column = f" column {self.column}" if self.column else ""
        said = " ".join(part for part in (self.rule, self.remedy, self.action) if part)
        return f"{self.code} {self.file}{row}{column}: {value}{said}".strip()

    def as_dict(self) -> dict[str, object]:
        """Return the finding as plain values for JSON."""
        return asdict(self)


@contextmanager
def kept_by_refusal(problems: list[Problem]) -> Iterator[None]:
    """Give a LayerError that is raised inside the findings collected until then, in front of those it already has."""
    try:
        yield
    except LayerError as error:
        error.problems = [*problems, *error.problems]
        raise


def lines(problems: Iterable[Problem]) -> list[str]:
    """Return findings as lines for people, in the order of their first row.

    When there are at least `SAME_SHOWN` findings that differ only in the row, they share one line with their count and
    first rows. When more than `VALUES_SHOWN` values break one rule, they share one line with the first values. Files
    (`problems.json`, `--json`) list them row by row.
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


def first_rows(rows: Iterable[int], limit: int = 3) -> str:
    """Return the first row numbers, as `3, 6, 12, ...`."""
    listed = list(rows)
    return ", ".join(str(row) for row in listed[:limit]) + (", ..." if len(listed) > limit else "")
