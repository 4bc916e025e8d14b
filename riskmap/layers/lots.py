"""Read a lot file: GeoPackage, GeoParquet, zipped shapefile, GeoJSON or CSV, in our names and units.

Every attribute is read as text, so that `007`, `1E5`, `NA` and 17-digit identifiers survive; the few numbers are
made numbers afterwards. Only columns on the list below are kept. The values of all others are let go at the door.
"""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from riskmap import units
from riskmap.errors import LayerError, Problem, joined, shown
from riskmap.layers import Source, archive

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd

    from riskmap.settings import Area, LotsEntry

TEXT_COLUMNS = ("lot_id", "pour_date", "pour_date_early", "pour_date_late", "pour_date_basis", "foundation_type")
NUMBER_COLUMNS = ("slab_width_m", "slab_length_m", "beam_depth_mm")
OTHER_UNITS = ("slab_width_ft", "slab_length_ft", "beam_depth_in")  # converted to the columns above
PLACE_COLUMNS = ("lon", "lat", "geometry")  # CSV only
KNOWN = TEXT_COLUMNS + NUMBER_COLUMNS + OTHER_UNITS + PLACE_COLUMNS
ALSO_CALLED = {"longitude": "lon", "latitude": "lat", "wkt": "geometry"}  # CSV headings

FORMATS = {".gpkg": "GPKG", ".geojson": "GeoJSON", ".json": "GeoJSON", ".zip": "ESRI Shapefile",
           ".shp": "ESRI Shapefile", ".parquet": "Parquet", ".geoparquet": "Parquet", ".csv": "CSV"}
_MAGIC = {"GPKG": b"SQLite format 3\x00", "Parquet": b"PAR1", "GeoJSON": b"{", ".zip": b"PK\x03\x04",
          ".shp": b"\x00\x00\x27\x0a"}

# About people, not ground: never read, whatever the file calls them. Compared with whole words of a column name.
_PERSONAL = re.compile(
    r"owner\w*|own\d*|mail\w*|exempt\w*|homestead\w*|age|ages|birth\w*|dob|race|ethnic\w*|sex|gender|marital|religion|"
    r"phone\w*|email\w*|ssn|income|senior|veteran\w*|disab\w*|taxpayer\w*|grantor|grantee|buyer\w*|seller\w*|tenant\w*|"
    r"occupant\w*|resident\w*|borrower\w*|lender\w*")
_EFFECTIVE_YEAR = re.compile(r"eff(ective)?[\W_]*(yr|year|age|built)", re.IGNORECASE)

SHOWN_ROWS = 1000


@dataclass(frozen=True)
class _Found:
    """What a format reader hands over: text columns as the file calls them, shapes, system and row numbers."""

    attributes: pd.DataFrame
    geometry: NDArray[np.object_]
    crs: Any
    source_row: NDArray[np.int64]
    dropped: list[str]
    problems: list[Problem]


def read(entry: LotsEntry, area: Area) -> tuple[gpd.GeoDataFrame, list[Source], list[Problem]]:
    """Read the lots of an area.

    Returns
    -------
    GeoDataFrame, list of Source, list of Problem
        Columns lot_id, source_row, the other `TEXT_COLUMNS` as text (empty when missing), `NUMBER_COLUMNS` in metres
        and millimetres (nan when missing), geometry in the file's own coordinate system; one row per row of the file.
        `source_row` counts as an editor does: the heading of a CSV is row 1, the first feature of a layer is 1.

    Raises
    ------
    LayerError
        No such file, an unknown or damaged format, no coordinate system, no identifier column, a column twice, a
        mapping to a column that is not there, or duplicates when the entry refuses them.
    """
    import geopandas as gpd
    import pandas as pd

    path, name = area.resolve(entry.path), _shown_path(entry.path)
    kind = _format(path, name)
    found = _read_as(kind, path, name, entry)
    problems = [*found.problems, *_dropped(found.dropped, name)]
    crs = _system(found, entry, area.crs, name, problems)
    columns: dict[str, Any] = {"lot_id": _text(found, "lot_id"), "source_row": found.source_row}
    for column in TEXT_COLUMNS[1:]:
        columns[column] = _text(found, column)
    for column in NUMBER_COLUMNS:
        columns[column] = _number(found, column, name, problems)
    table = gpd.GeoDataFrame(pd.DataFrame(columns), geometry=gpd.GeoSeries(found.geometry, crs=crs), crs=crs)
    _check_duplicates(table, entry, name)
    if table.empty:
        problems.append(Problem("W-LOT-001", name, "the file has no rows.", "Check that it was exported whole.",
                                "The answer is empty."))
    source = Source("lots", entry.path, entry.title, entry.provider, entry.licence, entry.credit, entry.valid_date,
                    len(table))
    return table, [source], problems


