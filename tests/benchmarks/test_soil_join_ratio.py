"""The area join against the general overlay of the geometry library, in one process: equal areas, 2x faster."""

from __future__ import annotations

import time

import geopandas as gpd
import numpy as np
import pytest
import shapely

from riskmap.soil import overlay

pytestmark = pytest.mark.benchmark

CRS = "EPSG:5070"


def rough_edges(start, end, levels, rng):
    """Split straight edges by midpoint displacement: a soil boundary as wiggly as real ones."""
    points = np.stack([start, end], axis=1)  # edge, vertex, xy
    for level in range(levels):
        middle = (points[:, :-1] + points[:, 1:]) / 2.0
        middle += rng.normal(0.0, 9.0 / 2**level, middle.shape)
        both = np.empty((len(points), 2 * points.shape[1] - 1, 2))
        both[:, ::2], both[:, 1::2] = points, middle
        points = both
    return points


def rough_survey(cells, levels=6):
    """Tile a square with cells whose shared edges have 2^levels pieces; neighbours share every vertex."""
    rng = np.random.default_rng(7)
    step = 250.0
    x, y = (v * step for v in np.meshgrid(np.arange(cells + 1.0), np.arange(cells + 1.0), indexing="ij"))
    xy = np.stack([x, y], axis=-1)
    across = rough_edges(xy[:-1].reshape(-1, 2), xy[1:].reshape(-1, 2), levels, rng).reshape(cells, cells + 1, -1, 2)
    up = rough_edges(xy[:, :-1].reshape(-1, 2), xy[:, 1:].reshape(-1, 2), levels, rng).reshape(cells + 1, cells, -1, 2)
    shapes = [shapely.Polygon(np.concatenate([across[i, j][:-1], up[i + 1, j][:-1], across[i, j + 1][::-1][:-1],
                                              up[i, j][::-1]])) for i in range(cells) for j in range(cells)]
    return gpd.GeoDataFrame({"mukey": rng.integers(0, 40, len(shapes)).astype(str)}, geometry=shapes, crs=CRS)


def street_lots(cells, spacing=25.0):
    rng = np.random.default_rng(8)
    n = int(cells * 250 / spacing)
    x, y = (v.ravel() * spacing for v in np.meshgrid(np.arange(n), np.arange(n), indexing="ij"))
    w, h = rng.uniform(14, 20, n * n), rng.uniform(18, 24, n * n)
    return gpd.GeoDataFrame({"lot_row": np.arange(n * n)}, geometry=shapely.box(x, y, x + w, y + h), crs=CRS)


@pytest.mark.slow
def test_join_is_at_least_twice_as_fast_as_the_general_overlay_with_equal_areas():
    soils, lots = rough_survey(18), street_lots(18)
    soils["geometry"] = overlay.valid(soils.geometry.to_numpy())
    soils = soils.explode(ignore_index=True)

    def ours():
        shares = overlay.shares(lots.geometry.to_numpy(), overlay.prepare(soils, CRS))
        return np.bincount(shares.lot, shares.share, len(lots)) * lots.area.to_numpy()

    def general():
        pieces = gpd.overlay(lots, soils, how="intersection", keep_geom_type=True)
        return np.bincount(pieces["lot_row"], pieces.area, len(lots))

    times, areas = {}, {}
    for name, method in (("ours", ours), ("general", general)) * 4:
        start = time.perf_counter()
        areas[name] = method()
        times[name] = min(times.get(name, np.inf), time.perf_counter() - start)
    print(f"lots {len(lots)}, soils {len(soils)}, ours {times['ours']:.2f} s, general {times['general']:.2f} s, "
          f"ratio {times['general'] / times['ours']:.2f}")
    inside = areas["general"] < lots.area.to_numpy() * (1 + 1e-9)  # made-up lines may cross and overlap
    assert inside.mean() > 0.95
    np.testing.assert_allclose(areas["ours"][inside], areas["general"][inside], rtol=1e-9, atol=1e-9)
    assert times["general"] >= 2.0 * times["ours"]
