"""Every comparison with a measured number: what it is made of, how it is judged, and all of them in order.

A comparison holds what was measured and where that was read, our setting, our number worked out at the time of asking,
and a tolerance that was stated beforehand. Outcomes: `agrees`, `disagrees`, `cannot tell`, or `data absent`. The page
made of them is written by `evidence_page`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

AGREES, DISAGREES, CANNOT, ABSENT = "agrees", "disagrees", "cannot tell", "data absent"
FACTS = "field/field_cases.csv"
DIVISIONS = "drought/climate_divisions/nclimdiv_monthly_1895_2022.csv.gz"
ANY = math.inf

Values = Sequence[float]


@dataclass(frozen=True)
class Fact:
    """One published measured number of the open data (`FACTS`).

    Attributes
    ----------
    value, low, high : float
        In `unit`; nan where the source gives none.
    unit, how_read, source : str
        `how_read` says whether an abstract, a data file or a quotation was seen.
    """

    value: float
    low: float
    high: float
    unit: str
    how_read: str
    source: str


@dataclass(frozen=True)
class Comparison:
    """A measured number and how ours is found.

    Texts marked as templates are filled with our values by place, and with the fact's value, low, high by name; the
    words of the tolerance also with its ends, `least` and `most`.

    Attributes
    ----------
    number : str
        Number of the case in notebooks/evidence.md, with a letter for parts.
    name, setting : str
    measured, show, remark : str
        Templates: what was measured, our numbers, what to know.
    fair : str
        Template: the words of the tolerance.
    ours : callable
        Takes the open data folder and returns all values that the templates need.
    bounds : callable
        Takes the fact (None without) and the values; returns the lowest and the highest value of ours that agrees.
    judged : tuple of int
        Places of the values that the bounds hold for.
    fact : str
        Name in `FACTS`; empty for a comparison with a data file, which then names `source` and `read` itself.
    cannot : str
        Why the comparison decides nothing; the outcome is then `cannot tell` whatever the numbers.
    files : tuple of str
        What must lie in the open data folder.
    """

    number: str
    name: str
    measured: str
    setting: str
    show: str
    fair: str
    ours: Callable[[Path], Values]
    bounds: Callable[[Any, Values], tuple[float, float]] = lambda fact, values: (-ANY, ANY)
    judged: tuple[int, ...] = (0,)
    fact: str = ""
    source: str = ""
    read: str = "data file"
    remark: str = ""
    cannot: str = ""
    files: tuple[str, ...] = (DIVISIONS,)


@dataclass(frozen=True)
class Finding:
    """A comparison with its numbers; texts are ready to print."""

    comparison: Comparison
    values: tuple[float, ...]
    measured: str
    source: str
    read: str
    ours: str
    fair: str
    remark: str
    outcome: str
    outside: int = 0

    @property
    def told(self) -> str:
        """The outcome, with how many of several values lie outside when only some do."""
        judged = len(self.comparison.judged)
        if self.outcome == DISAGREES and self.outside < judged:
            return f"{DISAGREES} ({self.outside} of {judged} values)"
        return self.outcome


def facts(open_data: Path) -> dict[str, Fact]:
    """Return the published measured numbers by name; empty when the file is absent. `same` repeats the source above."""
    import pandas as pd

    path = open_data / FACTS
    if not path.is_file():
        return {}
    table = pd.read_csv(path, encoding="utf-8")
    source = table["source"].mask(table["source"] == "same").ffill()
    rows: list[Any] = list(table.itertuples())
    return {str(row.id): Fact(float(row.value), float(row.low), float(row.high), str(row.unit), str(row.how_read),
                              str(named)) for row, named in zip(rows, source, strict=True)}


def missing(comparison: Comparison, open_data: Path) -> list[str]:
    """Return the names of the files that a comparison needs and the folder does not hold."""
    needed = (*comparison.files, *((FACTS,) if comparison.fact else ()))
    return [name for name in needed if not (open_data / name).is_file()]


def _outcome(comparison: Comparison, values: Values, least: float, most: float) -> tuple[str, int]:
    """Return the outcome and how many judged values lie outside; nan is outside."""
    outside = sum(not least - 1e-9 <= values[place] <= most + 1e-9 for place in comparison.judged if values)
    if comparison.cannot:
        return CANNOT, outside
    return (DISAGREES if outside else AGREES), outside


def find(comparison: Comparison, open_data: Path, known: dict[str, Fact]) -> Finding:
    """Work out one comparison; one whose data are absent says so and gives no number."""
    if lacking := missing(comparison, open_data):
        told = f"not computed, absent: {', '.join(lacking)}"
        return Finding(comparison, (), "-", comparison.source or "-", "-", told, "-", "", ABSENT)
    fact = known[comparison.fact] if comparison.fact else None
    values = tuple(float(v) for v in comparison.ours(open_data))
    least, most = comparison.bounds(fact, values)
    outcome, outside = _outcome(comparison, values, least, most)
    names = {"least": least, "most": most} | ({"value": fact.value, "low": fact.low, "high": fact.high} if fact else {})
    measured, show, fair, remark = (text.format(*values, **names) for text in (
        comparison.measured, comparison.show, comparison.fair, comparison.remark))
    if comparison.cannot:
        remark = f"{comparison.cannot}; {remark}" if remark else comparison.cannot
    return Finding(comparison, values, measured, comparison.source or (fact.source if fact else ""),
                   fact.how_read if fact else comparison.read, show, fair, remark, outcome, outside)


def within_factor(factor: float) -> Callable[[Any, Values], tuple[float, float]]:
    """Return bounds of a factor either way around the fact's value."""
    return lambda fact, values: (fact.value / factor, fact.value * factor)


def at_least(least: float) -> Callable[[Any, Values], tuple[float, float]]:
    """Return bounds without an upper end."""
    return lambda fact, values: (least, ANY)


def around(place: int, off: float) -> Callable[[Any, Values], tuple[float, float]]:
    """Return bounds of `off` either way around the value at `place`, where the measured figure is itself computed."""
    return lambda fact, values: (values[place] - off, values[place] + off)


def comparisons() -> tuple[Comparison, ...]:
    """Return every comparison in the order of notebooks/evidence.md."""
    from riskmap.selftest import evidence_movement, evidence_wetness

    both = (*evidence_wetness.COMPARISONS, *evidence_movement.COMPARISONS)
    return tuple(sorted(both, key=lambda c: (int(c.number.rstrip("abcdef")), c.number)))


def findings(open_data: Path) -> list[Finding]:
    """Work out every comparison from the open data folder (`drought/`, `field/`)."""
    known = facts(open_data)
    return [find(comparison, open_data, known) for comparison in comparisons()]
