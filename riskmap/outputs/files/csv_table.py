"""The estimate as a spreadsheet table, and the column dictionary.

UTF-8 with a byte-order mark: without it, spreadsheet programs read the file in a local encoding and break names. A text
cell that begins with = + - @ (also full-width), a tab, a line end or NUL could run as a formula there; it gets one
leading apostrophe, and so does a cell that already has apostrophes before such a sign, so that the rule can be undone
exactly. Numbers never change. The shape is given as the lon and lat of a point inside the lot.
"""

from __future__ import annotations

import io
import json
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

from riskmap.common import tables
from riskmap.outputs import words
from riskmap.outputs.files import arrow_lots

if TYPE_CHECKING:
    import pandas as pd
    import pyarrow as pa

    from riskmap.common.results import Results

NAME, DICTIONARY = "lots.csv", "columns.json"
SIGNS = "=+\\-@\t\r\n\x00\uff1d\uff0b\uff0d\uff20"  # also full-width: some programs read these as the plain sign
FORMULA = f"^'*[{SIGNS}]"
NUMBER = r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?"  # matches the whole cell, so nothing in it can run
_TYPES = {"text": "string", "integer": "integer", "number": "number", "boolean": "boolean"}


def guarded(values: pd.Series, *, numbers_stay: bool = False) -> pd.Series:
    """Return text with one leading apostrophe before anything that a spreadsheet would take for a formula.

    `numbers_stay` does not change cells that are a plain decimal number and nothing else, such as -91.140607. It is for
    the user's own columns that contain numbers as text.
    """
    runs = values.str.contains(FORMULA, regex=True, na=False)
    if numbers_stay:
        runs &= ~values.str.fullmatch(NUMBER, na=False)
    return values.mask(runs, "'" + values)


def guarded_table(table: pd.DataFrame, *, numbers_stay: bool = False) -> pd.DataFrame:
    """Return a table whose texts and headings are `guarded`; columns of numbers do not change.

    Every CSV that is written goes through here or, cell by cell, through `guarded` (a test checks it).
    """
    import pandas as pd

    out = table.copy()
    for name in out.columns[[kind.kind not in "fiu" for kind in out.dtypes]]:
        out[name] = guarded(out[name].astype("str"), numbers_stay=numbers_stay)
    return out.set_axis(guarded(pd.Series([str(name) for name in out.columns], dtype="str")), axis=1)


class _Rows(io.StringIO):
    """Takes complete rows that end with CR LF and stores them with LF."""

    def write(self, row: str) -> int:
        return super().write(row[:-2] + "\n" if row.endswith("\r\n") else row)


def text_of(table: pd.DataFrame, *, float_format: str | None = None, numbers_stay: bool = False) -> str:
    """Return a table as CSV text, guarded, with LF after each row.

    The rows are first written with CR LF, because only then does the writer quote a cell with a single CR. Otherwise
    that CR would begin a new row, past the guard, in programs that read it as a line end.
    """
    out = _Rows()
    guarded_table(table, numbers_stay=numbers_stay).to_csv(out, index=False, float_format=float_format,
                                                           lineterminator="\r\n")
    return out.getvalue()


def unguarded(values: pd.Series) -> pd.Series:
    """Return text as it was before `guarded`."""
    return values.mask(values.str.contains(f"^'+[{SIGNS}]", regex=True, na=False), values.str.slice(1))


def write(results: Results, folder: Path, *, raw: bool = False) -> Path:
    """Write `lots.csv`: every row and column of the estimate in input order, without the outline.

    `raw` does not change any text, even one that a spreadsheet would run as a formula.
    """
    return write_tables(arrow_lots.tables_of(results.lots), folder, raw=raw)


def write_tables(parts: Iterable[pa.Table], folder: Path, *, raw: bool = False) -> Path:
    """Write `lots.csv` from tables of `arrow_lots`, in their order."""
    for _ in written(parts, folder, raw=raw):
        pass
    return folder / NAME


