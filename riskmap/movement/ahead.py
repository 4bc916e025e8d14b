"""Compiles the equations before they are needed, while somebody still looks for files.

Compiling takes about 20 seconds once for each version of the code, and most of it can be done beside other work.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from riskmap.common.constants import SIZE_GIVEN
from riskmap.common.settings import ClimateSettings, MovementSettings, SoilSettings
from riskmap.common.weather import RECORD, ClimateHistory, MovementInputs
from riskmap.movement import growth, simulation, stiffness

YEARS = 40  # enough weather for a normal period; nothing else depends on it
CELL = "cell"


def compile_all() -> None:
    """Compute the movement of one invented slab in invented weather, so that every equation is compiled and kept.

    They are those of method.md, section 4 to section 9.
    """
    climate, soil = ClimateSettings(), SoilSettings()
    movement = MovementSettings(draws=20)
    inputs = _invented()
    simulation.simulate(inputs.archetype, inputs.archetype_profile, inputs.profile, inputs.layer, inputs.history,
                        movement=movement, climate=climate, soil=soil, workers=1)
    growth.curves(inputs, movement, climate, soil)


def _invented() -> MovementInputs:
    """Return inputs of which only the kinds and shapes matter: the values are invented, and so is what follows."""
    first = 12 * 1981
    month = np.arange(12 * YEARS)
    season = np.cos(2 * np.pi * (month % 12) / 12)
    rain, warmth = (60 + 40 * season)[None], (18 - 10 * season)[None]
    archetype = pd.DataFrame({
        "cell_id": [CELL], "half_width_m": [6.0], "half_width_basis": [SIZE_GIVEN], "section_mn_m2": [18.0],
        "stiffness_basis": [stiffness.RIB_DEPTH], "plan_factor": [1.0], "pour_early_month": [first + 200],
        "pour_late_month": [first + 211]})
    profile = pd.DataFrame({"profile_id": [0], "component_name": ["clay"], "rock_depth_m": [np.inf],
                            "water_table_all_year_m": [np.inf]})
    layer = pd.DataFrame({"profile_id": [0], "top_m": [0.0], "bottom_m": [2.0], "lep_low_pct": [6.0],
                          "lep_pct": [8.0], "lep_high_pct": [9.0]})
    history = ClimateHistory((CELL,), first, rain, np.maximum(warmth, 0) * 5, np.full_like(rain, np.nan),
                             np.full(rain.shape, RECORD, np.int8), ("",), np.full(1, float(warmth.min())), warmth,
                             np.full(1, 33.0))
    return MovementInputs(archetype, pd.DataFrame({"archetype_id": [0], "profile_id": [0], "weight": [1.0]}),
                          np.zeros(1, np.int64), profile, layer, history)
