"""The estimate as GeoParquet 1.1 for analysis: text as text, missing values as missing, EPSG:4326, zstd.

One row group per table of `arrow_lots`; a box per row lets a reader skip the groups that lie elsewhere.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from riskmap.outputs.files import arrow_lots

if TYPE_CHECKING:
    import pyarrow as pa

    from riskmap.common.results import Results

NAME = "lots.parquet"


def write(results: Results, folder: Path) -> Path:
    """Write `lots.parquet` in input order; the same table gives the same bytes."""
    return write_tables(arrow_lots.tables_of(results.lots), folder)


def write_tables(parts: Iterable[pa.Table], folder: Path) -> Path:
    """Write `lots.parquet` from tables of `arrow_lots`, at least one, in their order."""
    import pyarrow.parquet as pq

    path = folder / NAME
    writer: pq.ParquetWriter | None = None
    shapes = arrow_lots.ShapeSummary()
    try:
        for part in parts:
            part = arrow_lots.without(part, *arrow_lots.PLACE)
            shapes = shapes.with_(arrow_lots.shapes_of(part))
            writer = writer or pq.ParquetWriter(path, part.schema, compression="zstd", write_page_checksum=True)
            writer.write_table(part, row_group_size=max(len(part), 1))
        assert writer is not None, "no table to write"
        writer.add_key_value_metadata({"geo": json.dumps(_described(shapes))})
    finally:
        if writer is not None:
            writer.close()
    return path


def _described(shapes: arrow_lots.ShapeSummary) -> dict[str, Any]:
    """Return the file's metadata (GeoParquet 1.1.0)."""
    from pyproj import CRS

    corners = {name: [arrow_lots.BOX, name] for name in ("xmin", "ymin", "xmax", "ymax")}
    column: dict[str, Any] = {"encoding": "WKB", "crs": CRS.from_epsg(4326).to_json_dict(),
                              "geometry_types": list(shapes.kinds), "covering": {"bbox": corners}}
    if shapes.box is not None:
        column["bbox"] = list(shapes.box)
    return {"version": "1.1.0", "primary_column": arrow_lots.GEOMETRY, "columns": {arrow_lots.GEOMETRY: column},
            "creator": {"library": "riskmap"}}