# ---------------------------------------------------------------- the file
def _shown_path(path: Path) -> str:
    return path.name if path.is_absolute() else path.as_posix()


def _format(path: Path, name: str) -> str:
    """Return the format by suffix, after a look at the first bytes; nothing else is ever tried."""
    kind = FORMATS.get(path.suffix.lower())
    if kind is None:
        raise LayerError(f"E-LOT-001 {name}: '{path.suffix}' is not a lot file format. "
                         f"Use one of {joined(FORMATS, 20)}.")
    if not path.is_file():
        raise LayerError(f"E-LOT-001 {name}: no such file. Check lots.path in the area file; "
                         "it is relative to the area file.")
    with path.open("rb") as stream:
        head = stream.read(64)
    if not head.strip():
        raise LayerError(f"E-LOT-001 {name}: the file is empty.")
    magic = _MAGIC.get(path.suffix.lower(), _MAGIC.get(kind, b""))
    if not head.removeprefix(b"\xef\xbb\xbf").lstrip(b" \t\r\n").startswith(magic.strip()):
        raise LayerError(f"E-LOT-001 {name}: the content is not {kind}, whatever the name says; "
                         "a saved web page or a cut download looks like this.")
    return kind


def _shapefile_in(path: Path, name: str, layer: str | None) -> str:
    """Return the path inside a zip at which the one shapefile can be read without unpacking."""
    members = archive.entries(path, name, unreadable="E-LOT-002", unsafe="E-LOT-002")
    files = {m.filename.lower(): m.filename for m in members}
    all_shapes = [m.filename for m in members if m.filename.lower().endswith(".shp")]
    shapes = [s for s in all_shapes if layer is None or PurePosixPath(s).stem == layer]
    if len(shapes) != 1:
        names = joined(PurePosixPath(s).stem for s in all_shapes) or "none found"
        raise LayerError(f"E-LOT-002 {name}: {len(shapes)} shapefiles found where one is expected. "
                         f"Set lots.layer to one of: {names}.")
    _check_parts(shapes[0][:-4].lower(), files, name)
    return f"/vsizip/{{{path.as_posix()}}}/{shapes[0]}"


def _check_parts(stem: str, files: Iterable[str], name: str) -> None:
    missing = [part for part in (".dbf", ".shx") if stem + part not in files]
    if missing:
        raise LayerError(f"E-LOT-002 {name}: the shapefile lacks {' and '.join(missing)}; without .dbf there are no "
                         "identifiers, without .shx no shapes. Export it again with all parts.")


# ---------------------------------------------------------------- formats
def _read_as(kind: str, path: Path, name: str, entry: LotsEntry) -> _Found:
    """Read one format. What a damaged file makes the libraries raise was collected by changing bytes at random."""
    import pyarrow as pa

    reader = {"CSV": _read_csv, "Parquet": _read_parquet}.get(kind, _read_ogr)
    try:
        return reader(path, name, entry, kind)
    except UnicodeDecodeError:
        raise LayerError(f"E-LOT-001 {name}: a text is not UTF-8. Save the file with UTF-8 texts.") from None
    except pa.ArrowException as error:
        said = "a text is not UTF-8" if "Wrapping" in str(error) or "UTF8" in str(error) else "the file is damaged"
        raise LayerError(f"E-LOT-001 {name}: {said}. Export the file again, with UTF-8 texts.") from None
    except (ValueError, RuntimeError, OSError, csv.Error, UnboundLocalError) as error:
        raise LayerError(f"E-LOT-001 {name}: cannot be read as {kind}: {shown(error)}. "
                         "Export the file again.") from None


