"""Lots from a CSV with lon and lat, or with well-known text: encoding, separator, rows that are not lots.

Rows are numbered as a spreadsheet numbers them: one record is one row, even if a quoted text in it has several lines,
and blank rows count.
"""

from __future__ import annotations

import codecs
import csv
import io
import re
from collections.abc import Collection, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from riskmap.common.errors import LayerError, counted, joined
from riskmap.common.problems import Problem, first_rows, kept_by_refusal
from riskmap.layers import title_rows
from riskmap.layers.crs_advice import candidates
from riskmap.layers.lots_columns import (
    ALSO_CALLED,
    KNOWN,
    MAX_NESTED,
    RawLots,
    label,
    label_column,
    match_columns,
    per_row,
)

if TYPE_CHECKING:
    import pandas as pd

    from riskmap.common.settings import LotsEntry

SEPARATORS = {",": "commas", ";": "semicolons", "\t": "tabs", "|": "bars"}

MAX_COLUMNS = 2000  # published: the default maximum of SQLite, and so of a GeoPackage (SQLITE_MAX_COLUMN)
_HEADING_CHARACTERS = 1_000_000
# before the 16-bit ones, which begin with the same bytes
_MARKS = ((codecs.BOM_UTF32_LE, "utf-32"), (codecs.BOM_UTF32_BE, "utf-32"),
          (codecs.BOM_UTF16_LE, "utf-16"), (codecs.BOM_UTF16_BE, "utf-16"))
_HEAD_BYTES = 4096
_ZERO_SHARE = 0.2  # judgement: in plain letters in UTF-16 half of the bytes are 0, in other texts hardly one is
_SEPARATOR_LINE = re.compile(r'"?sep=([,;\t|])"?', re.IGNORECASE)
_TOTALS = re.compile(r"\W*(?:grand\s|sub)?\s?-?(?:totals?|sum|count|average)\b\W*", re.IGNORECASE)
_CURVED = r"(?i)CURVE|CIRCULARSTRING|MULTISURFACE|POLYHEDRAL|\bTIN\b|TRIANGLE"
# Degrees, minutes and possibly seconds, with a letter of the compass before or after: 98°36'45"W, N 37 54.5, 98 36 45.
_DMS = re.compile(
    r"""([NSEW])?\s*([-+]?\d{1,3})(?:\s*[°ºd:]\s*|\s+)(\d{1,2}(?:\.\d+)?)\s*(?:['’′m:]|\s|$)\s*"""
    r"""(?:(\d{1,2}(?:\.\d+)?)\s*(?:["”″s]|'')?)?\s*([NSEW])?""", re.IGNORECASE)


def read_csv(path: Path, name: str, entry: LotsEntry, kind: str) -> RawLots:
    """Read a CSV.

    Raises
    ------
    LayerError
        When the text has bytes of no known encoding, the heading is a single column, a row has more fields than the
        heading, or no column gives a place.
    """
    problems: list[Problem] = []
    with kept_by_refusal(problems):
        return _read(path, name, entry, problems)


def _read(path: Path, name: str, entry: LotsEntry, problems: list[Problem]) -> RawLots:
    text = _decoded(path.read_bytes(), name, problems)
    named = {theirs.strip().lower() for theirs in entry.columns.values() if theirs}
    table, heading, rows = _table(text, name, problems, wanted=named or KNOWN)
    check_heading(heading, entry, name)
    return as_lots(table, heading, rows, name, entry, problems)


