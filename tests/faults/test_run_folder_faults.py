"""A run folder appears complete or not at all: errors, kills, full disks, two runs at once."""

from __future__ import annotations

import errno
import os
import re
import signal
import subprocess
import sys
import textwrap
import time
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from riskmap.common import part_folder
from riskmap.common.errors import RunFolderError
from riskmap.run import folder

MOMENT = datetime(2025, 10, 31, 12, 0, 0, tzinfo=UTC)


def visible(outputs: Path) -> list[str]:
    return sorted(p.name for p in outputs.iterdir() if not p.name.startswith("."))


def hidden(outputs: Path) -> list[str]:
    return sorted(p.name for p in outputs.iterdir() if p.name.startswith("."))


def test_a_run_appears_with_its_files_and_pointer(tmp_path: Path) -> None:
    outputs = tmp_path / "outputs"
    with folder.new_run(outputs, "Example town (invented)", MOMENT) as run:
        (run.path / "a.txt").write_text("x")
        assert visible(outputs) == []
        assert not run.final.exists()
    assert run.final.name == "example-town-invented_20251031T120000Z"
    assert visible(outputs) == [run.final.name, "latest"]
    assert hidden(outputs) == []
    assert (outputs / "latest").read_bytes() == f"{run.final.name}\n".encode()
    assert folder.latest(outputs) == run.final


def test_time_is_utc_whatever_the_zone(tmp_path: Path) -> None:
    east = MOMENT.astimezone(timezone(timedelta(hours=9)))
    with folder.new_run(tmp_path, "x", east) as run:
        pass
    assert run.final.name == "x_20251031T120000Z"


def test_same_second_gives_two_folders(tmp_path: Path) -> None:
    with folder.new_run(tmp_path, "x", MOMENT) as first, folder.new_run(tmp_path, "x", MOMENT) as second:
        (first.path / "f").write_text("1")
        (second.path / "f").write_text("2")
    with folder.new_run(tmp_path, "x", MOMENT) as third:
        pass
    names = {run.final.name for run in (first, second, third)}
    assert len(names) == 3
    assert (first.final / "f").read_text() == "1"
    assert (second.final / "f").read_text() == "2"


@pytest.mark.parametrize("error", [ValueError("x"), KeyboardInterrupt(), SystemExit(3)])
def test_an_error_leaves_nothing(tmp_path: Path, error: BaseException) -> None:
    with folder.new_run(tmp_path, "x", MOMENT - timedelta(days=1)) as old:
        pass
    with pytest.raises(type(error)), folder.new_run(tmp_path, "x", MOMENT) as run:
        (run.path / "half.csv").write_text("1,2")
        raise error
    assert set(visible(tmp_path)) == {old.final.name, "latest"}
    assert hidden(tmp_path) == []
    assert folder.latest(tmp_path) == old.final


def test_a_full_disk_is_said_in_words(tmp_path: Path) -> None:
    with pytest.raises(RunFolderError, match=r"E-RUN-001 .*lots\.csv.*Free some disk space.*Nothing of this run"), \
            folder.new_run(tmp_path, "x", MOMENT) as run:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), str(run.path / "lots.csv"))
    assert visible(tmp_path) == []


CALLS = ["mkdir", "rename", "replace", "fsync", "open"]


