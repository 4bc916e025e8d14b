"""Open a file of buildings, roads or water near the lots piece by piece, so that its size does not matter.

The formats are those of lot files. Only shapes whose box meets a given box are returned. A file of a whole state is
read in pieces of `PIECE` shapes and is never in memory at once. Nothing is computed from the shapes here.
"""

from __future__ import annotations

import json
import logging
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from riskmap.common.errors import LayerError, closest, joined, shown, visible
from riskmap.common.problems import Problem
from riskmap.layers import lots_csv, lots_kml, lots_whole
from riskmap.layers.lots_columns import is_personal
from riskmap.layers.lots_vector import refuse_nests, shapes_of
from riskmap.layers.reader_words import as_findings, first_line

if TYPE_CHECKING:
    from riskmap.common.settings import ShapesEntry

FORMATS = {".gpkg": "GPKG", ".geojson": "GeoJSON", ".json": "GeoJSON", ".zip": "ESRI Shapefile",
           ".shp": "ESRI Shapefile", ".parquet": "Parquet", ".geoparquet": "Parquet", ".csv": "CSV", ".kml": "KML",
           ".kmz": "KML"}
PIECE = 65_536  # shapes read at a time: some 20 MB
BESIDE = 1e-9  # share of the box: lots on its edge are inside of it

Box = tuple[float, float, float, float]
Piece = tuple[NDArray[np.object_], "NDArray[np.object_] | None"]  # shapes, None where unreadable; and their labels


@dataclass
class Tally:
    """Counts of a file: all its shapes, those that could not be read, and those near the lots."""

    shapes: int = 0
    unreadable: int = 0
    near: int = 0


@dataclass
class ShapeFile:
    """An open file: its coordinate system and its shapes near the lots, piece by piece."""

    crs: Any
    pieces: Iterator[Piece]
    tally: Tally = field(default_factory=Tally)


@contextmanager
def opened(path: Path, section: str, entry: ShapesEntry, lots_box: Box, problems: list[Problem]) -> Iterator[ShapeFile]:
    """Open a file of shapes.

    Parameters
    ----------
    path : Path
        The file; `entry.path` is the path as the user wrote it.
    section : str
        Section of the area file, for messages.
    entry : ShapesEntry
    lots_box : tuple
        West, south, east, north in degrees; what lies outside is skipped.
    problems : list of Problem
        Warnings of the libraries that read the file are added to it.

    Raises
    ------
    LayerError
        When the file is absent, of another format, damaged, or without a coordinate system, or the layer or column that
        the entry names is not in it.
    """
    import pyarrow as pa
    from shapely.errors import ShapelyError

    name = shown_name(entry)
    kind = _kind(path, section, name)
    reader = {"CSV": _csv, "KML": _kml, "Parquet": _parquet}.get(kind, _gdal)
    try:
        with as_findings(path, name, problems, "W-SHP-010"):
            yield from reader(path, section, name, kind, entry, lots_box, problems)
    except LayerError as error:
        text = str(error).replace("lots.", f"{section.strip('[]')}.").replace("[lots]", section)
        raise LayerError(text, problems=error.problems) from None
    except UnicodeDecodeError:
        raise LayerError(f"E-SHP-006 {name}: a text is not UTF-8. Save the file with UTF-8 texts.") from None
    except (ValueError, RuntimeError, OSError, KeyError, TypeError, AttributeError, ShapelyError,
            pa.ArrowException) as error:
        raise LayerError(f"E-SHP-003 {name}: cannot be read as {kind}: {first_line(error, path, name)}. "
                         "Export the file again.") from None


def shown_name(entry: ShapesEntry) -> str:
    """Return the file of an entry as messages name it."""
    return visible(entry.path.name if entry.path.is_absolute() else entry.path.as_posix())


def _kind(path: Path, section: str, name: str) -> str:
    kind = FORMATS.get(path.suffix.lower())
    if kind is None:
        raise LayerError(f"E-SHP-001 {name}: '{path.suffix}' is not a format of shapes that is read. Use one of "
                         f"{joined(FORMATS, 20)}.")
    if not path.is_file():
        raise LayerError(f"E-SHP-002 {name}: no such file. Check the path in {section}; it is relative to the area "
                         "file.")
    return kind


