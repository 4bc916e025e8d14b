"""The estimate as Arrow tables of some 25,000 rows, as the streaming writers need it, for a whole area or part by part.

All have the same form: the columns of the estimate in their declared kinds, `lon` and `lat` of a point inside the lot,
`geometry` as WKB and `bbox`. A writer that takes them one after the other never has more than one in memory.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from riskmap.common import tables

if TYPE_CHECKING:
    import geopandas as gpd
    from numpy.typing import NDArray

ROWS = 25_000  # rows of one table; these become the row groups of lots.parquet
DEGREE_DIGITS = 7  # about a centimetre
GEOMETRY, BOX, PLACE = "geometry", "bbox", ("lon", "lat")
POINT = (
    tables.number("lon", "longitude of a point inside the lot, WGS 84", "deg", -180, 180),
    tables.number("lat", "latitude of the same point, WGS 84", "deg", -90, 90),
)
_KINDS = {"text": pa.string(), "integer": pa.int64(), "number": pa.float64(), "boolean": pa.bool_()}
_NAMES = {1: "Point", 2: "LineString", 3: "Polygon", 4: "MultiPoint", 5: "MultiLineString", 6: "MultiPolygon",
          7: "GeometryCollection"}  # codes of well-known binary (OGC 06-103r4, table 3)
_MANY_OF_ONE = b"\x01\x06\x00\x00\x00\x01\x00\x00\x00"  # little-endian header of a multipolygon with one polygon


@dataclass(frozen=True)
class ShapeSummary:
    """What a file says about its shapes before the first row: sorted kinds in words, and west, south, east, north."""

    kinds: tuple[str, ...] = ()
    box: tuple[float, float, float, float] | None = None

    @classmethod
    def from_dict(cls, summary: dict[str, Any]) -> ShapeSummary:
        """Return the summary that `dataclasses.asdict` gave and a JSON file kept."""
        box = summary["box"]
        return cls(tuple(summary["kinds"]), (box[0], box[1], box[2], box[3]) if box else None)

    def with_(self, other: ShapeSummary) -> ShapeSummary:
        """Return the summary of both together."""
        boxes = [box for box in (self.box, other.box) if box is not None]
        corners = np.array(boxes, dtype=float).reshape(-1, 4)
        box = (*corners[:, :2].min(axis=0).tolist(), *corners[:, 2:].max(axis=0).tolist()) if boxes else None
        return ShapeSummary(tuple(sorted({*self.kinds, *other.kinds})), box)


def kind_of(name: str) -> str:
    """Return the declared kind of a column of the estimate, empty text for others."""
    return {column.name: column.kind for column in (*tables.ESTIMATE.columns, *tables.CALIBRATED, *POINT)}.get(name, "")


def points_inside(shapes: NDArray[np.object_]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return longitude and latitude of a point inside each shape, nan without one."""
    import shapely

    point = shapely.point_on_surface(shapes)
    point[shapely.is_empty(point)] = None  # an empty point has no coordinate to read
    return np.round(shapely.get_x(point), DEGREE_DIGITS), np.round(shapely.get_y(point), DEGREE_DIGITS)


def table(lots: gpd.GeoDataFrame) -> pa.Table:
    """Return the table of some lots (`tables.ESTIMATE` with geometry in EPSG:4326), in their order."""
    import shapely

    columns: dict[str, pa.Array] = {}
    for name in lots.columns:
        if name == lots.geometry.name:
            continue
        kind, values = kind_of(str(name)), lots[name]
        if kind == "text" or (not kind and values.dtype.kind not in "iufb"):
            values = values.astype("str")
            kind = "text"
        columns[str(name)] = pa.array(values, type=_KINDS.get(kind), from_pandas=True)
    shapes = lots.geometry.to_numpy()
    columns |= dict(zip(PLACE, (pa.array(v, from_pandas=True) for v in points_inside(shapes)), strict=True))
    columns[GEOMETRY] = pa.array(shapely.to_wkb(shapes, byte_order=1, flavor="iso"), type=pa.binary())
    bounds = shapely.bounds(shapes)
    columns[BOX] = pa.StructArray.from_arrays(
        [pa.array(bounds[:, k]) for k in range(4)], ["xmin", "ymin", "xmax", "ymax"],
        mask=pa.array(np.isnan(bounds[:, 0])))
    return pa.table(columns)


def tables_of(lots: gpd.GeoDataFrame) -> Iterator[pa.Table]:
    """Yield the tables of an estimate that is in memory; at least one, even without rows."""
    for start in range(0, max(len(lots), 1), ROWS):
        yield table(lots.iloc[start:start + ROWS])


def shapes_of(part: pa.Table) -> ShapeSummary:
    """Return the kinds and the box of the shapes of a table."""
    codes = pc.unique(pc.binary_slice(part[GEOMETRY], 1, 5)).drop_null().to_pylist()
    kinds = tuple(sorted(_NAMES[int.from_bytes(code, "little") % 1000] for code in codes))
    limits = [pc.struct_field(part[BOX], k) for k in range(4)]
    known = pc.min(limits[0]).as_py() is not None
    box = (pc.min(limits[0]).as_py(), pc.min(limits[1]).as_py(), pc.max(limits[2]).as_py(),
           pc.max(limits[3]).as_py()) if known else None
    return ShapeSummary(kinds, box)


def without(part: pa.Table, *names: str) -> pa.Table:
    """Return a table without some columns."""
    return part.drop_columns([name for name in names if name in part.column_names])


def replaced(part: pa.Table, name: str, values: pa.Array) -> pa.Table:
    """Return a table with other values in one column."""
    return part.set_column(part.column_names.index(name), name, values)


def as_multipolygons(geometry: pa.ChunkedArray) -> pa.ChunkedArray:
    """Return polygons as multipolygons of one part; other shapes unchanged."""
    single = pc.equal(pc.binary_slice(geometry, 0, 5), pa.scalar(b"\x01\x03\x00\x00\x00", pa.binary()))
    many = pc.binary_join_element_wise(pa.scalar(_MANY_OF_ONE, pa.binary()), geometry, pa.scalar(b"", pa.binary()))
    return pc.if_else(single, many, geometry)
