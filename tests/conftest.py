"""Shared by every test: where the open data are, and how the suite says so when they are absent."""

from __future__ import annotations

import gc
import os
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
# Workers of the tests get a window of 80 columns, which the window of a user need not have; tests that want one set it.
os.environ.pop("COLUMNS", None)
os.unsetenv("COLUMNS")  # a library of line editing sets it behind Python's back, for every program that a test starts
# Tests run beside each other: threads of linear algebra would only wait for each other, at ten times the work (measured
# on the calibrations, two processes on two cores). The libraries read this when they are loaded, which is after this.
for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(name, "1")
OPEN_DATA = Path(os.environ.get("RISKMAP_OPEN_DATA", ROOT.parent / "shared" / "data")).resolve()
REFEREE = OPEN_DATA.parent / "referee"
EXAMPLE = ROOT / "layers" / "example"

# Files with the longest cases (measured): they begin first, so that no process is left alone with one of them.
LONGEST_FIRST = (
    "regression/test_notebooks.py", "regression/test_parts_change_nothing.py", "faults/test_no_home.py",
    "faults/test_kill_and_hammer.py", "validation/test_calibration_truth.py", "contracts/test_docstring_examples.py",
    "regression/test_walkthroughs.py", "faults/test_stopped.py",
)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put the files with the longest cases first; whole files, so that what a file shares is made once.

    A benchmark elsewhere than in the folders that the Makefile names stops the session.
    """
    place = {ROOT / "tests" / name: k for k, name in enumerate(LONGEST_FIRST)}
    astray = [item.nodeid for item in items if item.get_closest_marker("benchmark") is not None
              and item.path.parent.name not in ("benchmarks", "browser")]
    if astray:
        raise pytest.UsageError(f"benchmarks outside the folders that the Makefile names are never run: {astray}")
    items.sort(key=lambda item: place.get(item.path, len(place)))  # stable: the others keep their order


def pytest_report_header(config: pytest.Config) -> str:
    """Say in the first lines of the output whether the real data and the independent solver's values are here."""
    if REFEREE.is_dir() and OPEN_DATA.is_dir():
        return "open data: found, with the independent solver's values; tests on both run"
    if OPEN_DATA.is_dir():
        return "open data: found. The independent solver's values: ABSENT beside it; tests against them DO NOT RUN."
    return "open data: ABSENT. Tests on real soil, climate and drought files DO NOT RUN; set RISKMAP_OPEN_DATA."


@pytest.fixture(scope="session")
def open_data() -> Path:
    """Folder of real open data; the test is skipped, loudly, when it is not there."""
    if not OPEN_DATA.is_dir():
        pytest.skip("open data absent: set RISKMAP_OPEN_DATA to the folder that holds soil/, drought/ and field/")
    return OPEN_DATA


@pytest.fixture(scope="session")
def referee() -> Path:
    """Folder of check values from an independent solver, beside the open data."""
    if not REFEREE.is_dir():
        pytest.skip("values of the independent solver absent beside the open data: NOT COMPARED with them")
    return REFEREE


@pytest.fixture(scope="session")
def example() -> Path:
    """Folder of the committed example area."""
    return EXAMPLE


def pytest_configure(config: pytest.Config) -> None:
    """Hypothesis counts no seconds here: a busy machine is not a wrong result."""
    from hypothesis import settings

    settings.register_profile("no_deadline", deadline=None)
    settings.load_profile("no_deadline")


def pytest_collection_finish() -> None:
    """Let the interpreter look for garbage less often, and never among the libraries and tests, which all stay.

    Every run of the flow collects garbage; each time it would go through some million objects of the libraries.
    """
    gc.collect()
    gc.freeze()
    gc.set_threshold(50_000, 20, 50)


@pytest.fixture(scope="session", autouse=True)
def shared_models(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder of the reduced models of this session: each is built once, not once a process."""
    from shared_runs import session_folder, share_models

    folder = session_folder(tmp_path_factory) / "models"
    folder.mkdir(exist_ok=True)
    share_models(folder)
    return folder


@pytest.fixture(scope="session")
def example_runs(example: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Outputs folder with the runs of the example of September and October; copy it before you change anything."""
    import shared_runs

    return shared_runs.example_runs(shared_runs.session_folder(tmp_path_factory) / "example_runs", example)


@pytest.fixture(scope="session")
def calibration_run(example: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Outputs folder with one finished run of 77 of the example's lots and 200 draws, for calibrations.

    Copy it before you change anything: every process of the session sees the same one.
    """
    import geopandas as gpd
    from changed_areas import two_widths, write_area
    from shared_runs import one_at_a_time, session_folder

    from riskmap.run import flow

    place = session_folder(tmp_path_factory) / "calibration_run"
    with one_at_a_time(place) as first:
        if first:
            lots = two_widths(gpd.read_file(example / "lots.gpkg", layer="lots").iloc[::20])
            area = write_area(example, place / "area", last="2025-08", lots=lots, movement="draws = 200")
            flow.run(area, place / "outputs", workers=1)
    return place / "outputs"
