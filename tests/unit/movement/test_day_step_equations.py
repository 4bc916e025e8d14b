"""The driver by day steps: calendar, rain a week, missing months, limits, draws."""

from __future__ import annotations

import numpy as np
import pytest

from riskmap.movement import day_steps, oudin

JANUARY_2020 = 12 * 2020


def steps(days: day_steps.Days, *, p: float = 0.6, cn: float = 74.0, capacity: float = 150.0, scale: float = 1.0,
          start: float = 0.5) -> np.ndarray:
    given = (np.array([v]) for v in (p, cn, capacity, scale, start))
    return day_steps.filling(days.rain_mm, days.pet_mm, days.month_stop, *given)[0]


def test_months_have_their_own_number_of_days() -> None:
    assert day_steps.days_in_months(JANUARY_2020, 14).tolist() == [31, 29, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31, 31,
                                                                   28]
    assert day_steps.days_in_months(12 * 1900 + 1, 1).tolist() == [28]
    day = day_steps.days_of_year(JANUARY_2020, 14)
    assert (day[0], day[59], day[365], day[366], day[-1], day.size) == (1, 60, 366, 1, 59, 366 + 59)


@pytest.mark.parametrize(("n", "days"), [(28, [3, 10, 17, 24]), (29, [3, 10, 18, 25]), (30, [3, 11, 18, 26]),
                                         (31, [3, 11, 19, 27])])
def test_a_rain_a_week_falls_on_the_floor_of_k_and_a_half_quarters(n: int, days: list[int]) -> None:
    assert days == [int(np.floor((k + 0.5) * n / 4)) for k in range(4)]
    rain = day_steps.rain_a_week(np.array([50.0, 80.0]), np.array([31, n]))
    assert np.flatnonzero(rain[31:]).tolist() == days
    assert set(rain[31:][days]) == {20.0}
    assert rain[:31].sum() == 50.0


def test_an_unknown_month_keeps_the_filling_and_leaves_its_neighbours_alone() -> None:
    rain, warmth = np.array([60.0, np.nan, 60.0]), np.array([10.0, 12.0, 14.0])
    days = day_steps.from_months(rain, warmth, first_month=JANUARY_2020, latitude_deg=33.0)
    assert np.isnan(days.rain_mm[31:60]).all()
    assert np.isnan(days.pet_mm[31:60]).all()
    s = steps(days)
    assert s[1] == s[0]
    assert np.isfinite(s).all()
    cold = day_steps.from_months(np.full(3, 60.0), np.array([10.0, np.nan, 14.0]), first_month=JANUARY_2020,
                                 latitude_deg=33.0)
    assert steps(cold) == pytest.approx(s, abs=1e-15)


def test_one_missing_day_makes_its_month_unknown() -> None:
    rain, warmth = np.zeros(60), np.full(60, 20.0)
    rain[40] = np.nan
    days = day_steps.from_days(rain, warmth, first_month=JANUARY_2020, n_month=2, latitude_deg=33.0)
    assert np.isnan(days.rain_mm).tolist() == [False] * 31 + [True] * 29
    with pytest.raises(ValueError, match="60 days of rain and 59 of temperature for 2 months of 60 days"):
        day_steps.from_days(rain, warmth[1:], first_month=JANUARY_2020, n_month=2, latitude_deg=33.0)


def test_a_day_in_the_order_rain_overflow_evapotranspiration() -> None:
    days = day_steps.Days(np.array([100.0]), np.array([4.0]), np.array([1]))
    retention = 25400 / 74 - 254
    runs_off = (100 - 0.2 * retention) ** 2 / (100 + 0.8 * retention)
    assert day_steps.runoff(100.0, 74.0) == pytest.approx(runs_off)
    assert steps(days, start=0.1)[0] == pytest.approx((15 + 100 - runs_off - 4) / 150)
    assert steps(days, start=0.9)[0] == pytest.approx((150 - 4) / 150)
    dry = day_steps.Days(np.zeros(1), np.array([4.0]), np.array([1]))
    assert steps(dry, start=0.2)[0] == pytest.approx((30 - 4 * 0.2 / 0.4) / 150)
    assert day_steps.runoff(0.2 * retention, 74.0) == 0.0


def test_the_store_never_leaves_its_bounds_and_water_is_kept() -> None:
    rng = np.random.default_rng(3)
    rain = np.where(rng.random(3652) < 0.2, rng.gamma(0.6, 20, 3652), 0.0)
    days = day_steps.from_days(rain, 15 + 12 * np.sin(np.arange(3652) / 58), first_month=12 * 2010, n_month=120,
                               latitude_deg=31.0)
    s = steps(days)
    assert 0 <= s.min() < s.max() <= 1
    assert steps(days, scale=1.4).mean() < s.mean() - 0.02  # semi-arid factor
    assert steps(days, cn=90.0).mean() < s.mean() - 0.01
    assert steps(days, capacity=1e6, start=0.5)[-1] * 1e6 == pytest.approx(
        5e5 + rain.sum() - day_steps.runoff_sum(rain, 74.0) - days.pet_mm.sum(), rel=1e-12)


