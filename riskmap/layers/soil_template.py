"""Read soil-survey template databases (GeoPackage or SQLite) into our names and units.

Such a database contains the survey's tables under their own names and the map-unit polygons as `mupolygon`, with the
geometry in `shape` or `geom`. Keys are integers in one template and text in another, so every key is read as text.
`cointerp` is optional and often contains only the top rule (ruledepth 0); the survey's own shrink-swell rating is then
unknown, and a finding says so.
"""

from __future__ import annotations

import sqlite3
import zipfile
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING

from riskmap.common.errors import LayerError, joined
from riskmap.common.inputs import SoilTables, Source
from riskmap.common.problems import Problem, kept_by_refusal
from riskmap.layers import ssurgo_names, ssurgo_tables

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd

    from riskmap.common.settings import Area, SoilEntry

_SQLITE = b"SQLite format 3\x00"
_POLYGONS = "mupolygon"


def read(entry: SoilEntry, area: Area, *, need_polygons: bool = True) -> tuple[SoilTables, list[Source], list[Problem]]:
    """Read every database of `[soil]`. Parameters, results and errors are those of `soil_ssurgo.read`."""
    paths = entry.path if isinstance(entry.path, list) else [entry.path]
    faults: list[str] = []
    problems: list[Problem] = []
    parts: list[ssurgo_tables.Part] = []
    for path in paths:
        try:
            shown_path = path.name if path.is_absolute() else str(path)
            parts.append(_read_database(area.resolve(path), shown_path, need_polygons, problems))
        except LayerError as error:
            faults.append(str(error))
    if faults:
        raise LayerError("\n".join(faults), problems=problems)
    with kept_by_refusal(problems):
        tables = ssurgo_names.soil_tables(parts, entry, problems)
    return tables, [ssurgo_names.source(part, entry) for part in parts], problems


def _read_database(path: Path, shown: str, need_polygons: bool, problems: list[Problem]) -> ssurgo_tables.Part:
    _refuse_other_files(path, shown)
    try:
        with closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True)) as database:
            database.text_factory = ssurgo_tables.decoded
            tables = _tables(database, shown, need_polygons, problems)
    except sqlite3.Error as error:
        raise LayerError(f"E-SOIL-003 {shown}: the database cannot be read ({error}). Copy it again.") from None
    return ssurgo_tables.Part(shown, tables, _polygons(path, shown, problems) if need_polygons else None,
                              path)


def is_database(path: Path) -> bool:
    """Return whether a file is a GeoPackage or SQLite database, by its first bytes."""
    if not path.is_file():
        return False
    with path.open("rb") as opened:
        return opened.read(len(_SQLITE)) == _SQLITE


def _refuse_other_files(path: Path, shown: str) -> None:
    if path.is_dir():
        raise LayerError(f"E-SOIL-080 {shown}: a folder, not a database. Name the .gpkg or .sqlite file, or use "
                         'reader = "ssurgo" for an unpacked download.')
    if not path.is_file():
        raise LayerError(f"E-SOIL-002 {shown}: not found. Check `path` under [soil]; it is relative to the area file.")
    if not is_database(path):
        remedy = 'Use reader = "ssurgo" for a zip as published.' if zipfile.is_zipfile(path) else \
            "Name a template database of the soil survey."
        raise LayerError(f"E-SOIL-081 {shown}: not a GeoPackage or SQLite database. {remedy}")


# ---------------------------------------------------------------- tables
def _tables(database: sqlite3.Connection, shown: str, need_polygons: bool,
            problems: list[Problem]) -> dict[str, pd.DataFrame]:
    present = {str(name).lower(): str(name) for (name,) in
               database.execute("SELECT name FROM sqlite_master WHERE type IN ('table', 'view')")}
    needed = (*ssurgo_tables.REQUIRED, _POLYGONS) if need_polygons else ssurgo_tables.REQUIRED
    missing = [f"table {table}" for table in needed if table not in present]
    if missing:
        raise LayerError(f"E-SOIL-005 {shown}: missing: {', '.join(missing)}. Use a template database of the soil "
                         "survey with at least one survey area imported.")
    tables = {}
    for table in ssurgo_tables.LAYOUT:
        if table in present:
            tables[table] = _table(database, present[table], table, shown)
        else:
            problems.append(Problem("W-SOIL-010", shown, rule=f"table {table} is not in the database.",
                                    remedy="Import it to have it.",
                                    action=f"Without it {ssurgo_tables.MISSING_MEANS[table]}."))
    if tables["mapunit"].empty:
        raise LayerError(f"E-SOIL-021 {shown}: table mapunit has no rows; the template is still empty. Import a survey "
                         "area into it first.")
    return tables


