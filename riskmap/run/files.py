"""The files of a finished run, opened by their names in its manifest: plain files, limited in size, and as the run
wrote them.

`RunFiles` is how every command reads a run. Each file that it opens is hashed once and compared with the manifest
before a byte of it is used; the last key of the manifest is the digest of its own content. A link, a device or a pipe
is never opened. What others wrote into a run folder is judged here and in `run.record`.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import stat
from functools import cached_property
from pathlib import Path, PurePosixPath
from typing import Annotated, Any, BinaryIO

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from riskmap.common.errors import RunFolderError, visible

NAME = "manifest.json"
SEAL = "sha256"  # last key of the manifest: the digest of all its other content
FORMAT = 2  # 1: without that key
# Two million lots with a gap in the file after each of them, the most that was tried, take about 70 MB (computed).
MOST_BYTES = 96 * 1024**2  # largest size of a manifest and of a file of facts
MOST_VALUES = 7_000_000  # its brackets and commas: below 1 GB of memory (computed: at most 100 bytes each)
# number of files named by a manifest (judgement: weekly maps since 2000 are 1,400; a run writes about 25)
MOST_FILES = 20_000
OUTPUT_NAME = re.compile(r"[A-Za-z0-9_][A-Za-z0-9._-]{0,63}(/[A-Za-z0-9_][A-Za-z0-9._-]{0,63}){0,3}")
UNVERIFIED = "The files of this run were not compared with its manifest (--unverified): they may have been changed."
WITHOUT_SEAL = ("A former version wrote this run: its manifest has no digest of its own. Its files agree with the "
                "manifest, but nothing shows whether the manifest itself was changed.")
_CHUNK = 1 << 20
_MONTH = r"^[0-9]{4}-(0[1-9]|1[0-2])$"
_WAY_OUT = ("Run the estimate again or take the run from a copy; --unverified (verified=False in Python) reads it all "
            "the same.")

Digest = Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
Month = Annotated[str, Field(pattern=_MONTH)]
Count = Annotated[int, Field(ge=0)]


class ManifestError(RunFolderError):
    """The manifest of a run is missing, is damaged, or is not the one that the run wrote."""


class NotPlainError(OSError):
    """A link, a device, a pipe or a folder is in the place of a plain file."""


class _Entry(BaseModel):
    model_config = ConfigDict(frozen=True, strict=True)


class OutputEntry(_Entry):
    """A file that the run wrote."""

    bytes: Count
    sha256: Digest


class InputEntry(_Entry):
    """A file that the run read; without a digest where it could not be found at the end of the run."""

    path: str
    bytes: Count | None = None
    sha256: Digest | None = None


class AreaTold(_Entry):
    """The area. Two runs with the same name are runs of one area."""

    name: str
    folder: str
    present_month: Month


class Manifest(_Entry):
    """What is read from a manifest; its other keys are for people."""

    format: Annotated[int, Field(ge=1, le=FORMAT)]
    written_utc: Annotated[str, Field(pattern=r"^[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}Z$")]
    area: AreaTold
    inputs: Annotated[list[InputEntry], Field(max_length=MOST_FILES)]
    outputs: Annotated[dict[str, OutputEntry], Field(max_length=MOST_FILES)]
    sha256: Digest | None = None

    @property
    def sealed(self) -> bool:
        """Whether the manifest contains the digest of its own content."""
        return self.format >= FORMAT


# ---------------------------------------------------------------- the manifest
def seal_of(content: dict[str, Any]) -> str:
    """Return the SHA-256 of a manifest's content without its last key, as JSON in one fixed form."""
    content_without_seal = {name: value for name, value in content.items() if name != SEAL}
    text = json.dumps(content_without_seal, sort_keys=True, ensure_ascii=True, separators=(",", ":"), allow_nan=False)
    return hashlib.sha256(text.encode("ascii")).hexdigest()


