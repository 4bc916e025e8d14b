"""The driver of a cell: rule for the equilibrium, past years, awkward records."""

from __future__ import annotations

import numpy as np
from test_movement_kernels import CLIMATE, weather

from riskmap.common.settings import MovementSettings
from riskmap.movement import draws, driver, surface

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
    assert len(set(made.outlook_years)) == 3


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
