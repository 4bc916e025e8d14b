"""Twenty plausible mistakes, one at a time in a copy of the package: does a test notice each?

    python tests/mutations.py            # about a minute a mistake: each copy compiles again

Prints the first failing test of each; exit 1 when a mistake goes unnoticed. Not collected by pytest.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import NamedTuple

ROOT = Path(__file__).resolve().parents[1]


class Mistake(NamedTuple):
    name: str
    file: str
    right: str
    wrong: str
    tests: str  # where it should be noticed


MISTAKES = (
    Mistake("sign of strain", "movement/kernels.py", "strain[z] *= -drawn.restraint", "strain[z] *= drawn.restraint",
            "tests/unit/movement/test_movement_kernels.py"),
    Mistake("cm taken for mm", "movement/summary.py", "MM = 1000.0", "MM = 100.0", "tests/regression"),
    Mistake("pF span 3.0 for 2.97", "common/constants.py", "PF_AT_33_KPA: Final = 2.53", "PF_AT_33_KPA: Final = 2.50",
            "tests/unit/movement/test_movement_kernels.py"),
    Mistake("initial profile forgotten", "movement/trace.py", "model.initial @ before[pour],",
            "0 * (model.initial @ before[pour]),", "tests/verification/test_movement_suction.py"),
    Mistake("uniform grid", "movement/grid.py", "sizes = ratio ** (np.arange(count) / max(count - 1, 1))",
            "sizes = np.ones(count)", "tests/verification/test_movement_suction.py"),
    Mistake("springs that pull", "movement/slab.py", "now = shape[i] < ground[i]", "now = True",
            "tests/verification/test_movement_slab.py"),
    Mistake("whole cell for half at the surface", "movement/grid.py", "= dx[open_ground] / (dz[0] / 2)",
            "= dx[open_ground] / dz[0]", "tests/verification/test_movement_suction.py"),
    Mistake("mean soil for the mixture", "movement/summary.py", "out[name] = middle\n",
            "out[name] = ordered.mean(axis=1) * MM * plan_factor\n", "tests/regression"),
    Mistake("driver at the start of the month", "movement/kernels.py", "before, now = driver[j - 1], driver[j]",
            "before, now = driver[j - 1], driver[j - 1]", "tests/verification/test_movement_suction.py"),
    Mistake("equilibrium clipped at 2.9", "movement/driver.py", "np.clip(equilibrium + draws.equilibrium_shift_pf, "
            "*movement.guard_pf)", "np.clip(equilibrium + draws.equilibrium_shift_pf, 2.9, 4.0)",
            "tests/unit/movement/test_movement_driver.py"),
    Mistake("components averaged, not drawn", "movement/summary.py", "place = np.where((upper[place] <= component",
            "place = np.where((upper[place] <= 0.5 * np.ones_like(component)",
            "tests/unit/movement/test_movement_kernels.py"),
    Mistake("estimate of extensibility outside its range", "soil/pedotransfer.py", "usable = within_range(clay, cec)",
            "usable = (clay > 0) & (cec > 0)", "tests/unit/soil/test_soil_horizon.py"),
    Mistake("reasons in one order only", "movement/reasons.py",
            "weight = factorial(size) * factorial(n - size - 1) / factorial(n)",
            "weight = float(number == (1 << f) - 1)", "tests/unit/movement/test_movement_kernels.py"),
    Mistake("growth measured on the slab's own rise alone", "movement/life.py", "return max(abs(own), abs(usual))",
            "return abs(own)", "tests/unit/movement/test_movement_life.py"),
    Mistake("rest judged by one month alone", "movement/life.py", "if size <= limit:", "if abs(total) <= limit:",
            "tests/unit/movement/test_movement_life.py"),
    Mistake("cracks under the slab too", "movement/grid.py", "np.where(outside, between[1:-1], 1.0)", "between[1:-1]",
            "tests/verification/test_cracked_ground.py"),
    Mistake("natural level not reached at depth", "movement/suction_levels.py",
            "np.clip(depth_m / active_depth_m, 0.0, 1.0)", "np.clip(depth_m / active_depth_m / 2, 0.0, 1.0)",
            "tests/verification/test_cracked_ground.py"),
    Mistake("files of a run moved one at a time", "run/folder.py", "os.rename(run.path, run.final)",
            "run.final.mkdir(); [os.rename(each, run.final / each.name) for each in run.path.iterdir()]",
            "tests/faults/test_cut_off_at_every_step.py"),
    Mistake("a run named in latest before it is there", "run/folder.py",
            "        _put_in_place(run)\n        _announce(run, part, point)\n",
            "        _announce(run, part, point)\n        _put_in_place(run)\n",
            "tests/faults/test_cut_off_at_every_step.py"),
    Mistake("files of a run not flushed to disk", "run/folder.py", "_flush(Path(folder) / file)", "pass",
            "tests/faults/test_cut_off_at_every_step.py"),
)


def noticed(mistake: Mistake, folder: Path) -> str:
    """Return the first failing test with the mistake in place, empty text when all pass."""
    copy = folder / "riskmap" / mistake.file
    original = copy.read_text(encoding="utf-8")
    if mistake.right not in original:
        return f"NOT APPLIED: {mistake.right!r} is not in {mistake.file}"
    copy.write_text(original.replace(mistake.right, mistake.wrong), encoding="utf-8")
    with tempfile.TemporaryDirectory() as cache:
        done = subprocess.run(
            [sys.executable, "-m", "pytest", "-x", "-q", "--no-header", "-p", "no:cacheprovider", mistake.tests],
            cwd=folder, capture_output=True, text=True, check=False,
            env={**os.environ, "NUMBA_CACHE_DIR": cache, "PYTHONPATH": str(folder), "OMP_NUM_THREADS": "1"})
    copy.write_text(original, encoding="utf-8")
    failed = re.search(r"^(?:FAILED|ERROR) (\S+)", done.stdout, re.MULTILINE)
    return failed.group(1) if failed else ""


def main() -> int:
    missed = 0
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary) / "copy"
        shutil.copytree(ROOT, folder, ignore=shutil.ignore_patterns(".git", ".venv", "__pycache__", ".*_cache"))
        os.environ.setdefault("RISKMAP_OPEN_DATA", str(ROOT.parent / "shared" / "data"))
        for mistake in MISTAKES:
            by = noticed(mistake, folder)
            missed += not by or by.startswith("NOT")
            print(f"{mistake.name:<36} {by or 'NOT NOTICED'}", flush=True)
    return int(missed > 0)


if __name__ == "__main__":
    sys.exit(main())