def as_lots(table: pd.DataFrame, heading: list[str], rows: NDArray[np.int64], name: str, entry: LotsEntry,
            problems: list[Problem]) -> RawLots:
    """Return the lots of a table of texts with a heading.

    Parameters
    ----------
    table : DataFrame
        Its columns are numbered by their places in the heading; those that are not used may be left out.
    heading : list of str
    rows : int array
        The number of each row as an editor shows it.
    name, entry, problems
        The name of the file, its entry in the area file, and the findings, to which more are added.

    Raises
    ------
    LayerError
        When no column identifies a lot or gives a place, or `match_columns` refuses the columns.
    """
    names, dropped = match_columns(heading, entry, name, csv_place=True)
    attributes = table[[heading.index(theirs) for theirs in names.values()]].set_axis(list(names), axis=1)
    labels = [table[heading.index(theirs)] for theirs in label_column(heading, entry, name).values()]
    _tell_totals(attributes, rows, name, label(names, "lot_id"), problems)
    geometry, crs = shapes_of(attributes, rows, name, entry, names, problems)
    return RawLots(attributes, geometry, crs, rows, dropped, problems, names, *labels)


def read_table(path: Path, name: str, problems: list[Problem], wanted: Collection[str] = ()) \
        -> tuple[pd.DataFrame, list[str], NDArray[np.int64]]:
    """Return every cell of a CSV as text, its heading, and the row number of each record. One column is enough.

    With `wanted`, names of columns in lower case, rows above the heading are skipped (`title_rows`).

    Raises
    ------
    LayerError
        As in `read_csv`, for bytes, heading and rows.
    """
    return _table(_decoded(path.read_bytes(), name, problems), name, problems, least_columns=1, wanted=wanted)


# ---------------------------------------------------------------- text
def _decoded(content: bytes, name: str, problems: list[Problem]) -> str:
    """Return the text: UTF-8, UTF-16 or UTF-32, otherwise Windows-1252 with a finding that says so."""
    wide = next((encoding for mark, encoding in _MARKS if content.startswith(mark)), "") or _unmarked(content)
    if wide:
        try:
            text = content.decode(wide)
        except UnicodeDecodeError as error:
            row = content[: error.start].decode(wide, "replace").count("\n") + 1
            raise LayerError(f"E-LOT-067 {name} row {row}: the text begins as {_called(wide)} and does not go on so; "
                             "it may be cut. Save the file as CSV UTF-8.") from None
        if not content.startswith(tuple(mark for mark, _ in _MARKS)):
            problems.append(Problem("W-LOT-067", name, rule=f"the text is {_called(wide)} without the mark that says "
                                    "so.", remedy="Save the file as CSV UTF-8.", action=f"Read as {_called(wide)}.",
                                    row=1))
        return text
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        row = content[: error.start].count(b"\n") + 1
    try:
        text = content.decode("cp1252")
    except UnicodeDecodeError as error:
        row = content[: error.start].count(b"\n") + 1
        raise LayerError(f"E-LOT-082 {name} row {row}: the text is neither UTF-8 nor Windows-1252 (cp1252). Save the "
                         "file as CSV UTF-8.") from None
    problems.append(Problem("W-LOT-019", name, rule="the text is not UTF-8 from this row on.",
                            remedy="Look at the letters with accents; if they are wrong, save the file as CSV UTF-8.",
                            action="Read as Windows-1252 (cp1252).", row=row))
    return text


def _unmarked(content: bytes) -> str:
    """Return the encoding of text in units of two or four bytes without a mark, from the pattern of zero bytes."""
    head = content[:_HEAD_BYTES]
    even, odd = head[::2].count(0), head[1::2].count(0)
    if max(even, odd) < _ZERO_SHARE * len(head):
        return ""
    if min(even, odd) > max(even, odd) / 10:
        return "utf-32-be" if head.startswith(bytes(3)) else "utf-32-le"
    return "utf-16-be" if even > odd else "utf-16-le"


def _called(encoding: str) -> str:
    return encoding.upper().replace("-LE", " (low byte first)").replace("-BE", " (high byte first)")