# ---------------------------------------------------------------- formats
def _gdal(path: Path, section: str, name: str, kind: str, entry: ShapesEntry, lots_box: Box,
          problems: list[Problem]) -> Iterator[ShapeFile]:
    import pyogrio

    source, layer, shapefile = str(path), None, None
    if kind == "ESRI Shapefile":
        zipped = path.suffix.lower() == ".zip"
        shapefile = lots_whole.zipped_shapefile(path, name, entry.layer) if zipped \
            else lots_whole.loose_shapefile(path, name)
        source = shapefile.source
    else:
        if kind == "GPKG":
            lots_whole.check_database(path, name)
        layer = _layer(source, section, name, entry.layer)
    info = pyogrio.read_info(source, layer=layer)
    if info["driver"] != kind:
        raise LayerError(f"E-SHP-003 {name}: the content is {info['driver']}, not {kind}. Export the file again.")
    label = _label(entry, list(info["fields"]), name)
    crs = _system(info["crs"], entry, section, name)
    box = _box_in(lots_box, crs)
    # a filter of the library is used where it is quick; the shapes that it returns are checked again
    options: dict[str, Any] = {"bbox": box} if kind == "GPKG" else {}
    tally = Tally()
    with pyogrio.open_arrow(source, layer=layer, columns=[label] if label else [], batch_size=PIECE,
                            use_pyarrow=True, **options) as (meta, stream):
        place = meta["geometry_name"] or "wkb_geometry"
        if place not in stream.schema.names:
            raise LayerError(f"E-SHP-004 {name}: the layer has no shapes. Name a layer with shapes.")

        def pieces() -> Iterator[Piece]:
            for batch in _told(stream):
                yield batch.column(place), batch.column(label) if label else None

        yield ShapeFile(crs, _near(pieces(), box, tally), tally)
    if shapefile is not None:
        problems += shapefile.check_read(tally.shapes, name)
    members = lots_whole.geojson_members(path) if kind == "GeoJSON" else None
    if members is not None and members != tally.shapes:
        raise LayerError(f"E-SHP-005 {name}: the file has {members:,} shapes, {tally.shapes:,} of them could be read. "
                         "The others are damaged, or are not features. Export the file again.")
    if kind == "GPKG":
        tally.shapes = max(int(info["features"]), tally.shapes)


def _told(stream: Any) -> Iterator[Any]:
    """Yield the pieces of a stream; warnings of the library are logged under its own name."""
    rest = iter(stream)
    while True:
        with warnings.catch_warnings(record=True) as caught:
            warnings.simplefilter("always")
            piece = next(rest, None)
        for each in caught:
            logging.getLogger("pyogrio").warning(str(each.message))
        if piece is None:
            return
        yield piece


def _parquet(path: Path, section: str, name: str, kind: str, entry: ShapesEntry, lots_box: Box,
             problems: list[Problem]) -> Iterator[ShapeFile]:
    import pyarrow as pa
    import pyarrow.parquet as pq

    with pq.ParquetFile(path, page_checksum_verification=True) as file:
        geo = json.loads((file.schema_arrow.metadata or {}).get(b"geo", b"{}"))
        if not geo:
            raise LayerError(f"E-SHP-004 {name}: this Parquet file has no `geo` entry, so its shapes are not known. "
                             "Write it as GeoParquet.")
        column = geo["primary_column"]
        told = geo["columns"][column]
        if told.get("encoding") != "WKB":
            raise LayerError(f"E-SHP-003 {name}: its shapes are stored as {shown(told.get('encoding'))}; well-known "
                             "binary is read. Write it as GeoParquet with the encoding WKB.")
        label = _label(entry, [each for each in file.schema_arrow.names if each not in geo["columns"]], name)
        crs = _system(told.get("crs", "OGC:CRS84"), entry, section, name)
        box, tally = _box_in(lots_box, crs), Tally()

        def pieces() -> Iterator[Piece]:
            for batch in file.iter_batches(PIECE, columns=[column, *([label] if label else [])]):
                refuse_nests(pa.chunked_array([batch.column(column)]), name)
                yield batch.column(column), batch.column(label) if label else None

        yield ShapeFile(crs, _near(pieces(), box, tally), tally)


def _csv(path: Path, section: str, name: str, kind: str, entry: ShapesEntry, lots_box: Box,
         problems: list[Problem]) -> Iterator[ShapeFile]:
    table, heading, rows = lots_csv.read_table(path, name, problems)
    table = table.set_axis(range(len(heading)), axis=1)
    label = _label(entry, heading, name)
    lower = [each.strip().lower() for each in heading]
    place = next((lower.index(each) for each in ("wkt", "geometry") if each in lower), None)
    if place is None:
        raise LayerError(f"E-SHP-004 {name}: there is no column wkt or geometry. Write each shape as well-known text "
                         "in a column wkt.")
    shapes = lots_csv.shapes_from_text(table[place], rows, name, problems)
    crs, tally = _system(None, entry, section, name), Tally()
    labels = table[heading.index(label)].to_numpy(dtype=object) if label else None
    yield ShapeFile(crs, _near(iter([(shapes, labels)]), _box_in(lots_box, crs), tally), tally)


