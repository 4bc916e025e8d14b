"""The table of speeds: every target with its reference measured in the same run.

    python tests/benchmarks/table.py SOIL_ZIP [LARGEST_COUNT]

Takes about half an hour at 1,000,000 lots on two cores and 10 GB of disk. Run it on a quiet machine.
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


def new_week(area: Path) -> None:
    """Print what a run costs when one more weekly map has come, against a run that reuses nothing."""
    text = area.read_text(encoding="utf-8")
    weekly = Path(text.split("[drought]\npath = \"", 1)[1].split('"', 1)[0])
    maps = gpd.read_parquet(weekly)
    dates = next(name for name in maps if "date" in name.lower())
    before = area.with_name("before.toml")
    maps[maps[dates].astype("str") != maps[dates].astype("str").max()].to_parquet(area.with_name("before.parquet"))
    before.write_text(text.replace(weekly.as_posix(), area.with_name("before.parquet").as_posix()), encoding="utf-8")
    _again("new drought week", before, area)


def new_month(area: Path) -> None:
    """Print what a run costs when one more month of rain and temperature has come."""
    text = area.read_text(encoding="utf-8")
    climate = next(area.parent.glob("climate_*.csv"))
    *rows, _ = climate.read_text(encoding="utf-8").splitlines(keepends=True)
    area.with_name("before.csv").write_text("".join(rows), encoding="utf-8")
    before = area.with_name("before.toml")
    before.write_text(text.replace(climate.as_posix(), area.with_name("before.csv").as_posix()), encoding="utf-8")
    _again("new month of weather", before, area)


def _again(what: str, before: Path, area: Path) -> None:
    """Print the seconds of a run after another, as a share of a run that reuses nothing; both must give one table."""
    import scale

    shutil.rmtree(area.parent / "outputs", ignore_errors=True)
    scale.measured(before, "--workers", "2")
    again = scale.measured(area, "--workers", "2")
    clean = scale.measured(area, "--no-reuse", "--workers", "2")
    same = again.folder.joinpath("lots.csv").read_bytes() == clean.folder.joinpath("lots.csv").read_bytes()
    print(f"{what}, {area.parent.name}: {again.seconds:.1f} s of {clean.seconds:.1f} s "
          f"= {again.seconds / clean.seconds:.0%}; tables {'equal' if same else 'DIFFER'}", flush=True)
    shutil.rmtree(area.parent / "outputs")


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
                new_week(area)
                new_month(area)


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 1_000_000)
