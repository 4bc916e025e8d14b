"""A folder in the making: hidden, marked as ours, and locked for as long as somebody writes into it.

`.<name>.part` contains the mark `.riskmap`, whose first line says which program made the folder, and `content`, which
is moved to its final place when it is complete. The mark is the first thing in the folder and the last to go, and the
process that writes holds an operating-system lock on it. The system releases the lock of a killed process, so a later
run can distinguish leftovers from work in progress without trusting process numbers.

Nothing else is ever removed: a folder of such a name without the mark, with a link or a pipe in place of the mark, with
a mark that is locked or cannot be opened, or a link to a folder, belongs to somebody else and is not touched.
"""

from __future__ import annotations

import os
import re
import shutil
import stat
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

MARK, CONTENT = ".riskmap", "content"
FIRST_LINE = b"riskmap: a folder in the making\n"
TEXT = FIRST_LINE + (b"If no riskmap is running, this folder is left over from a run that was stopped. The next run "
                     b"removes it, and you may do so too.\n")
ATTEMPTS = 1000  # judgement: more folders of one name within one second mean an error elsewhere


@dataclass(frozen=True)
class PartFolder:
    """A folder in the making that this process owns: fill `content` and move it away, then `remove` the rest."""

    name: str
    path: Path
    _descriptor: int

    @property
    def content(self) -> Path:
        """Folder to fill."""
        return self.path / CONTENT

    def remove(self) -> None:
        """Remove the folder and everything left in it, the mark last; what cannot be removed stays."""
        _remove(self.path, self._descriptor)


def claim(parent: Path, wanted: str, taken: Callable[[str], bool] = lambda name: False,
          rescue: Callable[[Path], None] = lambda leftover: None) -> PartFolder | None:
    """Make a folder in the making under the first free name.

    A leftover of a stopped run under one of the names tried is removed; anything else with such a name is skipped.

    Parameters
    ----------
    parent : Path
        Existing folder.
    wanted : str
        Name; `-2`, `-3`, ... are added where it is not free.
    taken : callable
        Says whether a name is taken; it is called once the folder in the making is locked.
    rescue : callable
        Called with a leftover before it is emptied.

    Returns
    -------
    PartFolder or None
        None when no name is free.

    Raises
    ------
    OSError
        When the folder cannot be made; then nothing of it remains.
    """
    for k in range(1, ATTEMPTS):
        name = wanted if k == 1 else f"{wanted}-{k}"
        path = place(parent, name)
        if os.path.lexists(path) and not remove_leftover(path, rescue):
            continue
        try:
            path.mkdir()
        except FileExistsError:
            continue
        folder = _marked(name, path)
        if not taken(name):
            return folder
        folder.remove()
    return None


def place(parent: Path, name: str) -> Path:
    """Return the path of a folder in the making."""
    return parent / f".{name}.part"


def sweep(parent: Path, names: re.Pattern[str]) -> list[str]:
    """Remove folders of stopped runs whose name fits, and return their names. Folders in use or of others stay."""
    try:
        listed = sorted(path.name for path in parent.iterdir())
    except OSError:
        return []  # a folder that may be written but not listed has nothing to find
    inner = [(file, file.removeprefix(".").removesuffix(".part")) for file in listed]
    return [name for file, name in inner
            if file == f".{name}.part" and names.fullmatch(name) and remove_leftover(parent / file)]


def remove_leftover(path: Path, rescue: Callable[[Path], None] = lambda leftover: None) -> bool:
    """Remove a folder in the making whose process has ended; return whether the folder is gone.

    Parameters
    ----------
    path : Path
    rescue : callable
        Called with the folder before it is emptied; when it fails, the folder stays.
    """
    mark = path / MARK
    try:
        if not stat.S_ISDIR(os.lstat(path).st_mode) or not stat.S_ISREG(os.lstat(mark).st_mode):
            return False
        descriptor = os.open(mark, os.O_RDWR | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_BINARY", 0))
    except OSError:
        return False
    try:
        ours = lock(descriptor, wait=False) and _same_file(mark, descriptor) and \
            os.read(descriptor, len(FIRST_LINE)) == FIRST_LINE
        if ours:
            rescue(path)
    except OSError:
        ours = False
    if not ours:
        os.close(descriptor)
        return False
    _remove(path, descriptor)
    return not os.path.lexists(path)


def _marked(name: str, path: Path) -> PartFolder:
    """Mark a folder that this process has just made, and fill it with an empty `content`."""
    descriptor = -1
    try:
        descriptor = os.open(path / MARK, os.O_RDWR | os.O_CREAT | os.O_EXCL | getattr(os, "O_NOFOLLOW", 0)
                             | getattr(os, "O_BINARY", 0), 0o644)
        # A disk without locks refuses them to everybody, so nobody can mistake this folder for a leftover there.
        lock(descriptor, wait=True)
        os.write(descriptor, TEXT)
        (path / CONTENT).mkdir()
    except BaseException:
        _remove(path, descriptor)
        raise
    return PartFolder(name, path, descriptor)


def _remove(path: Path, descriptor: int) -> None:
    """Empty the folder, then remove the mark and the folder.

    The lock is kept until then, where the system allows it.
    """
    with suppress(OSError):
        for entry in sorted(path.iterdir()):
            if entry.name == MARK:
                continue
            if entry.is_dir() and not entry.is_symlink():
                shutil.rmtree(entry, ignore_errors=True)
            else:
                with suppress(OSError):
                    entry.unlink()
    if os.name == "nt" and descriptor >= 0:  # on that system an open file cannot be removed
        os.close(descriptor)
        descriptor = -1
    with suppress(OSError):
        if {entry.name for entry in path.iterdir()} <= {MARK}:  # a folder that still contains something keeps its mark
            (path / MARK).unlink(missing_ok=True)
            path.rmdir()
    if descriptor >= 0:
        os.close(descriptor)


def _same_file(path: Path, descriptor: int) -> bool:
    """Return whether the open file still has its name; another run may have removed it in between."""
    try:
        return os.path.samestat(os.stat(path, follow_symlinks=False), os.fstat(descriptor))
    except FileNotFoundError:
        return False


def lock(descriptor: int, *, wait: bool) -> bool:
    """Lock an open file for this process; the system releases it when the process ends."""
    try:
        if os.name == "nt":
            import msvcrt

            msvcrt.locking(descriptor, msvcrt.LK_LOCK if wait else msvcrt.LK_NBLCK,  # type: ignore[attr-defined,unused-ignore]
                           1)
        else:
            import fcntl

            fcntl.flock(descriptor, fcntl.LOCK_EX | (0 if wait else fcntl.LOCK_NB))
    except OSError:
        return False
    return True
