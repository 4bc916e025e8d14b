"""Every step in which a process changes the disk, seen as it happens; and what a power cut after it may leave.

    python tests/faults/disk_steps.py COMMAND START PLACES

This gives each step of COMMAND (a name in `COMMANDS`) a copy of START below PLACES and a process of its own, which
kills itself after that step: no moment is left to chance. The file `step` in each copy says which step was the last.
"""

from __future__ import annotations

import os
import shutil
import signal
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from itertools import count, product
from pathlib import Path
from types import FrameType
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
from riskmap.run import folder

MOMENT = datetime(2026, 1, 2, 3, 4, 5, tzinfo=UTC)
# What a run of these tests contains: `run/folder.py` must move whatever there is, in folders too.
FILES = {"lots.csv": b"lot_id\n0309\n", "manifest.json": b"{}\n", "map.html": b"<!doctype html>\n",
         "tiles/0/0.bin": b"\0\1", "tiles/1.bin": b"\2"}
State = dict[str, dict[str, bytes]]  # by name in a folder: the files in it by their path; '' for a file itself
OUTPUTS, INTO, STEP = "outputs", "paper", "step"
_SYSTEM = ("posix", "nt", "fcntl", "msvcrt")
# Calls of the system that change nothing on the disk; every other one is a step.
_READS = frozenset({"stat", "lstat", "fstat", "listdir", "scandir", "fspath", "access", "readlink", "read", "pread",
                    "close", "getcwd", "getpid", "lseek", "getenv", "cpu_count", "urandom"})
_OF_STREAMS = frozenset({"write", "writelines", "flush", "close", "truncate"})


class Steps:
    """Calls `after` with the name and the place of each step of this thread, whichever function of Python it uses."""

    def __init__(self, after: Callable[[str], None], flushed: Callable[[int], None] = lambda descriptor: None) -> None:
        self.after, self.flushed = after, flushed

    @contextmanager
    def seen(self) -> Iterator[Steps]:
        """See the steps of the block. Nothing is really flushed, which takes long and cannot be seen by any process."""
        real, os.fsync = os.fsync, self._flush
        sys.setprofile(self._called)
        try:
            yield self
        finally:
            sys.setprofile(None)
            os.fsync = real

    @contextmanager
    def unseen(self) -> Iterator[None]:
        """Do something in the block of `seen` that does not count."""
        sys.setprofile(None)
        yield
        sys.setprofile(self._called)

    def _flush(self, descriptor: int) -> None:
        with self.unseen():
            self.flushed(descriptor)
            self.after(f"fsync in {_place(sys._getframe(1))}")

    def _called(self, frame: FrameType, event: str, function: Any) -> None:
        if event in ("c_return", "c_exception") and _changes(function):
            self.after(f"{function.__name__} in {_place(frame)}")


def _changes(function: Any) -> bool:
    module, name = function.__module__, function.__name__
    return (module in _SYSTEM and name not in _READS) or (module in ("io", "_io") and name == "open") or \
        (type(getattr(function, "__self__", None)).__module__ == "_io" and name in _OF_STREAMS)


def _place(frame: FrameType) -> str:
    return f"{Path(frame.f_code.co_filename).name}:{frame.f_lineno}"


# ---------------------------------------------------------------- what is killed
def fill(path: Path, files: dict[str, bytes] = FILES) -> None:
    for name, content in files.items():
        (path / name).parent.mkdir(parents=True, exist_ok=True)
        (path / name).write_bytes(content)


def files_of(path: Path) -> dict[str, bytes]:
    return {file.relative_to(path).as_posix(): file.read_bytes() for file in path.rglob("*") if file.is_file()}


def run(place: Path, steps: Steps) -> None:
    """Write a run as every command does; filling the folder does not count."""
    with folder.new_run(place / OUTPUTS, "made up", MOMENT) as made, steps.unseen():
        fill(made.path)
        made.of_month("2025-10")


def paper(place: Path, steps: Steps) -> None:
    """Make something from a run in the folder that the user names."""
    with folder.made_from(folder.latest(place / OUTPUTS), "paper", place / INTO) as made, steps.unseen():
        fill(made.path)


COMMANDS = {"run": run, "paper": paper}


def main(command: str, start: Path, places: Path) -> None:
    for last in count(1):
        place = places / f"{last:03d}"
        shutil.copytree(start, place)
        child = os.fork()
        if child == 0:
            _killed(COMMANDS[command], place, last)
        if os.waitpid(child, 0)[1] == 0:
            return
        if not (place / STEP).is_file():
            raise SystemExit(f"the process of step {last} ended in another way")


def _killed(command: Callable[[Path, Steps], None], place: Path, last: int) -> None:
    numbers = count(1)

    def after(step: str) -> None:
        if next(numbers) == last:
            (place / STEP).write_text(step, encoding="utf-8")
            os.kill(os.getpid(), signal.SIGKILL)

    steps = Steps(after)
    try:
        with steps.seen():
            command(place, steps)
        os._exit(0)
    finally:
        os._exit(1)


# ---------------------------------------------------------------- a power cut
class Disk:
    """What is certainly on the disk below a folder: contents and lists of names as they were when last flushed.

    What was not flushed may be there or not, because systems write in an order of their own. This is the judgement of
    POSIX: a file that was not flushed may be empty, and a name may be as it was.
    """

    def __init__(self, root: Path) -> None:
        self.root = root
        self.names: dict[int, dict[str, int]] = {}
        self.contents: dict[int, bytes] = {}
        for path in [root, *root.rglob("*")]:
            self._keep(path)

    def flush(self, descriptor: int) -> None:
        """Note that a file or a folder was flushed."""
        wanted = os.fstat(descriptor)
        for path in [self.root, *self.root.rglob("*")]:
            if os.path.samestat(wanted, os.lstat(path)):
                self._keep(path)

    def _keep(self, path: Path) -> None:
        number = os.lstat(path).st_ino
        if path.is_dir():
            self.names[number] = _names(path)
        else:
            self.contents[number] = path.read_bytes()

    def after_a_power_cut(self) -> Iterator[State]:
        """Give everything that may be left in the folder."""
        old, new = self.names[os.lstat(self.root).st_ino], _names(self.root)
        open_names = sorted(name for name in {*old, *new} if old.get(name) != new.get(name))
        for choice in product((old, new), repeat=len(open_names)):
            left = {**new, **{name: which.get(name, 0) for name, which in zip(open_names, choice, strict=True)}}
            yield {name: dict(self._files(number)) for name, number in left.items() if number}

    def _files(self, number: int, name: str = "") -> Iterator[tuple[str, bytes]]:
        if number not in self.names:
            yield name, self.contents.get(number, b"")
            return
        for inner, its_number in self.names[number].items():
            yield from self._files(its_number, f"{name}/{inner}".lstrip("/"))


def _names(path: Path) -> dict[str, int]:
    return {entry.name: entry.stat(follow_symlinks=False).st_ino for entry in os.scandir(path)}


if __name__ == "__main__":
    main(sys.argv[1], Path(sys.argv[2]), Path(sys.argv[3]))