def _read_ogr(path: Path, name: str, entry: LotsEntry, kind: str) -> _Found:
    """Read a GeoPackage, GeoJSON or shapefile through Arrow, attributes as exact text."""
    import pyogrio
    import shapely

    if path.suffix.lower() == ".shp":
        _check_parts(path.stem.lower(), {p.name.lower() for p in path.parent.iterdir()}, name)
    zipped = path.suffix.lower() == ".zip"
    source = _shapefile_in(path, name, entry.layer) if zipped else str(path)
    options = {"DATE_AS_STRING": "YES"} if kind == "GeoJSON" else {}
    try:
        layer = None if kind == "ESRI Shapefile" else _layer(source, name, entry.layer)
        info = pyogrio.read_info(source, layer=layer, **options)
        if info["driver"] != kind:
            raise LayerError(f"E-LOT-001 {name}: the content is {info['driver']}, not {kind}.")
        names, dropped = _match(list(info["fields"]), entry, name)
        meta, arrow = pyogrio.raw.read_arrow(source, layer=layer, columns=list(names.values()), **options)
    except (pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError, pyogrio.errors.FieldError) as error:
        raise LayerError(f"E-LOT-001 {name}: cannot be read as {kind}: {shown(error)}.") from None
    place = meta["geometry_name"] or "wkb_geometry"
    if place not in arrow.column_names:
        raise LayerError(f"E-LOT-003 {name}: the layer has no shapes. Use a layer with polygons or points.")
    column = arrow.column(place)
    wkb = np.array(column.to_pylist(), dtype=object)
    geometry = shapely.from_wkb(wkb, on_invalid="ignore")
    rows = np.arange(1, arrow.num_rows + 1, dtype=np.int64)
    lost = np.array([w is not None for w in wkb], dtype=bool) & shapely.is_missing(geometry)
    problems = _per_row(lost, rows, None, "E-LOT-004", name, "geometry", "the shape cannot be read.",
                        "Save it as plain polygons.", "Row kept, not estimated.")
    return _Found(_as_text(arrow, names), geometry, meta["crs"], rows, dropped, problems)


def _layer(source: str, name: str, wanted: str | None) -> str:
    import pyogrio

    layers = [str(layer) for layer, shape in pyogrio.list_layers(source) if shape is not None]
    if wanted is None and len(layers) == 1:
        return layers[0]
    if wanted in layers:
        return str(wanted)
    said = f"there is no layer '{shown(wanted)}'" if wanted else f"there are {len(layers)} layers with shapes"
    raise LayerError(f"E-LOT-003 {name}: {said}. Set lots.layer to one of: {joined(layers) or 'none found'}.")


def _read_parquet(path: Path, name: str, entry: LotsEntry, kind: str) -> _Found:
    """Read GeoParquet: attributes as exact text, shapes from the primary geometry column."""
    import geopandas as gpd
    import pyarrow.parquet as pq
    from shapely.errors import ShapelyError

    try:
        schema = pq.read_schema(path)
        geo = json.loads((schema.metadata or {}).get(b"geo", b"{}"))
        if not geo:
            raise LayerError(f"E-LOT-003 {name}: this Parquet file has no `geo` entry, so its shapes are not known. "
                             "Write it as GeoParquet.")
        others = [c for c in schema.names if c not in geo["columns"]]
        names, dropped = _match(others, entry, name)
        arrow = pq.read_table(path, columns=list(names.values()))
        shapes = gpd.read_parquet(path, columns=[geo["primary_column"]]).geometry
    except (ShapelyError, KeyError, TypeError, AttributeError) as error:
        raise LayerError(f"E-LOT-001 {name}: cannot be read as GeoParquet: {shown(error)}.") from None
    geometry = np.array(shapes.array, dtype=object)
    rows = np.arange(1, len(geometry) + 1, dtype=np.int64)
    return _Found(_as_text(arrow, names), geometry, shapes.crs, rows, dropped, [])


def _as_text(arrow: Any, names: dict[str, str]) -> pd.DataFrame:
    """Return Arrow columns as text under our names: whole numbers in full, dates as YYYY-MM-DD, null as empty."""
    import pandas as pd
    import pyarrow as pa
    import pyarrow.compute as pc

    columns = {}
    for ours, theirs in names.items():
        values = arrow.column(theirs)
        if pa.types.is_dictionary(values.type):
            values = values.cast(values.type.value_type)
        if pa.types.is_temporal(values.type):
            values = pc.strftime(values, format="%Y-%m-%d")
        if pa.types.is_floating(values.type) and ours == "lot_id":
            values = _whole(values)
        columns[ours] = pd.Series(pc.fill_null(values.cast(pa.string()), "").to_numpy(zero_copy_only=False), dtype=str)
    return pd.DataFrame(columns, index=pd.RangeIndex(arrow.num_rows))


