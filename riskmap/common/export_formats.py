"""The formats of `export`: name -> module of `outputs/files` that writes it. A list of its own, because every command
shows the names in its help and few commands need the writers.
"""

from __future__ import annotations

WRITERS = {"gpkg": "geopackage", "parquet": "geoparquet", "csv": "csv_table", "xlsx": "xlsx", "geojson": "geojson",
           "kml": "kml"}
