"""Whatever the lot table contains: rows out are rows in, in the same order, each with its identifier."""

from __future__ import annotations

from pathlib import Path
from tempfile import TemporaryDirectory

import geopandas as gpd
import numpy as np
import pandas as pd
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import GeometryCollection, LineString, MultiPolygon, Point, Polygon, box

from riskmap.common.month_numbers import parse_month
from riskmap.common.settings import Area, LotsEntry, LotSettings, SoilEntry
from riskmap.common.tables import LOT, STATES, check
from riskmap.layers import lots
from riskmap.lots import clean

TODAY = parse_month("2025-10")
X, Y = -230_000.0, 1_650_000.0

number = st.floats(-500, 500, allow_nan=False)
corner = st.tuples(number, number)
bad = st.sampled_from([np.nan, np.inf, -np.inf, 1e300])
shape = st.one_of(
    st.none(),
    st.just(Polygon()),
    st.builds(lambda x, y, w, h: box(X + x, Y + y, X + x + w, Y + y + h), number, number, st.floats(1, 99),
              st.floats(1, 99)),
    st.builds(lambda ring: Polygon([(X + x, Y + y) for x, y in ring]), st.lists(corner, min_size=4, max_size=9)),
    st.builds(lambda p: Point(X + p[0], Y + p[1]), corner),
    st.builds(lambda ring: LineString([(X + x, Y + y) for x, y in ring]), st.lists(corner, min_size=2, max_size=4)),
    st.builds(lambda p, v: Polygon([(X, Y), (X + p[0], v), (X + 9, Y + 9)]), corner, bad),
    st.builds(lambda p: MultiPolygon([box(X, Y, X + 9, Y + 9), box(X + p[0], Y + p[1], X + p[0] + 9, Y + p[1] + 9)]),
              corner),
    st.builds(lambda p: GeometryCollection([box(X, Y, X + 9, Y + 9), Point(p)]), corner),
)
text = st.text(max_size=12)
date = st.one_of(text, st.dates().map(str), st.integers(-10, 10_000).map(str), st.just(""), st.none(),
                 st.builds(lambda a, b: f"{a}/{b}", st.integers(1940, 2030), st.integers(1940, 2030)),
                 st.builds(lambda y, m: f"{y}-{m:02d}", st.integers(1940, 2030), st.integers(0, 13)))
foundation = st.one_of(text, st.sampled_from(["slab", "SLAB/PIER", "crawl space", "slab on ground", "", "basement"]))
size = st.one_of(st.just(np.nan), st.floats(-10, 1e4), st.just(np.inf))
row = st.tuples(text, date, date, date, text, foundation, size, size, size, shape)
NAMES = ["lot_id", "pour_date", "pour_date_early", "pour_date_late", "pour_date_basis", "foundation_type",
         "slab_width_m", "slab_length_m", "beam_depth_mm"]


def raw_of(rows) -> gpd.GeoDataFrame:
    columns = {name: [r[i] for r in rows] for i, name in enumerate(NAMES)}
    return gpd.GeoDataFrame(pd.DataFrame(columns), geometry=gpd.GeoSeries([r[9] for r in rows], crs="EPSG:5070"))


@settings(max_examples=100, deadline=None)
@given(st.lists(row, max_size=12))
def test_rows_out_are_rows_in(rows):
    raw = raw_of(rows)
    table, problems = clean(raw, LotSettings(), "EPSG:5070", TODAY, "lots.gpkg")
    check(LOT, table)
    assert table["lot_id"].tolist() == [r[0] for r in rows]
    assert table["lot_row"].tolist() == list(range(len(rows)))
    assert table.index.equals(pd.RangeIndex(len(rows)))
    assert set(table["state"]) <= {"", *STATES}
    assert ((table["state"] == "") == (table["state_reason"] == "")).all()
    usable = ~table["state"].isin(["unmatched", "not_applicable"])
    assert table.geometry[usable].notna().all()
    assert table.geometry[usable].is_valid.all()
    assert (table["pour_early_month"] <= table["pour_late_month"]).all()
    estimated = table["state"] == ""
    assert (table.loc[estimated, "pour_late_month"] < TODAY).all()
    assert all(p.rule and p.action and p.code[:6] in ("E-LOT-", "W-LOT-") for p in problems)


@settings(max_examples=60, deadline=None)
@given(st.lists(row, min_size=1, max_size=8), st.randoms(use_true_random=False))
def test_order_of_rows_changes_nothing_but_the_order(rows, random):
    order = list(range(len(rows)))
    random.shuffle(order)
    plain, _ = clean(raw_of(rows), LotSettings(), "EPSG:5070", TODAY, "a")
    mixed, _ = clean(raw_of([rows[i] for i in order]), LotSettings(), "EPSG:5070", TODAY, "a")
    again = plain.iloc[order].reset_index(drop=True).drop(columns=["lot_row", "geometry"])
    pd.testing.assert_frame_equal(pd.DataFrame(mixed.drop(columns=["lot_row", "geometry"])), pd.DataFrame(again))


@settings(max_examples=60, deadline=None)
@given(st.integers(1900, 2024), st.integers(0, 20), st.integers(0, 20))
def test_a_wider_date_gives_a_wider_window(year, before, after):
    values = [f"{year}", f"{year - before}/{min(year + after, 2030)}"]
    raw = raw_of([("1", v, None, None, "", "slab", np.nan, np.nan, np.nan, box(X, Y, X + 9, Y + 9)) for v in values])
    table, _ = clean(raw, LotSettings(), "EPSG:5070", TODAY, "a")
    assert table["pour_early_month"][1] <= table["pour_early_month"][0]
    assert table["pour_late_month"][1] >= table["pour_late_month"][0]


cell = st.text(st.characters(codec="utf-8", exclude_characters="\r\n\x00", exclude_categories=("Cs",)), max_size=10)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(cell, st.floats(-180, 180), st.floats(-90, 90), cell), min_size=1, max_size=10))
def test_csv_gives_back_every_identifier(rows):
    with TemporaryDirectory() as folder:
        path = Path(folder) / "lots.csv"
        table = pd.DataFrame(rows, columns=["lot_id", "lon", "lat", "pour_date"])
        table.to_csv(path, index=False)
        area = Area(name="a", folder=path.parent, lots=LotsEntry(path="lots.csv"), soil=SoilEntry(path="s"))
        raw, _, _ = lots.read(area.lots, area)
    assert raw["lot_id"].tolist() == [r[0] for r in rows]
    assert raw["pour_date"].tolist() == [r[3] for r in rows]
    np.testing.assert_allclose(raw.geometry.x, [r[1] for r in rows], rtol=0, atol=1e-9)
