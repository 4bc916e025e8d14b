"""Kill `riskmap estimate` at random moments and look at what is left; 200 moments by hand, a few in the test suite.

    python tests/faults/kill_sweep.py 200 8

After every kill each announced run must be whole, `latest` must name a whole run or none, and nothing that is kept for
reuse may be wrong: from time to time a run is let finish, and its numbers must be those of a clean run. Random moments
are nearly never those in which a finished folder is moved: `test_cut_off_at_every_step.py` goes through all of these.
"""

from __future__ import annotations

import hashlib
import json
import random
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "tests"))
import ready_python  # noqa: E402


def words(area: Path, outputs: Path) -> list[str]:
    return ["estimate", str(area), "--outputs", str(outputs), "--workers", "1"]


def clean(area: Path, outputs: Path) -> str:
    """Run to the end in this process, beside which nothing runs; return the digest of the table."""
    from riskmap.run import flow

    return digest(flow.run(area, outputs, workers=1).folder)


def finished(area: Path, outputs: Path, said: Path) -> tuple[str, float]:
    """Run to the end in a process; return the digest of the table and the seconds."""
    began = time.perf_counter()
    process = ready_python.start(words(area, outputs), said)
    process.join()
    assert process.exitcode in (0, 1), said.read_text(encoding="utf-8")
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


def sweep(area: Path, folder: Path, kills: int, expected: str, seed: int = 1, finish_every: int = 20) -> dict[str, int]:
    """Kill at `kills` random moments; return what was seen. `expected` is the digest of a clean run."""
    draw = random.Random(seed)
    said = folder / "said.txt"
    for _ in range(2):  # the second one finds archetypes in the store, as most of the killed runs do
        table, seconds = finished(area, folder / "timed", said)
        assert table == expected
    outputs = folder / "outputs"
    seen = {"killed": 0, "had_finished": 0, "runs": 0, "resumed": 0}
    for k in range(kills):
        process = ready_python.start(words(area, outputs), said)
        time.sleep(draw.uniform(0, 1.05 * seconds))
        seen["had_finished" if process.exitcode is not None else "killed"] += 1
        process.kill()
        process.join()
        seen["runs"] = look(outputs, expected)
        if k % finish_every == finish_every - 1:
            assert finished(area, outputs, said)[0] == expected
            seen["resumed"] += 1
            leftovers = [path.name for path in outputs.iterdir() if path.name.endswith((".part", ".lock"))]
            assert leftovers == [], leftovers
    return seen


def hammer(area: Path, folder: Path, processes: int, expected: str) -> int:
    """Start runs into one outputs folder at the same moment; return how many runs are announced and whole."""
    outputs = folder / "together"
    said = [folder / f"said_{number}.txt" for number in range(processes)]
    running = [ready_python.start(words(area, outputs), one) for one in said]
    for process in running:
        process.join()
    assert [process.exitcode for process in running] == [1] * processes, [one.read_text("utf-8") for one in said]
    assert [path.name for path in outputs.iterdir() if path.name.endswith((".part", ".lock"))] == []
    return look(outputs, expected)


if __name__ == "__main__":
    from changed_areas import write_area

    with tempfile.TemporaryDirectory() as name:
        place = Path(name)
        made = write_area(ROOT / "layers" / "example", place / "area", last="2025-05")
        table = clean(made, place / "clean")
        print("whole runs at once:", hammer(made, place, int(sys.argv[2]) if len(sys.argv) > 2 else 8, table))
        print(sweep(made, place, int(sys.argv[1]) if len(sys.argv) > 1 else 200, table))
