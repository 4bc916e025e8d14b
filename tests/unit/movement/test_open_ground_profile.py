"""Suction of open ground by depth, as it is reported of a cell."""

from __future__ import annotations

import numpy as np
import pytest
from test_movement_kernels import CLIMATE, weather

from riskmap.common.settings import MovementSettings
from riskmap.movement import draws, driver, open_ground


def test_the_profile_goes_from_the_surface_to_the_natural_level() -> None:
    settings = MovementSettings()
    quiet = driver.make(weather(), 0, draws.middle(settings), CLIMATE, settings)
    told = open_ground.profile_now(quiet, settings)
    assert list(told) == ["at_0.5_m", "at_1_m", "at_2_m", "natural_level", "covered_level"]
    first, last = quiet.normal
    assert told["natural_level"] == pytest.approx(quiet.suction_pf[0, first : last + 1].mean())
    assert told["covered_level"] == quiet.equilibrium_pf[0] < told["natural_level"]
    surface = quiet.suction_pf[0]
    assert surface.min() < told["at_0.5_m"] < surface.max()
    away = [abs(told[name] - told["natural_level"]) for name in ("at_0.5_m", "at_2_m")]
    assert away[1] < max(away[0], 0.3)  # the season dies out with depth


def test_nothing_is_told_of_cracked_ground() -> None:
    settings = MovementSettings(ground="cracked")
    quiet = driver.make(weather(), 0, draws.middle(settings), CLIMATE, settings)
    assert open_ground.profile_now(quiet, settings) == {}


def test_constant_weather_gives_one_suction_at_all_depths() -> None:
    surface = np.full(600, 3.4)
    profile = open_ground.suction(surface, 3.4, diffusivity_m2_per_yr=1.85, active_depth_m=3.5)[-1]
    np.testing.assert_allclose(profile, 3.4, atol=1e-12)
