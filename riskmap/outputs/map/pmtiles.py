"""A PMTiles archive: many tiles in one file, found by a directory at its start (open specification, version 3).

The directory is in the first 16 KiB, so that a reader needs two small reads before the first tile. Tiles are written as
they come, in the order of their ids. Everything else that the page needs follows as blocks, which the metadata name and
other readers of the format skip.
"""

from __future__ import annotations

import gzip
import hashlib
import json
import struct
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from riskmap.outputs.map.vector_tiles import varints

HEADER = struct.Struct("<7sB11Q6B4iB2i")
ROOM = 16384  # header and root directory must end before this byte
LEAF_ENTRIES = 4096
GZIP, VECTOR_TILES = 2, 1
LEVEL = 6

Ints = NDArray[np.int64]


def packed(raw: bytes) -> bytes:
    """Return gzip bytes that are the same for the same content."""
    return gzip.compress(raw, LEVEL, mtime=0)


def tile_ids(zoom: int, x: Ints, y: Ints) -> Ints:
    """Return the ids of tiles: their position on a Hilbert curve, after all tiles of smaller zooms."""
    x, y = x.astype(np.int64), y.astype(np.int64)
    place = np.zeros_like(x)
    side = np.int64(1) << (zoom - 1) if zoom else np.int64(0)
    while side > 0:
        right, below = (x & side) > 0, (y & side) > 0
        place += side * side * ((3 * right) ^ below)
        flip = ~below & right
        x, y = np.where(flip, side - 1 - (x & (side - 1)), x & (side - 1)), \
            np.where(flip, side - 1 - (y & (side - 1)), y & (side - 1))
        x, y = np.where(below, x, y), np.where(below, y, x)
        side >>= 1
    return place + (4**zoom - 1) // 3


def directory(ids: Ints, runs: Ints, sizes: Ints, offsets: Ints) -> bytes:
    """Return directory entries as in section 4 of the specification, compressed."""
    follows = np.append(False, offsets[1:] == offsets[:-1] + sizes[:-1])[: len(offsets)]
    columns = [np.array([len(ids)]), np.diff(ids, prepend=0), runs, sizes, np.where(follows, 0, offsets + 1)]
    return packed(varints(np.concatenate(columns).astype(np.int64)))


class Archive:
    """Writes an archive: tiles in ascending order of their ids, then blocks, then `close`."""

    def __init__(self, file: BinaryIO) -> None:
        """Begin an archive in an empty file in which one can write and seek."""
        self._file, self._digest = file, hashlib.sha256()
        self._ids: list[Ints] = []
        self._sizes: list[int] = []
        self._at = self._data_end = ROOM
        file.write(b"\0" * ROOM)

    def _write(self, raw: bytes) -> tuple[int, int]:
        self._file.write(raw)
        self._digest.update(raw)
        self._at += len(raw)
        return self._at - len(raw), len(raw)

    def tiles(self, ids: Ints, tiles: Iterable[bytes]) -> None:
        """Add tiles; each is compressed here."""
        self._ids.append(np.asarray(ids, dtype=np.int64))
        self._sizes += [self._write(packed(tile))[1] for tile in tiles]
        self._data_end = self._at

    def block(self, raw: bytes) -> list[int]:
        """Add a block of other data and return its offset in the file and its length, both as stored."""
        return list(self._write(packed(raw)))

    @property
    def digest(self) -> str:
        """Content of everything written so far, as 16 hexadecimal digits."""
        return self._digest.hexdigest()[:16]

    def close(self, metadata: dict[str, Any], zooms: tuple[int, int],
              bounds: tuple[float, float, float, float]) -> None:
        """Write directories, metadata and header."""
        ids = np.concatenate([*self._ids, np.empty(0, np.int64)])
        if (np.diff(ids) <= 0).any():
            raise ValueError("tiles of an archive must come in ascending order of their ids")
        sizes = np.array(self._sizes, dtype=np.int64)
        offsets = np.cumsum(sizes) - sizes
        root = directory(ids, np.ones_like(ids), sizes, offsets)
        leaves = b""
        leaf_at = self._at
        entries = LEAF_ENTRIES
        while len(root) > ROOM - HEADER.size:
            root, leaves = self._leaves(ids, sizes, offsets, entries)
            entries *= 2
        self._file.write(leaves)
        description = packed(json.dumps(metadata, ensure_ascii=False, allow_nan=False).encode("utf-8"))
        self._file.write(description)
        west, south, east, north = (round(v * 1e7) for v in bounds)
        self._file.seek(0)
        self._file.write(HEADER.pack(
            b"PMTiles", 3, HEADER.size, len(root), leaf_at + len(leaves), len(description), leaf_at, len(leaves), ROOM,
            self._data_end - ROOM, len(ids), len(ids), len(ids), 1, GZIP, GZIP, VECTOR_TILES, *zooms,
            west, south, east, north, zooms[0], (west + east) // 2, (south + north) // 2))
        self._file.write(root)

    @staticmethod
    def _leaves(ids: Ints, sizes: Ints, offsets: Ints, entries: int) -> tuple[bytes, bytes]:
        starts = range(0, len(ids), entries)
        parts = [directory(ids[k : k + entries], np.ones_like(ids[k : k + entries]), sizes[k : k + entries],
                           offsets[k : k + entries]) for k in starts]
        leaf_sizes = np.array([len(leaf) for leaf in parts], dtype=np.int64)
        first = np.array([ids[k] for k in starts], dtype=np.int64)
        return directory(first, np.zeros_like(first), leaf_sizes, np.cumsum(leaf_sizes) - leaf_sizes), b"".join(parts)


def write(path: Path, fill: Callable[[Archive], None]) -> None:
    """Open a temporary archive, let `fill(archive)` write it, and move it into place when it is complete."""
    part = path.with_name(path.name + ".part")
    try:
        with part.open("wb") as file:
            fill(Archive(file))
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)
