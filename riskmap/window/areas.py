"""The folders of areas. No text of a request becomes a path: an area, a run or a file is looked up in a listing.

    FOLDER/<area>/files/      the files as they were given
    FOLDER/<area>/area.toml   written by `riskmap new`
    FOLDER/<area>/outputs/    runs, and what is made from them
"""

from __future__ import annotations

import os
import re
import shutil
import time
import unicodedata
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from riskmap.common.part_folder import lock
from riskmap.window.refusals import WindowError, cannot_write, no_such

FILES, AREA_FILE, OUTPUTS, LISTS, SURVEYS, LOCK = "files", "area.toml", "outputs", "lists", "surveys", ".lock"
CALIBRATION = "calibration.json"
IN_USE = ".calibration"  # names the folder of outputs with the calibration that is switched on
NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,99}")
COMMANDS = ".commands"  # folder in an area for the command that equals each of its outputs
INCOMING = ".incoming"  # beginning of the names of folders for files of an area that is not made yet
ABANDONED_S = 86_400  # judgement: no form is sent for a day
LONGEST, DEEPEST, MOST_NAMES = 80, 8, 1000
# names that one system or another takes for a device
_DEVICES = {"con", "prn", "aux", "nul", *(f"{kind}{k}" for kind in ("com", "lpt") for k in range(1, 10))}


def plain(text: str, otherwise: str) -> str:
    """Return a text as a file name of plain letters, digits, points, dashes and underscores that starts with no point.

    Whatever is given, the answer matches `NAME` and is the name of no device.
    """
    ascii_text = unicodedata.normalize("NFKD", text[:1000]).encode("ascii", "ignore").decode()
    name = re.sub(r"[^A-Za-z0-9._-]+", "_", ascii_text).strip("._-")
    stem, point, ending = name.rpartition(".")
    name = f"{stem[:LONGEST - 12]}{point}{ending[:12]}" if point else name[:LONGEST]
    if not name or name.split(".")[0].lower() in _DEVICES:
        name = f"{otherwise}{'_' + name if name else ''}"
    return name


def plain_parts(given: str, otherwise: str) -> tuple[str, ...]:
    """Return the names of a path that a browser gives for a file in a folder, each as `plain` makes it.

    Names that lead up or nowhere are left out, so that the path stays below the folder it is joined to.
    """
    parts = [part for part in re.split(r"[/\\]", given) if part.strip(" .")]
    return tuple(plain(part, otherwise) for part in parts[-DEEPEST:]) or (otherwise,)


class Areas:
    """The areas of a folder."""

    def __init__(self, root: Path) -> None:
        """Take the folder; it is made when it does not exist.

        Raises
        ------
        WindowError
            When it cannot be made.
        """
        try:
            root.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise WindowError(f"E-WIN-001 {root.as_posix()}: the folder of areas cannot be made: {error.strerror}. "
                              "Name another folder.") from None
        self.root = root.resolve()
        for left in self.root.glob(f"{INCOMING}-*"):  # what a killed window received
            with suppress(OSError):
                if time.time() - left.stat().st_mtime > ABANDONED_S:
                    shutil.rmtree(left)

    def names(self) -> list[str]:
        """Return the names of all areas in the order of their letters."""
        return sorted(entry.name for entry in os.scandir(self.root)
                      if NAME.fullmatch(entry.name) and entry.is_dir(follow_symlinks=False)
                      and ((Path(entry) / FILES).is_dir() or (Path(entry) / AREA_FILE).is_file()))

    def folder(self, name: str) -> Path:
        """Return the folder of an area.

        Raises
        ------
        WindowError
            When there is no such area.
        """
        if name not in self.names():
            raise WindowError("E-WIN-002 there is no such area. Go back to the list of areas.", 404)
        return self.root / name

    def make(self, wanted: str) -> Path:
        """Make the folder of a new area under the first free name that is like the one wanted.

        Raises
        ------
        WindowError
            When it cannot be made.
        """
        name = plain(wanted, "area").lower()
        try:
            for k in range(1, MOST_NAMES):
                folder = self.root / (name if k == 1 else f"{name}-{k}")
                with suppress(FileExistsError):
                    folder.mkdir()
                    (folder / FILES).mkdir()
                    return folder
        except OSError as error:
            raise cannot_write(name, error) from None
        raise WindowError(f"E-WIN-018 {name}: there are too many areas of this name. Choose another.")


def entry_of(folder: Path, name: str) -> Path:
    """Return the plain file or folder of this name in a folder, found in its listing; links are not followed.

    Raises
    ------
    WindowError
        When there is none.
    """
    with suppress(OSError):
        for entry in os.scandir(folder):
            if entry.name == name and not name.startswith(".") and not entry.is_symlink():
                return Path(entry)
    raise no_such()


def in_use(folder: Path) -> Path | None:
    """Return the calibration.json that the user switched on in an area, where it is still there."""
    with suppress(OSError, ValueError, WindowError):
        name = (folder / IN_USE).read_text(encoding="utf-8")[:LONGEST * 2].strip()
        return entry_of(entry_of(entry_of(folder, OUTPUTS), name), CALIBRATION)
    return None


def use(folder: Path, name: str | None) -> None:
    """Switch a calibration of an area on by the name of its folder, or switch calibration off."""
    if name is None:
        (folder / IN_USE).unlink(missing_ok=True)
        return
    part = folder / f"{IN_USE}.part"
    part.write_text(name + "\n", encoding="utf-8")
    os.replace(part, folder / IN_USE)


def with_calibration(folder: Path) -> tuple[dict[str, str], list[str]]:
    """Return what a task and a command take for the calibration of an area; nothing where none is switched on."""
    if (path := in_use(folder)) is None:
        return {}, []
    return {"calibration": str(path)}, ["--calibration", f"{OUTPUTS}/{path.parent.name}/{CALIBRATION}"]


def keep_command(area: Path, folder: str, command: str) -> None:
    """Keep the command that equals a folder of outputs, for its page; a disk that is full does not matter here."""
    with suppress(OSError):
        (area / COMMANDS).mkdir(exist_ok=True)
        (area / COMMANDS / f"{folder}.txt").write_text(command, encoding="utf-8")


def kept_command(area: Path, folder: str) -> str:
    """Return the command that equals a folder of outputs; empty text where it was not made in a window."""
    with suppress(OSError, UnicodeDecodeError):
        return (area / COMMANDS / f"{folder}.txt").read_text(encoding="utf-8")
    return ""


@contextmanager
def written_by_us(folder: Path) -> Iterator[None]:
    """Let one writer at a time into an area, over all windows; the system releases the lock of a killed process.

    Raises
    ------
    WindowError
        When another window or another job is writing.
    """
    try:
        descriptor = os.open(folder / LOCK, os.O_RDWR | os.O_CREAT | getattr(os, "O_NOFOLLOW", 0), 0o600)
    except OSError as error:
        raise cannot_write(folder.name, error) from None
    try:
        if not lock(descriptor, wait=False):
            raise WindowError(f"E-WIN-005 {folder.name}: another window or job is working on this area. Wait until it "
                              "has finished, or cancel it there.", 409)
        yield
    finally:
        os.close(descriptor)
