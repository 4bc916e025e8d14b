"""What a file is when it is not the text that was expected, by its first bytes and never by its name."""

from __future__ import annotations

import zipfile
from pathlib import Path

# First bytes (published formats): NetCDF classic, HDF5 (also NetCDF-4), GRIB, TIFF, SQLite, PDF, gzip, zip, UTF-16
_KINDS = (
    (b"CDF\x01", "a NetCDF grid"), (b"CDF\x02", "a NetCDF grid"), (b"CDF\x05", "a NetCDF grid"),
    (b"\x89HDF\r\n\x1a\n", "a NetCDF-4 or HDF5 grid"), (b"GRIB", "a GRIB grid"),
    (b"II*\x00", "a GeoTIFF grid"), (b"MM\x00*", "a GeoTIFF grid"), (b"II+\x00", "a GeoTIFF grid"),
    (b"SQLite format 3\x00", "a database (GeoPackage or SQLite)"), (b"%PDF", "a PDF document"),
    (b"\x1f\x8b", "compressed (gzip)"), (b"PK\x03\x04", "a zip"), (b"\xff\xfe", "text in UTF-16"),
    (b"\xfe\xff", "text in UTF-16"), (b"\xd0\xcf\x11\xe0", "an old workbook"),
)
_REMEDY = {
    "grid": "Average the grid over each climate cell, month by month, and save the result as a CSV table with columns "
            "such as cell_id, year, month, precip_mm, tavg_c (Kelvin minus 273.15).",
    "gzip": "Give its name the ending .gz, or unpack it.",
    "UTF-16": "Save it as UTF-8.",
    "workbook": "Save the sheet as a CSV table in UTF-8.",
    "zip": "Unpack it.",
}


def kind(path: Path) -> str:
    """Return what a file is, for a sentence ("a NetCDF grid"); empty text when its first bytes say nothing."""
    with path.open("rb") as opened:
        start = opened.read(16)
    what = next((name for mark, name in _KINDS if start.startswith(mark)), "")
    if what == "a zip" and zipfile.is_zipfile(path):
        with zipfile.ZipFile(path) as inside:
            what = "a workbook" if any(name.startswith("xl/") for name in inside.namelist()) else what
    return what


def remedy(kind: str) -> str:
    """Return what to do with a file of such a kind where a table is expected."""
    return next((said for word, said in _REMEDY.items() if word in kind), "Give a table as CSV in UTF-8.")
