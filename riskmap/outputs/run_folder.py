"""One new folder per run, written whole or not at all, also when two runs start at once or one is killed.

A run writes into a hidden folder `.<name>.part` beside its final place while it holds an operating-system lock on
`.<name>.lock`. At the end every file is flushed to disk, the folder is renamed, and the one-line file `latest` is
replaced. The system releases the lock of a killed process, so the next run can tell leftovers from work in progress
without trusting process numbers, and removes them.
"""

from __future__ import annotations

import errno
import os
import re
import shutil
import unicodedata
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from riskmap import run_files
from riskmap.errors import RunFolderError, shown, visible

LATEST, PREVIOUS = "latest", "previous"
NAME = re.compile(r"[A-Za-z0-9._-]{1,64}")
_SLUG_LENGTH = 40
_ATTEMPTS = 1000
_HINTS = {
    errno.ENOSPC: "Free some disk space and run again.",
    errno.EDQUOT: "Your disk quota is used up; free some space and run again.",
    errno.EFBIG: "The file is larger than this disk or account allows.",
    errno.EACCES: "Check that you may write there, or name another folder with --outputs.",
    errno.EPERM: "Check that you may write there, or name another folder with --outputs.",
    errno.EROFS: "The disk is read-only; name another folder with --outputs.",
    errno.ENOTDIR: "A file has the name of the outputs folder; name another folder with --outputs.",
    errno.EEXIST: "A file has the name of the outputs folder; name another folder with --outputs.",
}


@dataclass(frozen=True)
class RunFolder:
    """A run in the making: write into `path`; it becomes `final` when the block ends without an error."""

    path: Path
    final: Path


def slug(area_name: str) -> str:
    """Return the area's name as lower-case ASCII for a folder name; `area` when nothing is left of it."""
    plain = unicodedata.normalize("NFKD", area_name).encode("ascii", "ignore").decode().lower()
    return re.sub(r"[^a-z0-9]+", "-", plain)[:_SLUG_LENGTH].strip("-") or "area"


@contextmanager
def new_run(outputs: Path, area_name: str, now: datetime | None = None, *, point: bool = True) -> Iterator[RunFolder]:
    """Open a new run folder.

    Parameters
    ----------
    outputs : Path
        Folder that receives the run folder; made when it is not there.
    area_name : str
        Name of the area; a slug of it begins the folder's name.
    now : datetime, optional
        Moment of the run with a time zone; default: the present.
    point : bool
        Let `latest` name this folder; false for what is made from runs and is none itself.

    Yields
    ------
    RunFolder

    Raises
    ------
    RunFolderError
        When the folder cannot be made, written or put in place; nothing of the run is left then.
    """
    moment = (now or datetime.now(UTC)).astimezone(UTC)
    try:
        outputs.mkdir(parents=True, exist_ok=True)
        clean(outputs)
        name, lock = _claim(outputs, f"{slug(area_name)}_{moment:%Y%m%dT%H%M%SZ}")
    except OSError as error:
        raise _told(error, outputs) from error
    run = RunFolder(_part(outputs, name), outputs / name)
    try:
        yield run
        _publish(outputs, name, run, point)
    except OSError as error:
        raise _told(error, outputs) from error
    finally:
        shutil.rmtree(run.path, ignore_errors=True)
        lock.release()


@contextmanager
def made_from(run: Path | None, name: str, into: Path | None, now: datetime | None = None) -> Iterator[RunFolder]:
    """Open a new folder for what is made from a finished run, or from no run; `latest` never names it.

    Parameters
    ----------
    run : Path, optional
        The run, which must stay as its manifest says.
    name : str
        Begins the folder's name when `into` is not given.
    into : Path, optional
        A new or an empty folder; default: a new one beside the run.
    now : datetime, optional
        As in `new_run`.

    Yields
    ------
    RunFolder
        Write into `path`; the folder appears whole as `final` when the block ends without an error.

    Raises
    ------
    RunFolderError
        When `into` lies inside the run or holds something, or the folder cannot be made or written.
    """
    if into is None:
        beside = run.resolve().parent if run is not None else Path("outputs")
        with new_run(beside, name, now, point=False) as made:
            yield made
        return
    if run is not None and into.resolve().is_relative_to(run.resolve()):
        raise RunFolderError(f"E-RUN-015 {into.as_posix()}: lies inside the run, which stays as its manifest says. "
                             "Name another folder with --into.")
    if os.path.lexists(into) and (not into.is_dir() or any(into.iterdir())):
        raise RunFolderError(f"E-RUN-017 {into.as_posix()}: is there already and not an empty folder; nothing is "
                             "written over. Name another one with --into.")
    with new_run(into.resolve().parent, name, now, point=False) as made:
        yield RunFolder(made.path, into)
    try:
        if into.is_dir():
            into.rmdir()
        made.final.rename(into)
        _flush(into.resolve().parent)
    except OSError as error:
        shutil.rmtree(made.final, ignore_errors=True)
        raise _told(error, into) from error


