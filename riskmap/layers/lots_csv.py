"""Lots from a CSV with lon and lat, or with well-known text: encoding, separator, rows that are no lots.

Rows are numbered as a spreadsheet numbers them: one record is one row even where a quoted text has several lines,
and blank rows count.
"""

from __future__ import annotations

import codecs
import csv
import io
import re
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from riskmap.errors import LayerError, Problem, joined, said_by
from riskmap.layers.crs_help import candidates
from riskmap.layers.lots_columns import ALSO_CALLED, KNOWN, MAX_NESTED, Found, label, match_columns, per_row

if TYPE_CHECKING:
    import pandas as pd

    from riskmap.settings import LotsEntry

SEPARATORS = {",": "commas", ";": "semicolons", "\t": "tabs", "|": "bars"}

_HEADING_CHARACTERS = 1_000_000
_SEPARATOR_LINE = re.compile(r'"?sep=([,;\t|])"?', re.IGNORECASE)
_TOTALS = re.compile(r"\W*(?:grand\s|sub)?\s?-?(?:totals?|sum|count|average)\b\W*", re.IGNORECASE)
_CURVED = r"(?i)CURVE|CIRCULARSTRING|MULTISURFACE|POLYHEDRAL|\bTIN\b|TRIANGLE"
_VALUE = re.compile(r"[-+]?\d+([.,]\d*)?$|(?:MULTI)?(?:POLYGON|POINT)\s*Z?\s*\(", re.IGNORECASE)  # no column's name
# Degrees, minutes and perhaps seconds, with a letter of the compass before or after: 98°36'45"W, N 37 54.5, 98 36 45.
_DMS = re.compile(
    r"""([NSEW])?\s*([-+]?\d{1,3})(?:\s*[°ºd:]\s*|\s+)(\d{1,2}(?:\.\d+)?)\s*(?:['’′m:]|\s|$)\s*"""
    r"""(?:(\d{1,2}(?:\.\d+)?)\s*(?:["”″s]|'')?)?\s*([NSEW])?""", re.IGNORECASE)


def read_csv(path: Path, name: str, entry: LotsEntry, kind: str) -> Found:
    """Read a CSV.

    Raises
    ------
    LayerError
        When the text has bytes of no known encoding, the heading is a single column, a row has more fields than the
        heading, or there is no place in it.
    """
    problems: list[Problem] = []
    text = _decoded(path.read_bytes(), name, problems)
    table, heading, rows = _table(text, name, problems)
    _check_heading(heading, entry, name)
    names, dropped = match_columns(heading, entry, name, csv_place=True)
    attributes = table[[heading.index(theirs) for theirs in names.values()]].set_axis(list(names), axis=1)
    _tell_totals(attributes, rows, name, label(names, "lot_id"), problems)
    geometry, crs = _shapes(attributes, rows, name, entry, names, problems)
    return Found(attributes, geometry, crs, rows, dropped, problems, names)


def read_table(path: Path, name: str, problems: list[Problem]) -> tuple[pd.DataFrame, list[str], NDArray[np.int64]]:
    """Return every cell of a CSV as text, its heading, and the row number of each record; one column is enough.

    Raises
    ------
    LayerError
        As in `read_csv`, for bytes, heading and rows.
    """
    return _table(_decoded(path.read_bytes(), name, problems), name, problems, least_columns=1)


# ---------------------------------------------------------------- text
def _decoded(content: bytes, name: str, problems: list[Problem]) -> str:
    """Return the text: UTF-8, UTF-16 with its mark, else Windows-1252 and a finding that says so."""
    if content.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return content.decode("utf-16")
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        row = content[: error.start].count(b"\n") + 1
    try:
        text = content.decode("cp1252")
    except UnicodeDecodeError as error:
        row = content[: error.start].count(b"\n") + 1
        raise LayerError(f"E-LOT-001 {name} row {row}: the text is neither UTF-8 nor Windows-1252 (cp1252). Save the "
                         "file as CSV UTF-8.") from None
    problems.append(Problem("W-LOT-019", name, "the text is not UTF-8 from this row on.",
                            "Look at the letters with accents; if they are wrong, save the file as CSV UTF-8.",
                            "Read as Windows-1252 (cp1252).", row))
    return text


