"""Killed runs and many runs at once: nothing announced is lost, nothing mixes. The long sweep is `kill_sweep.py`."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest
from changed_areas import write_area

sys.path.insert(0, str(Path(__file__).parent))
import kill_sweep

PROCESSES = 4  # eight by hand: `python tests/faults/kill_sweep.py 200 8`


@pytest.fixture(scope="module")
def area(example: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_area(example, tmp_path_factory.mktemp("area") / "area", last="2025-05", movement="draws = 20")


@pytest.fixture(scope="module")
def expected(area: Path, tmp_path_factory: pytest.TempPathFactory) -> str:
    return kill_sweep.clean(area, tmp_path_factory.mktemp("clean"))


@pytest.mark.slow
def test_killed_runs_leave_only_whole_ones(area: Path, expected: str, tmp_path: Path) -> None:
    seen = kill_sweep.sweep(area, tmp_path, kills=4, expected=expected, finish_every=2)
    assert seen["killed"] + seen["had_finished"] == 4
    assert seen["resumed"] == 2


@pytest.mark.slow
def test_many_runs_into_one_folder_are_all_whole(area: Path, expected: str, tmp_path: Path) -> None:
    assert kill_sweep.hammer(area, tmp_path, PROCESSES, expected) == PROCESSES
