"""Files from a form to the disk, piece by piece: bounded in size and number, under names of plain letters.

Nothing is opened here. Whether an archive may be unpacked is decided by the readers, before they do (`layers/archive`).
"""

from __future__ import annotations

import os
import shutil
from collections.abc import AsyncIterator, Callable
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO

from python_multipart.exceptions import MultipartParseError
from python_multipart.multipart import MultipartParser, parse_options_header

from riskmap.common.errors import shown
from riskmap.window.areas import plain_parts
from riskmap.window.refusals import WindowError, no_form, no_room, no_token, too_large, too_long

PARTS = ".incoming"  # folder for files that are not complete yet
SMALL = 1 << 16  # bytes of a field that is not a file
HEADER = 1 << 13  # bytes that a file adds to a form besides its content; the parser refuses longer headers


@dataclass(frozen=True)
class Bounds:
    """What one form may bring (judgement: a county's parcels and its soil survey, unpacked, stay far below).

    Attributes
    ----------
    bytes : int
        All files of a form together.
    files : int
    spare : int
        Bytes that stay free on the disk.
    """

    bytes: int = 4 << 30
    files: int = 2000
    spare: int = 256 << 20


@dataclass
class Given:
    """A form: its short fields, and its files, where they are and what they were called."""

    fields: dict[str, str] = field(default_factory=dict)
    files: list[tuple[Path, str]] = field(default_factory=list)


class _Receiver:
    """Takes the pieces of a form in their order; the parser calls its methods."""

    def __init__(self, folder: Path, bounds: Bounds, allowed: Callable[[dict[str, str]], bool]) -> None:
        self.given, self.finished = Given(), False
        self._folder, self._bounds, self._allowed = folder, bounds, allowed
        self._name = self._value = b""
        self._headers: dict[str, str] = {}
        self._field, self._text = "", b""
        self._file: BinaryIO | None = None
        self._count = self._taken = 0

    def on_part_begin(self) -> None:
        self._name = self._value = b""
        self._headers, self._field, self._text = {}, "", b""

    def on_header_field(self, data: bytes, start: int, end: int) -> None:
        self._name += data[start:end]

    def on_header_value(self, data: bytes, start: int, end: int) -> None:
        self._value += data[start:end]

    def on_header_end(self) -> None:
        self._headers[self._name.decode("latin-1").lower()] = self._value.decode("utf-8", "replace")
        self._name = self._value = b""

    def on_headers_finished(self) -> None:
        _, options = parse_options_header(self._headers.get("content-disposition", "").encode("utf-8"))
        self._field = options.get(b"name", b"").decode("utf-8", "replace")
        if b"filename" not in options:
            return
        if not self._allowed(self.given.fields):  # the token comes first in our forms: nothing is written without it
            raise no_token()
        called = options[b"filename"].decode("utf-8", "replace")
        self._taken += 1
        if self._taken > self._bounds.files:
            raise WindowError(f"E-WIN-007 more than {self._bounds.files:,} files in one form. Give a zip of them, or "
                              "only the files of this area.", 413)
        path = self._folder / f"{self._taken:05d}"
        self._file = path.open("xb")
        self.given.files.append((path, called))

    def on_part_data(self, data: bytes, start: int, end: int) -> None:
        if self._file is not None:
            self._count += end - start
            if self._count > self._bounds.bytes:
                raise too_large(self._bounds.bytes)
            self._file.write(data[start:end])
            return
        self._text += data[start:end]
        if len(self._text) > SMALL:
            raise too_long()

    def on_part_end(self) -> None:
        if self._file is not None:
            self._file.close()
            self._file = None
        elif self._field:
            self.given.fields[self._field] = self._text.decode("utf-8", "replace")

    def on_end(self) -> None:
        self.finished = True

    def close(self) -> None:
        if self._file is not None:
            self._file.close()


async def receive(stream: AsyncIterator[bytes], content_type: str, length: int | None, folder: Path,
                  bounds: Bounds, allowed: Callable[[dict[str, str]], bool]) -> Given:
    """Write the files of a form into `.incoming` below a folder; on any error nothing of it remains.

    Parameters
    ----------
    stream : async iterator of bytes
        The body of the request.
    content_type : str
        Its header.
    length : int, optional
        The length that the request states, so that what cannot fit is refused before it is sent. [byte]
    folder : Path
        Existing folder.
    bounds : Bounds
    allowed : callable
        Says, with the fields that came so far, whether the form is one of ours.

    Raises
    ------
    WindowError
        It is not a form with files, was cut off, is too large, has too many files, or the disk is full.
    """
    kind, options = parse_options_header(content_type.encode("latin-1", "replace"))
    if kind != b"multipart/form-data" or not options.get(b"boundary"):
        raise no_form("no files came with the form")
    if length is not None and length > bounds.bytes + bounds.files * HEADER:
        raise too_large(bounds.bytes)
    if shutil.disk_usage(folder).free < (length or 0) + bounds.spare:
        raise no_room("the disk has no room for them")
    parts = folder / PARTS
    shutil.rmtree(parts, ignore_errors=True)  # what a killed window left; one writer an area
    receiver = None
    try:
        parts.mkdir()
        receiver = _Receiver(parts, bounds, allowed)
        names = ("on_part_begin", "on_header_field", "on_header_value", "on_header_end", "on_headers_finished",
                 "on_part_data", "on_part_end", "on_end")
        parser = MultipartParser(options[b"boundary"], {name: getattr(receiver, name) for name in names})  # type: ignore[arg-type,misc]
        async for piece in stream:
            parser.write(piece)
        parser.finalize()
        if not allowed(receiver.given.fields):
            raise no_token()
        if not receiver.finished:
            raise no_form("the form was cut off")
        return receiver.given
    except BaseException as error:
        if receiver is not None:
            receiver.close()
        shutil.rmtree(parts, ignore_errors=True)
        if isinstance(error, MultipartParseError):
            raise no_form("the form cannot be read") from None
        if isinstance(error, OSError):
            raise no_room(str(error.strerror)) from None
        raise


def keep(given: Given, folder: Path, into: Path) -> list[tuple[Path, str]]:
    """Move complete files from `.incoming` to their places; return each with the name that the user gave it.

    Where a name is taken, another is made from it: `lots-2.gpkg`. Files that differ only in the ending keep one stem,
    because the parts of a shapefile belong together.
    """
    kept: list[tuple[Path, str]] = []
    stems: dict[str, Path] = {}
    new: set[Path] = set()
    for path, called in given.files:
        if not path.stat().st_size and not called:
            continue  # a field for files that was left empty
        *folders, name = plain_parts(called, "file")
        place = into.joinpath(*folders)
        place.mkdir(parents=True, exist_ok=True)
        stem, point, ending = name.partition(".")
        whole = called.replace("\\", "/")
        known = whole[:len(whole) - len(whole.rpartition("/")[2])] + whole.rpartition("/")[2].partition(".")[0]
        wanted = stems.get(known, place / stem)
        k = 1
        while True:
            base = wanted if k == 1 else place / f"{stem}-{k}"
            target = base.with_name(base.name + point + ending)
            if not os.path.lexists(target):
                break
            k += 1
        stems.setdefault(known, base)
        os.replace(path, target)
        new.add(target)
        kept.append((target, shown(called)))
    with suppress(OSError):
        (folder / PARTS).rmdir()
    shutil.rmtree(folder / PARTS, ignore_errors=True)
    return kept
