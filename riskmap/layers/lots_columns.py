"""Which columns of a lot file are kept, and what a format reader returns.

Only columns on the list below are kept. The values of all other columns are dropped on reading.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from difflib import SequenceMatcher
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from riskmap.common.errors import LayerError, closest, joined, shown
from riskmap.common.problems import Problem

if TYPE_CHECKING:
    import pandas as pd

    from riskmap.common.settings import LotsEntry

TEXT_COLUMNS = ("lot_id", "pour_date", "pour_date_early", "pour_date_late", "pour_date_basis", "foundation_type",
                "land_use", "post_tensioned")
NUMBER_COLUMNS = ("slab_width_m", "slab_length_m", "beam_depth_mm")
OTHER_UNITS = ("slab_width_ft", "slab_length_ft", "beam_depth_in")  # converted to the columns above
PLACE_COLUMNS = ("lon", "lat", "geometry")  # tables only: CSV and workbooks
KNOWN = TEXT_COLUMNS + NUMBER_COLUMNS + OTHER_UNITS + PLACE_COLUMNS
ALSO_CALLED = {"longitude": "lon", "latitude": "lat", "wkt": "geometry"}  # headings of tables

# About people, not ground: these are never read, whatever the file calls them. They are compared with whole words of a
# column name.
_PERSONAL = re.compile(
    r"owner\w*|own\d*|mail\w*|exempt\w*|homestead\w*|age|ages|birth\w*|dob|race|ethnic\w*|sex|gender|marital|religion|"
    r"phone\w*|email\w*|ssn|income|senior|veteran\w*|disab\w*|taxpayer\w*|grantor|grantee|buyer\w*|seller\w*|tenant\w*|"
    r"occupant\w*|resident\w*|borrower\w*|lender\w*")
EFFECTIVE_YEAR = re.compile(r"eff(ective)?[\W_]*(yr|year|age|built|blt|date)|(yr|year|built|blt)[\W_]*eff|"
                            r"(?<![a-z])eyb(?![a-z])", re.IGNORECASE)  # EYB: effective year built

SHOWN_ROWS = 1000
# similarity of two names from which on one is proposed for the other: the default of difflib's close matches
ALIKE = 0.6
# nesting of collections in one shape; measured: with 200,000 levels the geometry library ends the program
MAX_NESTED = 64


class NoIdentifier(LayerError):
    """No column identifies a lot.

    Attributes
    ----------
    columns : list of str
        Those that the file has.
    """

    def __init__(self, *message: object, columns: Iterable[str]) -> None:
        """Take the message and the columns of the file."""
        super().__init__(*message)
        self.columns = list(columns)


@dataclass(frozen=True)
class RawLots:
    """What a format reader returns: text columns under our names, shapes, coordinate system and row numbers."""

    attributes: pd.DataFrame
    geometry: NDArray[np.object_]
    crs: Any
    source_row: NDArray[np.int64]
    dropped: list[str]
    problems: list[Problem] = field(default_factory=list)
    names: dict[str, str] = field(default_factory=dict)  # our name -> the file's
    labels: pd.Series | None = None  # text of the column that `[lots] label` names, one per row


Choice = Callable[..., tuple[dict[str, str], list[str]]]  # `match_columns` or `every_column`


def match_columns(present: list[str], entry: LotsEntry, name: str, csv_place: bool = False, any_row: bool = True) \
        -> tuple[dict[str, str], list[str]]:
    """Return our name -> the file's column, and the columns that are dropped.

    In a file with no row and no column (an empty GeoJSON) no column can be missing. Where `[lots.columns]` has an empty
    text for one of our names, no column of the file is taken for it, not even one with this very name.
    """
    if not present and not any_row:
        return {}, []
    known = KNOWN if csv_place else tuple(c for c in KNOWN if c not in PLACE_COLUMNS)
    _check_mapping(entry.columns, present, known, name)
    names = {ours: theirs for ours, theirs in entry.columns.items() if theirs}
    taken = set(names.values())
    for column in present:
        lower = column.lower()
        ours = ALSO_CALLED.get(lower, lower) if csv_place else lower
        if ours in known and ours not in entry.columns and column not in taken:
            if names.get(ours) == column:
                raise LayerError(_twice(column, name))
            if ours in names:
                raise LayerError(f"E-LOT-007 {name}: two columns give {ours}: '{shown(names[ours])}' and "
                                 f"'{shown(column)}'. Say which one: [lots.columns] {ours} = \"...\".")
            names[ours] = column
    repeated = [c for c in names.values() if present.count(c) > 1]
    if repeated:
        raise LayerError(_twice(repeated[0], name))
    if "lot_id" not in names:
        raise NoIdentifier(f"E-LOT-008 {name}: no column lot_id. The file has: {joined(present, 40) or 'no columns'}. "
                           'Write which one identifies a lot, for example [lots.columns] lot_id = "PARCEL_NO".',
                           columns=present)
    for si, other in zip(NUMBER_COLUMNS, OTHER_UNITS, strict=True):
        if si in names and other in names:
            del names[other]
    return names, [c for c in present if c not in names.values()]


def every_column(present: list[str], entry: LotsEntry, name: str, csv_place: bool = False, any_row: bool = True) \
        -> tuple[dict[str, str], list[str]]:
    """Return every column under its own name, except those about people, and the names of those that are dropped.

    Use it in place of `match_columns` for a file whose columns have not been judged yet.
    """
    kept = [column for column in present if not is_personal(column)]
    if repeated := [column for column in kept if kept.count(column) > 1]:
        raise LayerError(_twice(repeated[0], name))
    return {column: column for column in kept}, [column for column in present if column not in kept]


def _twice(column: str, name: str) -> str:
    return (f"E-LOT-007 {name}: two columns have the name '{shown(column)}', so it is not known which one is meant. "
            "Rename or remove one in the file.")


def _check_mapping(mapping: dict[str, str], present: list[str], known: tuple[str, ...], name: str) -> None:
    for ours, theirs in mapping.items():
        if ours not in known:
            turned = f' Write it the other way round: {theirs} = "{shown(ours)}".' if theirs in known else ""
            raise LayerError(f"E-LOT-009 {name}: lots.columns names '{shown(ours)}', which is not one of: "
                             f"{joined(known, 20)}.{turned or _meant(ours, known)}")
        if theirs and theirs not in present:
            raise LayerError(f"E-LOT-009 {name}: lots.columns.{ours} = '{shown(theirs)}', but the file has no such "
                             f"column. It has, in its own order: {joined(present, 40) or 'no columns'}."
                             f"{_meant(theirs, present)}")
        if is_personal(theirs):
            raise LayerError(f"E-LOT-009 {name}: lots.columns.{ours} = '{shown(theirs)}' is about people and is not "
                             "read. Choose a column about the lot.")
        if ours.startswith("pour_date") and EFFECTIVE_YEAR.search(theirs):
            raise LayerError(f"E-LOT-009 {name}: lots.columns.{ours} = '{shown(theirs)}': an effective year is an "
                             "appraiser's judgement of condition, not a date of building. Use the year built.")


LABEL = "label"  # of the column that `[lots] label` names, beside our names: it is not a column of the lots


def label_column(present: list[str], entry: LotsEntry, name: str) -> dict[str, str]:
    """Return `LABEL` -> the file's column that `[lots] label` names; nothing where it names none.

    The column stays among those that no number uses, so a run says the same of the file with a label and without.

    Raises
    ------
    LayerError
        The file has no such column, has it twice, or the column is about people.
    """
    theirs = entry.label
    if theirs is None:
        return {}
    if is_personal(theirs):
        raise LayerError(f"E-LOT-092 {name}: lots.label = '{shown(theirs)}' is about people and is not read. Choose a "
                         "column about the place, such as the address of the lot.")
    if theirs not in present:
        raise LayerError(f"E-LOT-092 {name}: lots.label = '{shown(theirs)}', but the file has no such column. It has, "
                         f"in its own order: {joined(present, 40) or 'no columns'}.{_meant(theirs, present)}")
    if present.count(theirs) > 1:
        raise LayerError(_twice(theirs, name))
    return {LABEL: theirs}


def _meant(name: str, names: Iterable[str]) -> str:
    """Return a question with the most similar name; empty text when none is similar."""
    best = next(iter(closest(name, names)), "")
    alike = SequenceMatcher(None, name.lower(), best.lower()).ratio() >= ALIKE
    return f" Is '{shown(best)}' meant?" if best and alike else ""


def label(names: dict[str, str], ours: str) -> str:
    """Return a column as its user knows it: the file's name, followed by ours where the two differ."""
    theirs = names.get(ours, ours)
    return ours if theirs.lower() == ours else f"{theirs} ({ours})"


