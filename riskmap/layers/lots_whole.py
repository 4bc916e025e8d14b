"""Whether a lot file is complete. What its parts say of their own size is compared before and after a library reads it.

The libraries read what they can of a damaged file and say nothing about the rest, so lots would disappear without a
word. Shapefile: ESRI Shapefile Technical Description (1998), main file and index file headers; the header of the .dbf
as in dBASE III. GeoPackage: OGC 12-128r18, and SQLite's own check of its pages. GeoJSON: RFC 7946, section 3.3.
"""

from __future__ import annotations

import re
import sqlite3
import zipfile
import zlib
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path, PurePosixPath
from typing import IO

import numpy as np
from numpy.typing import NDArray

from riskmap.common.errors import LayerError, counted, joined, shown
from riskmap.common.problems import Problem
from riskmap.layers import archive
from riskmap.layers.reader_words import first_line

PARTS = (".shp", ".shx", ".dbf", ".prj", ".cpg")  # parts that are read; a spatial index is not
_HEADER, _ENTRY = 100, 8  # bytes before the first record of .shp and .shx, and of one entry of the index
_MAIN_CODE = 9994  # the first four bytes of .shp and .shx
_CHUNK = 1 << 22  # number of bytes that are read at once (judgement: few compared with the tables of a run)


# ---------------------------------------------------------------- shapefile
@dataclass(frozen=True)
class _Part:
    name: str
    size: int
    open: Callable[[], IO[bytes]]


@dataclass(frozen=True)
class Shapefile:
    """A shapefile whose parts agree: where the library finds it, how many lots it has, and what its .prj says."""

    source: str
    rows: int
    prj: str
    _parts: dict[str, _Part] = field(repr=False)

    def check_read(self, rows: int, name: str) -> list[Problem]:
        """Return a message on rows that the library skipped because an editor marked them as deleted.

        Raises
        ------
        LayerError
            When other rows are missing.
        """
        if rows == self.rows:
            return []
        with self._parts[".dbf"].open() as stream:
            deleted = _deleted_rows(stream)
        if rows + deleted != self.rows:
            raise LayerError(f"E-LOT-060 {name}: the file has {self.rows:,} lots, {rows:,} of them could be read. It "
                             "is damaged. Export it again.")
        return [Problem("W-LOT-060", name, rule=f"{counted(deleted, 'row is', 'rows are')} marked as deleted in the "
                        ".dbf.", remedy="If they are still lots, take the mark away in the program that made the file.",
                        action="Skipped: they are not lots.")]


def loose_shapefile(path: Path, name: str) -> Shapefile:
    """Return a shapefile in a folder; LayerError as in `zipped_shapefile`."""
    stem = path.name[:-len(path.suffix)]
    parts: dict[str, _Part] = {}
    for file in sorted(path.parent.iterdir(), key=lambda file: (file.name.startswith(stem + "."), file.name)):
        # of several names that differ in capitals, the one with our stem comes last
        ending = file.name[len(stem):].lower()
        if file.name.lower().startswith(stem.lower() + ".") and ending in PARTS and file.is_file():
            parts[ending] = _Part(file.name, file.stat().st_size, partial(_opened_file, file))
    parts[".shp"] = _Part(path.name, path.stat().st_size, partial(_opened_file, path))
    return _agreeing(parts, stem, str(path), name)


