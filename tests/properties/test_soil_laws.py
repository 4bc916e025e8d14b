"""Laws of the soil stage that apply to any survey: contiguous layers, ordered triples, shares and weights."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from riskmap import soil
from riskmap.common.inputs import SoilTables
from riskmap.common.settings import SoilSettings
from riskmap.soil import horizon, lines, overlay, shrink_swell

CRS = "EPSG:5070"
maybe = st.one_of(st.just(np.nan), st.floats(-5, 30))
depth = st.one_of(st.just(np.nan), st.integers(-5, 250).map(float))
row = st.tuples(st.integers(0, 3), st.sampled_from(["A", "Bt", "Oe", "R"]), depth, depth, maybe, maybe, maybe,
                st.one_of(st.just(np.nan), st.floats(0, 100)))


def tables_of(rows, rock=np.nan):
    h = pd.DataFrame(rows, columns=["component_id", "horizon_name", "top_cm", "bottom_cm", "lep_low_pct", "lep_pct",
                                    "lep_high_pct", "clay_pct"]).astype({"component_id": str})
    number = [c for c in h.columns if c.endswith(("_cm", "_pct"))]
    h = h.astype(dict.fromkeys(number, float)).assign(db_third_bar=np.nan, db_oven_dry=np.nan)
    c = pd.DataFrame({"component_id": [str(i) for i in range(4)], "mukey": ["1", "1", "2", "2"], "component_name": "x",
                      "component_pct": [70.0, 20.0, 100.0, 0.0], "component_kind": "Series", "rock_depth_cm": rock,
                      "water_table_cm": np.nan})
    return h, c


@settings(max_examples=150, deadline=None)
@given(st.lists(row, max_size=14), st.sampled_from([np.nan, 10.0, 60.0]))
def test_cleaned_layers_are_contiguous_from_the_surface_and_ordered(rows, rock):
    h, c = tables_of(rows, rock)
    found = horizon.clean(h, c, SoilSettings())
    layers = found.layers
    first = np.concatenate(([True], layers.component[1:] != layers.component[:-1]))[: len(layers.component)]
    assert (layers.top_cm[first] == 0).all()
    assert (layers.top_cm[~first] == layers.bottom_cm[np.flatnonzero(~first) - 1]).all()
    assert (layers.bottom_cm > layers.top_cm).all()
    assert not (layers.bottom_cm > rock).any()
    inside = found.rated[layers.component]
    low, mid, high = layers.lep_low_pct[inside], layers.lep_pct[inside], layers.lep_high_pct[inside]
    assert ((low >= 0) & (low <= mid) & (mid <= high)).all()


@settings(max_examples=80, deadline=None)
@given(st.lists(row, min_size=1, max_size=10), st.randoms(use_true_random=False))
def test_order_of_horizons_does_not_matter(rows, random):
    rows = list({(r[0], r[2], r[3], r[5]): r for r in rows}.values())  # ties in depth and value are not decided by us
    shuffled = random.sample(rows, len(rows))
    one, two = (horizon.clean(*tables_of(r), SoilSettings()) for r in (rows, shuffled))
    assert (one.rated == two.rated).all()
    for name in ("component", "top_cm", "bottom_cm"):
        np.testing.assert_array_equal(getattr(one.layers, name), getattr(two.layers, name))
    keep = one.rated[one.layers.component]
    np.testing.assert_array_equal(one.layers.lep_pct[keep], two.layers.lep_pct[keep])


@settings(max_examples=100, deadline=None)
@given(st.lists(st.floats(0, 30), min_size=2, max_size=20))
def test_rating_rises_with_extensibility_and_stays_within_0_and_1(values):
    rated = shrink_swell.rating(np.sort(np.array(values)))
    assert ((rated >= 0) & (rated <= 1)).all()
    assert (np.diff(rated) >= 0).all()


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.floats(1, 90), st.floats(0.1, 20)), min_size=1, max_size=6), st.floats(0, 60),
       st.floats(1, 100))
def test_window_mean_lies_between_the_layers(thick_and_lep, upper, height):
    bottom = np.cumsum([t for t, _ in thick_and_lep])
    lep = np.array([v for _, v in thick_and_lep])
    mean = shrink_swell.window_mean(np.zeros(len(lep), np.int64), np.append(0, bottom[:-1]), bottom, lep, 1,
                                    window_top_cm=upper, window_bottom_cm=upper + height)[0]
    assert np.isnan(mean) == (upper >= bottom[-1])
    assert np.isnan(mean) or lep.min() - 1e-9 <= mean <= lep.max() + 1e-9


def grid_survey(cells, seed):
    """A checkerboard of units whose inner corners are moved; it tiles the square exactly."""
    rng = np.random.default_rng(seed)
    x, y = np.meshgrid(np.arange(cells + 1) * 100.0, np.arange(cells + 1) * 100.0, indexing="ij")
    inner = (slice(1, -1), slice(1, -1))
    x[inner] += rng.uniform(-30, 30, x[inner].shape)
    y[inner] += rng.uniform(-30, 30, y[inner].shape)
    shapes = [shapely.Polygon([(x[i, j], y[i, j]), (x[i + 1, j], y[i + 1, j]), (x[i + 1, j + 1], y[i + 1, j + 1]),
                               (x[i, j + 1], y[i, j + 1])]) for i in range(cells) for j in range(cells)]
    mukeys = [str(m) for m in rng.integers(1, 4, cells * cells)]
    return gpd.GeoDataFrame({"mukey": mukeys}, geometry=shapes, crs=CRS)


def soil_tables(polygons):
    h, c = tables_of([(0, "A", 0, 200, 1, 2, 3, np.nan), (2, "A", 0, 100, 6, 9, 12, np.nan)])
    unit = pd.DataFrame({"mukey": ["1", "2", "3"], "musym": "s", "muname": ["u1", "u2", "u3"], "dwellings_rating": ""})
    return SoilTables(polygons, unit, c, h, 24000)


def boxes(centres, half):
    frame = gpd.GeoDataFrame({"state": ""}, index=range(len(centres)), crs=CRS,
                             geometry=[shapely.box(x - half, y - half, x + half, y + half) for x, y in centres])
    return frame.assign(lot_row=np.arange(len(centres)))


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 1000), st.lists(st.tuples(st.floats(30, 570), st.floats(30, 570)), min_size=1, max_size=12),
       st.floats(1, 25))
def test_shares_and_weights_sum_to_one_inside_the_map_whatever_the_order(seed, centres, half):
    tables_, lot = soil_tables(grid_survey(6, seed)), boxes(centres, half)
    found = soil.attach(lot, tables_, SoilSettings(), CRS)
    shares = found.lot_map_unit.groupby("lot_row")["share"].sum()
    np.testing.assert_allclose(shares, 1.0, atol=1e-9)
    assert len(shares) == len(lot)
    np.testing.assert_allclose(found.lot_profile.groupby("lot_row")["weight"].sum(), 1.0, atol=1e-9)
    backwards = soil.attach(lot.iloc[::-1], tables_, SoilSettings(), CRS)
    pd.testing.assert_frame_equal(found.lot_soil, backwards.lot_soil.sort_values("lot_row", ignore_index=True),
                                  rtol=1e-9)


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 1000), st.lists(st.tuples(st.floats(5, 595), st.floats(5, 595)), min_size=1, max_size=10))
def test_line_distance_is_the_distance_to_the_nearest_other_unit(seed, centres):
    """Brute force: inside a full map the nearest soil boundary is where the nearest polygon of another unit begins."""
    polygons = grid_survey(6, seed)
    points = shapely.points(np.array(centres))
    distance, beyond = lines.nearest(points, overlay.prepare(polygons, CRS))
    mukey, shapes = polygons["mukey"].to_numpy(), polygons.geometry.to_numpy()
    for point, near in zip(points, distance, strict=True):
        home = mukey[shapely.intersects(shapes, point)].min()
        others = shapes[mukey != home]
        assert near == np.float64(min(shapely.distance(others, point))) or abs(
            near - min(shapely.distance(others, point))) < 1e-6
    assert (beyond >= 0).all()
