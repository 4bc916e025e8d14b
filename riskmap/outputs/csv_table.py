"""The estimate as a spreadsheet table, and the column dictionary.

UTF-8 with a byte-order mark: without it, spreadsheet programs read the file in a local encoding and break names. A
text cell that begins with = + - @ (also full-width), a tab, a line end or NUL could run as a formula there; it gets
one leading apostrophe, and so does a cell that already has apostrophes before such a sign, so that the rule can be
undone exactly. Numbers are never touched. Shape: the lon and lat of a point inside the lot.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from riskmap import tables

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

    from riskmap.results import Results

DEGREE_DIGITS = 7  # about a centimetre
NAME, DICTIONARY = "lots.csv", "columns.json"
SIGNS = "=+\\-@\t\r\n\x00\uff1d\uff0b\uff0d\uff20"  # also full-width: some programs read them as the plain sign
FORMULA = f"^'*[{SIGNS}]"
_TYPES = {"text": "string", "integer": "integer", "number": "number", "boolean": "boolean"}
_POINT = (
    tables.number("lon", "longitude of a point inside the lot, WGS 84", "deg", -180, 180),
    tables.number("lat", "latitude of the same point, WGS 84", "deg", -90, 90),
)


def guarded(values: pd.Series) -> pd.Series:
    """Return text with one leading apostrophe before everything a spreadsheet would take for a formula."""
    return values.mask(values.str.contains(FORMULA, regex=True, na=False), "'" + values)


def unguarded(values: pd.Series) -> pd.Series:
    """Return text as it was before `guarded`."""
    return values.mask(values.str.contains(f"^'+[{SIGNS}]", regex=True, na=False), values.str.slice(1))


def _inside(found: Results) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    import shapely

    point = shapely.point_on_surface(found.lots.geometry.to_numpy())
    point[shapely.is_empty(point)] = None  # an empty point has no coordinate to ask for
    return np.round(shapely.get_x(point), DEGREE_DIGITS), np.round(shapely.get_y(point), DEGREE_DIGITS)


def write(found: Results, folder: Path, *, raw: bool = False) -> Path:
    """Write `lots.csv`: every row and column of the estimate in input order, without the outline.

    `raw` leaves texts as they are, also those that a spreadsheet would run as a formula.
    """
    import pyarrow as pa
    from pyarrow import csv

    frame = found.lots.drop(columns=found.lots.geometry.name)
    frame["lon"], frame["lat"] = _inside(found)
    columns: dict[str, Any] = {}
    for name in frame:
        values = frame[name]
        if tables.ESTIMATE.column(name).kind == "text" if name in _declared() else values.dtype.kind not in "iufb":
            values = values.astype("str").where(values.notna() & (values != ""), None).astype("object")
            values = values if raw else guarded(values)
            columns[name] = pa.array(values, type=pa.string(), from_pandas=True)
        else:
            columns[name] = pa.array(values, from_pandas=True)
    path = folder / NAME
    with path.open("wb") as sink:
        sink.write(b"\xef\xbb\xbf")
        csv.write_csv(pa.table(columns), sink, csv.WriteOptions(quoting_style="needed"))
    return path


def _declared() -> set[str]:
    return {column.name for column in tables.ESTIMATE.columns}


def _field(column: tables.Column) -> dict[str, Any]:
    limits = {"minimum": column.low, "maximum": column.high}
    constraints: dict[str, Any] = {k: v for k, v in limits.items() if v is not None}
    if not column.empty and column.kind != "text":
        constraints["required"] = True
    described = {"name": column.name, "type": _TYPES[column.kind], "description": column.meaning}
    unit = {"unit": column.unit} if column.unit else {}
    return described | unit | ({"constraints": constraints} if constraints else {})


def dictionary(names: list[str]) -> dict[str, Any]:
    """Return the column dictionary as a Frictionless Table Schema; `unit` is an added property."""
    declared = {column.name: column for column in (*tables.ESTIMATE.columns, *_POINT)}
    fields = [_field(declared[name]) if name in declared else {"name": name, "type": "any"} for name in names]
    return {
        "$schema": "https://datapackage.org/profiles/2.0/tableschema.json",
        "title": "Columns of lots.csv, lots.gpkg and lots.parquet",
        "description": "lots.csv has lon and lat in place of the outline. In lots.csv a text cell that begins with "
                       "= + - @ (also full-width), a tab, a line end or NUL, also after apostrophes, has one more "
                       "apostrophe in front; take it off to get the value. Empty cells have no value. lots.gpkg and "
                       "lots.parquet hold texts as they are, but for the character NUL, which lots.gpkg writes out as "
                       "\\u0000.",
        "fields": fields, "primaryKey": ["lot_row"], "missingValues": [""],
        "states": tables.STATES,
    }


def write_dictionary(found: Results, folder: Path) -> Path:
    """Write `columns.json`, the column dictionary."""
    names = [str(name) for name in found.lots.columns if name != found.lots.geometry.name]
    path = folder / DICTIONARY
    text = json.dumps(dictionary([*names, "lon", "lat"]), indent=1, ensure_ascii=False, allow_nan=False)
    path.write_text(text + "\n", encoding="utf-8", newline="\n")
    return path