def zipped_shapefile(path: Path, name: str, layer: str | None) -> Shapefile:
    """Return the one shapefile in a zip, or the one that `layer` names.

    Raises
    ------
    LayerError
        When there is none or several, a part is missing or differs in capitals, or the parts disagree.
    """
    members = archive.entries(path, name, unreadable="E-LOT-002", unsafe="E-LOT-086")
    shapes = [m.filename for m in members if m.filename.lower().endswith(".shp")]
    if not shapes:
        inside = joined(m.filename for m in members) or "nothing"
        lone = any(m.filename.lower().endswith((".shx", ".dbf")) for m in members)
        said = "the .shp is missing, the part with the shapes" if lone else "there is no shapefile in the zip"
        raise LayerError(f"E-LOT-088 {name}: {said}. The zip contains: {inside}. "
                         "Pack .shp, .shx, .dbf and .prj together.")
    stems = [PurePosixPath(shape).stem for shape in shapes]
    calls = stems if len(set(stems)) == len(stems) else [shape[:-4] for shape in shapes]  # with their folders
    chosen = [shape for shape, call in zip(shapes, calls, strict=True) if layer in (None, call, shape[:-4])]
    if len(chosen) != 1:
        raise LayerError(f"E-LOT-087 {name}: {len(chosen)} shapefiles found where one is expected. "
                         f"Set lots.layer to one of: {joined(calls)}.")
    stem = chosen[0][:-4]
    parts = {}
    for member in members:
        ending = member.filename[len(stem):].lower()
        if member.filename.lower().startswith(stem.lower() + ".") and ending in PARTS:
            parts[ending] = _Part(member.filename, member.file_size, partial(_opened, path, member))
    return _agreeing(parts, stem, f"/vsizip/{{{path.as_posix()}}}/{chosen[0]}", name)


def _opened_file(path: Path) -> IO[bytes]:
    return path.open("rb")


def _opened(path: Path, member: zipfile.ZipInfo) -> IO[bytes]:
    with zipfile.ZipFile(path) as packed:
        return packed.open(member)  # the zip stays open until the member is closed


def _agreeing(parts: dict[str, _Part], stem: str, source: str, name: str) -> Shapefile:
    missing = [part for part in (".dbf", ".shx") if part not in parts]
    if missing:
        raise LayerError(f"E-LOT-088 {name}: the shapefile lacks {' and '.join(missing)}; without .dbf there are no "
                         "identifiers, without .shx no shapes. Export it again with all parts.")
    odd = [part.name for ending, part in parts.items() if part.name not in (stem + ending, stem + ending.upper())]
    if odd:  # on a system that distinguishes capitals the library would not find them
        raise LayerError(f"E-LOT-088 {name}: {joined(odd)}: the parts of a shapefile need the same name in the same "
                         f"capitals. Rename to {joined(stem + ending for ending in parts)}.")
    try:
        rows = _compare(parts, name)
        prj = _start(parts[".prj"], 20_000).decode("utf-8", "replace").strip("\x00 \r\n\t") if ".prj" in parts else ""
    except (zipfile.BadZipFile, NotImplementedError, RuntimeError, EOFError, zlib.error, OSError) as error:
        raise LayerError(f"E-LOT-002 {name}: a part of the shapefile cannot be read: {shown(error)}. "
                         "Get the file again.") from None
    return Shapefile(source, rows, prj, parts)


def _compare(parts: dict[str, _Part], name: str) -> int:
    """Return how many lots the parts have; LayerError when they do not agree."""
    main, index, table = parts[".shp"], parts[".shx"], parts[".dbf"]
    for part in (main, index):
        if int.from_bytes(_start(part, 4), "big") != _MAIN_CODE or part.size < _HEADER:
            raise LayerError(f"E-LOT-060 {name}: {part.name} is not part of a shapefile, whatever its name says. "
                             "Export the file again.")
    listed = (_length(index) - _HEADER) // _ENTRY
    head = _start(table, 32)
    rows, start, width = (int.from_bytes(head[a:b], "little") for a, b in ((4, 8), (8, 10), (10, 12)))
    if len(head) < 32 or width == 0:
        raise LayerError(f"E-LOT-060 {name}: {table.name} is not a table, whatever its name says. Export the file "
                         "again.")
    held = max(table.size - start, 0) // width
    cut = [f"{part.name} has {part.size:,} bytes where {_length(part):,} are promised" for part in (main, index)
           if part.size < _length(part)]
    cut += [f"{table.name} has {held:,} rows where {rows:,} are promised"] if held < rows else []
    if not cut and listed == rows:
        cut += _outside(main, index, listed)
    if cut or listed != rows:
        said = "; ".join([f"{index.name} lists {listed:,} shapes, {table.name} {rows:,} rows", *cut])
        raise LayerError(f"E-LOT-060 {name}: the parts of the shapefile disagree: {said}. A copy or an export was cut, "
                         "or the parts come from different exports. Export all parts again.")
    return rows


