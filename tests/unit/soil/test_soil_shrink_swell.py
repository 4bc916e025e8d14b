"""Class, rating and window means on hand-made profiles."""

from __future__ import annotations

import numpy as np
import pytest

from riskmap.soil import shrink_swell as ss

# An invented profile, means computed by hand: 0-15: 5.0; 15-60: 9.5; 60-130: 11.0; 130-200: 7.0.
TOP = np.array([0.0, 15, 60, 130])
BOTTOM = np.array([15.0, 60, 130, 200])
LEP = np.array([5.0, 9.5, 11.0, 7.0])
ONE = np.zeros(4, np.int64)


@pytest.mark.parametrize(("upper", "lower", "expected"), [
    (0, 100, 9.425), (25, 100, 10.300), (25, 150, 9.940), (0, 152, 9.385), (0, 200, 8.812)])
def test_window_means_of_the_check_profile(upper, lower, expected):
    mean = ss.window_mean(ONE, TOP, BOTTOM, LEP, 1, window_top_cm=upper, window_bottom_cm=lower)
    assert mean[0] == pytest.approx(expected, abs=6e-4)


def test_bedrock_at_80_cm_cuts_the_window():
    """By hand: (35 * 9.5 + 20 * 11) / 55 = 10.045."""
    mean = ss.window_mean(ONE, TOP, np.minimum(BOTTOM, 80.0), LEP, 1, window_top_cm=25, window_bottom_cm=100)
    assert mean[0] == pytest.approx(10.045, abs=6e-4)


def test_layers_without_value_take_no_part_and_empty_windows_are_unknown():
    lep = np.array([5.0, np.nan, 11.0, 7.0])
    assert ss.window_mean(ONE, TOP, BOTTOM, lep, 1, window_top_cm=0, window_bottom_cm=75)[0] == pytest.approx(8.0)
    assert np.isnan(ss.window_mean(ONE, TOP, BOTTOM, LEP, 2, window_top_cm=0, window_bottom_cm=75)[1])
    assert np.isnan(ss.window_mean(ONE, TOP, BOTTOM, LEP, 1, window_top_cm=300, window_bottom_cm=400)[0])


def test_each_profile_may_have_its_own_window():
    profile = np.repeat([0, 1], 4)
    mean = ss.window_mean(profile, np.tile(TOP, 2), np.tile(BOTTOM, 2), np.tile(LEP, 2), 2,
                          window_top_cm=np.array([0.0, 60.0]), window_bottom_cm=np.array([15.0, 130.0]))
    assert mean == pytest.approx([5.0, 11.0])


@pytest.mark.parametrize(("lep", "name"), [
    (0.0, "low"), (2.999, "low"), (3.0, "moderate"), (5.999, "moderate"), (6.0, "high"), (8.999, "high"),
    (9.0, "very high"), (18.0, "very high"), (np.nan, "")])
def test_boundary_belongs_to_the_higher_class(lep, name):
    assert ss.shrink_swell_class(np.array([lep]))[0] == name


@pytest.mark.parametrize(("third_bar", "oven_dry", "lep", "name"), [
    (1.30, 1.55, 6.04, "high"), (1.10, 1.75, 16.74, "very high"), (1.45, 1.58, 2.90, "low"),
    (1.20, 1.70, 12.31, "very high")])
def test_bulk_density_table(third_bar, oven_dry, lep, name):
    """Clod densities (computed from the equation of method.md, section 2)."""
    value = ss.lep_from_bulk_density(np.array([third_bar]), np.array([oven_dry]))
    assert value[0] == pytest.approx(lep, abs=0.006)
    assert ss.shrink_swell_class(value)[0] == name


def test_bulk_densities_in_the_wrong_order_give_no_value():
    value = ss.lep_from_bulk_density(np.array([1.5, np.nan, 0.0]), np.array([1.4, 1.5, 1.5]))
    assert np.isnan(value).all()


@pytest.mark.parametrize(("lep", "expected"), [
    (3.0, 0.0), (-1.0, 0.0), (4.505, 0.5), (6.01, 1.0), (17.0, 1.0),
    (4.0, 2 * (1.0 / 3.01) ** 2), (5.0, 1 - 2 * (1.01 / 3.01) ** 2)])
def test_rating_curve(lep, expected):
    """method.md, section 2: the sigmoid between 3 and 6.01 written with (x - 3) and (x - 6.01)."""
    assert ss.rating(np.array([lep]))[0] == pytest.approx(expected, abs=1e-12)


def test_unknown_extensibility_has_no_rating():
    assert np.isnan(ss.rating(np.array([np.nan]))[0])
