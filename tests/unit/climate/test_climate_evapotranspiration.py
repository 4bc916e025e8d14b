"""Thornthwaite and its guard on values worked by hand."""

from __future__ import annotations

import numpy as np
import pytest

from riskmap.climate import evapotranspiration as et


def test_day_is_twelve_hours_at_the_equator_and_opposite_across_it() -> None:
    hours = et.daylight_hours(np.array([0.0, 40.0, -40.0, 80.0]))
    np.testing.assert_allclose(hours[0], 12.0)
    np.testing.assert_allclose(hours[1] + hours[2], 24.0)
    assert hours[3].min() == 0.0
    assert hours[3].max() == 24.0


def test_one_constant_climate_by_hand() -> None:
    """20 degC all year at the equator: I = 12 x 4^1.514 = 97.88, a = 2.141; PET = 16 (days/30) (200/97.88)^2.141."""
    pet = et.thornthwaite(np.full((1, 12), 20.0), np.array([0.0]), first_calendar_month=1)[0]
    heat = 12 * 4**1.514
    exponent = 6.75e-7 * heat**3 - 7.71e-5 * heat**2 + 1.792e-2 * heat + 0.49239
    assert heat == pytest.approx(97.88, abs=0.02)
    assert exponent == pytest.approx(2.141, abs=0.001)
    np.testing.assert_allclose(pet, 16 * et.DAYS / 30 * (200 / heat) ** exponent)
    assert pet[0] == pytest.approx(76.33, abs=0.05)


def test_first_calendar_month_only_shifts_the_year() -> None:
    year = 15 + 10 * np.sin(np.arange(24))[None]
    whole = et.thornthwaite(year, np.array([35.0]), first_calendar_month=1)
    shifted = et.thornthwaite(np.roll(year, -3, axis=1), np.array([35.0]), first_calendar_month=4)
    np.testing.assert_allclose(shifted[:, :21], whole[:, 3:])


def test_no_branch_in_hot_months() -> None:
    """Above 26.5 degC the same power law goes on: doubling of T/I gives 2^a."""
    warmth = np.array([[10.0] * 11 + [30.0]])
    pet = et.thornthwaite(warmth, np.array([0.0]), first_calendar_month=1)[0]
    heat = (11 * 2**1.514) + 6**1.514
    exponent = 6.75e-7 * heat**3 - 7.71e-5 * heat**2 + 1.792e-2 * heat + 0.49239
    assert pet[11] / pet[0] == pytest.approx(3**exponent)


def test_always_frozen_cell_has_none_and_unknown_stays_unknown() -> None:
    assert (et.thornthwaite(np.full((1, 12), -5.0), np.array([60.0]), first_calendar_month=1) == 0).all()
    gap = np.full((2, 24), 15.0)
    gap[0, 3] = np.nan
    gap[1, [3, 15]] = np.nan  # no April at all: the heat index is not known
    pet = et.thornthwaite(gap, np.array([30.0, 30.0]), first_calendar_month=1)
    assert np.flatnonzero(np.isnan(pet[0])).tolist() == [3]
    assert np.isnan(pet[1]).all()


def test_ratio_uses_only_months_with_both() -> None:
    ratio = et.ratio_to_thornthwaite(np.array([[150.0, np.nan, 50.0], [np.nan] * 3]), np.full((2, 3), 100.0))
    np.testing.assert_allclose(ratio, [1.0, np.nan])