def _outside(main: _Part, index: _Part, listed: int) -> list[str]:
    """Return what is wrong with the places where the index says that shapes are."""
    with index.open() as stream:
        entries = np.frombuffer(stream.read(_HEADER + _ENTRY * listed)[_HEADER:], dtype=">i4").reshape(-1, 2)
    offset, length = 2 * entries.astype(np.int64).T  # both count in words of 16 bits
    # Some writers include the 8 bytes of a record's own header in its length; GDAL reads such files.
    there = (offset >= _HEADER) & (length >= 0) & (offset + length <= main.size)
    empty = (offset == 0) & (length == 0)
    lost = int((~there & ~empty).sum())
    if lost:
        return [f"{lost:,} of the shapes that {index.name} lists are not in {main.name}"]
    offset, length = offset[~empty], length[~empty]
    order = np.argsort(offset, kind="stable")
    with main.open() as stream:
        said = _words_at(stream, offset[order] + 4)  # length of the shape, according to the shape itself
    other = int((np.abs(2 * said - length[order]) > _ENTRY).sum())
    twice = len(offset) - len(np.unique(offset))
    return [f"{count:,} of the shapes that {index.name} lists {what}" for count, what in (
        (other, f"are of another length in {main.name}"), (twice, "are listed twice")) if count]


