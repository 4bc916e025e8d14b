"""The table of speeds: every target with its reference measured in the same run.

    python tests/benchmarks/table.py SOIL_ZIP [LARGEST_COUNT]

Takes about an hour at 1,000,000 lots on two cores and 10 GB of disk. Run it on a quiet machine.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

import geopandas as gpd
import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests"), str(ROOT / "tests" / "benchmarks")]
RATIOS = ("test_movement_ratio.py", "test_soil_join_ratio.py", "test_tile_writer_ratio.py", "test_grid_ratio.py")


def ratios() -> None:
    """Run the ratio tests (march, batched NumPy, overlay, grid loop, other tile writers), which print their figures."""
    place = Path(__file__).parent
    subprocess.run([sys.executable, "-m", "pytest", "-q", "-s", "-m", "benchmark", "-p", "no:cacheprovider",
                    *(str(place / name) for name in RATIOS)], cwd=ROOT, check=False)


def workers(area: Path) -> None:
    """Print one worker against two, as processes and as a local cluster, on the same area."""
    import scale
    from distributed import LocalCluster

    one, two = (scale.measured(area, "--no-reuse", "--workers", str(count)) for count in (1, 2))
    with LocalCluster(n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None,
                      host="127.0.0.1") as made:
        cluster = scale.measured(area, "--no-reuse", "--scheduler", made.scheduler_address)
    assert len({run.folder.joinpath("lots.csv").read_bytes() for run in (one, two, cluster)}) == 1
    for name in ("soil under each lot", "suction, ground and slab", "estimate"):
        print(f"  {name}: one worker {one.stages[name]:.1f} s, two {two.stages[name]:.1f} s "
              f"({one.stages[name] / two.stages[name]:.2f} x), cluster of two {cluster.stages[name]:.1f} s")
    print(f"whole run: one worker {one.seconds:.1f} s, two {two.seconds:.1f} s ({one.seconds / two.seconds:.2f} x), "
          f"cluster of two {cluster.seconds:.1f} s; equal tables")


def newer_data(area: Path) -> None:
    """Print what a run costs when one more month of weather has come, and then one more weekly map.

    Both are shares of a run that reuses nothing, whose table must be the same.
    """
    import scale

    text = area.read_text(encoding="utf-8")
    weekly = Path(text.split("[drought]\npath = \"", 1)[1].split('"', 1)[0])
    maps = gpd.read_parquet(weekly)
    dates = next(name for name in maps if "date" in name.lower())
    maps[maps[dates].astype("str") != maps[dates].astype("str").max()].to_parquet(area.with_name("map_before.parquet"))
    climate = next(area.parent.glob("climate_*.csv"))
    *rows, _ = climate.read_text(encoding="utf-8").splitlines(keepends=True)
    area.with_name("month_before.csv").write_text("".join(rows), encoding="utf-8")
    with_map = text.replace(weekly.as_posix(), area.with_name("map_before.parquet").as_posix())
    without_month = with_map.replace(climate.as_posix(), area.with_name("month_before.csv").as_posix())
    seconds = []
    for name, contents in (("before", without_month), ("new_month", with_map), ("new_week", text)):
        toml = area.with_name(f"{name}.toml")
        toml.write_text(contents, encoding="utf-8")
        last = scale.measured(toml, "--workers", "2")
        seconds.append(last.seconds)
        table = last.folder.joinpath("lots.csv").read_bytes()
        shutil.rmtree(last.folder)
    clean = scale.measured(area, "--no-reuse", "--workers", "2")
    same = table == clean.folder.joinpath("lots.csv").read_bytes()
    shutil.rmtree(area.parent / "outputs")
    print(f"{area.parent.name}: a clean run {clean.seconds:.1f} s, with a new month of weather {seconds[1]:.1f} s "
          f"= {seconds[1] / clean.seconds:.0%}, with a new weekly map {seconds[2]:.1f} s "
          f"= {seconds[2] / clean.seconds:.0%}; tables {'equal' if same else 'DIFFER'}", flush=True)


def main(soil: Path, largest: int) -> None:
    """Print the table."""
    import limits
    import scale

    counts = [int(count) for count in 10 ** np.arange(3, np.log10(largest) + 1e-9)]
    ratios()
    limits.main()
    with tempfile.TemporaryDirectory() as place:
        scale.table(soil, counts, Path(place))
        workers(Path(place) / f"build-out_{counts[-2]}" / "area.toml")
        for kind in ("plain", "build-out"):
            for count in (20_000, counts[-1]):
                area = Path(place) / f"{kind}_{count}" / "area.toml"
                if not area.is_file():
                    area = scale.areas(soil, count, Path(place))[kind]
                newer_data(area)


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 1_000_000)