def _kml(path: Path, section: str, name: str, kind: str, entry: ShapesEntry, lots_box: Box,
         problems: list[Problem]) -> Iterator[ShapeFile]:
    marks = lots_kml.placemarks_of(path, name)
    label = _label(entry, list(marks.columns), name)
    shapes = np.full(len(marks.shapes), None, dtype=object)
    shapes[:] = marks.shapes
    labels = np.array([each.get(label, "") for each in marks.values], dtype=object) if label else None
    crs, tally = _system("EPSG:4326", entry, section, name), Tally()
    yield ShapeFile(crs, _near(iter([(shapes, labels)]), _box_in(lots_box, crs), tally), tally)


# ---------------------------------------------------------------- what is near
def _near(pieces: Iterator[Any], box: Box, tally: Tally) -> Iterator[Piece]:
    """Yield the shapes of each piece whose box meets a box, and count all shapes."""
    import pyarrow as pa
    import pyarrow.compute as pc
    import shapely

    for column, labels in pieces:
        shapes = column if isinstance(column, np.ndarray) else shapes_of(pa.chunked_array([column]))
        missing = shapely.is_missing(shapes)
        bounds = shapely.bounds(shapes)
        finite = np.isfinite(bounds).all(axis=1)
        here = finite & (bounds[:, 0] <= box[2]) & (bounds[:, 2] >= box[0]) & (bounds[:, 1] <= box[3]) \
            & (bounds[:, 3] >= box[1])
        tally.shapes += len(shapes)
        tally.unreadable += int((missing | ~finite & ~shapely.is_empty(shapes)).sum())
        tally.near += int(here.sum())
        if labels is not None and not isinstance(labels, np.ndarray):
            labels = pc.fill_null(_text(labels), "").to_numpy(zero_copy_only=False)
        yield shapes[here], None if labels is None else np.asarray(labels, dtype=object)[here]


def _text(column: Any) -> Any:
    import pyarrow as pa

    if pa.types.is_dictionary(column.type):
        column = column.cast(column.type.value_type)
    return column.cast(pa.string())


def _box_in(lots_box: Box, crs: Any) -> Box:
    """Return the box of the lots in another system, a little larger than needed."""
    from pyproj import Transformer

    west, south, east, north = Transformer.from_crs("EPSG:4326", crs, always_xy=True).transform_bounds(*lots_box)
    wide, high = BESIDE * max(abs(west), abs(east)), BESIDE * max(abs(south), abs(north))
    return west - wide, south - high, east + wide, north + high


def _layer(source: str, section: str, name: str, wanted: str | None) -> str:
    import pyogrio

    layers = [str(layer) for layer, shape in pyogrio.list_layers(source) if shape is not None]
    if wanted is None and len(layers) == 1:
        return layers[0]
    if wanted in layers:
        return str(wanted)
    said = f"there is no layer '{shown(wanted)}'" if wanted else f"there are {len(layers)} layers with shapes"
    raise LayerError(f"E-SHP-007 {name}: {said}. Write `layer` in {section}, one of: {joined(layers) or 'none found'}.")


def _label(entry: ShapesEntry, columns: list[str], name: str) -> str | None:
    """Return the column of labels that the entry names, or None."""
    label: str | None = getattr(entry, "label", None)
    if label is None:
        return None
    if is_personal(label):
        raise LayerError(f"E-SHP-009 {name}: the column '{shown(label)}' is about people and is not read. Name a "
                         "column about the place, such as the name of a road.")
    if label not in columns:
        raise LayerError(f"E-SHP-008 {name}: there is no column '{shown(label)}'. The file has, the closest first: "
                         f"{joined(closest(label, columns), 40) or 'no columns'}.")
    return label


def _system(own: Any, entry: ShapesEntry, section: str, name: str) -> Any:
    """Return the coordinate system of the file, or else the one in the entry; raise an error without both."""
    from pyproj import CRS, Transformer
    from pyproj.exceptions import CRSError, ProjError

    try:
        crs = CRS.from_user_input(own) if own else CRS.from_user_input(entry.crs) if entry.crs else None
        if crs is not None:
            Transformer.from_crs("EPSG:4326", crs, always_xy=True)
    except (CRSError, ProjError) as error:
        raise LayerError(f"E-SHP-011 {name}: the coordinate system is not understood: {shown(error)}. Save the file "
                         "again with the system it was drawn in.") from None
    if crs is None:
        raise LayerError(f"E-SHP-011 {name}: no coordinate system. Ask the source of the file for its EPSG code and "
                         f'write it in {section}: crs = "EPSG:...".')
    return crs


