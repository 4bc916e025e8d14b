"""Zips of shapefiles as services send them: whole, of a believable size, and what is in them."""

from __future__ import annotations

import io
import zipfile
import zlib

from riskmap.common.errors import shown

PARTS = (".shp", ".shx", ".dbf", ".prj")


def look(content: bytes, most_unpacked: int) -> tuple[set[str], str]:
    """Return the names in a zip, and what is wrong with it; empty text when every member is whole.

    Nothing is unpacked when the members together would be larger than `most_unpacked` bytes.
    """
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as opened:
            names = {entry.filename for entry in opened.infolist()}
            unpacked = sum(entry.file_size for entry in opened.infolist())
            if unpacked > most_unpacked:
                return names, f"it would unpack to {unpacked:,} bytes, more than is believed"
            damaged = opened.testzip()
    except (zipfile.BadZipFile, zlib.error, EOFError, OSError, RuntimeError, NotImplementedError, ValueError):
        return set(), "it is not a whole zip file"
    return names, f"{shown(damaged)} is damaged" if damaged else ""


def shapefile(names: set[str]) -> str:
    """Return the stem of the only shapefile that has all its parts; empty text when there is none, or several."""
    stems = sorted(name[:-4] for name in names if name.lower().endswith(".shp"))
    whole = [stem for stem in stems if all(stem + part in names for part in PARTS)]
    return whole[0] if len(whole) == 1 else ""