def _table(text: str, name: str, problems: list[Problem], least_columns: int = 2, wanted: Collection[str] = ()) \
        -> tuple[pd.DataFrame, list[str], NDArray[np.int64]]:
    """Return the cells below the heading, the heading, and the row number of each.

    Rows that are not lots are reported.
    """
    import pandas as pd

    skipped, offset, separator = _before_heading(text)
    if wanted:
        lines, characters = title_rows.lines_above(text[offset: offset + _HEADING_CHARACTERS],
                                                   [separator] if separator else SEPARATORS, wanted)
        skipped, offset = skipped + lines, offset + characters
        problems += [title_rows.finding(skipped, name)] if lines else []
    separator, heading = _heading(text[offset: offset + _HEADING_CHARACTERS], separator, name, least_columns)
    width = len(heading)
    if width > MAX_COLUMNS:
        raise LayerError(f"E-LOT-066 {name}: the heading has {width:,} columns; at most {MAX_COLUMNS:,} are read. "
                         "Remove separators at the end of the lines, or columns that are not needed.")
    try:
        table = pd.read_csv(io.StringIO(text[offset:]), sep=separator, dtype=str, keep_default_na=False, header=None,
                            names=list(range(width + 1)), index_col=False, skip_blank_lines=False)
    except (pd.errors.ParserError, pd.errors.EmptyDataError, ValueError) as error:
        raise LayerError(_why_not(str(error), text[offset:], separator, width, skipped, name)) from None
    table = table.iloc[1:]
    rows = np.arange(2, len(table) + 2, dtype=np.int64) + skipped
    long = (table[width].fillna("").str.strip() != "").to_numpy()
    if long.any():
        raise LayerError(_too_long(name, rows[long].tolist(), width))
    table = table.drop(columns=width).fillna("")
    short = _short(text[offset:], separator, (table[width - 1] == "").to_numpy(dtype=bool), width)
    first = table[0].str.strip()
    blank, again = _same(table, first, [""] * width), _same(table, first, heading)
    tell_rows_left(rows[blank], rows[again & ~blank], name, problems)
    _tell_short(short & ~blank & ~again, rows, name, problems)
    lots = ~blank & ~again
    if not lots.all():
        table, rows = table[lots], rows[lots]
    return table.reset_index(drop=True), heading, rows


def _why_not(said: str, text: str, separator: str, width: int, skipped: int, name: str) -> str:
    """Return why a text is not a table: rows that are too long, or the row with a quote that is never closed."""
    quote = re.search(r"EOF inside string starting at row (\d+)", said)
    if quote:
        return (f"E-LOT-084 {name} row {int(quote[1]) + 1 + skipped}: a quote is opened in this row and never closed, "
                "so all that follows would be one value. Close it, or double each quote within a value.")
    long = []
    try:
        for number, cells in enumerate(csv.reader(io.StringIO(text, newline=""), delimiter=separator), 1 + skipped):
            long += [number] if any(cell.strip() for cell in cells[width:]) or len(cells) > width + 1 else []
    except csv.Error:  # a value longer than that module takes
        pass
    if long:
        return _too_long(name, long, width)
    return f"E-LOT-001 {name}: cannot be read as CSV: {said.splitlines()[0] if said else 'no text'}. Export it again."


def _too_long(name: str, rows: list[int], width: int) -> str:
    more = f" (and in {len(rows) - 1:,} more: {first_rows(rows[1:])})" if len(rows) > 1 else ""
    return (f"E-LOT-083 {name} row {rows[0]}: the row has more fields than the heading, which has {width}{more}. Put "
            "quotes around values that contain the separator, or remove what is left over.")


def _short(text: str, separator: str, maybe: NDArray[np.bool_], width: int) -> NDArray[np.bool_]:
    """Mark records with fewer fields than the heading, of those whose last field is empty: pandas fills them up."""
    short = np.zeros(len(maybe), dtype=bool)
    if maybe.any():
        try:
            count = np.fromiter(map(len, csv.reader(io.StringIO(text, newline=""), delimiter=separator)), np.int64)[1:]
        except csv.Error:  # a value longer than that module takes
            return short
        if len(count) == len(short):
            short = (count < width) & maybe
    return short