def clean(outputs: Path) -> list[str]:
    """Remove what killed runs left behind and return their names; work in progress is left alone."""
    found = {m.group(1) for path in outputs.iterdir()
             if (m := re.fullmatch(r"\.([A-Za-z0-9._-]{1,64})\.(part|lock|latest)", path.name))}
    removed = []
    for name in sorted(found):
        lock = _Lock.take(outputs / f".{name}.lock")
        if lock is None:
            continue
        shutil.rmtree(_part(outputs, name), ignore_errors=True)
        _pointer(outputs, name).unlink(missing_ok=True)
        lock.release()
        removed.append(name)
    return removed


def latest(outputs: Path) -> Path | None:
    """Return the newest finished run folder, or None when there is none."""
    try:
        name = (outputs / LATEST).read_text(encoding="ascii").strip()
    except (OSError, UnicodeDecodeError):
        return None
    if not NAME.fullmatch(name) or name.startswith("."):
        return None
    folder = outputs / name
    return folder if folder.is_dir() else None


def find(run: str, outputs: Path) -> Path:
    """Return the folder of a finished run: a path, a name below `outputs`, `latest`, or `previous` (the one before it).

    `previous` is the newest run of the same area that was written before the latest one: the area is known by its name
    as it is in the manifest, the time is the run's own.

    Raises
    ------
    RunFolderError
        When there is none.
    """
    if run == LATEST:
        newest = latest(outputs)
        if newest is None:
            raise RunFolderError(f"E-RUN-014 {visible(outputs.as_posix())}: no finished run there. Run `riskmap "
                                 "estimate`, or name another folder with --outputs.")
        return newest
    if run == PREVIOUS:
        return _before_latest(outputs)
    for folder in (Path(run), outputs / run):
        with suppress(OSError, ValueError):  # a name that is too long or no name at all
            if folder.is_dir():
                return folder
    raise RunFolderError(f"E-RUN-014 {visible(run)}: no such folder. Name a run folder below "
                         f"{visible(outputs.as_posix())}, or `{LATEST}`.")


def _before_latest(outputs: Path) -> Path:
    """Return the newest run of the area of the latest run that was written before it."""
    newest = latest(outputs)
    if newest is None:
        raise RunFolderError(f"E-RUN-018 {visible(outputs.as_posix())}: there is no run of this area before the latest "
                             "one. Run `riskmap estimate` again when new data are there, or name a run folder.")
    try:
        of_latest = run_files.manifest_of(newest)
    except run_files.ManifestError as error:
        raise RunFolderError(f"E-RUN-046 {visible(newest.as_posix())}: which area the latest run is of cannot be read. "
                             f"{error} Name the run folder instead of `{PREVIOUS}`.") from None
    earlier = []
    for folder in outputs.iterdir():
        if folder == newest or folder.name.startswith(".") or not (folder / run_files.NAME).is_file():
            continue
        with suppress(run_files.ManifestError):  # of another program, or damaged: of no area that is known
            found = run_files.manifest_of(folder)
            if _kind(found) == _kind(of_latest) and (found.written_utc, folder.name) < (of_latest.written_utc,
                                                                                        newest.name):
                earlier.append((found.written_utc, folder.name, folder))
    if not earlier:
        raise RunFolderError(f"E-RUN-018 {visible(outputs.as_posix())}: there is no run of this area "
                             f"('{visible(of_latest.area.name)}') before the latest one. Run `riskmap estimate` again "
                             "when new data are there, or name a run folder.")
    return max(earlier)[2]


