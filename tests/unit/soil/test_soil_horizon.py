"""Every row of the failure table on tiny horizons written here."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from riskmap.common.settings import SoilSettings
from riskmap.soil import component, horizon

NAN = np.nan


def horizons(*rows):
    """Rows: component, name, top, bottom, low, value, high; optionally clay, third bar, oven dry, exchange capacity."""
    names = ["component_id", "horizon_name", "top_cm", "bottom_cm", "lep_low_pct", "lep_pct", "lep_high_pct",
             "clay_pct", "db_third_bar", "db_oven_dry", "cec_cmol_kg"]
    return pd.DataFrame([[*r, *[NAN] * (len(names) - len(r))] for r in rows], columns=names)


def components(*ids, rock=NAN, kind="Series"):
    return pd.DataFrame({"component_id": list(ids), "mukey": "1", "component_name": list(ids), "component_pct": 50.0,
                         "component_kind": kind, "rock_depth_cm": rock, "water_table_cm": NAN})


def cleaned(rows, comp=None, **settings):
    return horizon.clean(horizons(*rows), components("a") if comp is None else comp, SoilSettings(**settings))


def depths(result):
    return list(zip(result.layers.top_cm, result.layers.bottom_cm, strict=True))


def raised(result):
    return {name for name, mask in result.flags.items() if mask.any()}


def test_unsorted_horizons_are_sorted():
    result = cleaned([("a", "B", 30, 90, 4, 5, 6), ("a", "A", 0, 30, 1, 2, 3)])
    assert depths(result) == [(0, 30), (30, 90)]
    assert list(result.layers.lep_pct) == [2, 5]
    assert raised(result) == set()
    assert result.rated.all()


@pytest.mark.parametrize(("top", "bottom"), [(50, 50), (60, 40), (NAN, 40), (20, NAN)])
def test_thickness_that_is_not_positive_is_dropped_and_flagged(top, bottom):
    result = cleaned([("a", "A", 0, 30, 1, 2, 3), ("a", "B", top, bottom, 4, 5, 6)])
    assert depths(result) == [(0, 30)]
    assert raised(result) == {"horizon_dropped"}


def test_overlap_is_cut_at_the_upper_bottom():
    result = cleaned([("a", "A", 0, 50, 1, 2, 3), ("a", "B", 30, 90, 4, 5, 6)])
    assert depths(result) == [(0, 50), (50, 90)]
    assert raised(result) == {"horizon_overlap"}


def test_horizon_inside_another_disappears_without_shortening_the_profile():
    result = cleaned([("a", "A", 0, 100, 1, 2, 3), ("a", "B", 20, 40, 4, 5, 6), ("a", "C", 90, 150, 7, 8, 9)])
    assert depths(result) == [(0, 100), (100, 150)]
    assert raised(result) == {"horizon_overlap"}


def test_two_part_horizon_recorded_twice_keeps_the_more_expansive_part():
    rows = [("a", "E/B", 0, 40, 1, 2, 3), ("a", "E/B", 0, 40, 4, 5, 6)]
    for order in (rows, rows[::-1]):
        result = cleaned(order)
        assert list(result.layers.lep_pct) == [5]
        assert raised(result) == {"horizon_overlap"}


def test_gap_takes_the_value_above():
    result = cleaned([("a", "A", 0, 30, 1, 2, 3), ("a", "B", 50, 90, 4, 5, 6)])
    assert depths(result) == [(0, 50), (50, 90)]
    assert raised(result) == {"horizon_gap"}


def test_first_top_below_the_surface_is_filled_from_the_first_layer():
    result = cleaned([("a", "B", 20, 90, 4, 5, 6)])
    assert depths(result) == [(0, 90)]
    assert raised(result) == {"top_filled"}


def test_neighbouring_components_do_not_leak_into_each_other():
    result = cleaned([("b", "A", 10, 40, 1, 2, 3), ("a", "A", 0, 200, 4, 5, 6), ("b", "B", 45, 60, 7, 8, 9)],
                     components("a", "b"))
    assert depths(result) == [(0, 200), (0, 45), (45, 60)]
    assert [list(result.flags[f]) for f in ("top_filled", "horizon_gap")] == [[False, True], [False, True]]


def test_organic_surface_layer_has_no_extensibility_and_a_gap_below_it_is_filled_from_beneath():
    result = cleaned([("a", "Oe", 0, 5, NAN, NAN, NAN), ("a", "A", 8, 90, 4, 5, 6)])
    assert depths(result) == [(0, 5), (5, 90)]
    assert list(result.layers.lep_pct) == [0, 5]
    assert list(result.layers.organic) == [True, False]
    assert result.rated.all()


def test_deep_peat_is_unrated_not_zero():
    result = cleaned([("a", "Oa", 0, 150, NAN, NAN, NAN)])
    assert not result.rated.any()
    assert "organic_soil" in raised(result)


@pytest.mark.parametrize(("thickness", "rated"), [(40, True), (41, False)])
def test_organic_surface_thicker_than_40_cm_makes_an_organic_soil(thickness, rated):
    result = cleaned([("a", "Oa", 0, thickness, NAN, NAN, NAN), ("a", "C", thickness, 150, 4, 5, 6)])
    assert list(result.rated) == [rated]


def test_rating_window_is_counted_below_the_organic_surface_layer():
    """20 cm of organic layer, then 40 cm at 2 % and the rest at 8 %: 25-100 cm below it is 15 cm of 2 and 60 of 8."""
    rows = [("a", "Oe", 0, 20, NAN, NAN, NAN), ("a", "A", 20, 60, 1, 2, 3), ("a", "B", 60, 200, 7, 8, 9)]
    comp = components("a")
    means = component.described(comp, cleaned(rows, comp))
    assert means.loc[0, "lep_25_100_pct"] == pytest.approx((15 * 2 + 60 * 8) / 75)


def test_disordered_triple_is_sorted():
    result = cleaned([("a", "A", 0, 30, 6, 2, 3)])
    layers = result.layers
    assert (layers.lep_low_pct[0], layers.lep_pct[0], layers.lep_high_pct[0]) == (2, 3, 6)
    assert raised(result) == {"lep_disordered"}


def test_missing_limits_become_six_and_fourteen_tenths():
    layers = (result := cleaned([("a", "A", 0, 30, NAN, 5, NAN)])).layers
    assert (layers.lep_low_pct[0], layers.lep_high_pct[0]) == pytest.approx((3, 7))
    assert raised(result) == {"lep_limits_assumed"}


def test_missing_value_comes_from_bulk_density_first():
    """1.30 and 1.55 g/cm3 give 6.04 % (method.md, section 2); half-width 0.32 of it."""
    result = cleaned([("a", "A", 0, 30, NAN, NAN, NAN, 50, 1.30, 1.55)])
    layers = result.layers
    assert layers.lep_pct[0] == pytest.approx(6.04, abs=0.006)
    assert layers.lep_high_pct[0] - layers.lep_low_pct[0] == pytest.approx(2 * 0.32 * layers.lep_pct[0])
    assert horizon.SOURCES[result.lep_source[0]] == "bulk_density"
    assert raised(result) == {"lep_from_bulk_density"}


def test_missing_value_comes_from_clay_and_exchange_capacity_second():
    """0.02375 * 40^0.8814 * 28^0.7469 = exp(-3.7402 + 3.2514 + 2.4888) = 7.389; error 0.706 sqrt(7.389) = 1.919."""
    result = cleaned([("a", "A", 0, 30, NAN, NAN, NAN, 40, NAN, NAN, 28)])
    layers = result.layers
    assert layers.lep_pct[0] == pytest.approx(7.389, abs=0.003)
    assert layers.lep_high_pct[0] - layers.lep_pct[0] == pytest.approx(6**0.5 * 1.919, abs=0.003)
    assert layers.lep_pct[0] - layers.lep_low_pct[0] == pytest.approx(6**0.5 * 1.919, abs=0.003)
    assert horizon.SOURCES[result.lep_source[0]] == "clay_cec"
    assert raised(result) == {"lep_from_clay_cec"}


def test_bulk_densities_go_before_exchange_capacity_and_a_stored_value_before_both():
    measured = (40, 1.30, 1.55, 28)
    assert raised(cleaned([("a", "A", 0, 30, NAN, NAN, NAN, *measured)])) == {"lep_from_bulk_density"}
    assert raised(cleaned([("a", "A", 0, 30, 4, 5, 6, *measured)])) == set()


def test_exchange_capacity_goes_before_clay_in_the_weakest_source():
    rows = [("a", "A", 0, 30, NAN, NAN, NAN, 40, NAN, NAN, 28), ("a", "B", 30, 60, NAN, NAN, NAN, 40)]
    result = cleaned(rows)
    assert horizon.SOURCES[result.lep_source[0]] == "clay"
    assert raised(result) == {"lep_from_clay_cec", "lep_from_clay"}


@pytest.mark.parametrize(("clay", "cec"), [
    (40, NAN), (4.8, 5), (66, 40), (50, 41.5), (12, 4.4), (40, 13), (20, 25), (50, 0), (50, -28)])
def test_outside_the_range_of_the_samples_the_clay_line_is_used_and_said(clay, cec):
    """Clay below 4.9 or above 65.8, exchange capacity below 4.5 or above 41.0, ratio below 0.34 or above 1.21."""
    result = cleaned([("a", "A", 0, 30, NAN, NAN, NAN, clay, NAN, NAN, cec)])
    assert result.layers.lep_pct[0] == pytest.approx(max(0.2273 * clay - 1.986, 0.0))
    assert raised(result) == {"lep_from_clay"}


def test_exchange_capacity_without_clay_supports_nothing():
    assert raised(cleaned([("a", "A", 0, 30, NAN, NAN, NAN, NAN, NAN, NAN, 28)])) == {"lep_missing"}


def test_a_source_without_exchange_capacity_is_answered_with_the_clay_line():
    table = horizons(("a", "A", 0, 30, NAN, NAN, NAN, 50)).drop(columns="cec_cmol_kg")
    assert raised(horizon.clean(table, components("a"), SoilSettings())) == {"lep_from_clay"}


def test_missing_value_comes_from_clay_third():
    """0.2273 * 50 - 1.986 = 9.379; a triangle whose standard deviation is 2.02 is 2 * sqrt(6) * 2.02 wide."""
    result = cleaned([("a", "A", 0, 30, NAN, NAN, NAN, 50, 1.5, 1.4)])
    layers = result.layers
    assert layers.lep_pct[0] == pytest.approx(9.379)
    assert layers.lep_high_pct[0] - layers.lep_low_pct[0] == pytest.approx(2 * 6**0.5 * 2.02)
    assert horizon.SOURCES[result.lep_source[0]] == "clay"


def test_value_that_nothing_supports_leaves_the_component_unrated():
    result = cleaned([("a", "A", 0, 30, 1, 2, 3), ("a", "B", 30, 60, NAN, NAN, NAN)])
    assert not result.rated.any()
    assert np.isnan(result.layers.lep_pct[1])
    assert raised(result) == {"lep_missing"}


@pytest.mark.parametrize(("depth", "rated"), [(99, False), (100, True), (140, True)])
def test_blank_layer_at_the_bottom_ends_a_profile_that_is_described_to_one_metre(depth, rated):
    result = cleaned([("a", "H1", 0, depth, 1, 2, 3), ("a", "H2", depth, 200, NAN, NAN, NAN)])
    assert list(result.rated) == [rated]
    assert raised(result) == ({"lep_missing_below"} if rated else {"lep_missing"})
    assert depths(result)[-1] == ((0, depth) if rated else (depth, 200))


def test_blank_layer_in_the_middle_leaves_the_component_unrated():
    rows = [("a", "H1", 0, 120, 1, 2, 3), ("a", "H2", 120, 150, NAN, NAN, NAN), ("a", "H3", 150, 200, 1, 2, 3)]
    assert not cleaned(rows).rated.any()


@pytest.mark.parametrize("value", [-1, 61, 500])
def test_impossible_value_is_missing_not_zero(value):
    result = cleaned([("a", "A", 0, 30, value, value, value)])
    assert not result.rated.any()
    assert raised(result) == {"lep_implausible", "lep_missing"}


def test_blank_horizon_below_rock_does_not_matter_and_layers_stop_at_rock():
    result = cleaned([("a", "A", 0, 90, 4, 5, 6), ("a", "Cr", 90, 200, NAN, NAN, NAN)], components("a", rock=80.0))
    assert depths(result) == [(0, 80)]
    assert result.rated.all()


def test_rock_shallower_than_30_cm_is_unrated_not_zero():
    result = cleaned([("a", "A", 0, 90, 4, 5, 6)], components("a", rock=29.0))
    assert not result.rated.any()
    assert "shallow_rock" in raised(result)


def test_miscellaneous_area_is_unrated_even_with_values():
    assert not cleaned([("a", "A", 0, 90, 0, 0, 0)], components("a", kind="Miscellaneous area")).rated.any()


def test_suspicious_value_keeps_its_middle_and_widens_upwards():
    """Below 1 % with 50 % clay: the high limit becomes the clay estimate 9.379."""
    result = cleaned([("a", "A", 0, 30, 0.1, 0.5, 0.9, 50)])
    assert result.layers.lep_pct[0] == 0.5
    assert result.layers.lep_high_pct[0] == pytest.approx(9.379)
    assert raised(result) == {"lep_suspicious"}
    assert raised(cleaned([("a", "A", 0, 30, 0.1, 0.5, 0.9, 34)])) == set()


def test_large_value_is_flagged_and_kept():
    result = cleaned([("a", "A", 0, 30, 18, 25, 30)])
    assert result.layers.lep_pct[0] == 25
    assert raised(result) == {"lep_above_20"}


def test_horizons_of_unknown_components_and_empty_tables():
    assert not len(cleaned([("z", "A", 0, 30, 1, 2, 3)]).layers.top_cm)
    assert not cleaned([]).rated.any()
