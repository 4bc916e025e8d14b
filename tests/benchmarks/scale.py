"""Time and memory over the number of lots, on real soil: table, fitted exponent, ratio to merely reading and writing.

    python tests/benchmarks/scale.py SOIL_ZIP 1000 10000 100000 1000000

Two sets: `plain`, one pour year and one slab, and `build-out`, decades of pour dates and many slabs. Every run is a
process of its own, so that its memory is its own, workers included; nothing is reused between runs.
"""

from __future__ import annotations

import json
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import numpy as np
import psutil

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]
STAGES = ("reading layers", "cleaning lots", "weather of each cell", "soil under each lot", "suction, ground and slab",
          "estimate", "writing products")
MOVEMENT = STAGES[4]
DATA = Path(os.environ.get("RISKMAP_OPEN_DATA", ROOT.parent / "shared" / "data"))


@dataclass(frozen=True)
class Measured:
    """One run.

    Attributes
    ----------
    seconds, cpu_seconds : float
        From start to end, and of processors in user mode, workers included.
    gb, tree_gb : float
        Largest memory of the process, and of it with its workers. [GB]
    archetypes : int
    stages : dict
        Seconds by stage.
    folder : Path
        The run folder.
    """

    seconds: float
    cpu_seconds: float
    gb: float
    tree_gb: float
    archetypes: int
    stages: dict[str, float]
    folder: Path

    @property
    def movement_share(self) -> float:
        """Share of the seconds that the movement took."""
        return self.stages[MOVEMENT] / self.seconds


def areas(soil: Path, count: int, folder: Path) -> dict[str, Path]:
    """Write the area files of both sets and return them."""
    import real_lots

    made = {}
    lots = real_lots.invent(real_lots.read_map_units(soil), count)
    for name, frame in (("plain", lots.assign(pour_date="1985", slab_width_m=12.0, slab_length_m=18.0,
                                              beam_depth_mm=np.nan)), ("build-out", lots)):
        place = folder / f"{name}_{count}"
        place.mkdir()
        frame.to_parquet(place / "lots.parquet")
        made[name] = real_lots.area_file(place, soil, place / "lots.parquet", DATA, cell="0309", latitude=33.6)
    return made


def measured(area: Path, *options: str) -> Measured:
    """Run one area in a process of its own, nothing reused unless the options say where."""
    outputs = area.parent / "outputs"
    given = options or ("--no-reuse",)
    began, used = time.perf_counter(), resource.getrusage(resource.RUSAGE_CHILDREN).ru_utime
    run = subprocess.Popen([sys.executable, "-m", "riskmap", "estimate", str(area), "--outputs", str(outputs), *given],
                           cwd=ROOT, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    own, tree = _watched(run)
    seconds = time.perf_counter() - began
    cpu_seconds = resource.getrusage(resource.RUSAGE_CHILDREN).ru_utime - used
    assert run.returncode in (0, 1), run.returncode
    folder = outputs / (outputs / "latest").read_text(encoding="ascii").strip()
    told = json.loads((folder / "manifest.json").read_text(encoding="utf-8"))
    stages = {stage: float(told["stage_seconds"].get(stage, 0.0)) for stage in STAGES}
    return Measured(seconds, cpu_seconds, own / 1e9, tree / 1e9, told["facts"]["archetypes"], stages, folder)


def _watched(run: subprocess.Popen[bytes]) -> tuple[int, int]:
    """Return the largest resident memory of a process, and of it with its children, looked at every 50 ms. [bytes]"""
    process, own, tree = psutil.Process(run.pid), 0, 0
    while run.poll() is None:
        try:
            sizes = [one.memory_info().rss for one in (process, *process.children(recursive=True))]
            own, tree = max(own, sizes[0]), max(tree, sum(sizes))
        except psutil.NoSuchProcess:
            pass
        time.sleep(0.05)
    return own, tree


def plain_copy(area: Path) -> float:
    """Return the seconds of merely reading the lots from GeoPackage and writing them to one, both with Arrow."""
    source, target = area.parent / "source.gpkg", area.parent / "copy.gpkg"
    gpd.read_parquet(area.parent / "lots.parquet").to_file(source, engine="pyogrio", use_arrow=True)
    began = time.perf_counter()
    gpd.read_file(source, engine="pyogrio", use_arrow=True).to_file(target, engine="pyogrio", use_arrow=True)
    took = time.perf_counter() - began
    source.unlink()
    target.unlink()
    return took


def exponent(pairs: list[tuple[int, float]]) -> float:
    """Return the power with which seconds grow with lots (least squares in logarithms)."""
    x, y = np.log(np.array(pairs, dtype=float)).T
    return float(np.polyfit(x, y, 1)[0])


def table(soil: Path, counts: list[int], place: Path) -> dict[str, list[tuple[int, float]]]:
    """Print the table as rows for notebooks/speed.md, and return the seconds with two workers by set and count."""
    print("| set | lots | archetypes | seconds with 1, 2 workers | processor seconds | share of movement | x copy | "
          "GB, with workers |\n|---|---|---|---|---|---|---|---|")
    found: dict[str, list[tuple[int, float]]] = {}
    by_stage = []
    measured(areas(soil, 100, place)["plain"])  # compiles
    for count in counts:
        for name, area in areas(soil, count, place).items():
            copy = plain_copy(area)
            one, two = (measured(area, "--no-reuse", "--workers", str(workers)) for workers in (1, 2))
            found.setdefault(name, []).append((count, two.seconds))
            print(f"| {name} | {count:,} | {two.archetypes:,} | {one.seconds:.1f}, {two.seconds:.1f} | "
                  f"{one.cpu_seconds:.1f} | {one.movement_share:.0%} | {two.seconds / copy:.0f} | "
                  f"{two.gb:.1f}, {two.tree_gb:.1f} |", flush=True)
            by_stage.append((name, count, copy, two.stages))
            for run in (one, two):
                shutil.rmtree(run.folder)
    for name, count, copy, stages in by_stage:
        print(f"{name} {count:,}: copy {copy:.2f} s; "
              + ", ".join(f"{stage} {seconds:.1f}" for stage, seconds in stages.items()))
    for name, pairs in found.items():
        large = [pair for pair in pairs if pair[0] >= 10_000]
        if len(large) > 1:
            print(f"{name}: seconds grow with lots to the power {exponent(large):.2f} (10,000 lots and more)")
    return found


def main(soil: Path, counts: list[int]) -> None:
    """Print the table."""
    with tempfile.TemporaryDirectory() as place:
        table(soil, counts, Path(place))


if __name__ == "__main__":
    main(Path(sys.argv[1]), [int(value) for value in sys.argv[2:]] or [1000, 10_000])