def column_notes(raw: RawLots) -> dict[str, Any]:
    """Return what later stages say about columns, by key of `DataFrame.attrs`.

    `labels`: our column -> its name as the user knows it, for the columns that the file has; `feet_or_inches`: our
    column in metres or millimetres -> the unit that the file uses; `unused`: names of columns that are not read, except
    those about people and effective years.
    """
    labels = {ours: label(raw.names, ours) for ours in raw.names}
    units = {}
    for si, other in zip(NUMBER_COLUMNS, OTHER_UNITS, strict=True):
        if other in raw.names:
            labels[si], units[si] = label(raw.names, other), other.rsplit("_", 1)[1]
    unused = [c for c in raw.dropped if not is_personal(c) and not EFFECTIVE_YEAR.search(c)]
    return {"labels": labels, "feet_or_inches": units, "unused": unused}


def is_personal(column: str) -> bool:
    """Return whether a column name says that the column is about people."""
    words = re.sub(r"(?<=[a-z0-9])(?=[A-Z])", "_", column).lower()
    return any(_PERSONAL.fullmatch(word) for word in re.split(r"[\W_]+", words))


def dropped_columns(columns: list[str], name: str) -> list[Problem]:
    """Return one finding for columns about people, and one for all others that are dropped; they name columns only."""
    personal = [c for c in columns if is_personal(c)]
    other = [c or "(no name)" for c in columns if not is_personal(c)]
    problems = []
    if personal:
        problems.append(Problem("W-LOT-003", name, rule=f"columns about people are refused: {joined(personal, 40)}.",
                                remedy="Remove them from the file that you pass on.", action="Not kept, not used, not "
                                "written."))
    if other:
        problems.append(Problem("W-LOT-002", name, rule=f"columns that the estimate does not use: {joined(other, 40)}.",
                                remedy="Map one with [lots.columns] if it is needed.",
                                action="Not kept, unless it is the one that lots.label names."))
    return problems


def per_row(mask: NDArray[np.bool_], rows: NDArray[np.int64], values: NDArray | None, code: str, name: str,
            column: str, *, rule: str, remedy: str, action: str) -> list[Problem]:
    """Return one finding per marked row; beyond `SHOWN_ROWS` the rest is counted in one more."""
    where = np.flatnonzero(mask)
    findings = [Problem(code, name, rule=rule, remedy=remedy, action=action, row=int(rows[i]), column=column,
                        value="" if values is None else shown(values[i]))
                for i in where[:SHOWN_ROWS]]
    if where.size > SHOWN_ROWS:
        findings.append(Problem(code, name, rule=f"{rule} The same is true of {where.size - SHOWN_ROWS} more rows.",
                                remedy=remedy, action=action, column=column))
    return findings
