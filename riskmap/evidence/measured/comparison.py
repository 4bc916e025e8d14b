"""One comparison of a measured figure with ours: what is compared, within which tolerance, and the verdict."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

AGREES, DISAGREES, CANNOT, ABSENT = "agrees", "disagrees", "cannot tell", "data absent"
ELSEWHERE = "measured elsewhere"
FACTS = "field/field_cases.csv"
DIVISIONS = "drought/climate_divisions/nclimdiv_monthly_1895_2022.csv.gz"
# Degrees north of the centres of the divisions used; the table of divisions does not contain them
LATITUDES = {"0504": 39.5, "1408": 37.5, "3405": 36.1, "4103": 32.5, "4105": 31.0, "4108": 29.5}
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
    """A measured value and how ours is computed.

    Texts marked as templates are filled with our values by position, and with the fact's value, low and high by name;
    the words of the tolerance are also filled with its ends, `least` and `most`.

    Attributes
    ----------
    number : str
        Number of the case in notebooks/evidence.md, with a letter for parts.
    name, setting : str
    measured, show, remark : str
        Templates: what was measured, our values, and what to know.
    fair : str
        Template: the words of the tolerance.
    ours : callable
        Takes the open data folder and returns all values that the templates need.
    bounds : callable
        Takes the fact (None without one) and the values; returns the lowest and the highest value of ours that agrees.
    judged : tuple of int
        Positions of the values to which the bounds apply.
    fact : str
        Name in `FACTS`; empty for a comparison with a data file, which then names `source` and `read` itself.
    cannot : str
        Why the comparison decides nothing; the outcome is then `cannot tell`, whatever the values.
    elsewhere : str
        Why the figures are only reported, as found elsewhere; the outcome is then `measured elsewhere`, which counts
        neither as agreeing nor as disagreeing.
    files : tuple of str
        Files that must be in the open data folder.
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
    way_read: str = "data file"
    remark: str = ""
    cannot: str = ""
    elsewhere: str = ""
    files: tuple[str, ...] = (DIVISIONS,)


def facts(open_data: Path) -> dict[str, Fact]:
    """Return the published measured values by name; empty when the file is absent. `same` repeats the source above."""
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
    """Return the names of the files that a comparison needs and that are not in the folder."""
    needed = (*comparison.files, *((FACTS,) if comparison.fact else ()))
    return [name for name in needed if not (open_data / name).is_file()]


def within_factor(factor: float) -> Callable[[Any, Values], tuple[float, float]]:
    """Return bounds of a factor either way around the fact's value."""
    return lambda fact, values: (fact.value / factor, fact.value * factor)


def at_least(least: float) -> Callable[[Any, Values], tuple[float, float]]:
    """Return bounds without an upper end."""
    return lambda fact, values: (least, ANY)


def around(place: int, off: float) -> Callable[[Any, Values], tuple[float, float]]:
    """Return bounds of `off` either way around the value at `place`, where the measured figure is itself computed."""
    return lambda fact, values: (values[place] - off, values[place] + off)
