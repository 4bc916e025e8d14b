"""Answers stored on disk by request and checked by hash when read again; files written completely, with their
provenance.

A stored answer that does not match its hash is dropped. Offline, stored answers are used whatever their age, and no
service is contacted. Online, an answer is requested again when it is older than its kind allows. If the service cannot
be reached then, the stored answer is used and a note says so.
"""

from __future__ import annotations

import errno
import hashlib
import json
import os
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from riskmap.common import part_folder
from riskmap.common.errors import LayerError, shown
from riskmap.common.version import __version__
from riskmap.download.client import Client, Passing, Request, TooMuch, host

Note = dict[str, object]
MARK = ".provenance"  # not .json, because a folder of weekly maps is read by suffix, and .json there is a map


def default_folder() -> Path:
    """Return the user's cache folder for riskmap."""
    import platformdirs

    return Path(platformdirs.user_cache_dir("riskmap", appauthor=False)) / "fetch"


@dataclass(frozen=True)
class Credit:
    """Who made the data and what may be done with them."""

    title: str
    provider: str
    licence: str
    credit: str


@dataclass(frozen=True)
class ServiceAnswer:
    """Content that passed its check, when it came from the service, and what was requested."""

    request: Request
    content: bytes
    retrieved_utc: str
    too_much: str = ""  # the message when the answer was over a limit; then there is no content

    def note(self) -> Note:
        """Return what provenance says about it; the form of a POST is given by its hash, because it may be long."""
        form = {"form_sha256": sha256(_form(self.request))} if self.request.form else {}
        return {"method": self.request.method, "url": self.request.url, **form, "retrieved_utc": self.retrieved_utc,
                "bytes": len(self.content), "sha256": sha256(self.content)}


def sha256(content: bytes) -> str:
    """Return the hash as text."""
    return hashlib.sha256(content).hexdigest()


def _form(request: Request) -> bytes:
    return json.dumps(request.form, ensure_ascii=True).encode()


def _silent(message: str) -> None:
    pass


@dataclass
class Desk:
    """Where answers are requested: from the cache first, then from the service.

    Attributes
    ----------
    client : Client
    folder : Path
        Cache folder.
    offline : bool
        No service is contacted; an answer that is not stored is an error.
    refresh : bool
        Everything is requested again.
    warn : callable
        Called with a sentence when a stored answer was used because the service could not be reached.
    now : callable
        Returns the time in UTC; tests replace it.
    """

    client: Client = field(default_factory=Client)
    folder: Path = field(default_factory=default_folder)
    offline: bool = False
    refresh: bool = False
    warn: Callable[[str], None] = _silent
    now: Callable[[], datetime] = lambda: datetime.now(UTC)

    def answer(self, request: Request, check: Callable[[bytes], Any],
               max_age: timedelta | None = None) -> ServiceAnswer:
        """Return the answer to a request.

        Parameters
        ----------
        request : Request
        check : callable
            Raises LayerError when the content is not what was requested; such content is never stored.
        max_age : timedelta, optional
            Request again after this time; None for content that does not change.

        Raises
        ------
        LayerError
            Raised by the client or the check, or offline without a stored answer.
        """
        stored = self._stored(request, check)
        if stored is not None and (self.offline or (self._fresh(stored, max_age) and not self.refresh)):
            return self._used(stored)
        if self.offline:
            raise LayerError(f"E-FET-020 {host(request.url)}: not fetched before, and --offline asks nothing. Run it "
                             "once with a network.")
        try:
            content = self.client.content(request)
            check(content)
        except Passing as error:
            if stored is None:
                raise
            self.warn(f"W-FET-021 {error} The answer of {stored.retrieved_utc} is used.")
            return self._used(stored)
        except TooMuch as error:  # remembered, so that the same parts are requested again, also offline
            self._store(ServiceAnswer(request, b"", self._stamp(), str(error)))
            raise
        answer = ServiceAnswer(request, content, self._stamp())
        self._store(answer)
        return answer

    @staticmethod
    def _used(stored: ServiceAnswer) -> ServiceAnswer:
        if stored.too_much:
            raise TooMuch(stored.too_much)
        return stored

    def _stamp(self) -> str:
        return self.now().strftime("%Y-%m-%dT%H:%M:%SZ")

    def _fresh(self, stored: ServiceAnswer, max_age: timedelta | None) -> bool:
        if max_age is None:
            return True
        age = self.now() - datetime.strptime(stored.retrieved_utc, "%Y-%m-%dT%H:%M:%SZ").replace(tzinfo=UTC)
        return timedelta(0) <= age <= max_age

    def _place(self, request: Request) -> Path:
        content = json.dumps([request.method, request.url, request.kind.name]).encode() + _form(request)
        name = sha256(content)
        return self.folder / name[:2] / name

    def _stored(self, request: Request, check: Callable[[bytes], Any]) -> ServiceAnswer | None:
        place = self._place(request)
        try:
            content = place.read_bytes()
            said = json.loads(place.with_suffix(MARK).read_text(encoding="utf-8"))
            answer = ServiceAnswer(request, content, said["retrieved_utc"], str(said.get("too_much", "")))
            datetime.strptime(answer.retrieved_utc, "%Y-%m-%dT%H:%M:%SZ")
            if said["sha256"] == sha256(content):
                if not answer.too_much:
                    check(content)
                return answer
        except FileNotFoundError:
            return None
        except (OSError, ValueError, KeyError, TypeError, LayerError):
            pass  # not what was stored: it is dropped and requested again
        for path in (place, place.with_suffix(MARK)):
            with suppress(OSError):  # a file that cannot be removed is not used either
                path.unlink(missing_ok=True)
        return None

    def _store(self, answer: ServiceAnswer) -> None:
        place = self._place(answer.request)
        write_whole(place, answer.content)
        write_whole(place.with_suffix(MARK), _json({**answer.note(), "too_much": answer.too_much}))