def written(parts: Iterable[pa.Table], folder: Path, *, raw: bool = False) -> Iterator[pa.Table]:
    """Write `lots.csv` from the tables that pass, and yield each of them for the next writer."""
    from pyarrow import csv

    with (folder / NAME).open("wb") as sink:
        sink.write(b"\xef\xbb\xbf")
        for number, part in enumerate(parts):
            cells = _as_cells(arrow_lots.without(part, arrow_lots.GEOMETRY, arrow_lots.BOX), raw=raw)
            csv.write_csv(cells, sink, csv.WriteOptions(include_header=number == 0, quoting_style="needed"))
            yield part


def _as_cells(part: pa.Table, *, raw: bool) -> pa.Table:
    """Return the table with guarded texts; an empty text is an empty cell without quotes."""
    import pyarrow as pa
    import pyarrow.compute as pc

    for name, field in zip(part.column_names, part.schema, strict=True):
        if pa.types.is_string(field.type):
            texts_coded = part[name].combine_chunks().dictionary_encode()  # there are few different texts
            texts = pc.if_else(pc.equal(texts_coded.dictionary, ""), None, texts_coded.dictionary)
            if not raw:
                runs = pc.match_substring_regex(texts, FORMULA)
                texts = pc.if_else(runs, pc.binary_join_element_wise("'", texts, ""), texts)
            part = arrow_lots.replaced(part, name, texts.take(texts_coded.indices))
    return part


def _field(column: tables.Column) -> dict[str, Any]:
    limits = {"minimum": column.low, "maximum": column.high}
    constraints: dict[str, Any] = {k: v for k, v in limits.items() if v is not None}
    if not column.empty and column.kind != "text":
        constraints["required"] = True
    described = {"name": column.name, "type": _TYPES[column.kind], "description": column.meaning}
    unit = {"unit": column.unit} if column.unit else {}
    codes = {"values": words.CODES[column.name]} if column.name in words.CODES else {}
    return described | unit | codes | ({"constraints": constraints} if constraints else {})


def dictionary(names: list[str]) -> dict[str, Any]:
    """Return the column dictionary as a Frictionless Table Schema; `unit` and `values` are added properties."""
    every = (*tables.ESTIMATE.columns, *tables.CALIBRATED, *arrow_lots.POINT)
    declared = {column.name: column for column in every}
    fields = [_field(declared[name]) if name in declared else {"name": name, "type": "any"} for name in names]
    return {
        "$schema": "https://datapackage.org/profiles/2.0/tableschema.json",
        "title": "Columns of lots.csv, lots.gpkg and lots.parquet",
        "description": "lots.csv has lon and lat in place of the outline. In lots.csv a text cell that begins with "
                       "= + - @ (also full-width), a tab, a line end or NUL, also after apostrophes, has one more "
                       "apostrophe in front; take it off to get the value. Empty cells have no value. lots.gpkg and "
                       "lots.parquet contain texts as they are, but for the character NUL, which lots.gpkg writes out "
                       "as \\u0000. Where a column contains codes, `values` has the meaning of each; `flags` has "
                       "several codes with semicolons between them. An id such as 0309 is a text: open lots.xlsx, or "
                       "import the id column of lots.csv as text, or a spreadsheet makes 309 of it.",
        "fields": fields, "primaryKey": ["lot_row"], "missingValues": [""],
        "states": tables.STATES,
    }


def write_dictionary(folder: Path, *, calibrated: bool = False) -> Path:
    """Write `columns.json`, the column dictionary, with the calibrated columns if the tables have them."""
    names = [column.name for column in (*tables.ESTIMATE.columns, *(tables.CALIBRATED if calibrated else ()))]
    path = folder / DICTIONARY
    text = json.dumps(dictionary([*names, "lon", "lat"]), indent=1, ensure_ascii=False, allow_nan=False)
    path.write_text(text + "\n", encoding="utf-8", newline="\n")
    return path
