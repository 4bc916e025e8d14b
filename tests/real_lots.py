"""Invented lots over real map units: subdivisions of rotated lots, for tests and benchmarks on real soil.

Run as a script to write a lot file: `python tests/real_lots.py SOIL_ZIP LOTS_FILE [COUNT]`.
"""

from __future__ import annotations

import sys
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

ROWS, COLUMNS = 10, 20  # lots of a subdivision
WIDTH_M, DEPTH_M = 18.0, 33.0


def read_map_units(path: Path) -> gpd.GeoDataFrame:
    """Return the map-unit polygons of a download in the equal-area projection."""
    from riskmap.common import settings
    from riskmap.layers import soil_ssurgo

    area = settings.Area(name="real", lots={"path": "none"}, soil={"path": path})
    return soil_ssurgo.read(area.soil, area)[0].polygons.to_crs("EPSG:5070")


def invent(units: gpd.GeoDataFrame, count: int, seed: int = 11) -> gpd.GeoDataFrame:
    """Return `count` lots on the map: subdivisions start at points drawn by polygon area."""
    rng = np.random.default_rng(seed)
    blocks = -(-count // (ROWS * COLUMNS))
    area = units.geometry.area.to_numpy()
    chosen = units.geometry.to_numpy()[rng.choice(area.size, blocks, p=area / area.sum())]
    start = shapely.get_coordinates(shapely.point_on_surface(chosen)) + rng.normal(0, 30, (blocks, 2))
    turn = rng.uniform(0, np.pi, blocks)
    grid = np.stack(np.meshgrid(np.arange(COLUMNS) - COLUMNS / 2, np.arange(ROWS) - ROWS / 2), -1).reshape(-1, 2)
    corner = np.array([[0, 0], [1, 0], [1, 1], [0, 1], [0, 0]])
    local = (grid[:, None, :] + corner[None]) * [WIDTH_M, DEPTH_M]  # lot, corner, xy
    cos, sin = np.cos(turn)[:, None, None], np.sin(turn)[:, None, None]
    x = start[:, 0, None, None] + local[None, ..., 0] * cos - local[None, ..., 1] * sin
    y = start[:, 1, None, None] + local[None, ..., 0] * sin + local[None, ..., 1] * cos
    shapes = shapely.polygons(np.stack([x, y], -1).reshape(-1, 5, 2))[:count]
    block = np.repeat(np.arange(blocks), ROWS * COLUMNS)[:count]
    year = rng.integers(1955, 2020, blocks)[block] + rng.integers(0, 4, count)
    month = rng.integers(1, 13, count)
    known = rng.random(count)
    pour = np.where(known < 0.15, "", np.where(known < 0.6, year.astype(str),
                                               [f"{y}-{m:02d}" for y, m in zip(year, month, strict=True)]))
    width = np.where(rng.random(count) < 0.6, rng.choice([9.0, 10.0, 11.0, 12.0, 13.0, 14.0, 15.0], count), np.nan)
    beam = np.where(rng.random(count) < 0.3, rng.choice([400.0, 550.0, 750.0], count), np.nan)
    return gpd.GeoDataFrame({
        "lot_id": [f"{n:06d}" for n in range(count)], "pour_date": pour, "slab_width_m": width,
        "slab_length_m": width * 1.5, "beam_depth_mm": beam,
        "foundation_type": np.where(rng.random(count) < 0.02, "crawl space", "slab"),
    }, geometry=shapes, crs="EPSG:5070")


def area_file(folder: Path, soil: Path, lots: Path, data: Path, *, cell: str, latitude: float) -> Path:
    """Write an area file over real soil, one real climate division and the real weekly maps, and return it."""
    divisions = data / "drought" / "climate_divisions"
    rows = pd.concat(pd.read_csv(path, dtype={"division": str}) for path in sorted(divisions.glob("nclimdiv*.csv.gz")))
    rows = rows[rows["division"] == cell]
    climate = folder / f"climate_{cell}.csv"
    rows[["division", "date", "precip_in", "tavg_f"]].to_csv(climate, index=False)
    weekly = data / "drought" / "usdm_polygons" / "usdm_monthly_2018-09_to_2019-07_clip.parquet"
    text = f'''[area]
name = "Real soil, invented lots"
[lots]
path = "{lots.as_posix()}"
[soil]
path = "{soil.as_posix()}"
scale = 24000
[climate]
reader = "csv"
path = "{climate.as_posix()}"
cell = "{cell}"
latitude_deg = {latitude}
[drought]
path = "{weekly.as_posix()}"
'''
    target = folder / "area.toml"
    target.write_text(text, encoding="utf-8")
    return target


if __name__ == "__main__":
    invent(read_map_units(Path(sys.argv[1])), int(sys.argv[3]) if len(sys.argv) > 3 else 20_000).to_file(sys.argv[2])
