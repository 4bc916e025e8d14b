"""Lots from GeoPackage, GeoJSON, shapefile and GeoParquet: attributes as exact text, shapes as stored."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from riskmap.common.errors import LayerError, joined, shown
from riskmap.common.problems import Problem
from riskmap.layers import lots_whole
from riskmap.layers.lots_columns import MAX_NESTED, Choice, RawLots, label_column, match_columns, per_row
from riskmap.layers.reader_words import first_line

if TYPE_CHECKING:
    import pandas as pd

    from riskmap.common.settings import LotsEntry

# Types of well-known binary, as ISO 13249-3 numbers them; curves are 8 to 14.
_COLLECTION, _CURVED = 7, tuple(range(8, 15))


def read_ogr(path: Path, name: str, entry: LotsEntry, kind: str, choose: Choice = match_columns) -> RawLots:
    """Read a GeoPackage, GeoJSON or shapefile through Arrow, attributes as exact text.

    `choose` says which columns are read and under which names: `match_columns`, or `every_column`.
    """
    import pyogrio
    import shapely
    from pyproj.exceptions import CRSError

    shapefile = _shapefile(path, name, entry.layer) if kind == "ESRI Shapefile" else None
    source = shapefile.source if shapefile else str(path)
    if kind == "GPKG":
        lots_whole.check_database(path, name)
    options = {"DATE_AS_STRING": "YES"} if kind == "GeoJSON" else {}
    try:
        layer = None if shapefile else _layer(source, name, entry.layer)
        info = pyogrio.read_info(source, layer=layer, **options)
        if info["driver"] != kind:
            raise LayerError(f"E-LOT-001 {name}: the content is {info['driver']}, not {kind}.")
        names, dropped = choose(list(info["fields"]), entry, name, any_row=info["features"] != 0)
        also = label_column(list(info["fields"]), entry, name) if names else {}
        columns = list(dict.fromkeys([*names.values(), *also.values()]))
        whole = _Whole.of(path, name, kind, layer, shapefile)
        meta, arrow = pyogrio.raw.read_arrow(source, layer=layer, columns=columns, **options)
    except (pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError, pyogrio.errors.FieldError,
            pyogrio.errors.CRSError, CRSError) as error:
        if shapefile and _no_system(shapefile.prj):
            raise LayerError(_bad_prj(shapefile.prj, name)) from None
        raise LayerError(f"E-LOT-001 {name}: cannot be read as {kind}: {first_line(error, path, name)}. "
                         "Export the file again.") from None
    findings = whole.check_read(arrow.num_rows, name)
    if shapefile and shapefile.prj and meta["crs"] is None:
        if entry.crs is None:
            raise LayerError(_bad_prj(shapefile.prj, name))
        findings.append(Problem("W-LOT-061", name, rule=f"its .prj is not understood: '{shown(shapefile.prj)}'.",
                                remedy="Replace the .prj or remove it.", action=f"lots.crs is used: {entry.crs}."))
    place = meta["geometry_name"] or "wkb_geometry"
    if place not in arrow.column_names:
        raise LayerError(f"E-LOT-003 {name}: the layer has no shapes. Use a layer with polygons or points.")
    wkb = arrow.column(place)
    valid, kinds = np.asarray(wkb.is_valid()), _wkb_kinds(wkb)
    curved = np.isin(kinds, _CURVED)
    if curved.any() or (kinds == _COLLECTION).any():  # a collection may contain curves further inside
        _, _, wkb, _ = pyogrio.raw.read(source, layer=layer, columns=[], **options)  # arcs become chords
    geometry, rows = shapes_of(wkb), np.arange(1, arrow.num_rows + 1, dtype=np.int64)
    problems = per_row(valid & shapely.is_missing(geometry), rows, None, "E-LOT-004", name, "geometry",
                       rule="the shape cannot be read.", remedy="Save it as plain polygons.",
                       action="Row kept, not estimated.")
    if curved.any():
        problems.append(Problem(
            "W-LOT-023", name, rule=f"{int(curved.sum())} shapes have curved sides, the first in row "
            f"{int(rows[curved][0])}.", remedy="", action="Each arc is read as chords of 4 degrees: the area of a full "
            "circle becomes 0.08 % smaller.", column="geometry"))
    return RawLots(_as_text(arrow, names), geometry, meta["crs"], rows, dropped, findings + problems, names,
                   *_labels(arrow, also))


def _shapefile(path: Path, name: str, layer: str | None) -> lots_whole.Shapefile:
    if path.suffix.lower() == ".zip":
        return lots_whole.zipped_shapefile(path, name, layer)
    return lots_whole.loose_shapefile(path, name)


@dataclass(frozen=True)
class _Whole:
    """How many lots a file says that it has (None when it does not say), and the values to compare with later."""

    rows: int | None
    problems: list[Problem]
    shapefile: lots_whole.Shapefile | None = None

    @classmethod
    def of(cls, path: Path, name: str, kind: str, layer: str | None, shapefile: lots_whole.Shapefile | None) -> _Whole:
        if shapefile is not None:
            return cls(shapefile.rows, [], shapefile)
        if kind == "GPKG":
            return cls(*lots_whole.geopackage_rows(path, name, layer or ""))
        return cls(lots_whole.geojson_members(path), [])

    def check_read(self, rows: int, name: str) -> list[Problem]:
        """Return a message on the rows; LayerError when some rows of the file are missing."""
        if self.shapefile is not None:
            return self.shapefile.check_read(rows, name)
        if self.rows not in (None, rows):
            raise LayerError(f"E-LOT-064 {name}: the file has {self.rows:,} lots, {rows:,} of them could be read. The "
                             "others are damaged, or are not features. Export the file again.")
        return list(self.problems)


def _no_system(prj: str) -> bool:
    from pyproj import CRS
    from pyproj.exceptions import CRSError

    try:
        CRS.from_user_input(prj)
    except CRSError:
        return bool(prj)
    return False


def _bad_prj(prj: str, name: str) -> str:
    return (f"E-LOT-061 {name}: the .prj of the shapefile is not understood: '{shown(prj)}'. It should name the "
            "coordinate system in well-known text. Get the .prj from the source of the file, or remove it and write "
            'the system in the area file: [lots] crs = "EPSG:...".')


def _wkb_kinds(column: Any) -> NDArray[np.int64]:
    """Return the type of each shape in well-known binary, without heights and measures; 0 where there is no shape."""
    import pyarrow as pa
    import pyarrow.compute as pc

    heads = pc.fill_null(pc.binary_slice(column.cast(pa.binary()), 0, 5), bytes(5))
    short = pc.less(pc.binary_length(heads), 5)
    heads = b"".join(pc.if_else(short, bytes(5), heads).to_pylist())
    head = np.frombuffer(heads, dtype=np.uint8).reshape(-1, 5)
    kind = np.where(head[:, 0] == 1, head[:, 1:].copy().view("<u4")[:, 0], head[:, 1:].copy().view(">u4")[:, 0])
    return (kind & 0x0FFFFFFF).astype(np.int64) % 1000


def refuse_nests(column: Any, name: str) -> None:
    """Refuse collections that are nested too deeply, because the library that reads them would end the whole program.

    GeoPackage, GeoJSON and shapefile need no such check: their driver has its own limit.
    """
    import pyarrow as pa

    if not (pa.types.is_binary(column.type) or pa.types.is_large_binary(column.type)):
        return
    for row in np.flatnonzero(_wkb_kinds(column) == _COLLECTION):
        content = column[int(row)].as_py()
        if content.count(b"\x07\x00\x00") + content.count(b"\x00\x00\x07") > 2 * MAX_NESTED:
            raise LayerError(f"E-LOT-004 {name} row {row + 1}: more than {MAX_NESTED} collections lie in one another. "
                             "Save the shape as plain polygons.")


def shapes_of(wkb: Any) -> NDArray[np.object_]:
    """Return shapes from well-known binary; None where there is none or it cannot be read."""
    import pyarrow as pa
    import shapely

    column = wkb if isinstance(wkb, pa.ChunkedArray) else pa.chunked_array([pa.array(list(wkb), pa.binary())])
    values = np.array(column.to_pylist(), dtype=object)
    values[np.isin(_wkb_kinds(column), _CURVED)] = None
    geometry: NDArray[np.object_] = shapely.from_wkb(values, on_invalid="ignore")
    geometry[_holds_curves(geometry)] = None
    return geometry


def _holds_curves(geometry: NDArray[np.object_]) -> NDArray[np.bool_]:
    """Mark collections that contain curves, because nothing here turns those into chords."""
    import shapely

    curved = shapely.get_type_id(geometry) == _COLLECTION
    curved[curved] = ["CURVE" in text or "CIRCULAR" in text for text in shapely.to_wkt(geometry[curved])]
    return curved


def _layer(source: str, name: str, layer_name: str | None) -> str:
    import pyogrio

    layers = [str(layer) for layer, shape in pyogrio.list_layers(source) if shape is not None]
    if layer_name is None and len(layers) == 1:
        return layers[0]
    if layer_name in layers:
        return str(layer_name)
    said = f"there is no layer '{shown(layer_name)}'" if layer_name else f"there are {len(layers)} layers with shapes"
    raise LayerError(f"E-LOT-089 {name}: {said}. Set lots.layer to one of: {joined(layers) or 'none found'}.")


def read_parquet(path: Path, name: str, entry: LotsEntry, kind: str, choose: Choice = match_columns) -> RawLots:
    """Read GeoParquet: attributes as exact text, shapes from the primary geometry column; `choose` as in `read_ogr`."""
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
        names, dropped = choose(others, entry, name)
        also = label_column(others, entry, name)
        arrow = pq.read_table(path, columns=list(dict.fromkeys([*names.values(), *also.values()])))
        refuse_nests(pq.read_table(path, columns=[geo["primary_column"]]).column(0), name)
        shapes = gpd.read_parquet(path, columns=[geo["primary_column"]]).geometry
    except (ShapelyError, KeyError, TypeError, AttributeError) as error:
        raise LayerError(f"E-LOT-001 {name}: cannot be read as GeoParquet: {shown(error)}.") from None
    geometry = np.array(shapes.array, dtype=object)
    rows = np.arange(1, len(geometry) + 1, dtype=np.int64)
    curved = _holds_curves(geometry)
    geometry[curved] = None
    problems = per_row(curved, rows, None, "E-LOT-004", name, "geometry", rule="the shape has curved sides.",
                       remedy="Save it as plain polygons.", action="Row kept, not estimated.")
    return RawLots(_as_text(arrow, names), geometry, shapes.crs, rows, dropped, problems, names,
                   *_labels(arrow, also))


def _labels(arrow: Any, also: dict[str, str]) -> list[pd.Series]:
    """Return the text of the column of labels; nothing where none is named."""
    return [_as_text(arrow, also)[ours] for ours in also]


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