def _tell_short(short: NDArray[np.bool_], rows: NDArray[np.int64], name: str, problems: list[Problem]) -> None:
    if short.any():
        problems.append(Problem(
            "W-LOT-065", name, rule=f"{counted(int(short.sum()), 'row has', 'rows have')} fewer fields than the "
            f"heading: {joined(rows[short])}.", remedy="Check that the file was saved whole, and that no value has "
            "moved into another column.", action="The fields that are missing at the end are read as empty.",
            row=int(rows[short][0])))


def check_heading(heading: list[str], entry: LotsEntry, name: str) -> None:
    """Refuse a first row of values: as column names they could reveal what is in columns that are never read."""
    known = {*KNOWN, *ALSO_CALLED}
    if any(cell.lower() in known for cell in heading) or (set(entry.columns.values()) - {""}) & set(heading):
        return
    if any(title_rows.VALUE.match(cell) for cell in heading):
        raise LayerError(f"E-LOT-090 {name} row 1: it contains values, not the names of columns. Write a first row "
                         "with names, such as lot_id,lon,lat,pour_date.")


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
    """Return the separator that occurs most often outside quotes, and the names of the columns."""
    bare = re.sub(r'"[^"]*"', "", text).lstrip("\r\n").splitlines()
    best = separator or max(SEPARATORS, key=(bare or [""])[0].count)
    heading = [cell.strip() for cell in next(csv.reader(io.StringIO(text, newline=""), delimiter=best), [])]
    if len(heading) < least_columns:
        raise LayerError(f"E-LOT-085 {name}: the heading has a single column. Separate columns by one of: "
                         f"{joined(SEPARATORS.values())}, and let the first row be the heading.")
    return best, heading


def _same(table: pd.DataFrame, first: pd.Series, cells: list[str]) -> NDArray[np.bool_]:
    """Mark rows with exactly the wanted cells; other columns are compared only where the first one agrees."""
    same = (first == cells[0]).to_numpy(dtype=bool, copy=True)
    where = np.flatnonzero(same)
    for column, cell in enumerate(cells):
        where = where[(table[column].iloc[where].str.strip() == cell).to_numpy(dtype=bool)]
    same[:] = False
    same[where] = True
    return same


def tell_rows_left(blank: Sequence[int] | NDArray[np.int64], again: Sequence[int] | NDArray[np.int64], name: str,
                   problems: list[Problem]) -> None:
    """Report the numbers of rows that are blank and of those that repeat the heading."""
    for code, what, rows in (("W-LOT-006", "are blank", blank), ("W-LOT-004", "repeat the heading", again)):
        if len(rows):
            problems.append(Problem(code, name, rule=f"{len(rows)} rows {what}: {joined(rows)}.",
                                    remedy="Remove them.", action="Skipped: they are not lots.", row=int(rows[0])))


def _tell_totals(attributes: pd.DataFrame, rows: NDArray[np.int64], name: str, column: str,
                 problems: list[Problem]) -> None:
    totals = attributes["lot_id"].str.fullmatch(_TOTALS).to_numpy(dtype=bool)
    problems += per_row(totals, rows, attributes["lot_id"].to_numpy(dtype=object), "W-LOT-005", name, column,
                        rule="this looks like a row of totals.", remedy="Remove it if it is not a lot.",
                        action="Row kept as a lot.")


# ---------------------------------------------------------------- places
def shapes_of(attributes: pd.DataFrame, rows: NDArray[np.int64], name: str, entry: LotsEntry, names: dict[str, str],
              problems: list[Problem]) -> tuple[NDArray[np.object_], Any]:
    """Return the shapes of the columns lon and lat, or geometry, and their coordinate system.

    Raises
    ------
    LayerError
        When there is no such column, or lon and lat are not degrees and the entry names no system.
    """
    if "geometry" in attributes:
        return shapes_from_text(attributes["geometry"], rows, name, problems), None
    if "lon" not in attributes or "lat" not in attributes:
        raise LayerError(f"E-LOT-003 {name}: no columns lon and lat and no column geometry or wkt. "
                         'Write which they are, for example [lots.columns] lon = "X", lat = "Y".')
    return _points(attributes, rows, name, entry, names, problems), entry.crs or "EPSG:4326"