def _whole(values: Any) -> Any:
    """Return identifiers that were stored as real numbers without `.0`, where they are whole and exact."""
    import pyarrow as pa
    import pyarrow.compute as pc

    whole = pc.and_(pc.equal(pc.floor(values), values), pc.less(pc.abs(values), 2.0**53))
    if not pc.all(whole, min_count=0).as_py():
        return values
    return values.cast(pa.int64())


def _read_csv(path: Path, name: str, entry: LotsEntry, kind: str) -> _Found:
    """Read a CSV with lon and lat, or with well-known text."""
    import pandas as pd

    try:
        text = path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = error.object[: error.start].count(b"\n") + 1
        raise LayerError(f"E-LOT-001 {name} row {line}: the text is not UTF-8. Save the file as CSV UTF-8.") from None
    separator, heading = _heading(text, name)
    try:
        table = pd.read_csv(io.StringIO(text), sep=separator, dtype=str, keep_default_na=False, header=None,
                            names=list(range(len(heading) + 1)), index_col=False, skip_blank_lines=False)
    except (pd.errors.ParserError, pd.errors.EmptyDataError, ValueError) as error:
        raise LayerError(f"E-LOT-001 {name}: cannot be read as CSV: {shown(error)}. "
                         "A row may have more fields than the heading, or a quote is not closed.") from None
    table = table.iloc[1:]
    long = table[len(heading)].fillna("").str.strip() != ""
    if long.any():
        raise LayerError(f"E-LOT-001 {name} row {int(long.to_numpy().argmax()) + 2}: the row has more fields than the "
                         "heading. Put quotes around values that contain the separator.")
    table = table.drop(columns=len(heading)).fillna("")
    rows = np.arange(2, len(table) + 2, dtype=np.int64)
    blank = (table == "").all(axis=1).to_numpy()
    table, rows = table[~blank].reset_index(drop=True), rows[~blank]
    names, dropped = _match(heading, entry, name, csv_place=True)
    problems = []
    if blank.any():
        problems.append(Problem("W-LOT-006", name, f"{int(blank.sum())} rows are blank.", "Remove them.",
                                "Passed over."))
    attributes = pd.DataFrame({ours: table[heading.index(theirs)] for ours, theirs in names.items()})
    geometry, crs, more = _csv_shapes(attributes, rows, name, entry)
    return _Found(attributes, geometry, crs, rows, dropped, problems + more)


def _heading(text: str, name: str) -> tuple[str, list[str]]:
    """Return separator and column names of the first line."""
    first = next((line for line in io.StringIO(text)), "")
    separator = max(",;\t", key=first.count)
    heading = [cell.strip() for cell in next(csv.reader(io.StringIO(text), delimiter=separator), [])]
    if len(heading) < 2:
        raise LayerError(f"E-LOT-001 {name}: the heading has a single column. Separate columns by comma, semicolon or "
                         "tab.")
    return separator, heading


def _csv_shapes(attributes: pd.DataFrame, rows: NDArray[np.int64], name: str, entry: LotsEntry) \
        -> tuple[NDArray[np.object_], Any, list[Problem]]:
    import pandas as pd
    import shapely

    if "geometry" in attributes:
        wkt = attributes["geometry"].to_numpy(dtype=object)
        given = attributes["geometry"].str.strip() != ""
        geometry = np.full(len(wkt), None, dtype=object)
        geometry[given] = shapely.from_wkt(wkt[given], on_invalid="ignore")
        bad = given.to_numpy() & shapely.is_missing(geometry)
        return geometry, None, _per_row(bad, rows, wkt, "E-LOT-004", name, "geometry", "this is not well-known text.",
                                        "Write POLYGON ((x y, ...)).", "Row kept, not estimated.")
    if "lon" not in attributes or "lat" not in attributes:
        raise LayerError(f"E-LOT-003 {name}: no columns lon and lat and no column geometry or wkt. "
                         'Write which they are, for example [lots.columns] lon = "X", lat = "Y".')
    xy = {c: pd.to_numeric(attributes[c].str.strip(), errors="coerce").to_numpy(dtype=float) for c in ("lon", "lat")}
    problems: list[Problem] = []
    for column, values in xy.items():
        bad = ~np.isfinite(values)
        problems += _per_row(bad, rows, attributes[column].to_numpy(dtype=object), "E-LOT-004", name, column,
                             "this is not a decimal number.", "Write degrees with a point, such as -98.6125.",
                             "Row kept, not estimated.")
    good = np.isfinite(xy["lon"]) & np.isfinite(xy["lat"])
    geometry = np.full(len(rows), None, dtype=object)
    geometry[good] = shapely.points(xy["lon"][good], xy["lat"][good])
    return geometry, entry.crs or "EPSG:4326", problems


