"""Index grids over many cells against asking the raster library point by point: equal values, far sooner."""

from __future__ import annotations

import time
from pathlib import Path

import numpy as np
import pytest
import rasterio
import shapely
from rasterio.transform import from_origin

from riskmap.climate import cells
from riskmap.common.inputs import IndexGrid

pytestmark = pytest.mark.benchmark

BANDS, SIZE, POINTS = 52, 200, 20000


@pytest.mark.slow
def test_a_grid_is_read_at_once_and_not_point_by_point(tmp_path: Path) -> None:
    rng = np.random.default_rng(3)
    values = rng.normal(size=(BANDS, SIZE, SIZE))
    transform = from_origin(-100.0, 36.0, 0.02, 0.02)
    path = tmp_path / "index.tif"
    with rasterio.open(path, "w", driver="GTiff", width=SIZE, height=SIZE, count=BANDS, dtype="float64",
                       crs="EPSG:4326", transform=transform, compress="deflate", tiled=True) as target:
        target.write(values)
    x, y = -100 + rng.uniform(0.1, 3.9, POINTS), 36 - rng.uniform(0.1, 3.9, POINTS)

    began = time.perf_counter()
    with rasterio.open(path) as source:
        loop = np.array(list(source.sample(zip(x, y, strict=True))))
    asked = time.perf_counter() - began

    began = time.perf_counter()
    with rasterio.open(path) as source:
        read = source.read()
    grid = IndexGrid("spei", 6, np.arange(BANDS), read, transform, "EPSG:4326")
    ours = cells.score_over_cells((grid,), shapely.points(x, y), accumulation_months=6, first_month=0, n_month=BANDS)
    took = time.perf_counter() - began
    print(f"\n{POINTS} points x {BANDS} bands: point by point {asked:.2f} s, read at once {took:.3f} s, "
          f"{asked / took:.0f} x")
    np.testing.assert_array_equal(ours, np.clip(loop, -cells.LARGEST_Z, cells.LARGEST_Z))
    assert asked > 6 * took
