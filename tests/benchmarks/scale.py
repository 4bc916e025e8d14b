"""Time and memory over the number of lots, on real soil: table, fitted exponent, ratio to merely reading and writing.

    python tests/benchmarks/scale.py SOIL_ZIP 1000 10000 100000

Two sets: `plain`, one pour year and one slab, and `build-out`, decades of pour dates and many slabs. Every run is a
process of its own, so that its memory is its own; nothing is reused between runs.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]
STAGES = ("reading layers", "cleaning lots", "soil under each lot", "suction, ground and slab", "estimate")
DATA = Path(os.environ.get("RISKMAP_OPEN_DATA", ROOT.parent / "shared" / "data"))
_RUN = ("import resource, subprocess, sys\n"
        "code = subprocess.run(sys.argv[1:], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL).returncode\n"
        "print(code, resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss)")


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


def measured(area: Path) -> dict[str, float]:
    """Run one area in a process of its own; return seconds, memory, columns and seconds by stage."""
    outputs = area.parent / "outputs"
    began = time.perf_counter()
    done = subprocess.run([sys.executable, "-c", _RUN, sys.executable, "-m", "riskmap", "estimate", str(area),
                           "--outputs", str(outputs), "--no-reuse"], capture_output=True, text=True, check=True,
                          cwd=ROOT)
    seconds = time.perf_counter() - began
    code, kilobytes = done.stdout.split()
    assert code in ("0", "1"), done.stdout
    told = json.loads(next(outputs.glob("*/manifest.json")).read_text(encoding="utf-8"))
    return {"seconds": seconds, "gb": int(kilobytes) / 1e6, "columns": told["facts"]["columns"],
            **{stage: told["stage_seconds"][stage] for stage in STAGES}}


def plain_copy(area: Path) -> float:
    """Return the seconds of merely reading the lots and writing them as GeoPackage with Arrow."""
    import geopandas as gpd

    began = time.perf_counter()
    gpd.read_parquet(area.parent / "lots.parquet").to_file(area.parent / "copy.gpkg", engine="pyogrio", use_arrow=True)
    return time.perf_counter() - began


def main(soil: Path, counts: list[int]) -> None:
    """Print the table."""
    print(f"{'set':<10}{'lots':>10}{'columns':>9}{'s':>8}{'x copy':>8}{'GB':>7}  seconds by stage")
    with tempfile.TemporaryDirectory() as place:
        found: dict[str, list[tuple[int, float]]] = {}
        measured(areas(soil, 100, Path(place))["plain"])  # compiles
        for count in counts:
            for name, area in areas(soil, count, Path(place)).items():
                told, copy = measured(area), plain_copy(area)
                found.setdefault(name, []).append((count, told["seconds"]))
                stages = ", ".join(f"{stage} {told[stage]:.1f}" for stage in STAGES)
                print(f"{name:<10}{count:>10,}{told['columns']:>9,.0f}{told['seconds']:>8.1f}"
                      f"{told['seconds'] / copy:>8.1f}{told['gb']:>7.2f}  {stages}", flush=True)
        for name, pairs in found.items():
            if len(pairs) > 1:
                x, y = np.log(np.array(pairs)).T
                print(f"{name}: seconds grow with lots to the power {np.polyfit(x, y, 1)[0]:.2f}")


if __name__ == "__main__":
    main(Path(sys.argv[1]), [int(value) for value in sys.argv[2:]] or [1000, 10_000])
