"""The unit beyond a soil boundary in the mixture of a lot: 50/50 on the line, nothing beyond a full line width."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from riskmap import soil
from riskmap.common.inputs import SoilTables
from riskmap.common.settings import SoilSettings
from riskmap.soil import lines

CRS = "EPSG:5070"
WIDTH_M = lines.line_width_m(24000)  # 24.4 m: 80 ft at 1:24,000 (soil-survey guidance on map scale)


def survey(*, scale=24000, described=("1", "2"), gap=0.0):
    """Unit 1 (firm silt) west of x = 1000 m, unit 2 (swelling clay) east of it."""
    shapes = [shapely.box(0, 0, 1000, 1000), shapely.box(1000 + gap, 0, 2000, 1000)]
    component = pd.DataFrame({"component_id": ["silt", "clay"], "mukey": ["1", "2"], "component_pct": [100.0, 100.0],
                              "component_kind": "Series", "component_name": ["silt", "clay"],
                              "rock_depth_cm": np.nan, "water_table_cm": np.nan})
    horizon = pd.DataFrame([["silt", "A", 0, 200, 1.0, 2.0, 3.0], ["clay", "A", 0, 200, 6.0, 9.0, 12.0]],
                           columns=["component_id", "horizon_name", "top_cm", "bottom_cm", "lep_low_pct", "lep_pct",
                                    "lep_high_pct"]).assign(clay_pct=np.nan, db_third_bar=np.nan, db_oven_dry=np.nan)
    horizon = horizon[horizon["component_id"].map({"silt": "1", "clay": "2"}).isin(described)]
    unit = pd.DataFrame({"mukey": ["1", "2"], "musym": ["S", "C"], "muname": ["Silt", "Clay"], "dwellings_rating": ""})
    return SoilTables(gpd.GeoDataFrame({"mukey": ["1", "2"]}, geometry=shapes, crs=CRS), unit, component, horizon,
                      scale)


def lots_at(*middles, half=2.0):
    """Square lots in the middle of the map's height, `half` m from middle to side."""
    shapes = [shapely.box(x - half, 500 - half, x + half, 500 + half) for x in middles]
    return gpd.GeoDataFrame({"lot_row": np.arange(len(shapes)), "state": ""}, geometry=shapes, crs=CRS)


def clay_weight(lot, tables_, **settings):
    """Weight of the clay profile per lot, and everything attached."""
    found = soil.attach(lot, tables_, SoilSettings(**settings), CRS)
    clay = int(found.profile["profile_id"].iloc[-1])  # profiles are numbered by extensibility
    part = found.lot_profile[found.lot_profile["profile_id"] == clay].set_index("lot_row")["weight"]
    return part.reindex(lot["lot_row"]).fillna(0.0).to_numpy(), found


def test_half_and_half_on_the_line_and_nothing_beyond_its_width():
    """On the line 0.5; half a width 0.205 -> 0.20; a width 0.05 -> 0.05; more than a width: left out."""
    distance = np.array([0.001, WIDTH_M / 2, WIDTH_M * 0.999, WIDTH_M * 1.01, 300.0])
    weight, found = clay_weight(lots_at(*(1000 - distance), half=0.0005), survey())
    assert weight == pytest.approx([0.5, 0.2, 0.05, 0.0, 0.0], abs=1e-12)
    assert found.lot_soil["neighbor_unit_share"].tolist() == pytest.approx(
        lines.neighbor_share(distance, 24000).tolist(), abs=1e-6)  # the column keeps the exact share


def test_area_shares_and_coverage_are_untouched():
    lot, tables_ = lots_at(990.0, 998.0, 1001.0), survey()
    _, on = clay_weight(lot, tables_)
    _, off = clay_weight(lot, tables_, line_doubt=False)
    pd.testing.assert_frame_equal(on.lot_map_unit, off.lot_map_unit)
    pd.testing.assert_frame_equal(on.lot_soil, off.lot_soil)
    assert not on.lot_profile.equals(off.lot_profile)


def test_setting_off_keeps_the_area_shares():
    weight, _ = clay_weight(lots_at(990.0, 1001.0), survey(), line_doubt=False)
    assert weight == pytest.approx([0.0, 0.75])


def test_lot_across_the_line_keeps_a_larger_area_share_and_never_falls_below_the_doubt():
    """10 m to each side of the middle. Middle 9.5 m west: 2.5 % of the lot is clay, the weight is 0.26 -> 0.25;
    middle 1 m west: 45 % is clay and the weight is 0.47 -> 0.45: the area share stays."""
    weight, found = clay_weight(lots_at(990.5, 999.0, half=10.0), survey())
    assert found.lot_map_unit["share"].tolist() == pytest.approx([0.975, 0.025, 0.55, 0.45])
    assert weight == pytest.approx([0.25, 0.45])


def test_line_doubt_grows_towards_the_line():
    weight, _ = clay_weight(lots_at(*np.linspace(960.0, 999.9, 200), half=4.0), survey())
    assert (np.diff(weight) >= -1e-12).all()
    assert weight.max() < 0.51


def test_a_neighbour_without_profile_adds_nothing():
    weight, found = clay_weight(lots_at(995.0), survey(described=("1",)))
    assert found.lot_profile["weight"].tolist() == [1.0]
    assert found.lot_soil["neighbor_unit_name"].tolist() == ["Clay"]
    assert weight.tolist() == [1.0]  # the only profile is the silt


def test_a_described_neighbour_makes_no_number_where_the_own_soil_is_not_described():
    _, found = clay_weight(lots_at(995.0), survey(described=("2",)))
    assert found.lot_profile.empty
    assert found.lot_soil["soil_state"].tolist() == ["not_enough_data"]


def test_unknown_scale_gives_no_doubt():
    weight, found = clay_weight(lots_at(995.0), survey(scale=None))
    assert weight.tolist() == [0.0]
    assert "soil_scale_unknown" in found.lot_soil["soil_flags"].iloc[0]


def test_few_different_mixtures():
    """400 lots at as many distances share ten mixtures (0 and nine steps; 0.5 means the line itself)."""
    _, found = clay_weight(lots_at(*np.linspace(900.0, 997.0, 400)), survey())
    mixtures = found.lot_profile.groupby("lot_row")["weight"].agg(lambda w: tuple(w.round(6)))
    assert 5 < mixtures.nunique() <= 10


@given(st.lists(st.floats(0, 2000), min_size=1, max_size=12), st.floats(0.5, 60), st.sampled_from([12000, 24000]))
def test_weights_sum_to_one(middles, half, scale):
    lot = lots_at(*middles, half=half)
    _, found = clay_weight(lot, survey(scale=scale))
    total = found.lot_profile.groupby("lot_row")["weight"].sum()
    np.testing.assert_allclose(total, 1.0, atol=1e-12)
    assert set(total.index) == set(found.lot_soil.loc[found.lot_soil["soil_state"] == "", "lot_row"])
    assert (found.lot_profile["weight"] > 0).all()


@given(st.floats(0, 0.5), st.floats(0, 1))
def test_doubt_weight_gives_the_neighbour_its_stepped_share_or_its_area_share(share, part):
    weight = float(lines.doubt_weight(np.array([share]), np.array([part]))[0])
    stepped = 0.0 if share < 0.05 else round(share / 0.05) * 0.05
    assert 0 <= weight <= 0.5
    assert (1 - weight) * part + weight == pytest.approx(max(part, stepped))


def test_doubt_weight_of_an_unknown_share_is_zero():
    assert lines.doubt_weight(np.array([np.nan]), np.array([0.0])).tolist() == [0.0]
