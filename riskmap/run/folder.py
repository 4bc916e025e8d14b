"""One new folder per run, written completely or not at all, even when two runs start at once or one is killed.

A run writes into a hidden folder next to its final place, which is marked and locked (`part_folder`). At the end every
file is flushed to disk, the folder is renamed, and the one-line file `latest` is replaced. The next run into the same
outputs folder removes what killed runs left there. Next to `--into`, only what an earlier command with the same
`--into` left is removed.
"""

from __future__ import annotations

import errno
import os
import re
import stat
import unicodedata
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from riskmap.common import part_folder
from riskmap.common.disk_space import NOTHING_KEPT, no_room, no_room_in
from riskmap.common.errors import RiskmapError, RunFolderError, shown, visible
from riskmap.run import files as run_files

LATEST, PREVIOUS = "latest", "previous"
NAME = re.compile(r"[A-Za-z0-9._-]{1,80}")
_SLUG_LENGTH = 40
# The name that `new_run` makes from a slug, the month of the data and a moment; runs of former versions have no month.
_RUN = r"[a-z0-9]+(?:-[a-z0-9]+)*_(?:\d{4}-\d{2}_)?(?P<moment>\d{8}T\d{6}Z)(?:-(?P<place>\d{1,3}))?"
_IN_THE_MAKING = re.compile(rf"{_RUN}|[a-z0-9]+(?:-[a-z0-9]+)*_into(?:-\d{{1,3}})?")
_LONGEST_POINTER = 200  # bytes; computed: a run's name has at most 40 + 1 + 7 + 1 + 16 + 4
_FULL = "the disk is full: "
_MAY_WRITE = "Check that you may write there, or name another folder with {option}."
_A_FILE = "A file has the name of the folder; name another folder with {option}."
_HINTS = {
    errno.ENOSPC: "Free some disk space and run again.",
    errno.EDQUOT: "Your disk quota is used up; free some space and run again.",
    errno.EFBIG: "The file is larger than this disk or account allows.",
    errno.EACCES: _MAY_WRITE,
    errno.EPERM: _MAY_WRITE,
    errno.EROFS: "The disk is read-only; name another folder with {option}.",
    errno.ENOTDIR: _A_FILE,
    errno.EEXIST: _A_FILE,
}


