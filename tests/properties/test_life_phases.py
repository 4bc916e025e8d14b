"""The phases of a slab's life for any modes: a share between 0 and 1, and no way back."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from riskmap.movement import life

modes = st.lists(st.tuples(st.floats(-1, 1), st.floats(0.001, 2.0), st.floats(-1, 1)), min_size=1, max_size=12)


@settings(max_examples=150, deadline=None)
@given(modes=modes, constant=st.floats(0.1, 5.0))
def test_with_the_weather_fixed_no_slab_goes_back(modes: list[tuple[float, float, float]], constant: float) -> None:
    delta, rate, usual = (np.array(column) for column in zip(*modes, strict=True))
    row, decay = np.ones(delta.size), np.exp(-rate)
    whole = life.whole_rise(row, delta, usual)
    phases = []
    for age in range(0, 240, 3):
        left = delta * decay**age
        share = life.share_reached(left.sum(), whole)
        resting = whole == 0 or life.rests(left, decay, whole)
        assert 0 <= share <= 1
        assert not resting or share >= life.GROWN_SHARE - 1e-9
        phases.append(life.phase(life.settled(age, constant), resting))
    assert (np.diff(phases) >= 0).all()
    assert phases[0] == life.SETTLING


@settings(max_examples=100, deadline=None)
@given(modes=modes, low=st.floats(0.05, 0.94), scale=st.floats(0.01, 100.0))
def test_a_larger_share_takes_longer_and_size_does_not_matter(modes: list[tuple[float, float, float]], low: float,
                                                              scale: float) -> None:
    delta, rate, usual = (np.array(column) for column in zip(*modes, strict=True))
    decay = np.exp(-rate)
    whole = np.array([max(abs(delta.sum()), abs(usual.sum()))])
    years = [life.years_to(share, delta[None], decay, whole)[0] for share in (low, life.GROWN_SHARE)]
    assert np.isnan(years[1]) or years[0] <= years[1]
    many = life.years_to(life.GROWN_SHARE, scale * delta[None], decay, scale * whole)[0]
    assert np.isnan(years[1]) or abs(many - years[1]) <= 1 / 12  # a tie in the last month may fall either way
