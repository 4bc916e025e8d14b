"""Read a lot file: GeoPackage, GeoParquet, shapefile, GeoJSON, KML, CSV or XLSX, in our names and units.

Every attribute is read as text, so that `007`, `1E5`, `NA` and 17-digit identifiers survive; the few numbers are
converted afterwards. Only columns on the list of `lots_columns` are kept. One module per family of formats.
"""

from __future__ import annotations

import csv
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from riskmap.common import units
from riskmap.common.errors import LayerError, joined, shown, visible
from riskmap.common.inputs import Source
from riskmap.common.problems import Problem, kept_by_refusal
from riskmap.layers import crs_advice, lots_corrections, lots_csv, lots_kml, lots_vector, lots_workbook, workbook
from riskmap.layers.lots_columns import (
    LABEL,
    NUMBER_COLUMNS,
    OTHER_UNITS,
    TEXT_COLUMNS,
    RawLots,
    column_notes,
    dropped_columns,
    label,
    per_row,
)
from riskmap.layers.reader_words import as_findings, first_line

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd

    from riskmap.common.settings import Area, LotsEntry

FORMATS = {".gpkg": "GPKG", ".geojson": "GeoJSON", ".json": "GeoJSON", ".zip": "ESRI Shapefile",
           ".shp": "ESRI Shapefile", ".parquet": "Parquet", ".geoparquet": "Parquet", ".csv": "CSV", ".kml": "KML",
           ".kmz": "KML", ".xlsx": "XLSX"}
_MAGIC = {"GPKG": b"SQLite format 3\x00", "Parquet": b"PAR1", "GeoJSON": b"{", ".zip": b"PK\x03\x04",
          ".shp": b"\x00\x00\x27\x0a", ".kml": b"<", ".kmz": b"PK\x03\x04", "XLSX": b"PK\x03\x04"}


def read(entry: LotsEntry, area: Area, coverage: crs_advice.Box | None = None) \
        -> tuple[gpd.GeoDataFrame, list[Source], list[Problem]]:
    """Read the lots of an area.

    Parameters
    ----------
    entry, area
        The `[lots]` entry, and the area file.
    coverage : tuple, optional
        West, south, east, north of the soil map in degrees. It narrows the advice for a file without a coordinate
        system.

    Returns
    -------
    GeoDataFrame, list of Source, list of Problem
        Columns lot_id, source_row, the other `TEXT_COLUMNS` as text (empty when missing), `NUMBER_COLUMNS` in metres
        and millimetres (nan when missing), geometry in the file's own coordinate system; one row per row of the file.
        `source_row` counts as an editor does: the heading of a CSV or of a sheet is row 1, the first feature of a layer
        is 1. `attrs` has what `lots_columns.column_notes` says about the file's columns. Where the entry names a column
        of labels, its texts are the column `label`; `catalogue` takes them out before any stage sees the lots.

    Raises
    ------
    LayerError
        The file does not exist, or it has an unknown or damaged format, no coordinate system, no identifier column, a
        column twice, a mapping to a column that does not exist, or duplicates when the entry refuses them.
    """
    path, name = area.resolve(entry.path), _shown_path(entry.path)
    kind = _format(path, name)
    said: list[Problem] = []
    with as_findings(path, name, said, "W-LOT-062"):
        raw = _read_as(kind, path, name, entry)
    problems = [*raw.problems, *said, *dropped_columns(raw.dropped, name)]
    with kept_by_refusal(problems):
        return _table(raw, entry, area, name, problems, coverage)