def _table(text: str, name: str, problems: list[Problem], least_columns: int = 2) \
        -> tuple[pd.DataFrame, list[str], NDArray[np.int64]]:
    """Return the cells below the heading, the heading, and the row number of each; rows that are no lots are told."""
    import pandas as pd

    skipped, offset, separator = _before_heading(text)
    separator, heading = _heading(text[offset: offset + _HEADING_CHARACTERS], separator, name, least_columns)
    width = len(heading)
    try:
        table = pd.read_csv(io.StringIO(text[offset:]), sep=separator, dtype=str, keep_default_na=False, header=None,
                            names=list(range(width + 1)), index_col=False, skip_blank_lines=False)
    except (pd.errors.ParserError, pd.errors.EmptyDataError, ValueError) as error:
        raise LayerError(f"E-LOT-001 {name}: cannot be read as CSV: {said_by(error, skipped)}. "
                         "A row may have more fields than the heading, or a quote is not closed.") from None
    table = table.iloc[1:]
    rows = np.arange(2, len(table) + 2, dtype=np.int64) + skipped
    long = (table[width].fillna("").str.strip() != "").to_numpy()
    if long.any():
        raise LayerError(f"E-LOT-001 {name} row {rows[long.argmax()]}: the row has more fields than the "
                         "heading. Put quotes around values that contain the separator.")
    table = table.drop(columns=width).fillna("")
    first = table[0].str.strip()
    blank, again = _same(table, first, [""] * width), _same(table, first, heading)
    _tell_rows(blank, rows, "W-LOT-006", name, "are blank", problems)
    _tell_rows(again & ~blank, rows, "W-LOT-004", name, "repeat the heading", problems)
    kept = ~blank & ~again
    if not kept.all():
        table, rows = table[kept], rows[kept]
    return table.reset_index(drop=True), heading, rows


def _check_heading(heading: list[str], entry: LotsEntry, name: str) -> None:
    """Refuse a first row of values: named as columns, they could tell what is in columns that are never read."""
    known = {*KNOWN, *ALSO_CALLED}
    if any(cell.lower() in known for cell in heading) or set(entry.columns.values()) & set(heading):
        return
    if any(_VALUE.match(cell) for cell in heading):
        raise LayerError(f"E-LOT-008 {name} row 1: it holds values, not the names of columns. Write a first row with "
                         "names, such as lot_id,lon,lat,pour_date.")


def _before_heading(text: str) -> tuple[int, int, str | None]:
    """Return the lines and characters before the heading, and the separator that a `sep=;` line declares."""
    skipped = offset = 0
    for line in io.StringIO(text[:_HEADING_CHARACTERS], newline=""):
        declared = _SEPARATOR_LINE.fullmatch(line.strip("\r\n "))
        if declared:
            return skipped + 1, offset + len(line), declared[1]
        if line.strip("\r\n \t,;|") or not line.endswith(("\r", "\n")):
            break
        skipped, offset = skipped + 1, offset + len(line)
    return skipped, offset, None


def _heading(text: str, separator: str | None, name: str, least_columns: int) -> tuple[str, list[str]]:
    """Return the separator that stands most often outside quotes, and the names of the columns."""
    bare = re.sub(r'"[^"]*"', "", text).lstrip("\r\n").splitlines()
    best = separator or max(SEPARATORS, key=(bare or [""])[0].count)
    heading = [cell.strip() for cell in next(csv.reader(io.StringIO(text, newline=""), delimiter=best), [])]
    if len(heading) < least_columns:
        raise LayerError(f"E-LOT-001 {name}: the heading has a single column. Separate columns by one of: "
                         f"{joined(SEPARATORS.values())}, and let the first row be the heading.")
    return best, heading


def _same(table: pd.DataFrame, first: pd.Series, wanted: list[str]) -> NDArray[np.bool_]:
    """Mark rows that hold exactly the wanted cells; the other columns are looked at only where the first one agrees."""
    found = (first == wanted[0]).to_numpy(dtype=bool, copy=True)
    where = np.flatnonzero(found)
    for column, cell in enumerate(wanted):
        where = where[(table[column].iloc[where].str.strip() == cell).to_numpy(dtype=bool)]
    found[:] = False
    found[where] = True
    return found


def _tell_rows(found: NDArray[np.bool_], rows: NDArray[np.int64], code: str, name: str, what: str,
               problems: list[Problem]) -> None:
    if found.any():
        problems.append(Problem(code, name, f"{int(found.sum())} rows {what}: {joined(rows[found])}.", "Remove them.",
                                "Passed over: they are no lots.", int(rows[found][0])))


def _tell_totals(attributes: pd.DataFrame, rows: NDArray[np.int64], name: str, column: str,
                 problems: list[Problem]) -> None:
    totals = attributes["lot_id"].str.fullmatch(_TOTALS).to_numpy(dtype=bool)
    problems += per_row(totals, rows, attributes["lot_id"].to_numpy(dtype=object), "W-LOT-005", name, column,
                        "this looks like a row of totals.", "Remove it if it is no lot.", "Row kept as a lot.")


