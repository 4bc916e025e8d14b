"""What a zip may contain before anything in it is read: names that stay inside, no links, no unreasonable size."""

from __future__ import annotations

import stat
import zipfile
from collections import Counter
from pathlib import Path, PurePosixPath

from riskmap.common.errors import LayerError, joined

MAX_UNPACKED_BYTES = 8 * 1024**3  # judgement: room for the lots of a state or for a survey area
MAX_RATIO = 200  # judgement: shapefiles and tables shrink about tenfold
SMALL_BYTES = 100 * 1024**2  # below this size any ratio is harmless


def entries(path: Path, name: str, *, unreadable: str, unsafe: str, ratio: int = MAX_RATIO,
            harmless: int = SMALL_BYTES) -> list[zipfile.ZipInfo]:
    """Return the entries of a zip without its folders.

    Parameters
    ----------
    path : Path
    name : str
        Name for messages.
    unreadable, unsafe : str
        Message codes.
    ratio, harmless : int
        Largest credible number of unpacked bytes per packed byte, and the size below which any ratio is accepted.

    Raises
    ------
    LayerError
        When the zip cannot be opened, an entry points outside or is a link, two entries share a name, or its unpacked
        size would not be credible.
    """
    try:
        with zipfile.ZipFile(path) as opened:
            directory = opened.infolist()
    except (zipfile.BadZipFile, OSError) as error:
        raise LayerError(f"{unreadable} {name}: not a readable zip file ({error}). Get it again.") from None
    outside = [entry.filename for entry in directory if _outside(entry)]
    if outside:
        raise LayerError(f"{unsafe} {name}: unsafe names inside the zip: {joined(outside)}. Names must not point "
                         "outside the archive and must not be links. Take the zip from its publisher or pack it again.")
    folded = [entry.filename.lower() for entry in directory]
    if len(set(folded)) < len(folded):
        again = sorted({one for one, count in Counter(folded).items() if count > 1})
        raise LayerError(f"{unsafe} {name}: two entries have the same name: {joined(again)}. It is not known which one "
                         "is right. Pack the zip again.")
    unpacked, packed = sum(e.file_size for e in directory), sum(e.compress_size for e in directory)
    if unpacked > MAX_UNPACKED_BYTES or (unpacked > harmless and unpacked > ratio * max(packed, 1)):
        raise LayerError(f"{unsafe} {name}: it would unpack to {unpacked:,} bytes, more than is believed. Give its "
                         "content unpacked, or in another format.")
    return [entry for entry in directory if not entry.is_dir()]


def content(opened: zipfile.ZipFile, entry: zipfile.ZipInfo) -> bytes:
    """Return an entry's bytes, at most as many as the directory states; `ZipFile.read` would unpack everything.

    Raises
    ------
    zipfile.BadZipFile
        When the entry has more bytes than stated, or bytes that do not match its checksum.
    """
    with opened.open(entry) as stream:
        unpacked = stream.read(entry.file_size) if entry.file_size else b""
        if len(unpacked) != entry.file_size or stream.read(1):
            raise zipfile.BadZipFile("an entry does not contain as many bytes as the directory promises")
    return unpacked


def _outside(entry: zipfile.ZipInfo) -> bool:
    name = entry.orig_filename.replace("\\", "/")
    return (not entry.filename or ".." in PurePosixPath(name).parts or name.startswith("/")
            or any(mark in name for mark in ":\x00{}") or stat.S_ISLNK(entry.external_attr >> 16))