# ------------------------------------------------------------------------------------------------- files
def write_whole(path: Path, content: bytes) -> None:
    """Write a file in a temporary folder next to it, flush it to disk and move it: the name is never half a file.

    The LayerError names the number of bytes.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with _part(path) as part:
            whole = part.content / "whole"
            with whole.open("wb") as stream:
                stream.write(content)
                stream.flush()
                os.fsync(stream.fileno())
            os.replace(whole, path)
    except OSError as error:
        raise LayerError(f"E-FET-022 {shown(path.name)}: {len(content):,} bytes cannot be written: {error.strerror}. "
                         "Free space or choose another folder.") from None


@contextmanager
def _part(path: Path, rescue: Callable[[Path], None] = lambda leftover: None) -> Iterator[part_folder.PartFolder]:
    """Open a temporary folder next to a path, which is removed at the end; `rescue` is called before one is emptied."""
    part = part_folder.claim(path.parent, path.name, rescue=rescue)
    if part is None:
        raise FileExistsError(errno.EEXIST, "all names for a temporary folder beside it are taken")
    try:
        yield part
    finally:
        rescue(part.path)
        part.remove()


def write_with_provenance(path: Path, content: bytes, credit: Credit, notes: Sequence[Note]) -> list[Path]:
    """Write a file, and its provenance next to it; return both paths.

    Raises
    ------
    LayerError
        When a file of this name has other content and no provenance: it was not fetched and is not overwritten.
    """
    if os.path.lexists(path) and not path.with_name(path.name + MARK).is_file():
        try:
            same = path.read_bytes() == content
        except OSError:
            same = False
        if not same:
            raise LayerError(f"E-FET-023 {shown(path.parent.name)}: contains {shown(path.name)}, which was not "
                             "fetched. Rename it, or choose another folder.")
    write_whole(path, content)
    return [path, write_provenance(path, credit, notes)]


def write_provenance(path: Path, credit: Credit, notes: Sequence[Note]) -> Path:
    """Write what is known of the origin of a file that exists already."""
    content, beside = path.read_bytes(), path.with_name(path.name + MARK)
    write_whole(beside, _json({
        "file": path.name, "bytes": len(content), "sha256": sha256(content), "title": credit.title,
        "provider": credit.provider, "licence": credit.licence, "credit": credit.credit,
        "retrieved_utc": max(str(note["retrieved_utc"]) for note in notes),
        "made_by": f"riskmap {__version__}", "answers": list(notes)}))
    return beside


def _json(content: dict[str, object]) -> bytes:
    return (json.dumps(content, indent=1, ensure_ascii=False) + "\n").encode()


@contextmanager
def whole_folder(folder: Path) -> Iterator[Path]:
    """Open a folder to fill that replaces `folder` only when it is complete.

    Raises
    ------
    LayerError
        When `folder` contains something that was not fetched, which is never overwritten.
    """
    if folder.name in ("", ".."):
        raise LayerError("E-FET-080 the folder to fetch into needs a name of its own. Choose an empty or new folder.")

    def rescue(leftover: Path) -> None:
        """Put back what was there before, when the exchange of the two folders was interrupted halfway."""
        if (leftover / "old").exists() and not os.path.lexists(folder):
            os.replace(leftover / "old", folder)

    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        with _part(folder, rescue) as part:
            _only_fetched(folder)
            yield part.content
            _only_fetched(folder)
            if folder.exists():
                os.replace(folder, part.path / "old")
            os.replace(part.content, folder)
    except OSError as error:
        raise LayerError(f"E-FET-022 {shown(folder.name)}: cannot be written: {error.strerror}. Free space or choose "
                         "another folder.") from None


def _only_fetched(folder: Path) -> None:
    """Refuse a folder that contains anything but fetched files."""
    held = [p for p in folder.rglob("*") if p.is_symlink() or not p.is_dir()] if folder.is_dir() else []
    foreign = [p for p in held if p.suffix != MARK and not p.with_name(p.name + MARK).is_file()]
    if foreign or folder.is_symlink() or (folder.exists() and not folder.is_dir()):
        what = shown(foreign[0].name) if foreign else "a file or link"
        raise LayerError(f"E-FET-023 {shown(folder.name)}: contains {what}, which was not fetched. Choose an empty or "
                         "new folder.")