@pytest.mark.parametrize("call", CALLS)
@pytest.mark.parametrize("nth", range(1, 9))
def test_a_failing_system_call_never_shows_half_a_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, call: str,
                                                      nth: int) -> None:
    """The n-th call of one kind fails: the run is announced whole, or refused with the old one still the latest."""
    with folder.new_run(tmp_path, "x", MOMENT - timedelta(days=1)) as old:
        (old.path / "a").write_text("old")
    real, made = getattr(os, call), []

    def failing(*args, **kwargs):  # type: ignore[no-untyped-def]
        made.append(args)
        if len(made) == nth:
            raise OSError(errno.EIO, "injected", str(args[0]))
        return real(*args, **kwargs)

    monkeypatch.setattr(os, call, failing)
    refused = ""
    try:
        with folder.new_run(tmp_path, "x", MOMENT) as run:
            for name in ("a", "b"):
                descriptor = real(run.path / name, os.O_CREAT | os.O_WRONLY) if call == "open" else \
                    os.open(run.path / name, os.O_CREAT | os.O_WRONLY)
                os.write(descriptor, b"new")
                os.close(descriptor)
    except RunFolderError as error:
        refused = str(error)
    monkeypatch.undo()
    assert len(made) >= nth or not refused
    new = [name for name in visible(tmp_path) if name not in ("latest", old.final.name)]
    assert len(new) == (not refused or "the run is whole" in refused)
    for name in new:
        assert sorted(p.name for p in (tmp_path / name).iterdir()) == ["a", "b"]
    if not refused:
        assert folder.latest(tmp_path) == run.final
    else:
        latest = folder.latest(tmp_path)
        assert latest is not None
        assert (latest / "a").exists()
    folder.clean(tmp_path)
    assert hidden(tmp_path) == []


RUNNER = textwrap.dedent("""
    import sys, time
    from pathlib import Path
    from riskmap.run import folder as run_folder
    outputs, text, pause = Path(sys.argv[1]), sys.argv[2], float(sys.argv[3])
    with run_folder.new_run(outputs, "town") as run:
        print("ready", flush=True)
        for k in range(5):
            (run.path / f"{k}.txt").write_text(text)
            time.sleep(pause)
        if len(sys.argv) > 4:
            sys.stdin.read()  # until the test closes it
    print(run.final.name, flush=True)
""")


def start(outputs: Path, text: str, pause: float = 0.0, *more: str) -> subprocess.Popen[str]:
    return subprocess.Popen([sys.executable, "-c", RUNNER, str(outputs), text, str(pause), *more],
                            stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)


def test_leftovers_of_a_killed_run_are_removed_and_live_runs_left_alone(tmp_path: Path) -> None:
    killed, living = start(tmp_path, "k", 0.0, "waits"), start(tmp_path, "l", 0.0, "waits")
    try:
        for process in (killed, living):
            assert process.stdout is not None
            assert process.stdout.readline() == "ready\n"
        parts = [p for p in hidden(tmp_path) if p.endswith(".part")]
        assert len(parts) == 2
        killed.send_signal(signal.SIGKILL)
        killed.wait()
        with folder.new_run(tmp_path, "town") as run:
            assert len([p for p in hidden(tmp_path) if p.endswith(".part")]) == 2  # the living one and this
        name = living.communicate()[0].strip()
        assert living.returncode == 0
        assert sorted(p.name for p in (tmp_path / name).iterdir()) == [f"{k}.txt" for k in range(5)]
        assert hidden(tmp_path) == []
        assert visible(tmp_path) == sorted([name, run.final.name, "latest"])
    finally:
        for process in (killed, living):
            process.kill()
            process.communicate()


def test_many_runs_at_once_do_not_mix(tmp_path: Path) -> None:
    runs = [start(tmp_path, str(k), 0.005) for k in range(5)]
    said = [process.communicate(timeout=300)[0].split() for process in runs]
    assert [process.returncode for process in runs] == [0] * 5
    names = [words[1] for words in said]
    assert len(set(names)) == 5
    for k, name in enumerate(names):
        assert [p.read_text() for p in (tmp_path / name).iterdir()] == [str(k)] * 5
    assert (tmp_path / "latest").read_text().strip() in names
    assert hidden(tmp_path) == []


@pytest.mark.slow
def test_kill_at_any_moment_keeps_what_was_announced(tmp_path: Path) -> None:
    announced: set[str] = set()
    for k in range(12):
        process = start(tmp_path, str(k), 0.01)
        assert process.stdout is not None
        process.stdout.readline()
        time.sleep(0.008 * k)
        process.kill()
        announced |= set(process.communicate()[0].split())
        for name in visible(tmp_path):
            if name != "latest":
                assert len(list((tmp_path / name).iterdir())) == 5
        assert announced <= set(visible(tmp_path))
    with folder.new_run(tmp_path, "town"):
        pass
    assert hidden(tmp_path) == []