def _table(raw: RawLots, entry: LotsEntry, area: Area, name: str, problems: list[Problem],
           coverage: crs_advice.Box | None) -> tuple[gpd.GeoDataFrame, list[Source], list[Problem]]:
    """Return what `read` returns, from the result of one format."""
    import geopandas as gpd
    import pandas as pd

    crs = _system(raw, entry, area.crs, name, problems, coverage)
    columns: dict[str, Any] = {"lot_id": _text(raw, "lot_id"), "source_row": raw.source_row}
    for column in TEXT_COLUMNS[1:]:
        columns[column] = _text(raw, column)
    for column in NUMBER_COLUMNS:
        columns[column] = _number(raw, column, name, problems)
    table = gpd.GeoDataFrame(pd.DataFrame(columns), geometry=gpd.GeoSeries(raw.geometry, crs=crs), crs=crs)
    table.attrs = column_notes(raw)
    _check_duplicates(table, entry, name)
    sources = [Source("lots", entry.path, entry.title, entry.provider, entry.licence, entry.credit, entry.valid_date,
                      len(table))]
    if entry.corrections is not None:
        table = _corrected(table, entry.corrections, area, sources, problems)
    if raw.labels is not None:
        table[LABEL] = bounded(raw.labels).to_numpy(dtype=object)
    if table.empty:
        problems.append(Problem("W-LOT-001", name, rule="the file has no rows.", remedy="Check that it was exported "
                                "whole.", action="The answer is empty."))
    return table, sources, problems


def _corrected(table: gpd.GeoDataFrame, path: Path, area: Area, sources: list[Source],
               problems: list[Problem]) -> gpd.GeoDataFrame:
    name, opened = _shown_path(path), area.resolve(path)
    corrections = lots_corrections.read(opened, name, problems)
    sources.append(Source("lots_corrections", path, "Corrections of single lots", rows=len(corrections), opened=opened))
    return lots_corrections.apply(table, corrections, name, problems)


# ---------------------------------------------------------------- the file
def _shown_path(path: Path) -> str:
    return visible(path.name if path.is_absolute() else path.as_posix())


def _format(path: Path, name: str) -> str:
    """Return the format by suffix, after checking the first bytes; no other format is ever tried."""
    kind = FORMATS.get(path.suffix.lower())
    if kind is None:
        raise LayerError(f"E-LOT-080 {name}: '{path.suffix}' is not a lot file format. "
                         f"Use one of {joined(FORMATS, 20)}.")
    if not path.is_file():
        raise LayerError(f"E-LOT-081 {name}: no such file. Check lots.path in the area file; "
                         "it is relative to the area file.")
    with path.open("rb") as stream:
        head = stream.read(64)
    if not head.strip():
        raise LayerError(f"E-LOT-001 {name}: the file is empty.")
    if kind == "XLSX":
        workbook.refuse_old(path, name)
    magic = _MAGIC.get(path.suffix.lower(), _MAGIC.get(kind, b""))
    if not head.removeprefix(b"\xef\xbb\xbf").lstrip(b" \t\r\n").startswith(magic.strip()):
        raise LayerError(f"E-LOT-001 {name}: the content is not {kind}, whatever the name says; "
                         "a saved web page or a cut download looks like this.")
    return kind


# ---------------------------------------------------------------- formats
def _read_as(kind: str, path: Path, name: str, entry: LotsEntry) -> RawLots:
    """Read one format.

    The errors that libraries raise on a damaged file were collected by changing bytes at random.
    """
    import pyarrow as pa

    reader = {"CSV": lots_csv.read_csv, "Parquet": lots_vector.read_parquet,
              "KML": lots_kml.read_kml, "XLSX": lots_workbook.read_workbook}.get(kind, lots_vector.read_ogr)
    try:
        return reader(path, name, entry, kind)
    except UnicodeDecodeError:
        raise LayerError(f"E-LOT-082 {name}: a text is not UTF-8. Save the file with UTF-8 texts.") from None
    except pa.ArrowException as error:
        if "Wrapping" in str(error) or "UTF8" in str(error):
            raise LayerError(f"E-LOT-082 {name}: a text is not UTF-8. Save the file with UTF-8 texts.") from None
        raise LayerError(f"E-LOT-001 {name}: the file is damaged. Export the file again.") from None
    except (ValueError, RuntimeError, OSError, csv.Error, UnboundLocalError) as error:
        raise LayerError(f"E-LOT-001 {name}: cannot be read as {kind}: {first_line(error, path, name)}. "
                         "Export the file again.") from None


# ---------------------------------------------------------------- columns
def _text(raw: RawLots, column: str) -> pd.Series:
    import pandas as pd

    if column not in raw.attributes:
        return pd.Series([""] * len(raw.source_row), dtype=str)
    return raw.attributes[column].reset_index(drop=True)