def shapes_from_text(column: pd.Series, rows: NDArray[np.int64], name: str, problems: list[Problem]) \
        -> NDArray[np.object_]:
    """Return the shapes in a column of well-known text, None where there is none, and add what is wrong."""
    import shapely

    text = column.to_numpy(dtype=object)
    filled = (column.str.strip() != "").to_numpy(dtype=bool)
    odd = column.str.contains(_CURVED).to_numpy(dtype=bool)
    nested = filled & (column.str.count("COLLECTION", flags=re.IGNORECASE) > MAX_NESTED).to_numpy(dtype=bool)
    plain = filled & ~odd & ~nested
    geometry = np.full(len(text), None, dtype=object)
    geometry[plain] = shapely.from_wkt(text[plain], on_invalid="ignore")
    for bad, rule, remedy in (
            (plain & shapely.is_missing(geometry), "this is not well-known text.", "Write POLYGON ((x y, ...))."),
            (odd, "curved and folded shapes are not read from text.", "Write the outline with straight sides."),
            (nested & ~odd, f"more than {MAX_NESTED} collections lie in one another.", "Write POLYGON ((x y, ...)).")):
        problems += per_row(bad, rows, text, "E-LOT-004", name, "geometry", rule=rule, remedy=remedy,
                            action="Row kept, not estimated.")
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
        raise LayerError(f"E-LOT-091 {name}: the columns {entry.columns.get('lon', 'lon')} and "
                         f"{entry.columns.get('lat', 'lat')} are not degrees. {candidates(geometry)}")
    return geometry


def _tell_coordinates(bad: NDArray[np.bool_], column: pd.Series, rows: NDArray[np.int64], name: str, called: str,
                      problems: list[Problem]) -> None:
    """Report what is not a decimal number. Degrees with minutes, and numbers with a comma, get their own sentence."""
    where = np.flatnonzero(bad)
    text = column.iloc[where].str.strip()
    dms = np.array([_degrees(value) is not None for value in text], dtype=bool)
    comma = text.str.fullmatch(r"[-+]?\d+,\d+").to_numpy(dtype=bool)
    empty = (text == "").to_numpy(dtype=bool)
    values = column.iloc[where].to_numpy(dtype=object)
    kinds = ((dms, "degrees, minutes and seconds are not read."), (comma, "the decimal mark is a comma."),
             (empty, "there is no coordinate."), (~dms & ~comma & ~empty, "this is not a decimal number."))
    for mask, rule in kinds:
        findings = per_row(mask, rows[where], values, "E-LOT-004", name, called, rule=rule,
                           remedy="Write degrees with a point, such as -98.6125.", action="Row kept, not estimated.")
        problems += findings if mask is not dms else [_with_degrees(problem, text, rows[where]) for problem in findings]


def _with_degrees(problem: Problem, text: pd.Series, rows: NDArray[np.int64]) -> Problem:
    if problem.row is None:
        return problem
    value = _degrees(text.iloc[int(np.searchsorted(rows, problem.row))])
    return replace(problem, remedy=f"Write decimal degrees with a point; this one reads as {value:.6f}.")


def _degrees(text: str) -> float | None:
    """Return degrees, minutes and seconds as decimal degrees, south and west negative; None for anything else."""
    match = _DMS.fullmatch(text) if len(text) < 40 else None
    if match is None:
        return None
    before, degrees, minutes, seconds, after = match.groups()
    letter = (before or after or "").upper()
    size = abs(float(degrees)) + float(minutes) / 60 + float(seconds or 0) / 3600
    return -size if letter in {"S", "W"} or degrees.startswith("-") else size