def _kind(run: run_files.Manifest) -> tuple[str, bool]:
    """Return what two runs must have in common to follow one another: the area, and whether single lots are in them."""
    return run.area.name, "lots.parquet" in run.outputs


def _part(outputs: Path, name: str) -> Path:
    return outputs / f".{name}.part"


def _pointer(outputs: Path, name: str) -> Path:
    return outputs / f".{name}.latest"


def _claim(outputs: Path, wanted: str) -> tuple[str, _Lock]:
    """Lock the first free name and make its folder. The lock comes first, so a folder without one is a leftover."""
    for k in range(1, _ATTEMPTS):
        name = wanted if k == 1 else f"{wanted}-{k}"
        lock = _Lock.take(outputs / f".{name}.lock")
        if lock is None:
            continue
        try:
            if not os.path.lexists(outputs / name):
                _part(outputs, name).mkdir()
                return name, lock
        except FileExistsError:
            pass
        except OSError:
            lock.release()
            raise
        lock.release()
    raise RunFolderError(f"E-RUN-002 {outputs.as_posix()}: {_ATTEMPTS} runs named {wanted} already. Run again.")


def _publish(outputs: Path, name: str, run: RunFolder, point: bool) -> None:
    for folder, _, files in os.walk(run.path):
        for file in files:
            _flush(Path(folder) / file)
        _flush(Path(folder))
    if os.path.lexists(run.final):
        raise RunFolderError(f"E-RUN-003 {run.final.as_posix()}: appeared while this run was writing. Run again.")
    os.rename(run.path, run.final)
    try:
        _flush(outputs)
        if not point:
            return
        pointer = _pointer(outputs, name)
        pointer.write_text(f"{name}\n", encoding="ascii", newline="\n")
        _flush(pointer)
        os.replace(pointer, outputs / LATEST)
        _flush(outputs)
    except OSError as error:
        with suppress(OSError):
            _pointer(outputs, name).unlink(missing_ok=True)
        raise RunFolderError(f"E-RUN-006 {run.final.as_posix()}: the run is whole, but the file `{LATEST}` beside it "
                             f"could not be renewed: {error.strerror or error}.") from error


def _flush(path: Path) -> None:
    """Force a file or folder to disk; systems that cannot open a folder flush it with the rename."""
    if path.is_dir():
        if os.name == "nt":
            return
        descriptor = os.open(path, os.O_RDONLY)
    else:
        descriptor = os.open(path, os.O_RDWR)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def _told(error: OSError, outputs: Path) -> RunFolderError:
    file = Path(error.filename).name if isinstance(error.filename, str | os.PathLike) else ""
    where = f"{outputs.as_posix()}: " + (f"{shown(file)}: " if file and file != outputs.name else "")
    hint = _HINTS.get(error.errno or 0, "Run again; if it happens again, name another folder with --outputs.")
    return RunFolderError(f"E-RUN-001 {where}{error.strerror or error}. {hint} Nothing of this run was kept.")


class _Lock:
    """An exclusive lock on a file, held by an open descriptor and released by the system when the process ends."""

    def __init__(self, path: Path, descriptor: int) -> None:
        self._path, self._descriptor = path, descriptor

    @classmethod
    def take(cls, path: Path) -> _Lock | None:
        """Return the lock, or None when another holds it. Never follows a link."""
        descriptor = os.open(path, os.O_RDWR | os.O_CREAT | getattr(os, "O_NOFOLLOW", 0), 0o644)
        if _lock(descriptor) and _same_file(path, descriptor):
            return cls(path, descriptor)
        os.close(descriptor)
        return None

    def release(self) -> None:
        if os.name == "nt":  # an open file cannot be removed there
            os.close(self._descriptor)
            with suppress(OSError):
                self._path.unlink(missing_ok=True)
            return
        with suppress(OSError):
            self._path.unlink(missing_ok=True)
        os.close(self._descriptor)


def _same_file(path: Path, descriptor: int) -> bool:
    """Tell whether the locked file still has its name; another run may have removed it in between."""
    try:
        return os.path.samestat(os.stat(path, follow_symlinks=False), os.fstat(descriptor))
    except FileNotFoundError:
        return False


def _lock(descriptor: int) -> bool:
    try:
        if os.name == "nt":
            import msvcrt

            msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined,unused-ignore]
        else:
            import fcntl

            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True