def manifest_of(folder: Path) -> Manifest:
    """Read and check the manifest of a run folder.

    Raises
    ------
    ManifestError
        When there is none, it is not a manifest, it names files that no run writes, or its own digest does not agree.
    """
    try:
        with open_plain(folder, NAME) as stream:
            content = bounded_json(stream.read(MOST_BYTES + 1))
        manifest = Manifest.model_validate(content)
        seal = seal_of(content)
    except (OSError, ValueError, RecursionError) as error:
        raise ManifestError(f"E-MAN-001 {NAME}: it cannot be read as a manifest: {why(error)}.") from None
    strange = [name for name in manifest.outputs if not OUTPUT_NAME.fullmatch(name)]
    if strange:
        raise ManifestError(f"E-MAN-002 {NAME}: it names a file outside the run folder or with a name that no run "
                            f"writes: '{visible(strange[0][:_SHOWN])}'.")
    if manifest.sealed and manifest.sha256 != seal:
        raise ManifestError(f"E-MAN-010 {NAME}: it has changed since the run: the digest of its content is not the one "
                            "in its last key.")
    return manifest


_SHOWN = 200  # characters of a name written by others (judgement: a name of ours has at most 40)


def why(error: BaseException) -> str:
    """Return in a few words what is wrong with a file, without text of the file itself."""
    if isinstance(error, ValidationError):
        first = error.errors(include_input=False, include_url=False)[0]
        place = ".".join(visible(str(part))[:_SHOWN] for part in first["loc"])
        what = "it is not a group of named values" if first["type"] == "model_type" else first["msg"].lower()
        return f"{place or 'its content'}: {what}"
    if isinstance(error, RecursionError):
        return "it is nested too deeply"
    if isinstance(error, FileNotFoundError):
        return "there is no such file"
    if isinstance(error, OSError):
        return str(error.strerror or error)
    return visible(str(error))[:_SHOWN]


def bounded_json(raw: bytes, most_bytes: int = MOST_BYTES, most_values: int = MOST_VALUES) -> Any:
    """Return the value of a JSON file of a run. One byte more than allowed is enough for `raw`.

    Raises
    ------
    ValueError
        When it is larger than a run writes, is not JSON, has a key twice in one place, or has a number that is not
        finite.
    RecursionError
        When it is nested too deeply.
    """
    if len(raw) > most_bytes:
        raise ValueError(f"it has more than {most_bytes:,} bytes")
    if raw.count(b",") + raw.count(b"[") + raw.count(b"{") > most_values:
        raise ValueError(f"it has more than {most_values:,} values")
    try:
        return json.loads(raw.decode("utf-8"), parse_constant=_no_number, object_pairs_hook=_once)
    except UnicodeDecodeError:
        raise ValueError("it is not UTF-8") from None
    except json.JSONDecodeError as error:
        raise ValueError(f"it is not JSON (line {error.lineno})") from None


def _no_number(word: str) -> Any:
    raise ValueError(f"{word} is not a number of JSON")


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    out = dict(pairs)
    if len(out) != len(pairs):
        raise ValueError("a key is in it twice")
    return out


# ---------------------------------------------------------------- files
def open_plain(root: Path, name: str) -> BinaryIO:
    """Open a plain file below a folder. No part of `name` may be a link.

    Raises
    ------
    NotPlainError
        When it is a link, a device, a pipe or a folder, or a folder on the way to it is a link.
    OSError
        When it does not exist or cannot be read.
    """
    path = root
    parts = PurePosixPath(name).parts
    for k, part in enumerate(parts, start=1):
        path = path / part
        mode = os.lstat(path).st_mode
        if not (stat.S_ISREG(mode) if k == len(parts) else stat.S_ISDIR(mode)):
            raise NotPlainError("it is a link or no plain file")
    # so that an exchange between the check and the opening does not mislead us, and we do not wait for a pipe
    flags = os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
    descriptor = os.open(path, flags)
    if not stat.S_ISREG(os.fstat(descriptor).st_mode):
        os.close(descriptor)
        raise NotPlainError("it is a link or no plain file")
    return os.fdopen(descriptor, "rb")


