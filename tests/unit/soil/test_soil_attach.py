"""From two square map units to lot shares, weights, lines and states."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from riskmap import soil
from riskmap.common import tables
from riskmap.common.inputs import SoilTables
from riskmap.common.settings import SoilSettings
from riskmap.soil import lines, overlay

CRS = "EPSG:5070"
NAN = np.nan
CLAY = ("A", 0, 200, 6.0, 9.0, 12.0)
SILT = ("A", 0, 200, 1.0, 2.0, 3.0)


def survey(polygons, components, horizons, scale=24000, crs=CRS):
    """Tables from short tuples: (mukey, shape), (id, mukey, pct[, kind]), (id, name, top, bottom, low, value, high)."""
    component = pd.DataFrame([[*c, "Series"][:4] for c in components],
                             columns=["component_id", "mukey", "component_pct", "component_kind"])
    component = component.assign(component_name=component["component_id"], rock_depth_cm=NAN, water_table_cm=NAN)
    horizon = pd.DataFrame(horizons, columns=["component_id", "horizon_name", "top_cm", "bottom_cm", "lep_low_pct",
                                              "lep_pct", "lep_high_pct"])
    horizon = horizon.assign(clay_pct=NAN, db_third_bar=NAN, db_oven_dry=NAN)
    mukeys = sorted({m for m, _ in polygons})
    unit = pd.DataFrame({"mukey": mukeys, "musym": mukeys, "muname": [f"unit {m}" for m in mukeys],
                         "dwellings_rating": ""})
    shapes = gpd.GeoDataFrame({"mukey": [m for m, _ in polygons]}, geometry=[g for _, g in polygons], crs=crs)
    return SoilTables(shapes, unit, component, horizon, scale)


def lots(*shapes, state=""):
    return gpd.GeoDataFrame({"lot_row": np.arange(len(shapes)), "state": state}, geometry=list(shapes), crs=CRS)


TWO = [("1", shapely.box(0, 0, 100, 100)), ("2", shapely.box(100, 0, 200, 100))]


@pytest.fixture
def two():
    """Unit 1: 60 % clay, 30 % silt, 10 % urban. Unit 2: silt with the same layers."""
    return survey(TWO, [("clay", "1", 60.0), ("silt", "1", 30.0), ("urban", "1", 10.0, "Miscellaneous area"),
                        ("silt two", "2", 100.0)],
                  [("clay", *CLAY), ("silt", *SILT), ("silt two", *SILT)])


def attach(lot, tables_, **settings):
    return soil.attach(lot, tables_, SoilSettings(**settings), CRS)


def test_shares_weights_and_averages_of_a_lot_on_two_units(two):
    """75 % on unit 1, 25 % on unit 2: clay 0.75 * 60/90 = 0.5, silt the other half; covered .75 * 90 + .25 * 100."""
    found = attach(lots(shapely.box(70, 10, 110, 50)), two)
    assert found.lot_map_unit["share"].tolist() == pytest.approx([0.75, 0.25])
    assert found.lot_profile["weight"].tolist() == pytest.approx([0.5, 0.5])
    row = found.lot_soil.iloc[0]
    assert row["covered_pct"] == pytest.approx(92.5)
    assert row["mapped_pct"] == pytest.approx(100.0)
    assert row["linear_extensibility_pct"] == pytest.approx(0.75 * (60 * 9 + 30 * 2) / 90 + 0.25 * 2)
    assert (row["map_unit_key"], row["map_unit_name"]) == ("1", "unit 1")
    assert row["soil_state"] == ""


def test_same_layers_share_one_profile_in_order_of_extensibility(two):
    found = attach(lots(shapely.box(10, 10, 20, 20)), two)
    assert found.profile["component_name"].tolist() == ["silt, silt two", "clay"]
    shown = found.layer[["profile_id", "top_m", "bottom_m", "lep_pct"]]
    assert shown.to_numpy().tolist() == [[0, 0, 2, 2], [1, 0, 2, 9]]


def test_rock_and_water_table_keep_profiles_apart(two):
    two.component.loc[1, "rock_depth_cm"] = 150.0
    two.component.loc[3, "water_table_cm"] = 60.0
    found = attach(lots(shapely.box(10, 10, 20, 20)), two)
    assert len(found.profile) == 3
    assert sorted(found.profile["rock_depth_m"]) == [1.5, np.inf, np.inf]
    assert sorted(found.profile["water_table_m"]) == [0.6, np.inf, np.inf]


def test_percentages_below_100_lower_what_is_covered_and_above_100_are_scaled():
    tables_ = survey(TWO, [("a", "1", 40.0), ("b", "2", 80.0), ("c", "2", 80.0)],
                     [("a", *CLAY), ("b", *CLAY), ("c", *SILT)])
    found = attach(lots(shapely.box(10, 10, 20, 20), shapely.box(150, 10, 160, 20)), tables_)
    assert found.lot_soil["covered_pct"].tolist() == pytest.approx([40.0, 100.0])
    assert found.lot_profile.groupby("lot_row")["weight"].sum().tolist() == pytest.approx([1.0, 1.0])
    assert all("component_pct_not_100" in flags for flags in found.lot_soil["soil_flags"])
    assert any(p.code == "W-SOIL-030" for p in found.problems)


def test_ground_without_profile_is_a_state_never_zero():
    tables_ = survey(TWO, [("urban", "1", 100.0, "Miscellaneous area"), ("b", "2", 20.0), ("c", "2", 80.0)],
                     [("b", *CLAY)])
    found = attach(lots(shapely.box(10, 10, 20, 20), shapely.box(150, 10, 160, 20)), tables_)
    assert found.lot_soil["soil_state"].tolist() == ["not_enough_data", "not_enough_data"]
    assert found.lot_soil["linear_extensibility_pct"].isna().all()
    assert found.lot_soil["shrink_swell_class"].tolist() == ["", ""]
    assert found.lot_soil["covered_pct"].tolist() == pytest.approx([0.0, 20.0])
    assert found.lot_profile.empty
    allowed = attach(lots(shapely.box(150, 10, 160, 20)), tables_, min_covered_pct=20)
    assert allowed.lot_profile["weight"].tolist() == [1]


def test_every_lot_row_is_answered(two):
    shapes = (None, shapely.Polygon(), shapely.box(1000, 1000, 1010, 1010), shapely.box(-30, 0, 20, 50),
              shapely.box(10, 10, 20, 20))
    found = attach(lots(*shapes), two)
    assert found.lot_soil["lot_row"].tolist() == [0, 1, 2, 3, 4]
    assert found.lot_soil["soil_state"].tolist() == ["not_enough_data", "not_enough_data", "outside_coverage",
                                                    "outside_coverage", ""]
    assert found.lot_soil["mapped_pct"].tolist() == pytest.approx([NAN, NAN, 0.0, 40.0, 100.0], nan_ok=True)
    assert found.lot_soil.loc[2, "map_unit_name"] == ""
    assert np.isnan(found.lot_soil.loc[2, "soil_line_distance_m"])
    assert found.lot_profile["lot_row"].unique().tolist() == [4]


def test_lots_that_already_have_a_state_get_facts_and_no_weights(two):
    found = attach(lots(shapely.box(10, 10, 20, 20), state="not_applicable"), two)
    assert found.lot_soil.loc[0, "map_unit_key"] == "1"
    assert found.lot_profile.empty


def test_polygons_without_tables_count_as_mapped_not_described(two):
    tables_ = survey([*TWO, ("9", shapely.box(0, 100, 200, 200))], [("clay", "1", 100.0)], [("clay", *CLAY)])
    tables_ = SoilTables(tables_.polygons, tables_.map_unit[tables_.map_unit["mukey"] != "9"], tables_.component,
                         tables_.horizon, 24000)
    found = attach(lots(shapely.box(10, 90, 20, 110)), tables_)
    assert found.lot_soil["mapped_pct"].tolist() == pytest.approx([100.0])
    assert found.lot_soil["covered_pct"].tolist() == pytest.approx([50.0])
    assert any(p.code == "W-SOIL-031" and "9" in p.rule for p in found.problems)


def test_invalid_and_multipart_soil_polygons_are_repaired_and_split():
    bow = shapely.Polygon([(0, 0), (100, 100), (100, 0), (0, 100)])
    both = shapely.MultiPolygon([shapely.box(200, 0, 300, 100), shapely.box(400, 0, 500, 100)])
    soils = overlay.prepare(gpd.GeoDataFrame({"mukey": ["1", "2"]}, geometry=[bow, both], crs=CRS), CRS)
    assert shapely.is_valid(soils.geometry).all()
    assert set(shapely.get_type_id(soils.geometry)) == {3}
    assert shapely.area(soils.geometry).sum() == pytest.approx(5000 + 20000)


def test_overlapping_soil_polygons_are_scaled_and_flagged():
    tables_ = survey([("1", shapely.box(0, 0, 100, 100)), ("2", shapely.box(0, 0, 100, 100))],
                     [("a", "1", 100.0), ("b", "2", 100.0)], [("a", *CLAY), ("b", *SILT)])
    found = attach(lots(shapely.box(10, 10, 20, 20)), tables_)
    assert found.lot_map_unit["share"].sum() == pytest.approx(1.0, abs=1e-12)
    assert "soil_polygons_overlap" in found.lot_soil.loc[0, "soil_flags"]


def test_distance_counts_lines_between_different_units_only(two):
    """Two polygons of unit 1 meet at x = 50 and the survey ends at x = 0: neither is a soil boundary."""
    halves = [("1", shapely.box(0, 0, 50, 100)), ("1", shapely.box(50, 0, 100, 100)), TWO[1]]
    tables_ = SoilTables(gpd.GeoDataFrame({"mukey": [m for m, _ in halves]}, geometry=[g for _, g in halves], crs=CRS),
                         two.map_unit, two.component, two.horizon, 24000)
    found = attach(lots(shapely.box(40, 40, 50, 50), shapely.box(110, 40, 130, 60)), tables_)
    assert found.lot_soil["soil_line_distance_m"].tolist() == pytest.approx([55.0, 20.0])
    assert found.lot_soil["neighbor_unit_name"].tolist() == ["unit 2", "unit 1"]


def test_adjoining_surveys_whose_vertices_differ_still_have_a_line_and_a_wide_gap_has_none():
    left = ("1", shapely.Polygon([(0, 0), (100, 0), (100, 37), (100, 100), (0, 100)]))
    for gap, expected in ((0.5, 50.0), (5.0, NAN)):
        right = ("2", shapely.box(100 + gap, 0, 200, 100))
        tables_ = survey([left, right], [("a", "1", 100.0)], [("a", *CLAY)])
        found = attach(lots(shapely.box(40, 40, 60, 60)), tables_)
        assert found.lot_soil["soil_line_distance_m"].tolist() == pytest.approx([expected], nan_ok=True)


def test_survey_with_one_unit_has_no_line():
    found = attach(lots(shapely.box(40, 40, 60, 60)), survey(TWO[:1], [("a", "1", 100.0)], [("a", *CLAY)]))
    assert np.isnan(found.lot_soil.loc[0, "soil_line_distance_m"])
    assert found.lot_soil.loc[0, "neighbor_unit_name"] == ""


@pytest.mark.parametrize(("scale", "feet"), [(12000, 40.0), (24000, 80.0), (20000, 200 / 3)])
def test_line_width_and_neighbour_share(scale, feet):
    """method.md, section 2: about 40 ft at 1:12,000 and 80 ft at 1:24,000."""
    width = feet * 0.3048
    assert lines.line_width_m(scale) == pytest.approx(width)
    share = lines.neighbor_share(np.array([0.0, width, 1.01 * width, 2 * width]), scale)
    assert share[:2] == pytest.approx([0.5, 0.05], abs=1e-4)
    assert share[2] < 0.05
    assert (np.diff(share) < 0).all()


def test_unknown_scale_is_flagged_not_guessed(two):
    found = attach(lots(shapely.box(90, 40, 98, 60)), SoilTables(two.polygons, two.map_unit, two.component,
                                                                two.horizon, None))
    assert np.isnan(found.lot_soil.loc[0, "neighbor_unit_share"])
    assert found.lot_soil.loc[0, "soil_line_distance_m"] == pytest.approx(6.0)
    assert "soil_scale_unknown" in found.lot_soil.loc[0, "soil_flags"]


def test_stored_rating_that_differs_is_told(two):
    stored = pd.DataFrame({"component_id": ["clay", "silt"], "rating": [0.2, 0.0]})
    tables_ = SoilTables(two.polygons, two.map_unit, two.component, two.horizon, 24000, stored)
    told = [p for p in attach(lots(shapely.box(1, 1, 2, 2)), tables_).problems if p.code == "W-SOIL-033"]
    assert len(told) == 1
    assert "1 components" in told[0].rule
    assert "(clay)" in told[0].rule


def test_results_keep_their_contracts_and_inputs_are_untouched(two):
    lot = lots(shapely.box(70, 10, 110, 50), None)
    before = (lot.copy(), two.component.copy(), two.horizon.copy(), two.polygons.copy())
    found = attach(lot, two)
    for table, frame in ((tables.LOT_SOIL, found.lot_soil), (tables.LOT_MAP_UNIT, found.lot_map_unit),
                         (tables.LOT_PROFILE, found.lot_profile)):
        tables.check(table, frame)
    for old, new in zip(before, (lot, two.component, two.horizon, two.polygons), strict=True):
        pd.testing.assert_frame_equal(pd.DataFrame(old), pd.DataFrame(new))


def test_survey_without_any_profile_or_any_polygon(two):
    bare = survey(TWO, [("urban", "1", 100.0, "Miscellaneous area")], [])
    found = attach(lots(shapely.box(10, 10, 20, 20)), bare)
    assert (len(found.profile), len(found.layer), len(found.lot_profile)) == (0, 0, 0)
    assert found.lot_soil["soil_state"].tolist() == ["not_enough_data"]
    empty = SoilTables(two.polygons.iloc[:0], two.map_unit, two.component, two.horizon, 24000)
    found = attach(lots(shapely.box(10, 10, 20, 20)), empty)
    assert found.lot_soil["soil_state"].tolist() == ["outside_coverage"]


def test_no_lots_at_all(two):
    found = attach(lots(), two)
    assert found.lot_soil.empty
    assert found.lot_profile.empty
