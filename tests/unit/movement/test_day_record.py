"""A record by day steps in which some months are known only by an index."""

from __future__ import annotations

import numpy as np
import pytest

from riskmap.movement import day_record, day_steps

FIRST, MONTHS = 12 * 1990, 240
CALENDAR = (FIRST + np.arange(MONTHS)) % 12
RNG = np.random.default_rng(7)
RAIN = RNG.gamma(2, 40, MONTHS)
DAYS = day_steps.from_months(RAIN, 18 - 11 * np.cos(2 * np.pi * CALENDAR / 12), first_month=FIRST, latitude_deg=33.0)


def drawn(**other: float) -> day_record.Drawn:
    """Return two draws: the default, and another."""
    two = {"no_stress_share": (0.6, 0.45), "curve_number": (74, 80), "capacity_mm": (150, 110), "low": (0.05, 0.0),
           "high": (0.95, 0.9), "wet_pf": (2.9, 3.0), "dry_pf": (4.3, 4.5), "pet_scale": (1, 1.2)}
    return day_record.Drawn(**{name: np.array(values, float) for name, values in {**two, **other}.items()})


def run(measured: np.ndarray, score: float = 0.0, days: day_steps.Days = DAYS) -> np.ndarray:
    return day_record.suction(days, measured, np.full((2, measured.size), score), calendar=CALENDAR[: measured.size],
                              use=measured, drawn=drawn(), slope=0.8)


def test_a_whole_record_is_the_bucket_alone() -> None:
    every = np.ones(MONTHS, bool)
    both = drawn()
    assert (run(every) == both.suction(both.run(DAYS, np.ones(2)))).all()
    assert (run(every, score=3.0) == run(every)).all()


def test_an_index_moves_its_months_by_the_draws_own_season() -> None:
    measured = np.ones(MONTHS, bool)
    measured[200:212] = False
    usual, wet = run(measured), run(measured, score=1.0)
    whole = run(np.ones(MONTHS, bool))
    assert (usual[:, :200] == whole[:, :200]).all()
    for d in range(2):
        for m in range(200, 212):
            same = whole[d, :][measured & (CALENDAR[m] == CALENDAR)]
            # the months behind the gap begin from the index, which the mean of the season is made without
            assert usual[d, m] == pytest.approx(same.mean(), abs=0.05)
            assert wet[d, m] <= usual[d, m]
    limits = drawn()
    assert (wet >= limits.wet_pf[:, None]).all()
    assert (wet <= limits.dry_pf[:, None]).all()
    assert (wet[:, 200:212] < usual[:, 200:212] - 0.05).all(axis=0).any()


def test_the_bucket_goes_on_from_the_suction_of_the_last_index_month() -> None:
    measured = np.ones(MONTHS, bool)
    measured[200:206] = False
    both = drawn()
    for score in (-1.5, 1.5):
        out = run(measured, score)
        start = both.low + (both.high - both.low) * (both.dry_pf - out[:, 205]) / (both.dry_pf - both.wet_pf)
        rest = both.suction(both.run(DAYS.take(np.arange(206, MONTHS)), start))
        assert (out[:, 206:] == rest).all()
    dry, wet = run(measured, -3.0), run(measured, 3.0)
    assert (dry[:, 205] > wet[:, 205] + 0.3).all()
    assert (dry[:, 206] > wet[:, 206]).all()


def test_a_restart_at_either_limit_is_the_filling_of_that_limit() -> None:
    both = drawn()
    assert both.filling_at(both.dry_pf) == pytest.approx(both.low)
    assert both.filling_at(both.wet_pf) == pytest.approx(both.high)


def test_rain_of_months_that_are_not_measured_is_not_used() -> None:
    measured = np.ones(MONTHS, bool)
    measured[100:130] = False
    flood = RAIN.copy()
    flood[100:130] = 900.0
    other = day_steps.from_months(flood, 18 - 11 * np.cos(2 * np.pi * CALENDAR / 12), first_month=FIRST,
                                  latitude_deg=33.0)
    assert (run(measured, days=other) == run(measured)).all()
    assert not (run(np.ones(MONTHS, bool), days=other) == run(np.ones(MONTHS, bool))).all()


def test_a_record_may_begin_with_the_index() -> None:
    measured = np.ones(MONTHS, bool)
    measured[:5] = False
    out = run(measured)
    assert np.isfinite(out).all()
    both = drawn()
    rest = both.suction(both.run(DAYS.take(np.arange(5, MONTHS)), both.filling_at(out[:, 4])))
    assert (out[:, 5:] == rest).all()
