"""The estimate from clay and exchange capacity: never negative, rising with both, silent outside its range."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from riskmap.soil import pedotransfer as pt

NAN = np.nan
CLAY = st.floats(*pt.CLAY_RANGE_PCT)
CEC = st.floats(*pt.CEC_RANGE_CMOL_KG)


def one(clay: float, cec: float) -> float:
    return float(pt.lep_from_clay_and_cec(np.array([clay]), np.array([cec]))[0])


def test_value_worked_by_hand():
    """exp(ln 0.02375 + 0.8814 ln 40 + 0.7469 ln 28) = exp(-3.7402 + 3.2514 + 2.4888) = exp(2.0000) = 7.389."""
    assert one(40, 28) == pytest.approx(7.389, abs=0.003)
    assert pt.standard_error(np.array([4.0]))[0] == pytest.approx(1.412)


@pytest.mark.parametrize(("clay", "cec"), [
    (NAN, 20), (30, NAN), (4.8, 5), (65.9, 40), (50, 41.1), (6, 4.4), (40, 13.5), (20, 24.3), (0, 0), (0, 10),
    (-30, 20), (30, -20), (np.inf, 20), (30, np.inf)])
def test_nothing_outside_the_range(clay, cec):
    assert np.isnan(one(clay, cec))


@pytest.mark.parametrize(("clay", "cec"), [(4.9, 4.5), (65.8, 41.0), (50, 17.0), (20, 24.2)])
def test_the_corners_of_the_range_belong_to_it(clay, cec):
    assert one(clay, cec) > 0


@given(CLAY, CLAY, CEC, CEC)
def test_rises_with_both_inputs_and_stays_below_the_largest_sample(clay, more_clay, cec, more_cec):
    """The largest of the laboratory values is 17.9 %."""
    low = one(min(clay, more_clay), min(cec, more_cec))
    high = one(max(clay, more_clay), max(cec, more_cec))
    if np.isfinite(low) and np.isfinite(high):
        assert 0 < low <= high < 17.9


def test_shapes_are_kept_and_inputs_unchanged():
    clay, cec = np.array([[30.0, 90.0], [NAN, 40.0]]), np.array([[20.0, 20.0], [20.0, 28.0]])
    before = clay.copy(), cec.copy()
    assert np.isnan(pt.lep_from_clay_and_cec(clay, cec)).tolist() == [[False, True], [True, False]]
    np.testing.assert_array_equal((clay, cec), before)
    assert pt.lep_from_clay_and_cec(np.array([]), np.array([])).shape == (0,)