def sha256_of(stream: BinaryIO) -> str:
    """Return the SHA-256 of the rest of an open file."""
    digest = hashlib.sha256()
    while chunk := stream.read(_CHUNK):
        digest.update(chunk)
    return digest.hexdigest()


def changed(stream: BinaryIO, entry: OutputEntry | InputEntry) -> bool:
    """Return whether an open file differs from what the manifest says; if its size differs it is not read."""
    size = os.fstat(stream.fileno()).st_size
    return (entry.bytes is not None and size != entry.bytes) or sha256_of(stream) != entry.sha256


class RunFiles:
    """Opens the files of one run folder, each compared with the manifest before it is returned.

    Parameters
    ----------
    folder : Path
    verified : bool
        With False nothing is compared and no manifest is needed; links, devices and pipes are still refused.

    Raises
    ------
    RunFolderError
        Raised by every method except the constructor, when the run has no manifest that can be trusted.
    """

    def __init__(self, folder: Path, verified: bool = True) -> None:
        """Open nothing yet."""
        self.folder, self.verified = folder, verified
        self._agreed: dict[str, tuple[int, ...]] = {}

    @cached_property
    def manifest(self) -> Manifest | None:
        """The manifest; None when files are not compared with one."""
        try:
            return manifest_of(self.folder) if self.verified else None
        except ManifestError as error:
            raise RunFolderError(f"E-RUN-040 {visible(self.folder.as_posix())}: the files of this run cannot be "
                                 f"compared with its manifest. {error} {_WAY_OUT}") from None

    @property
    def note(self) -> str:
        """What a reader must know of how the run was read; empty when everything was compared with the manifest."""
        if self.manifest is None:
            return UNVERIFIED
        return "" if self.manifest.sealed else WITHOUT_SEAL

    def has(self, name: str) -> bool:
        """Return whether the run wrote a file; without a manifest, whether the file exists."""
        return name in self.manifest.outputs if self.manifest else os.path.lexists(self.folder / name)

    def open(self, name: str) -> BinaryIO:
        """Return a file of the run, opened at its beginning, after comparing it with the manifest.

        Raises
        ------
        RunFolderError
            It is not the file that the run wrote, or not a plain file.
        """
        try:
            stream = open_plain(self.folder, name)
        except FileNotFoundError:
            raise self._refused("E-RUN-041", f"{name} is missing", _WAY_OUT) from None
        except NotPlainError:
            raise self._refused("E-RUN-042", f"{name} is a link or no plain file, or lies behind a link", "A run has "
                                "plain files only. Run the estimate again or take the run from a copy.") from None
        except OSError as error:
            raise self._refused("E-RUN-043", f"{name} cannot be read: {why(error)}",
                                "Check that you may read it.") from None
        try:
            self._compare(name, stream)
        except BaseException:
            stream.close()
            raise
        return stream

    def json(self, name: str, most_bytes: int = MOST_BYTES, most_values: int = MOST_VALUES) -> Any:
        """Return the value of a JSON file of the run; it raises the errors of `open` and `bounded_json`."""
        with self.open(name) as stream:
            return bounded_json(stream.read(most_bytes + 1), most_bytes, most_values)

    def _compare(self, name: str, stream: BinaryIO) -> None:
        if self.manifest is None:
            return
        state = os.fstat(stream.fileno())
        this = (state.st_dev, state.st_ino, state.st_size, state.st_mtime_ns)
        if self._agreed.get(name) == this:
            return
        entry = self.manifest.outputs.get(name)
        if entry is None:
            raise self._refused("E-RUN-041", f"{name} was not made by this run", _WAY_OUT)
        if changed(stream, entry):
            raise self._refused("E-RUN-041", f"{name} has changed since the run", _WAY_OUT)
        stream.seek(0)
        self._agreed[name] = this

    def _refused(self, code: str, what: str, remedy: str) -> RunFolderError:
        return RunFolderError(f"{code} {visible(self.folder.as_posix())}: {what}. {remedy} Nothing of it was used.")
