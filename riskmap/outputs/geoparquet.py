"""The estimate as GeoParquet 1.1 for analysis: text as text, missing as missing, EPSG:4326, zstd."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from riskmap.results import Results

NAME = "lots.parquet"


def write(found: Results, folder: Path) -> Path:
    """Write `lots.parquet` in input order; the same table gives the same bytes."""
    path = folder / NAME
    found.lots.to_parquet(path, compression="zstd", index=False, schema_version="1.1.0", geometry_encoding="WKB",
                          write_covering_bbox=True)
    return path
