"""A run is killed, or the power fails, after each single step of putting it in place: it is there whole, or not at all.

`kill_sweep.py` kills at random moments of the whole command, and nearly never in the short time in which a finished
folder is moved. Here no moment of that time is left out.
"""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import pytest
from each_case import check_each

from riskmap.common import part_folder
from riskmap.run import folder

sys.path.insert(0, str(Path(__file__).parent))
import disk_steps
from disk_steps import FILES, INTO, MOMENT, OUTPUTS, STEP

OLD, NEW = "made-up_2025-09_20260101T030405Z", "made-up_2025-10_20260102T030405Z"
OF_KILLED = "made-up_20251231T000000Z"
OLD_FILES = {**FILES, "lots.csv": b"lot_id\n0308\n"}
pytestmark = pytest.mark.skipif(os.name == "nt", reason="no process can be forked per step: NOT TESTED on Windows")


@pytest.fixture
def start(tmp_path: Path) -> Path:
    """A folder of runs with one finished run, beside it an empty folder for a paper."""
    place = tmp_path / "start"
    with folder.new_run(place / OUTPUTS, "made up", MOMENT - timedelta(days=1)) as run:
        disk_steps.fill(run.path, OLD_FILES)
        run.of_month("2025-09")
    assert run.final.name == OLD
    (place / INTO).mkdir()
    return place


def leave(parent: Path, name: str) -> None:
    """Leave behind what a killed command leaves."""
    part = parent / f".{name}.part"
    disk_steps.fill(part, {part_folder.MARK: part_folder.TEXT, f"{part_folder.CONTENT}/lots.csv": b"half"})


def killed(command: str, start: Path) -> dict[int, Path]:
    """Return a folder for each step of a command: what is there when the process was killed after it."""
    places = start.parent / "killed"
    told = subprocess.run([sys.executable, disk_steps.__file__, command, str(start), str(places)], text=True,
                          capture_output=True, timeout=300)
    assert told.returncode == 0, told.stderr
    found = sorted(places.iterdir())
    assert not (found[-1] / STEP).exists()  # this one came to its end
    return dict(enumerate(found, 1))


def step(place: Path) -> str:
    return (place / STEP).read_text(encoding="utf-8") if (place / STEP).exists() else "its end"


def hidden(parent: Path) -> list[str]:
    """Return the names of folders in the making, but not of those that no command may remove.

    A process that is killed between making such a folder and marking it, or between removing the mark and the folder,
    leaves an empty hidden folder, which could as well be somebody else's.
    """
    return [path.name for path in parent.glob(".*")
            if not (path.is_dir() and {inner.name for inner in path.iterdir()} <= {part_folder.MARK}
                    and not any(inner.stat().st_size for inner in path.iterdir()))]


def are_whole(outputs: Path) -> list[str]:
    """Check everything that a user sees; return the names of runs."""
    names = sorted(path.name for path in outputs.iterdir() if not path.name.startswith(".") and path.name != "latest")
    for name in names:
        assert disk_steps.files_of(outputs / name) == (OLD_FILES if name == OLD else FILES), name
    assert OLD in names
    assert (outputs / "latest").read_text(encoding="ascii").strip() in names
    return names


def kinds(places: dict[int, Path]) -> set[str]:
    return {step(place).partition(" ")[0] for place in places.values()}


def test_a_run_killed_after_any_step_is_whole_or_not_there(start: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    leave(start / OUTPUTS, OF_KILLED)
    places = killed("run", start)
    monkeypatch.setattr(os, "fsync", lambda descriptor: None)  # in the next runs, which nobody cuts off
    there, pointed = [], []

    def left_and_next_run(k: int) -> None:
        outputs = places[k] / OUTPUTS
        names = are_whole(outputs)
        there.append(NEW in names)
        pointed.append(folder.latest(outputs) == outputs / NEW)
        with folder.new_run(outputs, "made up", MOMENT + timedelta(days=1)) as run:
            disk_steps.fill(run.path)
        assert folder.latest(outputs) == run.final
        assert are_whole(outputs) == sorted([*names, run.final.name])
        assert hidden(outputs) == []

    check_each(places, left_and_next_run, lambda k: f"killed after {step(places[k])}")
    assert there == sorted(there)  # once it is there, it stays
    assert pointed == sorted(pointed)
    assert 0 < sum(pointed) < sum(there) < len(places)
    assert kinds(places) >= {"mkdir", "open", "write", "fsync", "rename", "replace", "unlink", "rmdir"}
    assert sum(step(place).startswith("fsync") for place in places.values()) > len(FILES)


def test_a_paper_killed_after_any_step_is_whole_or_not_there(start: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    leave(start, f"{INTO}_into")
    places = killed("paper", start)
    monkeypatch.setattr(os, "fsync", lambda descriptor: None)
    there = []

    def left_and_next_paper(k: int) -> None:
        into = places[k] / INTO
        found = disk_steps.files_of(into)
        there.append(bool(found))
        if not found:
            with folder.made_from(None, "paper", into) as made:
                disk_steps.fill(made.path)
            assert hidden(places[k]) == []
        assert disk_steps.files_of(into) == FILES
        assert are_whole(places[k] / OUTPUTS) == [OLD]

    check_each(places, left_and_next_paper, lambda k: f"killed after {step(places[k])}")
    assert there == sorted(there)
    assert 0 < sum(there) < len(places)
    assert kinds(places) >= {"mkdir", "open", "write", "fsync", "rename", "unlink", "rmdir"}


def cut(command: str, start: Path, root: Path, check: Callable[[disk_steps.State], None]) -> list[disk_steps.State]:
    """Check what a power cut after any step may leave in a folder; return what one after the end may leave."""
    disk, seen = disk_steps.Disk(root), []

    def after(step: str) -> None:
        seen.extend((step, left) for left in disk.after_a_power_cut())

    steps = disk_steps.Steps(after, disk.flush)
    with steps.seen():
        disk_steps.COMMANDS[command](start, steps)
    check_each(seen, lambda one: check(one[1]), lambda one: f"the power fails after {one[0]}")
    return list(disk.after_a_power_cut())


def test_a_power_cut_after_any_step_leaves_a_run_whole_or_not_at_all(start: Path) -> None:
    """Whatever was not flushed to disk may be lost, and names may reach the disk in any order."""
    found = []

    def whole(left: disk_steps.State) -> None:
        runs = {name: files for name, files in left.items() if not name.startswith(".") and name != "latest"}
        assert runs == {OLD: OLD_FILES, NEW: FILES} or runs == {OLD: OLD_FILES}
        (pointer,) = left["latest"].values()
        assert pointer.decode("ascii").strip() in runs
        found.append((len(runs), pointer))

    at_end = cut("run", start, start / OUTPUTS, whole)
    assert len(set(found)) == 3  # the old run, both with `latest` as it was, both with the new one
    for left in at_end:
        assert left[NEW] == FILES
        assert left["latest"] == {"": f"{NEW}\n".encode()}


def test_a_power_cut_after_any_step_leaves_a_paper_whole_or_not_at_all(start: Path) -> None:
    def whole(left: disk_steps.State) -> None:
        assert left.get(INTO, {}) in ({}, FILES)

    for left in cut("paper", start, start, whole):
        assert left[INTO] == FILES