def _number(raw: RawLots, column: str, name: str, problems: list[Problem]) -> NDArray[np.float64]:
    """Return a column of numbers in SI units; what is not a number is reported and left missing."""
    import pandas as pd

    other = OTHER_UNITS[NUMBER_COLUMNS.index(column)]
    source = column if column in raw.attributes else other
    if source not in raw.attributes:
        return np.full(len(raw.source_row), np.nan)
    text = raw.attributes[source].str.strip()
    values = pd.to_numeric(text, errors="coerce").to_numpy(dtype=np.float64, na_value=np.nan)
    values = np.where(np.isfinite(values), values, np.nan)
    bad = np.isnan(values) & ~text.str.lower().isin(["", "nan"]).to_numpy()
    problems += per_row(bad, raw.source_row, text.to_numpy(dtype=object), "E-LOT-005", name,
                        label(raw.names, source), rule="this is not a decimal number.",
                        remedy="Write it with a decimal point and without a unit.",
                        action="Row kept, value treated as missing.")
    _, convert = units.BY_SUFFIX[source.rsplit("_", 1)[1]]
    converted: NDArray[np.float64] = convert(values)
    return converted


LABEL_CHARACTERS = 200  # judgement: an address in one line has at most about 100


def bounded(labels: pd.Series) -> pd.Series:
    """Return labels in one line each, cut after `LABEL_CHARACTERS`."""
    line = labels.astype("str").str.replace(r"\s+", " ", regex=True).str.strip()
    return line.where(line.str.len() <= LABEL_CHARACTERS, line.str.slice(0, LABEL_CHARACTERS - 1) + "…")


# ---------------------------------------------------------------- checks
def _system(raw: RawLots, entry: LotsEntry, target: str, name: str, problems: list[Problem],
            coverage: crs_advice.Box | None) -> Any:
    """Return the coordinate system: the file's own, or else the one in the entry; refuse when there is neither."""
    from pyproj import CRS, Transformer
    from pyproj.exceptions import CRSError, ProjError

    try:
        stated = CRS.from_user_input(entry.crs) if entry.crs else None
        own = CRS.from_user_input(raw.crs) if raw.crs else None
    except CRSError as error:
        raise LayerError(f"E-LOT-020 {name}: the coordinate system is not understood: {shown(error)}. "
                         "Set lots.crs to a code such as EPSG:26914.") from None
    if own is None and stated is None:
        raise LayerError(f"E-LOT-020 {name}: no coordinate system. {crs_advice.candidates(raw.geometry, coverage)}")
    if own is not None and stated is not None and not own.equals(stated, ignore_axis_order=True):
        feet = [crs_advice.foot(system) for system in (stated, own)]
        kinds = f" They count in {feet[0] or 'no feet'} and {feet[1] or 'no feet'}." if any(feet) else ""
        problems.append(Problem("W-LOT-020", name, rule=f"lots.crs says {entry.crs}, the file says {own.name}.{kinds}",
                                remedy="Remove lots.crs.", action="The file's own system is used."))
    try:
        Transformer.from_crs(own or stated, target, always_xy=True)
    except ProjError as error:
        raise LayerError(f"E-LOT-020 {name}: its coordinate system cannot be brought to {target}: {shown(error)}. "
                         "Save the lots in a system with a known datum.") from None
    return own or stated


def _check_duplicates(table: gpd.GeoDataFrame, entry: LotsEntry, name: str) -> None:
    if entry.duplicates != "refuse":
        return
    twice = table[table["lot_id"].duplicated(keep=False) & (table["lot_id"].str.strip() != "")]
    if len(twice):
        first = twice["lot_id"].iloc[0]
        rows = twice.loc[twice["lot_id"] == first, "source_row"]
        raise LayerError(f"E-LOT-011 {name}: {twice['lot_id'].nunique()} identifiers appear more than once, the first "
                         f"is '{shown(first)}' in rows {joined(rows)}. Remove one of each, or set "
                         'lots.duplicates = "keep".')