# ---------------------------------------------------------------- columns
def _match(present: list[str], entry: LotsEntry, name: str, csv_place: bool = False) \
        -> tuple[dict[str, str], list[str]]:
    """Return our name -> the file's column, and the columns that are let go."""
    known = KNOWN if csv_place else tuple(c for c in KNOWN if c not in PLACE_COLUMNS)
    _check_mapping(entry.columns, present, known, name)
    names = dict(entry.columns)
    taken = set(names.values())
    for column in present:
        lower = column.lower()
        ours = ALSO_CALLED.get(lower, lower) if csv_place else lower
        if ours in known and ours not in entry.columns and column not in taken:
            if ours in names:
                raise LayerError(f"E-LOT-007 {name}: two columns give {ours}: '{shown(names[ours])}' and "
                                 f"'{shown(column)}'. Say which one: [lots.columns] {ours} = \"...\".")
            names[ours] = column
    repeated = [c for c in names.values() if present.count(c) > 1]
    if repeated:
        raise LayerError(f"E-LOT-007 {name}: column '{shown(repeated[0])}' stands twice. Rename or remove one.")
    if "lot_id" not in names:
        raise LayerError(f"E-LOT-008 {name}: no column lot_id. The file has: {joined(present, 40) or 'no columns'}. "
                         'Write which one identifies a lot, for example [lots.columns] lot_id = "PARCEL_NO".')
    for si, other in zip(NUMBER_COLUMNS, OTHER_UNITS, strict=True):
        if si in names and other in names:
            del names[other]
    return names, [c for c in present if c not in names.values()]


def _check_mapping(mapping: dict[str, str], present: list[str], known: tuple[str, ...], name: str) -> None:
    for ours, theirs in mapping.items():
        if ours not in known:
            raise LayerError(f"E-LOT-009 {name}: lots.columns names '{shown(ours)}', which is not one of: "
                             f"{joined(known, 20)}.")
        if theirs not in present:
            raise LayerError(f"E-LOT-009 {name}: lots.columns.{ours} = '{shown(theirs)}', but the file has: "
                             f"{joined(present, 40)}.")
        if _is_personal(theirs):
            raise LayerError(f"E-LOT-009 {name}: lots.columns.{ours} = '{shown(theirs)}' is about people and is not "
                             "read. Choose a column about the lot.")
        if ours.startswith("pour_date") and _EFFECTIVE_YEAR.search(theirs):
            raise LayerError(f"E-LOT-009 {name}: lots.columns.{ours} = '{shown(theirs)}': an effective year is an "
                             "appraiser's judgement of condition, not a date of building. Use the year built.")


def _is_personal(column: str) -> bool:
    words = re.sub(r"(?<=[a-z0-9])(?=[A-Z])", "_", column).lower()
    return any(_PERSONAL.fullmatch(word) for word in re.split(r"[\W_]+", words))


def _dropped(columns: list[str], name: str) -> list[Problem]:
    personal = [c for c in columns if _is_personal(c)]
    other = [c for c in columns if not _is_personal(c)]
    problems = []
    if personal:
        problems.append(Problem("W-LOT-003", name, f"columns about people are refused: {joined(personal, 40)}.",
                                "Remove them from the file that you pass on.", "Not kept, not used, not written."))
    if other:
        problems.append(Problem("W-LOT-002", name, f"columns that are not used: {joined(other, 40)}.",
                                "Map one with [lots.columns] if it is needed.", "Not kept."))
    return problems


def _text(found: _Found, column: str) -> pd.Series:
    import pandas as pd

    if column not in found.attributes:
        return pd.Series([""] * len(found.source_row), dtype=str)
    return found.attributes[column].reset_index(drop=True)


