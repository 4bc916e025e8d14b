"""Published methods against printed values (documents: SOURCE of each module) and against awkward input."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from riskmap.estimates import as2870, beside, cole_volume, van_der_merwe_1964
from riskmap.evidence import published
from riskmap.evidence.published import (
    drought_severity_index,
    edge_penetration,
    expansion_index_d4829,
    fredlund_heave,
    house_limits,
    index_swell,
    keetch_byram_1968,
    moisture_index_suction,
    nelson_heave,
    palmer_1965,
    pti_edge,
    slab_on_mound,
    suction_profile,
    suction_units,
    swell_rate,
    thornthwaite_index,
)

ONE = np.zeros(1, dtype=np.int64)


def test_every_method_states_source_standing_and_whether_it_is_verified() -> None:
    assert len(published.METHODS) == 19
    for method in published.METHODS:
        assert method.standing in {"seen", "computed", "from memory"}
        assert isinstance(method.verified, bool)
        assert method.source
        assert method.title.endswith((".", "%"))
        assert method.as_dict()["name"] == method.name
    by_name = {m.name: m for m in published.METHODS}
    assert [name for name, m in by_name.items() if m.standing == "from memory" and m.verified] == []
    assert not by_name["as2870"].verified
    assert not by_name["van_der_merwe_1964"].verified
    assert by_name["cole_volume"].verified


def movement(index: float, change: float, depth: float, crack: float, bottom: float = 9.0) -> float:
    return float(as2870.surface_movement_mm(ONE, np.array([0.0]), np.array([bottom]), np.array([index]), 1,
                                            surface_change_pf=change, depth_m=depth, cracked_m=crack)[0])


@pytest.mark.parametrize(("index", "change", "depth", "crack", "printed", "site"), [
    (3.0, 1.2, 2.3, 1.725, 43.00, "H1"), (3.0, 1.2, 2.3, 1.150, 48.58, "H1"), (3.0, 1.2, 2.3, 2.300, 41.40, "H1"),
    (4.0, 1.2, 4.0, 3.000, 98.00, "E"), (2.5, 1.5, 1.5, 0.750, 33.75, "M"), (5.0, 1.2, 3.0, 2.250, 92.81, "E"),
])
def test_as2870_movement_and_class(index: float, change: float, depth: float, crack: float, printed: float,
                                   site: str) -> None:
    ours = movement(index, change, depth, crack)
    assert ours == pytest.approx(printed, abs=0.006)
    assert as2870.site_class(np.array([ours]))[0] == site


def test_as2870_layers_add_up_and_a_deeper_cracked_zone_moves_less() -> None:
    layers = as2870.surface_movement_mm(np.zeros(3, dtype=np.int64), np.array([0, 0.4, 1.2]), np.array([0.4, 1.2, 2.3]),
                                        np.array([1.0, 4.5, 3.0]), 1, surface_change_pf=1.2, depth_m=2.3,
                                        cracked_m=1.725)
    assert layers[0] == pytest.approx(43.62, abs=0.006)
    assert movement(3, 1.2, 2.3, 1.725) < movement(3, 1.2, 2.3, 1.15)
    assert movement(3, 1.2, 2.3, 9.0) == pytest.approx(41.40)  # cracked deeper than Hs is cracked to Hs
    assert movement(3, 1.2, 2.3, 1.15, bottom=0.0) == 0.0


def test_as2870_classes_depths_and_missing_values() -> None:
    classes = as2870.site_class(np.array([0.0, 0.1, 20, 20.1, 40, 60, 75, 75.1, np.nan]))
    assert list(classes) == ["A", "S", "S", "M", "M", "H1", "H2", "E", ""]
    np.testing.assert_array_equal(as2870.depth_of_suction_change_m(np.array([41.0, 11, 0, -6, -26, np.nan])),
                                  [1.5, 1.8, 2.3, 3.0, 4.0, np.nan])
    assert np.isnan(movement(np.nan, 1.2, 2.3, 1.15))
    np.testing.assert_allclose(as2870.shrink_index_from_lep(np.array([6.0])), 3.33, atol=0.004)  # 6 / 1.8


@pytest.mark.parametrize(("bounds_ft", "classes", "printed_in"), [
    ([0, 10], ["very high"], 5.939), ([0, 6, 10, 18, 24], ["high", "low", "very high", "high"], 4.092),
    ([0, 5, 12, 20], ["medium", "very high", "high"], 4.310), ([0, 2000], ["very high"], 8.686),
])
def test_van_der_merwe(bounds_ft: list[float], classes: list[str], printed_in: float) -> None:
    depth = 0.3048 * np.array(bounds_ft)
    unit = van_der_merwe_1964.unit_heave_of(np.array(classes, dtype=object))
    heave = van_der_merwe_1964.total_heave_mm(np.zeros(len(classes), dtype=np.int64), depth[:-1], depth[1:], unit, 1)
    assert heave[0] / 25.4 == pytest.approx(printed_in, abs=6e-4)


def test_van_der_merwe_factor_and_unknown_class() -> None:
    np.testing.assert_allclose(van_der_merwe_1964.depth_factor(0.3048 * np.array([0.5, 2.5, 4.5, 6.5, 8.5])),
                               [0.9441, 0.7499, 0.5957, 0.4732, 0.3758], atol=5.1e-5)
    assert np.isnan(van_der_merwe_1964.unit_heave_of(np.array(["Very High", "", None], dtype=object))).all()


def test_nelson_worked_sheet() -> None:
    layers = nelson_heave.layer_heave_m(np.ones(10), 21.55 * (np.arange(10) + 0.5), heave_index=0.0624,
                                        swelling_pressure_kpa=210.0)
    np.testing.assert_allclose(layers, [0.0805, 0.0507, 0.0369, 0.0277, 0.0209, 0.0155, 0.0110, 0.0071, 0.0037, 0.0007],
                               atol=1e-4)
    assert layers.sum() == pytest.approx(0.255, abs=5e-4)
    assert nelson_heave.potential_depth_m(swelling_pressure_kpa=210, unit_weight_kn_m3=21.55) == pytest.approx(9.745,
                                                                                                               abs=6e-4)
    assert nelson_heave.total_heave_m(heave_index=0.0624, swelling_pressure_kpa=210,
                                      unit_weight_kn_m3=21.55) == pytest.approx(0.2641, abs=5.1e-5)
    below = nelson_heave.layer_heave_m(np.ones(1), np.array([300.0]), heave_index=0.06, swelling_pressure_kpa=210.0)
    assert below[0] == 0.0


def test_fredlund_three_layers_and_exact() -> None:
    soil = {"swelling_index": 0.10, "void_ratio": 1.0, "swelling_pressure_kpa": 200.0}
    layers = fredlund_heave.layer_heave_m(np.array([0.5, 0.5, 1.0]), 18.0 * np.array([0.25, 0.75, 1.5]), **soil)
    np.testing.assert_allclose(1000 * layers, [41.20, 29.27, 43.48], atol=0.006)
    assert 100 * layers.sum() == pytest.approx(11.4, abs=0.05)
    assert 1000 * fredlund_heave.total_heave_m(2.0, unit_weight_kn_m3=18.0, **soil) == pytest.approx(117.90, abs=0.006)
    # many thin layers tend to the exact integral
    fine = np.full(2000, 0.001)
    thin = fredlund_heave.layer_heave_m(fine, 18.0 * (np.cumsum(fine) - 0.0005), **soil).sum()
    assert 1000 * thin == pytest.approx(117.90, abs=0.02)


def test_cole_volume_change() -> None:
    np.testing.assert_allclose(cole_volume.volume_change_pct(np.array([1.0, 3, 6, 10])), [3.03, 9.27, 19.10, 33.10],
                               atol=0.005)
    np.testing.assert_allclose(cole_volume.volume_change_pct(np.array([1.0, 3, 6, 10])), cole_volume.RATING_LIMITS_PCT,
                               atol=0.3)
    np.testing.assert_allclose(cole_volume.compression_index(np.array([9.0])), [0.0983], atol=6e-5)


def test_pti_factors_weights_and_range() -> None:
    ym = pti_edge.differential_movement_in(np.array([3.6, 3.6]), np.array([2.7, 4.5]), 0.05)
    np.testing.assert_allclose(ym, [1.035, -0.79], atol=1e-9)
    assert pti_edge.weighted_index(40, 30, 20) == pytest.approx(33.33, abs=0.005)
    assert pti_edge.weighted_index(20, 30, 40) == pytest.approx(26.67, abs=0.005)
    beyond = pti_edge.stress_change_factor(np.array([5.0, 2.0]), np.array([2.5, 3.9]))
    assert np.isnan(beyond).all()  # the table ends at 2.0 wetting and 1.8 drying
    assert pti_edge.stress_change_factor(np.array(3.5), np.array(3.5)) == 0.0


RAIN = np.array([50.0, 49, 66, 78, 100, 106, 88, 84, 86, 73, 56, 45])
DEMAND = np.array([0.0, 0, 5, 40, 84, 123, 145, 126, 85, 44, 8, 0])


def test_monthly_budget_of_rockford() -> None:
    budget = thornthwaite_index.water_budget(RAIN, DEMAND, 90.0)
    np.testing.assert_allclose(budget.storage, [90, 90, 90, 90, 90, 73, 16, 0, 1, 30, 78, 90])
    np.testing.assert_allclose(budget.actual, [0, 0, 5, 40, 84, 123, 145, 100, 85, 44, 8, 0])
    np.testing.assert_allclose(budget.deficit, [0, 0, 0, 0, 0, 0, 0, 26, 0, 0, 0, 0])
    np.testing.assert_allclose(budget.surplus, [50, 49, 61, 38, 16, 0, 0, 0, 0, 0, 0, 33])
    assert thornthwaite_index.index_1948(247, 26, 660) == pytest.approx(35.06, abs=0.006)
    assert thornthwaite_index.index_1955(247, 26, 660) == pytest.approx(33.48, abs=0.006)
    assert thornthwaite_index.index_2006(881, 660) == pytest.approx(35.11, abs=0.006)


@pytest.mark.parametrize("shift", [-60.0, -20.0, -0.05, 0.0, 0.05, 30.0])
@pytest.mark.parametrize("capacity", [20.0, 100.0, 1000.0])
def test_budget_is_steady_from_arid_to_humid(shift: float, capacity: float) -> None:
    rain = np.maximum(RAIN - 18.4167 + shift, 0.0)  # nearly balanced, then shifted
    budget = thornthwaite_index.water_budget(rain, DEMAND, capacity)
    assert budget.surplus.sum() - budget.deficit.sum() == pytest.approx(rain.sum() - DEMAND.sum(), abs=1e-6)
    assert (budget.storage >= 0).all()
    assert (budget.storage <= capacity).all()


def test_moisture_index_to_suction() -> None:
    index = np.array([-40.0, -20, 0, 20, 40])
    np.testing.assert_allclose(moisture_index_suction.exponential_pf(index), [4.37, 3.95, 3.56, 3.22, 2.91],
                               atol=0.0051)
    fine = suction_units.pf_from_kpa(moisture_index_suction.nchrp_fine_kpa(index, 50))
    np.testing.assert_allclose(fine, [4.25, 3.69, 3.28, 2.99, 2.77], atol=0.0051)


def test_suction_units_both_ways() -> None:
    pf = np.array([2.0, 3.2, 4.2, 7.0])
    np.testing.assert_allclose(suction_units.kpa_from_pf(pf), [9.81, 155.4, 1554, 980665], rtol=5e-4)
    np.testing.assert_allclose(suction_units.pf_from_kpa(suction_units.kpa_from_pf(pf)), pf)
    np.testing.assert_allclose(suction_units.pf_from_kpa(np.array([33.0, 1500])), [2.5270, 4.1846], atol=5.1e-5)


def test_suction_profile_and_strain() -> None:
    np.testing.assert_allclose(suction_profile.damping_depth_m(np.array([5e-5, 1e-3, 3.7e-3])), [0.224, 1.002, 1.928],
                               atol=6e-4)
    wave = suction_profile.periodic_pf(np.array([0.5, 1.0, 2.0]), np.array(0.25), mean_pf=3.6, amplitude_pf=0.9,
                                       diffusivity_cm2_s=1e-3)
    np.testing.assert_allclose(wave, [3.8615, 3.8788, 3.7115], atol=6e-5)
    assert 1000 * suction_profile.open_ground_range_m(vertical_share=0.5, compression_index=0.06, amplitude_pf=0.9,
                                                      diffusivity_cm2_s=1e-3) == pytest.approx(38.3, abs=0.05)
    for share, change, depth, shape, printed in ((0.5, 0.9, 1.0, "exponential", 27.0),
                                                 (0.5, 1.2, 2.3, "triangle", 41.4)):
        assert 1000 * suction_profile.strain_integral_m(
            vertical_share=share, compression_index=0.06, surface_change_pf=change, depth_m=depth,
            shape=shape) == pytest.approx(printed)
    alpha = suction_profile.pti_diffusivity_cm2_s(np.array([60.0, 80, 40]), np.array([35.0, 55, 20]),
                                                  np.array([85.0, 95, 60]), np.array([0.06, 0.10, 0.03]))
    np.testing.assert_allclose(alpha, [3.68e-3, 2.95e-3, 4.53e-3], atol=6e-6)


def test_edge_penetration_forms() -> None:
    np.testing.assert_allclose(edge_penetration.amplitude_ratio(np.array([0.5, 1, 2]), 1e-3), [0.2963, 0.1440, 0.0408],
                               atol=6e-5)
    assert edge_penetration.amplitude_ratio(np.array(0.0), 1e-3) == pytest.approx(1.0)
    assert edge_penetration.edge_distance_m(0.9, 3.7e-3) == pytest.approx(2.30, abs=0.006)
    assert edge_penetration.edge_distance_m(0.05, 3.7e-3) == 0.0  # never as large as the limit
    np.testing.assert_allclose(edge_penetration.step_fraction(np.array([0.25, 1, 4, 100])),
                               [0.0454, 0.1994, 0.3891, 0.7122],
                               atol=6e-5)


def test_slab_on_mound_forms() -> None:
    middle, end, moment = slab_on_mound.finite_central_load(12.0, 1e5, 1.03e8, 5e6)
    assert (1000 * middle, 1000 * end, moment / 1000) == pytest.approx((3.58603, -0.77562, 79.45), rel=1e-4)
    assert slab_on_mound.characteristic_per_m(1.03e8, 5e6) == pytest.approx(0.33191, abs=6e-6)
    assert slab_on_mound.infinite_point_load(1e5, 1.03e8, 5e6) == pytest.approx((3.3191e-3, 75320), rel=1e-4)
    np.testing.assert_allclose(slab_on_mound.undulation_transfer(np.array([6.0, 12, 24]), 1.03e8, 5e6),
                               [0.0388, 0.3924, 0.9118], atol=5.1e-5)
    for factor, printed in ((0.1, 27.540), (1, 19.176), (10, 4.802), (100, 0.565)):
        bend, level = slab_on_mound.parabolic_mound(12.0, 0.03, factor * 1.03e8, 5e6)
        assert 1000 * bend == pytest.approx(printed, abs=6e-4)
        assert 1000 * level == pytest.approx(20.0)


def test_swell_rate() -> None:
    assert swell_rate.serviceability_loss(2, 60, 0.10, 15) == pytest.approx(0.3123, abs=5.1e-5)
    np.testing.assert_allclose(swell_rate.swelled_share(np.array([1.0, 5, 20]), 0.04), [0.039, 0.181, 0.551], atol=6e-4)


def test_expansion_index() -> None:
    index = expansion_index_d4829.expansion_index(np.array([0.05, 0.12, 0.075]), np.array([1, 1, 1.25]))
    np.testing.assert_allclose(index, [50, 120, 60])
    assert list(expansion_index_d4829.expansion_class(np.array([20, 21, 50, 51, 90, 91, 130, 131]))) == [
        "very low", "low", "low", "medium", "medium", "high", "high", "very high"]
    np.testing.assert_allclose(expansion_index_d4829.at_half_saturation(np.array([60.0, 60, 110]),
                                                                        np.array([45.0, 55, 60])),
                               [56.4, 63.8, 120.9], atol=0.051)
    assert expansion_index_d4829.expansive_by_code(15, 11, 11)
    assert not expansion_index_d4829.expansive_by_code(15, 10, 11)
    assert expansion_index_d4829.expansive_by_code(0, 0, 0, 21)


def test_index_swell() -> None:
    index = np.array([10.0, 20, 35, 55])
    np.testing.assert_allclose(index_swell.seed_pct(index), [0.595, 3.228, 12.647, 38.10], atol=0.006)
    np.testing.assert_allclose(index_swell.chen_pct(index), [0.59, 1.37, 4.80, 25.7], atol=0.051)
    np.testing.assert_allclose(index_swell.vijayvergiya_pct(np.array([60.0, 75]), np.array([20.0, 25])), [9.81, 13.34],
                               atol=0.006)


def test_drought_numbers() -> None:
    assert drought_severity_index.severity_coverage(np.array([33.75, 14.50, 29.26, 21.69,
                                                              0.39])) == pytest.approx(239.24)
    before, z = np.array([-3.41, -4.36, -5.42, -5.13, -6.30]), np.array([-3.91, -4.52, -2.83, -4.23, -3.49])
    np.testing.assert_allclose(palmer_1965.palmer_next(before, z), [-4.36, -5.42, -5.80, -6.01, -6.82],
                               atol=0.02)
    np.testing.assert_allclose(
        keetch_byram_1968.increment(np.array([100.0, 400, 0]), np.array([90.0, 100, 80]), np.array([40.0, 30, 50])),
        [16.745, 11.965, 14.167], atol=6e-4)
    assert keetch_byram_1968.increment_mm(np.array(25.4), np.array(32.2222), np.array(1016.0)) == pytest.approx(4.256,
                                                                                                                abs=1e-3)


def test_house_limits() -> None:
    assert house_limits.deflection_limit_mm(12.192) == pytest.approx(33.87, abs=0.006)
    assert house_limits.tilt_limit_mm(12.192) == pytest.approx(121.9, abs=0.051)
    assert [house_limits.footing_limit_mm(6, wall) for wall in house_limits.FOOTING_LIMITS] == pytest.approx([20, 15,
                                                                                                              10, 7.5,
                                                                                                              3])
    assert [house_limits.footing_limit_mm(18, wall) for wall in house_limits.FOOTING_LIMITS] == pytest.approx([40, 30,
                                                                                                               20, 15,
                                                                                                               9])
    assert list(house_limits.strain_category(np.array([0.0, 0.05, 0.075, 0.15,
                                                       0.3]))) == list(house_limits.STRAIN_NAMES)
    assert house_limits.tree_radius_m(25, "high") == 31.25
    with pytest.raises(KeyError):
        house_limits.tree_radius_m(25, "thirsty")


# ---------------------------------------------------------------- beside our own numbers
def profiles(**change: object) -> tuple[pd.DataFrame, pd.DataFrame]:
    profile = pd.DataFrame({"profile_id": [4, 7], "rock_depth_m": [np.inf, 0.8]})
    layer = pd.DataFrame({"profile_id": [7, 4, 4, 7, 4, 4, 7], "top_m": [0.15, 0, 0.15, 0, 0.60, 1.3, 0.60],
                          "bottom_m": [0.60, 0.15, 0.60, 0.15, 1.30, 2.0, 0.80],
                          "lep_low_pct": 1.0, "lep_pct": [9.5, 5.0, 9.5, 5.0, 11.0, 7.0, 11.0], "lep_high_pct": 20.0})
    return profile, layer.assign(**change)


def test_beside_gives_one_row_per_profile_in_order() -> None:
    table = beside.beside(*profiles())
    assert table["profile_id"].tolist() == [4, 7]
    # weighted means 10.300 and, above rock at 0.8 m, 10.045 (by hand)
    np.testing.assert_allclose(table["volume_change_cole_pct"], 100 * (np.array([1.103, 1.10045]) ** 3 - 1),
                               atol=0.002)  # 10.045 is printed rounded
    assert table["van_der_merwe_heave_mm"].isna().all()
    assert table["published_reason"].str.contains("chart was not seen").all()
    assert set(beside.NOTES) == set(table.columns) - {"profile_id", "published_reason"}


def test_beside_movement_is_the_sum_over_the_stretched_profile() -> None:
    table = beside.beside(*profiles())
    edges, lep = np.array([0, 0.15, 0.60, 1.30, 2.3]), np.array([5.0, 9.5, 11.0, 7.0])
    z = (np.arange(230_000) + 0.5) / 100_000
    alpha = np.where(z < 1.15, 1.0, 2.0 - z / 5)
    density = 10 * 1.2 * (1 - z / 2.3) * alpha * lep[np.searchsorted(edges, z, side="right") - 1] / 1.8
    assert table["as2870_surface_movement_mm"][0] == pytest.approx(density.sum() / 100_000, rel=1e-4)
    above_rock = density[z < 0.8].sum() / 100_000
    assert table["as2870_surface_movement_mm"][1] == pytest.approx(above_rock, rel=1e-4)  # nothing below rock
    assert table["as2870_class"].tolist() == ["E", "M"]  # above 75 and 20-40 mm


def test_beside_a_drier_climate_moves_deeper() -> None:
    wet, dry = (beside.beside(*profiles(), moisture_index=index)["as2870_surface_movement_mm"] for index in (20,
                                                                                                                -30))
    assert dry[0] > wet[0]


def test_beside_missing_extensibility_gives_no_number() -> None:
    profile, layer = profiles()
    layer.loc[(layer["profile_id"] == 4) & (layer["top_m"] == 0.60), "lep_pct"] = np.nan
    table = beside.beside(profile, layer)
    assert np.isnan(table["volume_change_cole_pct"][0])
    assert np.isnan(table["as2870_surface_movement_mm"][0])
    assert table["as2870_class"][0] == ""
    assert table["published_reason"][0].startswith("no linear extensibility for every layer")
    assert np.isfinite(table["as2870_surface_movement_mm"][1])
    lonely = beside.beside(pd.DataFrame({"profile_id": [1], "rock_depth_m": [np.nan]}), layer)
    assert lonely.loc[0, ["volume_change_cole_pct", "as2870_surface_movement_mm"]].isna().all()


def test_beside_zero_extensibility_is_class_a() -> None:
    table = beside.beside(*profiles(lep_pct=0.0))
    assert table["as2870_surface_movement_mm"].tolist() == [0.0, 0.0]
    assert table["as2870_class"].tolist() == ["A", "A"]


def test_beside_uses_given_classes_for_van_der_merwe() -> None:
    table = beside.beside(*profiles(potential_expansiveness="high"))
    whole = 1000 / 24 * (1 - 10 ** (-2.0 / 6.096)) * 6.096 / np.log(10)
    assert table["van_der_merwe_heave_mm"][0] == pytest.approx(whole)
    assert table["published_reason"].tolist() == ["", ""]
    unknown = beside.beside(*profiles(potential_expansiveness="awful"))
    assert unknown["van_der_merwe_heave_mm"].isna().all()
