"""Kill `riskmap estimate` at random moments and look at what is left; 200 moments by hand, a few in the test suite.

    python tests/faults/kill_sweep.py 200 8

After every kill each announced run must be whole, `latest` must name a whole run or none, and nothing that is kept for
reuse may be wrong: from time to time a run is let finish, and its numbers must be those of a clean run.
"""

from __future__ import annotations

import hashlib
import json
import random
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "tests"))
from shared_runs import with_store  # noqa: E402


def command(area: Path, outputs: Path) -> list[str]:
    return [sys.executable, "-m", "riskmap", "estimate", str(area), "--outputs", str(outputs), "--workers", "1"]


def finished(area: Path, outputs: Path) -> tuple[str, float]:
    """Run to the end; return the digest of the table and the seconds."""
    began = time.perf_counter()
    done = subprocess.run(command(area, outputs), capture_output=True, text=True, check=False, cwd=ROOT)
    assert done.returncode in (0, 1), done.stderr
    return digest(latest(outputs)), time.perf_counter() - began


def latest(outputs: Path) -> Path:
    return outputs / (outputs / "latest").read_text(encoding="ascii").strip()


def digest(run: Path) -> str:
    return hashlib.sha256((run / "lots.csv").read_bytes()).hexdigest()


def look(outputs: Path, expected: str) -> int:
    """Check everything that is in the outputs folder; return the number of announced runs."""
    from riskmap.run import manifest

    runs = [path for path in outputs.iterdir() if path.is_dir() and not path.name.startswith(".")] \
        if outputs.is_dir() else []
    for run in runs:
        assert manifest.verify(run) == [], run
        assert digest(run) == expected, run
        json.loads((run / "manifest.json").read_text(encoding="utf-8"))
    if (outputs / "latest").exists():
        assert latest(outputs) in runs
    return len(runs)


def sweep(area: Path, folder: Path, kills: int, seed: int = 1, finish_every: int = 20,
          models: Path | None = None) -> dict[str, int]:
    """Kill at `kills` random moments; return what was seen.

    The clean runs, to which the others are compared, may take their models of the strip from a folder.
    """
    draw = random.Random(seed)
    clean = with_store(folder / "clean", models) if models else folder / "clean"
    expected, _ = finished(area, clean)
    seconds = finished(area, clean)[1]  # compiled and with archetypes at hand, as most of the killed runs are
    outputs = folder / "outputs"
    seen = {"killed": 0, "had_finished": 0, "runs": 0, "resumed": 0}
    for k in range(kills):
        process = subprocess.Popen(command(area, outputs), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
                                   cwd=ROOT)
        time.sleep(draw.uniform(0, 1.05 * seconds))
        seen["had_finished" if process.poll() is not None else "killed"] += 1
        process.kill()
        process.wait()
        seen["runs"] = look(outputs, expected)
        if k % finish_every == finish_every - 1:
            assert finished(area, outputs)[0] == expected
            seen["resumed"] += 1
            leftovers = [path.name for path in outputs.iterdir() if path.name.endswith((".part", ".lock"))]
            assert leftovers == [], leftovers
    return seen


def hammer(area: Path, folder: Path, processes: int, models: Path | None = None) -> int:
    """Start runs into one outputs folder at the same moment; return how many runs are announced and whole."""
    expected, _ = finished(area, with_store(folder / "alone", models) if models else folder / "alone")
    outputs = folder / "together"
    running = [subprocess.Popen(command(area, outputs), stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, cwd=ROOT)
               for _ in range(processes)]
    told = [process.communicate()[1] for process in running]
    assert [process.returncode for process in running] == [1] * processes, told
    assert [path.name for path in outputs.iterdir() if path.name.endswith((".part", ".lock"))] == []
    return look(outputs, expected)


if __name__ == "__main__":
    from changed_areas import write_area

    with tempfile.TemporaryDirectory() as place:
        made = write_area(ROOT / "layers" / "example", Path(place) / "area", last="2025-05")
        print("whole runs at once:", hammer(made, Path(place), int(sys.argv[2]) if len(sys.argv) > 2 else 8))
        print(sweep(made, Path(place), int(sys.argv[1]) if len(sys.argv) > 1 else 200))