def _table(database: sqlite3.Connection, stored: str, table: str, shown: str) -> pd.DataFrame:
    """Read the wanted columns of one table as text; empty values are missing."""
    import pandas as pd

    layout = list(ssurgo_tables.LAYOUT[table][2])
    columns = {str(row[1]).lower() for row in database.execute(f"PRAGMA table_info({_quoted(stored)})")}
    absent = ssurgo_tables.absent_columns(table, columns)
    if absent:
        raise LayerError(f"E-SOIL-006 {shown} table {table}: columns missing: {joined(absent)}. Use a template "
                         "database with the survey's own column names.")
    query = f"SELECT {', '.join(_as_text(c) if c in columns else 'NULL' for c in layout)} FROM {_quoted(stored)}"
    limits: tuple[str, ...] = ()
    if table == "cointerp":  # a state has millions of rows, and only one rule is needed
        query, limits = query + " WHERE mrulename = ?", (ssurgo_names.RATING_RULE,)
    frame = pd.DataFrame(database.execute(query + " ORDER BY rowid" if _has_rowid(database, stored) else query,
                                          limits).fetchall(), columns=layout, dtype=object)
    frame = frame.apply(lambda c: c.astype(object).where(c.notna(), None).str.strip()) if len(frame) else frame
    frame = frame.where(frame.notna() & (frame != ""), None)
    key = "cokey" if "cokey" in layout else "mukey"
    if table in ssurgo_tables.REQUIRED and frame[key].isna().any():
        raise LayerError(f"E-SOIL-009 {shown} table {table}: {int(frame[key].isna().sum())} rows without {key} (row "
                         f"{int(frame[key].isna().to_numpy().argmax()) + 1}). Import the survey area again.")
    return frame


def _has_rowid(database: sqlite3.Connection, stored: str) -> bool:
    try:
        database.execute(f"SELECT rowid FROM {_quoted(stored)} LIMIT 0")
    except sqlite3.OperationalError:  # a view, or a table declared without it
        return False
    return True


def _quoted(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'


def _as_text(column: str) -> str:
    """Return SQL for a column as text; whole numbers stored as real lose their `.0` (keys and depths)."""
    c = _quoted(column)
    return (f"CASE WHEN typeof({c}) = 'real' AND {c} = CAST({c} AS INTEGER) THEN CAST(CAST({c} AS INTEGER) AS TEXT) "
            f"ELSE CAST({c} AS TEXT) END")


# ---------------------------------------------------------------- polygons
def _polygons(path: Path, shown: str, problems: list[Problem]) -> gpd.GeoDataFrame:
    import geopandas as gpd
    import pyogrio

    where = f"{shown} table {_POLYGONS}"
    try:
        layers = [str(name) for name, _ in pyogrio.list_layers(path)]
        layer = next((name for name in layers if name.lower() == _POLYGONS), None)
        frame = pyogrio.read_dataframe(path, layer=layer) if layer else None
    except Exception as error:  # pyogrio passes on whatever the driver raises
        raise LayerError(f"E-SOIL-011 {where}: cannot be read ({error}). Copy the database again.") from None
    if not isinstance(frame, gpd.GeoDataFrame):
        raise LayerError(f"E-SOIL-011 {where}: has no geometry that the database declares. Save it as a GeoPackage, or "
                         "register the geometry column with its coordinate system.")
    if frame.empty:
        raise LayerError(f"E-SOIL-021 {where}: has no rows; the template is still empty. Import a survey area with its "
                         "polygons first.")
    return ssurgo_tables.cleaned_polygons(frame, where, problems)
