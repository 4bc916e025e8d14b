"""What must be true for any weather, any map and any order of rows."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from riskmap.climate import category, history
from riskmap.climate.evapotranspiration import thornthwaite
from riskmap.climate.indices import modules, spei, spi

RAIN = arrays(np.float64, (2, 240), elements=st.one_of(st.just(0.0), st.floats(0.01, 500)))
QUICK = settings(max_examples=30, deadline=None)


@QUICK
@given(RAIN, arrays(np.float64, (2, 240), elements=st.floats(0, 250)), st.integers(1, 12), st.integers(1, 12))
def test_indices_stay_in_their_range(rain: np.ndarray, pet: np.ndarray, first: int, months: int) -> None:
    for module in modules():
        needs = {"precipitation_mm": rain, "pet_mm": pet}
        score = module.compute(*(needs[n] for n in module.NEEDS), first_calendar_month=first,
                               accumulation_months=months)
        known = score[np.isfinite(score)]
        assert ((known >= module.RANGE[0]) & (known <= module.RANGE[1])).all()


@QUICK
@given(st.integers(0, 2**32 - 1), st.floats(0.1, 10))
def test_spi_does_not_depend_on_the_unit(seed: int, factor: float) -> None:
    rain = np.random.default_rng(seed).gamma(2, 40, (1, 360))
    when = {"first_calendar_month": 1, "accumulation_months": 3}
    np.testing.assert_allclose(spi.compute(rain * factor, **when), spi.compute(rain, **when), atol=1e-8)


@QUICK
@given(st.integers(0, 2**32 - 1), st.floats(0.1, 10), st.floats(-200, 200))
def test_spei_does_not_depend_on_scale_and_offset(seed: int, factor: float, offset: float) -> None:
    rng = np.random.default_rng(seed)
    rain, pet = rng.gamma(2, 40, (1, 360)), rng.uniform(0, 200, (1, 360))
    when = {"first_calendar_month": 1, "accumulation_months": 3}
    np.testing.assert_allclose(spei.compute(rain * factor + offset, pet * factor, **when),
                               spei.compute(rain, pet, **when), atol=1e-6)


@QUICK
@given(arrays(np.float64, (3, 120), elements=st.floats(-40, 45)), st.floats(-60, 60), st.integers(1, 12))
def test_evapotranspiration_is_zero_in_frost_never_less(warmth: np.ndarray, latitude: float, first: int) -> None:
    pet = thornthwaite(warmth, np.full(3, latitude), first_calendar_month=first)
    assert (pet >= 0).all()
    assert (pet[warmth <= 0] == 0).all()


@QUICK
@given(st.integers(0, 2**32 - 1), st.integers(0, 6), st.integers(1, 3))
def test_shares_of_any_map_sum_to_one_and_ignore_row_order(seed: int, n_strip: int, n_week: int) -> None:
    """Vertical strips side by side over two square cells."""
    rng = np.random.default_rng(seed)
    cells = np.array([shapely.box(-98, 32, -97, 33), shapely.box(-97, 32, -96, 33)])
    edges = np.sort(rng.uniform(-98.5, -95.5, n_strip + 1))
    polygons = np.array([shapely.box(a, 31, b, 34) for a, b in pairwise(edges)], dtype=object)
    classes, week = rng.integers(0, 5, n_strip), rng.integers(0, n_week, n_strip)
    share = category.shares(cells, polygons, classes, week, n_week, crs="EPSG:5070")
    assert (share >= 0).all()
    np.testing.assert_allclose(share.sum(axis=-1), 1, atol=1e-9)
    order = rng.permutation(n_strip)
    again = category.shares(cells, polygons[order], classes[order], week[order], n_week, crs="EPSG:5070")
    np.testing.assert_allclose(again, share, atol=1e-12)
    score = category.normal_score(share)
    assert (score <= category.SCORES.max() + 1e-9).all()
    assert (score >= category.SCORES.min() - 1e-9).all()


@QUICK
@given(arrays(np.bool_, (4, 2, 40)))
def test_every_month_from_the_first_record_on_has_a_source(known: np.ndarray) -> None:
    rain, pet, index, weekly = np.where(known, 1.5, np.nan)
    source, z = history.combine(rain, pet, index, weekly)
    recorded = known[0] & known[1]
    begun = np.logical_or.accumulate(recorded, axis=1)
    assert ((source > 0) == begun).all()
    assert ((source == 1) == recorded).all()
    assert (np.isfinite(z) == (source > 1)).all()
    assert (z[source == 4] == 0).all()