def _number(found: _Found, column: str, name: str, problems: list[Problem]) -> NDArray[np.float64]:
    """Return a column of numbers in SI units; what is no number is told and left missing."""
    import pandas as pd

    other = OTHER_UNITS[NUMBER_COLUMNS.index(column)]
    given = column if column in found.attributes else other
    if given not in found.attributes:
        return np.full(len(found.source_row), np.nan)
    text = found.attributes[given].str.strip()
    values = pd.to_numeric(text, errors="coerce").to_numpy(dtype=np.float64, na_value=np.nan)
    values = np.where(np.isfinite(values), values, np.nan)
    bad = np.isnan(values) & ~text.str.lower().isin(["", "nan"]).to_numpy()
    problems += _per_row(bad, found.source_row, text.to_numpy(dtype=object), "E-LOT-005", name, given,
                         "this is not a decimal number.", "Write it with a decimal point and without a unit.",
                         "Row kept, value treated as missing.")
    _, convert = units.BY_SUFFIX[given.rsplit("_", 1)[1]]
    converted: NDArray[np.float64] = convert(values)
    return converted


# ---------------------------------------------------------------- checks
def _system(found: _Found, entry: LotsEntry, target: str, name: str, problems: list[Problem]) -> Any:
    """Return the coordinate system: the file's own, else the one the entry states, else refuse."""
    from pyproj import CRS, Transformer
    from pyproj.exceptions import CRSError, ProjError

    try:
        stated = CRS.from_user_input(entry.crs) if entry.crs else None
        own = CRS.from_user_input(found.crs) if found.crs else None
    except CRSError as error:
        raise LayerError(f"E-LOT-020 {name}: the coordinate system is not understood: {shown(error)}. "
                         "Set lots.crs to a code such as EPSG:26914.") from None
    if own is None and stated is None:
        raise LayerError(f"E-LOT-020 {name}: no coordinate system. {_candidates(found.geometry)} "
                         'Set it in the area file, for example [lots] crs = "EPSG:4326".')
    if own is not None and stated is not None and not own.equals(stated, ignore_axis_order=True):
        problems.append(Problem("W-LOT-020", name, f"lots.crs says {entry.crs}, the file says {own.name}.",
                                "Remove lots.crs.", "The file's own system is used."))
    try:
        Transformer.from_crs(own or stated, target, always_xy=True)
    except ProjError as error:
        raise LayerError(f"E-LOT-020 {name}: its coordinate system cannot be brought to {target}: {shown(error)}. "
                         "Save the lots in a system with a known datum.") from None
    return own or stated


def _candidates(geometry: NDArray[np.object_]) -> str:
    import shapely

    low_x, low_y, high_x, high_y = shapely.total_bounds(geometry) if geometry.size else (np.nan,) * 4
    if np.isnan(low_x):
        return "There is no shape to judge by."
    extent = f"Its coordinates run from ({low_x:.6g}, {low_y:.6g}) to ({high_x:.6g}, {high_y:.6g})"
    if max(abs(low_x), abs(high_x)) <= 180 and max(abs(low_y), abs(high_y)) <= 90:
        return f"{extent}: degrees, perhaps EPSG:4326 (WGS 84) or EPSG:4269 (NAD 83)."
    if low_x > 100_000 and high_x < 900_000 and low_y > 0 and high_y < 10_000_000:
        return f"{extent}: metres or feet, perhaps a UTM zone (EPSG:26910 to 26919) or a state plane; ask the source."
    return f"{extent}: metres or feet, perhaps EPSG:5070 or a state plane in feet; ask the source."


def _check_duplicates(table: gpd.GeoDataFrame, entry: LotsEntry, name: str) -> None:
    if entry.duplicates != "refuse":
        return
    twice = table[table["lot_id"].duplicated(keep=False) & (table["lot_id"].str.strip() != "")]
    if len(twice):
        first = twice["lot_id"].iloc[0]
        rows = twice.loc[twice["lot_id"] == first, "source_row"]
        raise LayerError(f"E-LOT-011 {name}: {twice['lot_id'].nunique()} identifiers stand more than once, first "
                         f"'{shown(first)}' in rows {joined(rows)}. Remove one of each, or set "
                         'lots.duplicates = "keep".')


def _per_row(found: NDArray[np.bool_], rows: NDArray[np.int64], values: NDArray | None, code: str, name: str,
             column: str, rule: str, remedy: str, action: str) -> list[Problem]:
    """Return one finding per marked row; beyond `SHOWN_ROWS` the rest is counted in one more."""
    where = np.flatnonzero(found)
    told = [Problem(code, name, rule, remedy, action, int(rows[i]), column, "" if values is None else shown(values[i]))
            for i in where[:SHOWN_ROWS]]
    if where.size > SHOWN_ROWS:
        told.append(Problem(code, name, f"{rule} The same holds for {where.size - SHOWN_ROWS} more rows.", remedy,
                            action, None, column))
    return told
