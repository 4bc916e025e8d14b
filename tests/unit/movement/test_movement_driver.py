"""The driver of a cell: rule for the equilibrium, past years, awkward records."""

from __future__ import annotations

import numpy as np
import pytest
from test_movement_kernels import CLIMATE, weather

from riskmap.common.settings import ClimateSettings, MovementSettings
from riskmap.movement import day_steps, draws, driver, surface

STILL = MovementSettings(draws=40, equilibrium_common_sd_pf=0.0, equilibrium_lot_sd_pf=0.0)


def wet_weather():
    history = weather()
    history.precipitation_mm = history.precipitation_mm * 3 + 40
    return history


def test_equilibrium_follows_the_rule_without_another_clip() -> None:
    """In wet weather the rule goes below 2.9 pF with the drawn wet limit; only the guard may stop it."""
    drawn = draws.make(STILL)
    made = driver.make(wet_weather(), 0, drawn, CLIMATE, STILL)
    for d in range(0, 40, 7):
        rule = surface.equilibrium(made.suction_pf[d, made.record :], window=9, percentile=3.0)
        assert abs(made.equilibrium_pf[d] - rule) < 0.01
    assert made.equilibrium_pf.min() < 2.85


def test_equilibrium_scales_with_the_drawn_limits() -> None:
    drawn = draws.make(STILL)
    made = driver.make(weather(), 0, drawn, CLIMATE, STILL)
    filling = (drawn.dry_limit_pf - made.equilibrium_pf) / (drawn.dry_limit_pf - drawn.wet_limit_pf)
    assert ((filling > 0) & (filling <= 1)).all()


def test_replays_start_in_the_present_calendar_month_and_end_inside_the_record() -> None:
    drawn = draws.make(MovementSettings())
    made = driver.make(weather(), 0, drawn, CLIMATE, MovementSettings())
    assert ((made.now - made.starts) % 12 == 0).all()
    assert (made.starts >= made.record).all()
    assert (made.starts + 12 <= made.now).all()
    used = np.bincount(made.starts[:, :3].ravel())
    used = used[used > 0]
    assert used.max() - used.min() <= 1  # every past year equally often
    assert len(set(made.whatif_years)) == 3


def test_repeated_years_keep_the_calendar() -> None:
    history = weather(years=20, first_year=2001)
    drawn = draws.make(STILL)
    made = driver.make(history, 0, drawn, CLIMATE, STILL)
    assert made.first_month % 12 == history.first_month % 12
    assert made.record == 12 * CLIMATE.spin_up_years
    repeated = made.suction_pf[:, made.record - 216 : made.record]  # the same years run again, one start apart
    assert np.abs(repeated - made.suction_pf[:, -216:]).max() < 0.02


def test_wetter_weather_gives_lower_suction_in_every_draw() -> None:
    drawn = draws.make(STILL)
    dry, wet = (driver.make(h, 0, drawn, CLIMATE, STILL).suction_pf.mean(axis=1) for h in (weather(), wet_weather()))
    assert (wet < dry).all()


# ---------------------------------------------------------------- which driver
DAY, MONTH = (ClimateSettings(driver=one) for one in ("day", "month"))


@pytest.mark.parametrize("count", [20, 25, 200])
def test_every_second_draw_uses_the_monthly_bucket_and_none_uses_both(count: int) -> None:
    settings = MovementSettings(draws=count)
    drawn, history = draws.make(settings), weather()
    both, day, month = (driver.make(history, 0, drawn, one, settings) for one in (CLIMATE, DAY, MONTH))
    monthly = driver.by_month(drawn, CLIMATE)
    assert monthly.sum() == count // 2
    np.testing.assert_array_equal(both.suction_pf, np.where(monthly[:, None], month.suction_pf, day.suction_pf))
    np.testing.assert_array_equal(both.equilibrium_pf, np.where(monthly, month.equilibrium_pf, day.equilibrium_pf))
    assert np.abs(day.suction_pf - month.suction_pf).max(axis=1).min() > 0.05
    assert (both.facts["draws_by_day_steps"], both.facts["draws_by_month"]) == (count - count // 2, count // 2)


def test_the_middle_draw_uses_day_steps_unless_the_bucket_is_set() -> None:
    one = draws.middle(STILL)
    assert [bool(driver.by_month(one, climate)[0]) for climate in (CLIMATE, DAY, MONTH)] == [False, False, True]


def test_new_streams_leave_the_former_ones_as_they_were() -> None:
    """Number and seed of the 24 former streams are as they were before there were day steps."""
    found = draws.stratified(200, 20240501)
    assert draws.PARAMETERS[23:] == ("sides", "no_stress_share", "curve_number", "low_filling", "high_filling",
                                     "driver")
    for number, name in enumerate(draws.PARAMETERS[:24]):
        rng = np.random.default_rng([20240501, number])
        np.testing.assert_array_equal(found[name], (rng.permutation(200) + rng.random(200)) / 200)


def test_dryness_is_judged_by_the_monthly_bucket_whatever_the_driver() -> None:
    history = weather()
    history.precipitation_mm = history.precipitation_mm * 0.75
    drawn = draws.make(STILL)
    made = {one.driver: driver.make(history, 0, drawn, one, STILL) for one in (CLIMATE, DAY, MONTH)}
    assert len({found.facts["mean_filling"] for found in made.values()}) == 1
    assert {"semi_arid_driver_untested" in found.flags for found in made.values()} == {True}
    history.precipitation_mm = history.precipitation_mm * 0.2
    for climate in (CLIMATE, DAY, MONTH):
        assert "too dry" in driver.make(history, 0, drawn, climate, STILL).state


def test_the_semi_arid_factor_multiplies_the_day_steps_evapotranspiration() -> None:
    history = weather()
    history.precipitation_mm = history.precipitation_mm * 0.75
    drawn = draws.make(STILL)
    made = driver.make(history, 0, drawn, DAY, STILL)
    days = driver.record(history, 0, DAY).days
    assert days is not None
    filled = day_steps.filling(days.rain_mm, days.pet_mm, days.month_stop, drawn.no_stress_share, drawn.curve_number,
                               drawn.bucket_mm, 1 + driver.SEMI_ARID_PET * drawn.pet_scale, np.ones(drawn.count))
    np.testing.assert_allclose(made.suction_pf, day_steps.suction(
        filled, wet_pf=drawn.wet_limit_pf[:, None], dry_pf=drawn.dry_limit_pf[:, None],
        low=drawn.low_filling[:, None], high=drawn.high_filling[:, None]), atol=1e-12)


def test_a_history_without_temperature_is_for_the_monthly_bucket_only() -> None:
    history = weather()
    drawn, whole = draws.make(STILL), driver.make(weather(), 0, draws.make(STILL), MONTH, STILL)
    history.temperature_c = np.full_like(history.temperature_c, np.nan)
    np.testing.assert_array_equal(driver.make(history, 0, drawn, MONTH, STILL).suction_pf, whole.suction_pf)
    with pytest.raises(ValueError, match="no temperature"):
        driver.make(history, 0, drawn, CLIMATE, STILL)