def test_every_draw_is_what_it_is_alone() -> None:
    months = np.random.default_rng(5).gamma(2, 40, 48)
    days = day_steps.from_months(months, np.full(48, 18.0), first_month=JANUARY_2020, latitude_deg=33.0)
    drawn = (np.array([0.4, 0.7]), np.array([70.0, 82.0]), np.array([100.0, 200.0]), np.array([1.0, 1.2]),
             np.array([0.2, 1.0]))
    both = day_steps.filling(days.rain_mm, days.pet_mm, days.month_stop, *drawn)
    assert both.shape == (2, 48)
    for d in range(2):
        p, cn, capacity, scale, start = (float(v[d]) for v in drawn)
        assert (both[d] == steps(days, p=p, cn=cn, capacity=capacity, scale=scale, start=start)).all()


def test_suction_between_the_limits_and_the_filling_that_belongs_to_it() -> None:
    limits = {"wet_pf": np.array([[2.9], [2.8]]), "dry_pf": 4.3, "low": np.array([[0.05], [0.0]]),
              "high": np.array([[0.95], [1.0]])}
    s = np.array([[0.0, 0.05, 0.5, 0.95, 1.0], [0.0, 0.25, 0.5, 0.75, 1.0]])
    u = day_steps.suction(s, **limits)
    assert u == pytest.approx(np.array([[4.3, 4.3, 3.6, 2.9, 2.9], [4.3, 3.925, 3.55, 3.175, 2.8]]))
    assert day_steps.filling_at(u, **limits) == pytest.approx(np.clip(s, limits["low"], limits["high"]))


def test_a_restart_goes_on_from_the_suction_of_the_index() -> None:
    days = day_steps.Days(np.zeros(1), np.zeros(1), np.array([1]))
    start = float(day_steps.filling_at(3.3, wet_pf=2.9, dry_pf=4.3, low=0.05, high=0.95))
    goes_on = day_steps.suction(steps(days, start=start), wet_pf=2.9, dry_pf=4.3, low=0.05, high=0.95)
    assert goes_on[0] == pytest.approx(3.3, abs=1e-12)


def test_taking_months_keeps_their_days() -> None:
    days = day_steps.from_months(np.arange(1.0, 15.0), np.full(14, 10.0), first_month=JANUARY_2020, latitude_deg=33.0)
    taken = days.take(np.array([1, 12, 1]))
    assert np.diff(np.concatenate([[0], taken.month_stop])).tolist() == [29, 31, 29]
    assert [taken.rain_mm[:29].sum(), taken.rain_mm[29:60].sum(), taken.rain_mm[60:].sum()] == [2.0, 13.0, 2.0]
    assert (taken.pet_mm[:29] == taken.pet_mm[60:]).all()
    whole = days.take(np.arange(14))
    assert (whole.rain_mm == days.rain_mm).all()
    assert (whole.month_stop == days.month_stop).all()


def test_months_unknown_by_days_come_from_the_monthly_record() -> None:
    rain = np.where(np.arange(60) == 40, np.nan, 1.0)
    by_days = day_steps.from_days(rain, np.full(60, 20.0), first_month=JANUARY_2020, n_month=2, latitude_deg=33.0)
    by_months = day_steps.from_months(np.array([80.0, 40.0]), np.array([5.0, 6.0]), first_month=JANUARY_2020,
                                      latitude_deg=33.0)
    both = by_days.or_else(by_months)
    assert both.rain_mm[:31].tolist() == [1.0] * 31
    assert both.rain_mm[31:].tolist() == by_months.rain_mm[31:].tolist()
    assert both.pet_mm[:31].tolist() == by_days.pet_mm[:31].tolist()
    assert both.pet_mm[31:].tolist() == by_months.pet_mm[31:].tolist()


def test_radiation_of_the_document_and_evapotranspiration() -> None:
    # FAO Irrigation and Drainage Paper 56, example 8: 3 September (day 246) at 20 degrees south, 32.2 MJ/m2/day
    assert oudin.extraterrestrial_radiation(-20.0, np.array([246]))[0] == pytest.approx(32.2, abs=0.05)
    assert oudin.extraterrestrial_radiation(80.0, np.array([355]))[0] == pytest.approx(0.0, abs=1e-12)
    pet = oudin.evapotranspiration(np.array([-12.0, -5.0, 20.0, np.nan]), np.full(4, 40.0))
    assert pet[:3] == pytest.approx([0.0, 0.0, 40 * 25 / 245])
    assert np.isnan(pet[3])