def _words_at(stream: IO[bytes], places: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return the big-endian whole numbers at ascending places of a stream, which is read once."""
    words = np.zeros(len(places), dtype=np.int64)
    begin, rest = 0, b""
    while block := stream.read(_CHUNK):
        block = rest + block
        raw = np.frombuffer(block, dtype=np.uint8)
        low, high = np.searchsorted(places, (begin, begin + len(block) - 3))
        here = places[low:high, None] - begin + np.arange(4)
        words[low:high] = np.ascontiguousarray(raw[here]).view(">i4")[:, 0] if high > low else 0
        rest = block[-3:]
        begin += len(block) - len(rest)
        places = np.concatenate([np.full(high, -1, dtype=np.int64), places[high:]])
    return words


def _deleted_rows(stream: IO[bytes]) -> int:
    head = stream.read(32)
    rows, start, width = (int.from_bytes(head[a:b], "little") for a, b in ((4, 8), (8, 10), (10, 12)))
    stream.read(start - 32)
    count, many = 0, max(_CHUNK // width, 1)
    while rows > 0 and (block := stream.read(width * min(rows, many))):
        count += block[::width].count(b"*")
        rows -= many
    return count


def _start(part: _Part, count: int) -> bytes:
    with part.open() as stream:
        return stream.read(count)


def _length(part: _Part) -> int:
    return 2 * int.from_bytes(_start(part, 28)[24:28], "big")


# ---------------------------------------------------------------- GeoPackage
def check_database(path: Path, name: str) -> None:
    """Check every page of a GeoPackage before a library reads it.

    Raises
    ------
    LayerError
        When a page is damaged or missing: the library would read the rows before it and stop without a word.
    """
    try:
        with closing(_database(path)) as base:
            damage = [str(row[0]) for row in base.execute("PRAGMA quick_check(1)")]
    except sqlite3.Error as error:
        raise LayerError(_damaged(error, path, name)) from None
    if damage != ["ok"]:
        raise LayerError(_damaged(damage[0].splitlines()[-1], path, name))


def _damaged(said: object, path: Path, name: str) -> str:
    return (f"E-LOT-063 {name}: the database in this file is damaged or cut: {first_line(said, path, name)}. Lots "
            "could be missing without a sign of it. Export the file again.")


def geopackage_rows(path: Path, name: str, layer: str) -> tuple[int | None, list[Problem]]:
    """Return how many rows a layer has (None for a view), and a message when the file's own count differs."""
    try:
        with closing(_database(path)) as base:
            kind = base.execute("SELECT type FROM sqlite_master WHERE lower(name) = lower(?)", (layer,)).fetchone()
            if kind is None or kind[0] != "table":
                return None, []
            quoted = '"' + layer.replace('"', '""') + '"'
            rows = int(base.execute(f"SELECT count(*) FROM {quoted}").fetchone()[0])
            said = _said_rows(base, layer)
    except sqlite3.Error as error:
        raise LayerError(_damaged(error, path, name)) from None
    if said is None or said == rows:
        return rows, []
    return rows, [Problem("W-LOT-063", name, rule=f"the file counts {said:,} lots in itself (table gpkg_ogr_contents), "
                          f"{rows:,} are in it.", remedy="Check that it was exported whole.",
                          action="All that are in it are read.")]


def _database(path: Path) -> sqlite3.Connection:
    place = path.resolve().as_uri()
    base = sqlite3.connect(place + "?mode=ro", uri=True)
    try:
        base.execute("SELECT count(*) FROM sqlite_master")
    # for example a log next to it that cannot be written, because the folder is read-only
    except sqlite3.OperationalError:
        base.close()
        base = sqlite3.connect(place + "?immutable=1", uri=True)
    return base


def _said_rows(base: sqlite3.Connection, layer: str) -> int | None:
    try:
        row = base.execute("SELECT feature_count FROM gpkg_ogr_contents WHERE lower(table_name) = lower(?)",
                           (layer,)).fetchone()
    except sqlite3.OperationalError:  # the table is an extra of one library
        return None
    return int(row[0]) if row and isinstance(row[0], int) else None


# ---------------------------------------------------------------- GeoJSON
def geojson_members(path: Path) -> int | None:
    """Return how many members the arrays `features` at the top of a GeoJSON have; None when there is none."""
    total: int | None = None
    with path.open("rb") as stream:
        for key, members in _top_arrays(stream):
            if key == b'"features"':
                total = (total or 0) + members
    return total


_ESCAPED = re.compile(rb"\\.", re.DOTALL)
_KEY = re.compile(rb'("[^"]{0,40}")\s*:\s*$')
_KEY_BYTES = 80  # characters before the bracket of an array: enough for its key and blanks
_MARKS = np.isin(np.arange(256), list(b'"[]{},'))
_STEP = np.zeros(256, dtype=np.int64)
_STEP[list(b"[{")], _STEP[list(b"]}")] = 1, -1


def _top_arrays(stream: IO[bytes]) -> Iterator[tuple[bytes, int]]:
    """Yield the key and the number of members of each array in the outermost object. Texts are skipped."""
    level, in_text, before, rest = 0, 0, b"", b""
    key: bytes | None = None
    commas, filled = 0, False
    while block := stream.read(_CHUNK):
        block = rest + block
        rest = b"\\" if (len(block) - len(block.rstrip(b"\\"))) % 2 else b""
        block = _ESCAPED.sub(b"..", block[:len(block) - len(rest)])
        raw = np.frombuffer(block, dtype=np.uint8)
        place = np.flatnonzero(_MARKS[raw])
        mark = raw[place]
        text = in_text + np.cumsum(mark == ord('"'))
        in_text = int(text[-1]) % 2 if len(text) else in_text
        outside = (text % 2 == 0) & (mark != ord('"'))
        place, mark = place[outside], mark[outside]
        depth = level + np.cumsum(_STEP[mark])
        level = int(depth[-1]) if len(depth) else level
        edge = ((_STEP[mark] == 1) & (depth == 2)) | ((_STEP[mark] == -1) & (depth == 1))
        comma = np.cumsum((mark == ord(",")) & (depth == 2))
        begin = counted_before = 0
        for k in np.flatnonzero(edge).tolist():  # few: one pair for each array or object in the outermost one
            commas, filled = commas + int(comma[k]) - counted_before, filled or bool(block[begin:place[k]].strip())
            counted_before, begin = int(comma[k]), int(place[k]) + 1
            if _STEP[mark[k]] == 1:
                key_match = _KEY.search((before + block[:place[k]])[-_KEY_BYTES:])
                key = key_match[1] if key_match and mark[k] == ord("[") else None
                commas, filled = 0, False
            elif key is not None:
                yield key, commas + 1 if filled else 0
                key = None
        commas += (int(comma[-1]) if len(comma) else 0) - counted_before
        filled = filled or bool(block[begin:].strip())
        before = (before + block)[-_KEY_BYTES:]
