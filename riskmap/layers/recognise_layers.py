"""What a file of shapes or a grid is: weekly drought maps, a soil database, an index grid, a key grid, or other shapes.

Shapes are read by the readers of the lot file, with every column but those about people.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Any

import numpy as np

from riskmap.common import month_numbers
from riskmap.common.errors import LayerError, joined
from riskmap.common.settings import LotsEntry
from riskmap.layers import archive, drought_weekly, file_kinds, index_grid, lots_kml, lots_vector, ssurgo_tables
from riskmap.layers.lots import FORMATS
from riskmap.layers.lots_columns import RawLots, every_column
from riskmap.layers.reader_words import as_findings, first_line

if TYPE_CHECKING:
    import pandas as pd

    from riskmap.common.problems import Problem

SAMPLE_CELLS = 512  # of each side of a grid that is looked at (judgement: enough to know the range of its values)
LEAST_KEY = 10_000  # judgement: map unit keys have five digits or more, classes and indices have one or two
_INDEX = re.compile(r"(?<![a-z])(spei|spi|pdsi)[\W_]*(\d{1,2})?(?!\d)", re.IGNORECASE)
_MONTH = re.compile(r"(?<!\d)((?:19|20)\d{2})-?(0[1-9]|1[0-2])(?!\d)")


@dataclass(frozen=True)
class Seen:
    """What one layer of a file is; `kind`, `reason`, `layer` and `facts` are those of `recognise.Found`."""

    kind: str
    reason: str
    layer: str = ""
    facts: dict[str, Any] = field(default_factory=dict)


def box_of(source: str) -> tuple[float, float, float, float] | None:
    """Return the box of a layer in degrees, from its header; None when the header has none."""
    import pyogrio
    from pyproj import Transformer

    try:
        info = pyogrio.read_info(source, force_total_bounds=True)
    except (pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError):
        return None
    if info["total_bounds"] is None or info["crs"] is None:
        return None
    west, south, east, north = Transformer.from_crs(info["crs"], "EPSG:4326", always_xy=True).transform_bounds(
        *info["total_bounds"])
    return (west, south, east, north) if np.isfinite([west, south, east, north]).all() else None


def layers(path: Path, shown: str) -> list[Seen]:
    """Say what each layer of a file of shapes is.

    `shapes` has in its facts `raw` (`RawLots` with the file's own names), `findings` of reading, and `columns` with the
    names of all columns but those about people; `drought` has `dates`; `soil_database` has `bounds`.

    Raises
    ------
    LayerError
        When the file cannot be read.
    """
    kind = FORMATS.get(path.suffix.lower(), "SQLite")
    findings: list[Problem] = []
    with as_findings(path, shown, findings, "W-LOT-062"):
        if kind == "Parquet":
            return [_parquet(path, shown)]
        if kind == "KML":
            return [_shapes(lots_kml.read_kml(path, shown, _entry(path), kind, every_column))]
        return _ogr(path, shown, kind)


def _entry(path: Path, layer: str | None = None) -> LotsEntry:
    return LotsEntry(path=path, layer=layer, crs=None)


def _parquet(path: Path, shown: str) -> Seen:
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        names = pq.read_schema(path).names
        if column := _class_column(names):
            wanted = [name for name in names if name == column or name.lower() in drought_weekly.DATE_COLUMNS]
            return _weekly(pq.read_table(path, columns=wanted).to_pandas(ignore_metadata=True), path)
    except LayerError:
        pass  # the column has the name of a class and contains something else
    except (pa.ArrowException, OSError, ValueError):
        raise LayerError(f"E-NEW-006 {shown}: the file is damaged or is not a Parquet file. Export it again.") from None
    try:
        return _shapes(lots_vector.read_parquet(path, shown, _entry(path), "Parquet", every_column))
    except (pa.ArrowException, ValueError, OSError) as error:
        raise LayerError(f"E-NEW-006 {shown}: cannot be read as GeoParquet: {first_line(error, path, shown)}. Export "
                         "it again.") from None


def _ogr(path: Path, shown: str, kind: str) -> list[Seen]:
    import pyogrio

    if path.suffix.lower() == ".zip":
        members = archive.entries(path, shown, unreadable="E-NEW-003", unsafe="E-NEW-004")
        shapes = [member.filename[:-4] for member in members if member.filename.lower().endswith(".shp")]
        stems = [PurePosixPath(shape).stem for shape in shapes]
        calls = stems if len(set(stems)) == len(stems) else shapes
        places = [(call if len(calls) > 1 else "", f"/vsizip/{{{path.as_posix()}}}/{shape}.shp")
                  for call, shape in zip(calls, shapes, strict=True)] or [("", "")]
    elif path.suffix.lower() == ".shp":
        places = [("", str(path))]
    else:
        places = []
    try:
        if not places:
            return _database(path, shown, kind)
        return [_layer(path, shown, kind, layer, source, None) for layer, source in places]
    except (pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError, pyogrio.errors.FieldError,
            UnicodeDecodeError, ValueError, RuntimeError) as error:
        what = file_kinds.kind(path)
        said = first_line(error, path, shown).split("; It might help")[0].rstrip(".")
        raise LayerError(f"E-NEW-006 {shown}: cannot be read as {kind}: {said}."
                         f"{f' The file is {what}.' if what else ''} Export it again.") from None


def _database(path: Path, shown: str, kind: str) -> list[Seen]:
    import pyogrio

    listed = [(str(name), shape) for name, shape in pyogrio.list_layers(path)]
    names = {name.lower() for name, _ in listed}
    if set(ssurgo_tables.REQUIRED[:3]) <= names:
        polygons = next((name for name, _ in listed if name.lower() == "mupolygon"), None)
        box = None if polygons is None else pyogrio.read_info(path, layer=polygons, force_total_bounds=True)
        bounds = [] if box is None or box["total_bounds"] is None else [tuple(box["total_bounds"])]
        return [Seen("soil_database", "database with the tables of a soil survey: mapunit, component and chorizon",
                     facts={"bounds": bounds, "missing": [] if polygons else ["map-unit polygons (mupolygon)"]})]
    with_shapes = [name for name, shape in listed if shape is not None]
    if kind == "SQLite" or not with_shapes:
        return [Seen("left", f"a database without the tables of a soil survey; it has {joined(names, 4) or 'nothing'}")]
    several = len(with_shapes) > 1
    return [_layer(path, shown, kind, name if several else "", str(path), name) for name in with_shapes]


def _layer(path: Path, shown: str, kind: str, layer: str, source: str, inside: str | None) -> Seen:
    """Say what one layer is. `layer` is its name where it needs one, `inside` its name in a database."""
    import pyogrio

    if not source:  # a shapefile without its shapes: the reader says which part is missing
        lots_vector.read_ogr(path, shown, _entry(path), kind, every_column)
    info = pyogrio.read_info(source, layer=inside)
    fields = [str(name) for name in info["fields"]]
    if column := _class_column(fields):
        wanted = [name for name in fields if name == column or name.lower() in drought_weekly.DATE_COLUMNS]
        classes = pyogrio.read_dataframe(source, layer=inside, columns=wanted, read_geometry=False)
        try:
            return _weekly(classes, path, layer)
        except LayerError:
            pass  # the column has the name of a class and contains something else
    if "LineString" in str(info["geometry_type"]):
        return Seen("lines", f"{info['features']:,} lines", layer, {"columns": fields})
    raw = lots_vector.read_ogr(path, shown, _entry(path, layer or None), kind, every_column)
    return _shapes(raw, layer)


def _class_column(names: list[str]) -> str:
    return next((name for name in names if name.lower() in drought_weekly.CLASS_COLUMNS), "")


def _weekly(classes: pd.DataFrame, path: Path, layer: str = "") -> Seen:
    dates = drought_weekly.map_dates(classes, Path(path.name))
    when = joined(dates, 1) if dates else "no date in it or in its name"
    return Seen("drought", f"weekly drought classes D0 to D4, {when}", layer, {"dates": dates})


def _shapes(raw: RawLots, layer: str = "") -> Seen:
    import shapely

    kinds = sorted({str(name) for name in np.unique(shapely.get_type_id(raw.geometry)).tolist()})
    dimension = shapely.get_dimensions(raw.geometry)
    if len(raw.geometry) and (dimension == 1).mean() > 0.5:
        return Seen("lines", f"{len(raw.geometry):,} lines", layer, {"columns": list(raw.names)})
    what = "polygons" if (dimension == 2).any() else "points"
    return Seen("shapes", f"{len(raw.geometry):,} {what}", layer, {"raw": raw, "what": what, "kinds": kinds})


# ---------------------------------------------------------------- grids
def grid(path: Path, shown: str) -> list[Seen]:
    """Say what a GeoTIFF is.

    An `index` has `name`, `accumulation_months` and `first_month`, empty where the file does not say.

    Raises
    ------
    LayerError
        When it cannot be opened.
    """
    import rasterio
    from rasterio.errors import RasterioError

    try:
        with rasterio.open(path, driver="GTiff") as opened:
            shape = (min(opened.height, SAMPLE_CELLS), min(opened.width, SAMPLE_CELLS))
            sample = opened.read(1, masked=True, out_shape=shape).compressed()
            whole = np.issubdtype(np.dtype(opened.dtypes[0]), np.integer)
            bands, told = opened.count, [text or "" for text in opened.descriptions]
            scaled = opened.scales[0] * sample.astype(np.float64) + opened.offsets[0]
            tags = " ".join(str(value) for value in opened.tags().values())
            placed = opened.crs is not None
    except RasterioError as error:
        raise LayerError(f"E-NEW-006 {shown}: cannot be read as GeoTIFF: {first_line(error, path, shown)}. Get it "
                         "again.") from None
    scaled = scaled[np.isfinite(scaled)]
    if not placed or not scaled.size:
        return [Seen("left", "a grid without a coordinate system" if not placed else "a grid without a value")]
    if whole and bands == 1 and scaled.max() >= LEAST_KEY:
        return [Seen("key_grid", "one band of whole numbers as large as map unit keys")]
    if np.abs(scaled).max() > max(index_grid.LARGEST.values()) or (whole and bands == 1):
        return [Seen("left", f"a grid with values from {scaled.min():g} to {scaled.max():g}: no drought index and no "
                     "grid of map unit keys")]
    return [_index(path, bands, told, tags)]


def _index(path: Path, bands: int, told: list[str], tags: str) -> Seen:
    named = next((match for text in (" ".join(told), tags, path.name) if (match := _INDEX.search(text))), None)
    months = [match and f"{match[1]}-{match[2]}" for match in map(_MONTH.search, told)]
    numbers = [month_numbers.parse_month(month) for month in months if month]
    in_a_row = len(numbers) == bands and numbers == list(range(numbers[0], numbers[0] + bands))
    facts = {"name": named[1].lower() if named else "", "first_month": str(months[0]) if in_a_row else "",
             "accumulation_months": named[2] if named and named[2] else "", "in_name": path.name if named else ""}
    return Seen("index", f"grid of {bands} bands with values of a drought index", facts=facts)