def test_a_file_in_place_of_the_folder(tmp_path: Path) -> None:
    (tmp_path / "outputs").write_text("")
    with pytest.raises(RunFolderError, match="A file has the name"), folder.new_run(tmp_path / "outputs", "x"):
        pass


@pytest.mark.skipif(os.name == "nt", reason="making links needs rights on Windows: planted links are NOT TESTED there")
def test_a_planted_link_is_not_followed(tmp_path: Path) -> None:
    victim = tmp_path / "victim"
    victim.mkdir()
    (victim / "keep").write_text("keep")
    outputs = tmp_path / "outputs"
    outputs.mkdir()
    (outputs / f".x_{MOMENT:%Y%m%dT%H%M%SZ}.part").symlink_to(victim, target_is_directory=True)
    with folder.new_run(outputs, "x", MOMENT) as run:
        (run.path / "a").write_text("a")
    assert run.final.name == f"x_{MOMENT:%Y%m%dT%H%M%SZ}-2"
    assert [path.name for path in victim.iterdir()] == ["keep"]
    assert hidden(outputs) == [f".x_{MOMENT:%Y%m%dT%H%M%SZ}.part"]


@given(st.text(max_size=120))
def test_every_area_name_gives_a_plain_folder_name(name: str) -> None:
    made = f"{folder.slug(name)}_2025-10_20251031T120000Z-999"
    assert folder.NAME.fullmatch(made)
    assert folder.moment_of(made) == ("20251031T120000Z", 999)
    assert not re.search(r"^[.-]|\.\.", made)


def test_the_month_of_the_data_is_in_the_name_and_names_stay_apart(tmp_path: Path) -> None:
    names = []
    for month in ("2025-10", "2025-09", "", "2025-10"):
        with folder.new_run(tmp_path, "x", MOMENT) as run:
            (run.path / "f").write_text(month)
            if month:
                run.of_month(month)
        names.append(run.final.name)
        assert (run.final / "f").read_text() == month
        assert folder.latest(tmp_path) == run.final
    stamp = f"{MOMENT:%Y%m%dT%H%M%SZ}"
    assert names == [f"x_2025-10_{stamp}", f"x_2025-09_{stamp}-2", f"x_{stamp}-3", f"x_2025-10_{stamp}-4"]
    assert sorted(names, key=folder.moment_of) == names != sorted(names)
    assert folder.moment_of("photos") == folder.moment_of("x_2025_" + stamp) == ("", 0)
    with folder.new_run(tmp_path, "x", MOMENT + timedelta(days=1)):  # a pointer of either form is one of ours
        pass


def test_what_killed_runs_of_either_form_left_is_removed(tmp_path: Path) -> None:
    for name in ("town_20240101T000000Z", "town_2024-01_20240101T000000Z-2"):
        (tmp_path / f".{name}.part").mkdir()
        (tmp_path / f".{name}.part" / ".riskmap").write_bytes(part_folder.TEXT)
    (tmp_path / ".town_2024-1_20240101T000000Z.part").mkdir()
    (tmp_path / ".town_2024-1_20240101T000000Z.part" / ".riskmap").write_bytes(part_folder.TEXT)
    assert folder.clean(tmp_path) == ["town_2024-01_20240101T000000Z-2", "town_20240101T000000Z"]
    assert hidden(tmp_path) == [".town_2024-1_20240101T000000Z.part"]


@pytest.mark.parametrize("pointer", ["", "../other", ".hidden", "gone", "a/b", "\xff"])
def test_a_spoilt_pointer_points_nowhere(tmp_path: Path, pointer: str) -> None:
    (tmp_path / "latest").write_text(pointer, encoding="latin-1")
    assert folder.latest(tmp_path) is None