@dataclass
class RunFolder:
    """A run in the making: write into `path`; it becomes `final` when the block ends without an error."""

    path: Path
    final: Path

    def of_month(self, month: str) -> None:
        """Put the month of the data, YYYY-MM, into the name once it is known: `town_2025-10_20261129T104405Z`."""
        head, _, moment = self.final.name.rpartition("_")
        self.final = self.final.with_name(f"{head}_{month}_{moment}")


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
        Folder that receives the run folder; it is made when it does not exist.
    area_name : str
        Name of the area; the folder's name begins with a slug of it.
    now : datetime, optional
        Moment of the run with a time zone; default: the present.
    point : bool
        Let `latest` name this folder; false for a folder that is made from runs and is not a run itself.

    Yields
    ------
    RunFolder

    Raises
    ------
    RunFolderError
        When the folder cannot be made, written or put in place; then nothing of the run remains.
    """
    with _new(outputs, area_name, now, point=point) as run:
        yield run


@contextmanager
def _new(outputs: Path, name: str, now: datetime | None, *, point: bool, option: str = "--outputs") \
        -> Iterator[RunFolder]:
    moment = (now or datetime.now(UTC)).astimezone(UTC)
    try:
        outputs.mkdir(parents=True, exist_ok=True)
        if point:
            _check_pointer(outputs)
        clean(outputs)
    except OSError as error:
        raise _refusal(error, outputs, option) from error
    with _in_the_making(outputs, f"{slug(name)}_{moment:%Y%m%dT%H%M%SZ}", None, point, option) as run:
        yield run


@contextmanager
def made_from(run: Path | None, name: str, into: Path | None, now: datetime | None = None) -> Iterator[RunFolder]:
    """Open a new folder for what is made from a finished run, or from no run; `latest` never names it.

    Parameters
    ----------
    run : Path, optional
        The run, which must not change.
    name : str
        Beginning of the folder's name when `into` is not given.
    into : Path, optional
        A new or an empty folder; default: a new one in the folder of runs.
    now : datetime, optional
        As in `new_run`.

    Yields
    ------
    RunFolder
        Write into `path`; the complete folder appears as `final` when the block ends without an error.

    Raises
    ------
    RunFolderError
        When `into` lies inside the run or is not empty, or the folder cannot be made or written.
    """
    if into is None:
        beside = run.resolve().parent if run is not None else Path("outputs")
        with _new(beside, name, now, point=False, option="--into") as folder:
            yield folder
        return
    target = Path(os.path.realpath(into))
    if run is not None and target.is_relative_to(os.path.realpath(run)):
        raise RunFolderError(f"E-RUN-015 {into.as_posix()}: lies inside the run, which stays as its manifest says. "
                             "Name another folder with --into.")
    try:
        if os.path.lexists(into) and (not into.is_dir() or any(into.iterdir())):
            raise RunFolderError(f"E-RUN-017 {into.as_posix()}: is there already and not an empty folder; nothing is "
                                 "written over. Name another one with --into.")
        target.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise _refusal(error, into, "--into") from error
    with _in_the_making(target.parent, f"{slug(target.name)}_into", target, False, "--into") as folder:
        yield RunFolder(folder.path, into)


@contextmanager
def _in_the_making(parent: Path, base: str, into: Path | None, point: bool, option: str) -> Iterator[RunFolder]:
    """Open a folder to fill; it is moved to `into`, or to the name that was free, when the block ends well.

    When the block ends with an error, the folder is removed.
    """

    def taken(name: str) -> bool:
        head, _, moment = name.rpartition("_")
        with_month = re.compile(rf"{re.escape(head)}_\d{{4}}-\d{{2}}_{re.escape(moment)}")
        return into is None and (os.path.lexists(parent / name)
                                 or any(with_month.fullmatch(other) for other in _names(parent)))

    try:
        part = part_folder.claim(parent, base, taken)
    except OSError as error:
        raise _refusal(error, parent, option) from error
    if part is None:
        raise RunFolderError(f"E-RUN-002 {parent.as_posix()}: {part_folder.ATTEMPTS} runs named {base} already. Run "
                             "again.")
    run = RunFolder(part.content, into or parent / part.name)
    try:
        yield run
        _put_in_place(run)
        _announce(run, part, point)
    except OSError as error:
        raise _refusal(error, parent, option) from error
    except Exception as error:
        # a library that writes a format may wrap the system's error
        full = None if isinstance(error, RiskmapError) else no_room_in(error) or no_room(run.path)
        if full is None or not os.path.lexists(run.path):
            raise
        raise _refusal(full, parent, option) from error
    except BaseException as error:
        error.add_note(NOTHING_KEPT if os.path.lexists(run.path) else f"{run.final.as_posix()} is whole.")
        raise
    finally:
        part.remove()


def _names(folder: Path) -> list[str]:
    """Return the names in a folder; none for a folder that may be written but not listed."""
    try:
        return os.listdir(folder)
    except OSError:
        return []


def moment_of(name: str) -> tuple[str, int]:
    """Return when a run began, from its folder's name, and its place among those of that second; empty without it.

    Names do not sort by it, because the month of the data comes before the moment.
    """
    match = re.fullmatch(_RUN, name)
    return (match["moment"], int(match["place"] or 1)) if match else ("", 0)


def clean(outputs: Path) -> list[str]:
    """Remove what killed runs left behind and return their names. What is not ours or in progress is not touched."""
    return part_folder.sweep(outputs, _IN_THE_MAKING)


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

    `previous` is the newest run of the same area that was written before the latest one. The area is identified by its
    name in the manifest, and the time is the run's own.

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
        with suppress(OSError, ValueError):  # a name that is too long, or not a name at all
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
    earlier: list[tuple[str, tuple[str, int], str, Path]] = []
    newest_order = (of_latest.written_utc, moment_of(newest.name), newest.name)
    for folder in outputs.iterdir():
        if folder == newest or folder.name.startswith(".") or not (folder / run_files.NAME).is_file():
            continue
        with suppress(run_files.ManifestError):  # of another program, or damaged: its area is not known
            manifest = run_files.manifest_of(folder)
            order = (manifest.written_utc, moment_of(folder.name), folder.name)
            if _kind(manifest) == _kind(of_latest) and order < newest_order:
                earlier.append((*order, folder))
    if not earlier:
        raise RunFolderError(f"E-RUN-018 {visible(outputs.as_posix())}: there is no run of this area "
                             f"('{visible(of_latest.area.name)}') before the latest one. Run `riskmap estimate` again "
                             "when new data are there, or name a run folder.")
    return max(earlier)[-1]


def _kind(run: run_files.Manifest) -> tuple[str, bool]:
    """Return what two runs must have in common to follow one another: the area, and if they contain single lots."""
    return run.area.name, "lots.parquet" in run.outputs


def _check_pointer(outputs: Path) -> None:
    """Refuse an outputs folder in which `latest` is not what runs leave there, because it would be replaced."""
    pointer = outputs / LATEST
    try:
        kind = os.lstat(pointer)
    except FileNotFoundError:
        return
    if stat.S_ISREG(kind.st_mode) and kind.st_size <= _LONGEST_POINTER and \
            re.fullmatch(_RUN, pointer.read_text(encoding="ascii", errors="replace").strip()):
        return
    raise RunFolderError(f"E-RUN-050 {pointer.as_posix()}: is there already and was not written by riskmap, which "
                         "keeps the name of its newest run in a file of this name. Rename it, or name another folder "
                         "with --outputs. Nothing was changed.")


def _put_in_place(run: RunFolder) -> None:
    for folder, _, files in os.walk(run.path):
        for file in files:
            _flush(Path(folder) / file)
        _flush(Path(folder))
    if run.final.is_dir() and not run.final.is_symlink() and not any(run.final.iterdir()):
        run.final.rmdir()  # the empty folder of `--into`
    if os.path.lexists(run.final):
        raise RunFolderError(f"E-RUN-003 {run.final.as_posix()}: appeared while this run was writing. Run again.")
    os.rename(run.path, run.final)


def _announce(run: RunFolder, part: part_folder.PartFolder, point: bool) -> None:
    """Flush the new name to disk, and write it into `latest`."""
    outputs = run.final.parent
    try:
        _flush(outputs)
        if not point:
            return
        pointer = part.path / LATEST
        pointer.write_text(f"{run.final.name}\n", encoding="ascii", newline="\n")
        _flush(pointer)
        os.replace(pointer, outputs / LATEST)
        _flush(outputs)
    except OSError as error:
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


def _refusal(error: OSError, folder: Path, option: str = "--outputs") -> RunFolderError:
    file = Path(error.filename).name if isinstance(error.filename, str | os.PathLike) else ""
    where = f"{folder.as_posix()}: " + (f"{shown(file)}: " if file and file != folder.name else "")
    hint = _HINTS.get(error.errno or 0, "Run again; if it happens again, name another folder with {option}.")
    full = _FULL if error.errno == errno.ENOSPC else ""
    return RunFolderError(f"E-RUN-001 {full}{where}{error.strerror or error}. {hint.format(option=option)} "
                          f"{NOTHING_KEPT}")