# ---------------------------------------------------------------- places
def _shapes(attributes: pd.DataFrame, rows: NDArray[np.int64], name: str, entry: LotsEntry, names: dict[str, str],
            problems: list[Problem]) -> tuple[NDArray[np.object_], Any]:
    if "geometry" in attributes:
        return _from_text(attributes["geometry"], rows, name, problems), None
    if "lon" not in attributes or "lat" not in attributes:
        raise LayerError(f"E-LOT-003 {name}: no columns lon and lat and no column geometry or wkt. "
                         'Write which they are, for example [lots.columns] lon = "X", lat = "Y".')
    return _points(attributes, rows, name, entry, names, problems), entry.crs or "EPSG:4326"


def _from_text(column: pd.Series, rows: NDArray[np.int64], name: str, problems: list[Problem]) -> NDArray[np.object_]:
    import shapely

    text = column.to_numpy(dtype=object)
    given = (column.str.strip() != "").to_numpy(dtype=bool)
    odd = column.str.contains(_CURVED).to_numpy(dtype=bool)
    nested = given & (column.str.count("COLLECTION", flags=re.IGNORECASE) > MAX_NESTED).to_numpy(dtype=bool)
    plain = given & ~odd & ~nested
    geometry = np.full(len(text), None, dtype=object)
    geometry[plain] = shapely.from_wkt(text[plain], on_invalid="ignore")
    for bad, rule, remedy in (
            (plain & shapely.is_missing(geometry), "this is not well-known text.", "Write POLYGON ((x y, ...))."),
            (odd, "curved and folded shapes are not read from text.", "Write the outline with straight sides."),
            (nested & ~odd, f"more than {MAX_NESTED} collections lie in one another.", "Write POLYGON ((x y, ...)).")):
        problems += per_row(bad, rows, text, "E-LOT-004", name, "geometry", rule, remedy, "Row kept, not estimated.")
    return geometry


def _points(attributes: pd.DataFrame, rows: NDArray[np.int64], name: str, entry: LotsEntry, names: dict[str, str],
            problems: list[Problem]) -> NDArray[np.object_]:
    import pandas as pd
    import shapely

    xy = {c: pd.to_numeric(attributes[c].str.strip(), errors="coerce").to_numpy(dtype=float, na_value=np.nan)
          for c in ("lon", "lat")}
    for column, values in xy.items():
        _tell_coordinates(~np.isfinite(values), attributes[column], rows, name, label(names, column), problems)
    good = np.isfinite(xy["lon"]) & np.isfinite(xy["lat"])
    geometry = np.full(len(rows), None, dtype=object)
    geometry[good] = shapely.points(xy["lon"][good], xy["lat"][good])
    beyond = (np.abs(xy["lon"][good]) > 360) | (np.abs(xy["lat"][good]) > 360)
    if entry.crs is None and beyond.sum() * 2 > good.sum():
        raise LayerError(f"E-LOT-020 {name}: the columns {entry.columns.get('lon', 'lon')} and "
                         f"{entry.columns.get('lat', 'lat')} are not degrees. {candidates(geometry)}")
    return geometry


def _tell_coordinates(bad: NDArray[np.bool_], column: pd.Series, rows: NDArray[np.int64], name: str, called: str,
                      problems: list[Problem]) -> None:
    """Tell what is no decimal number; degrees with minutes and numbers with a comma get their own sentence."""
    where = np.flatnonzero(bad)
    text = column.iloc[where].str.strip()
    dms = np.array([_degrees(value) is not None for value in text], dtype=bool)
    comma = text.str.fullmatch(r"[-+]?\d+,\d+").to_numpy(dtype=bool)
    empty = (text == "").to_numpy(dtype=bool)
    values = column.iloc[where].to_numpy(dtype=object)
    kinds = ((dms, "degrees, minutes and seconds are not read."), (comma, "the decimal mark is a comma."),
             (empty, "there is no coordinate."), (~dms & ~comma & ~empty, "this is not a decimal number."))
    for found, rule in kinds:
        told = per_row(found, rows[where], values, "E-LOT-004", name, called, rule,
                       "Write degrees with a point, such as -98.6125.", "Row kept, not estimated.")
        problems += told if found is not dms else [_with_degrees(problem, text, rows[where]) for problem in told]


def _with_degrees(problem: Problem, text: pd.Series, rows: NDArray[np.int64]) -> Problem:
    if problem.row is None:
        return problem
    value = _degrees(text.iloc[int(np.searchsorted(rows, problem.row))])
    return replace(problem, remedy=f"Write decimal degrees with a point; this one reads as {value:.6f}.")


def _degrees(text: str) -> float | None:
    """Return degrees, minutes and seconds as decimal degrees, south and west negative; None when it is not such."""
    found = _DMS.fullmatch(text) if len(text) < 40 else None
    if found is None:
        return None
    before, degrees, minutes, seconds, after = found.groups()
    letter = (before or after or "").upper()
    size = abs(float(degrees)) + float(minutes) / 60 + float(seconds or 0) / 3600
    return -size if letter in {"S", "W"} or degrees.startswith("-") else size
