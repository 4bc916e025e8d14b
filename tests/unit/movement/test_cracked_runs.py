"""Cracked ground as a setting of a run: what it exchanges, and the figures of archetypes next to the run's own."""

from __future__ import annotations

from dataclasses import fields
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from test_movement_kernels import archetypes, soils, weather

from riskmap.common.settings import Area, MovementSettings
from riskmap.common.weather import MovementInputs
from riskmap.movement import cracked, draws, if_cracked, past, reasons, shape_now, simulation

CRACKED = MovementSettings(ground="cracked")
SHALLOW = 0.8  # m of rock: ground that is cracked as a whole


def area(ground: str) -> Area:
    return Area.model_validate({"name": "a", "lots": {"path": "l"}, "soil": {"path": "s"},
                                "movement": {"draws": 20, "ground": ground}})


def inputs() -> MovementInputs:
    """Give four archetypes: two soils, one of them on shallow rock; a slab of before the record and one of months."""
    archetype, part = archetypes((0, 12 * 1980, 12 * 1980), (1, 12 * 1980, 12 * 1985), (0, 12 * 1940, 12 * 1950),
                                 (1, 12 * 2020, 12 * 2020 + 3))
    archetype["half_width_basis"] = ["given", "footprint", "given", "unknown"]
    archetype["plan_factor"] = [1.0, 0.7, 1.0, 1.0]
    profile, layer = soils(11.0, 5.0)
    profile["rock_depth_m"] = [np.inf, SHALLOW]
    history: Any = weather()
    return MovementInputs(lot_archetype=np.arange(4), archetype=archetype, archetype_profile=part, profile=profile,
                          layer=layer, history=history)


def simulated(found: MovementInputs, ground: str) -> pd.DataFrame:
    here = area(ground)
    return simulation.simulate(found.archetype, found.archetype_profile, found.profile, found.layer, found.history,
                               movement=here.movement, climate=here.climate_settings, soil=here.soil_settings,
                               workers=1).archetype


@pytest.fixture(scope="module")
def found() -> MovementInputs:
    return inputs()


def test_the_figures_of_an_archetype_are_those_of_a_run_on_cracked_ground(found: MovementInputs) -> None:
    run, plain = simulated(found, "cracked"), simulated(found, "uncracked")
    for ids in ([0, 1, 2, 3], [3], [1, 0]):  # company changes nothing
        told = if_cracked.medians(found, np.array(ids), area("uncracked"), workers=2)
        assert sorted(told) == sorted(ids)
        for number, one in told.items():
            for field in fields(one):
                assert getattr(one, field.name) == run.loc[number, field.name]
                assert getattr(one, field.name) != plain.loc[number, field.name]
    # the strain of the first metre is less vertical, but it reaches deeper: the edge of deep clay moves more
    assert (run["seasonal_range_mm"] > plain["seasonal_range_mm"])[[0, 2]].all()


def test_reasons_and_past_months_are_of_cracked_ground_too(found: MovementInputs) -> None:
    run, plain = simulated(found, "cracked"), simulated(found, "uncracked")
    parts = run[[f"part_{name}_mm" for name in (*reasons.FACTORS, "gaps")]].sum(axis=1)
    np.testing.assert_allclose(parts + run["typical_lot_mm"], run["expected_movement_mm"], atol=1e-6)
    assert (run["typical_lot_mm"] != plain["typical_lot_mm"]).all()
    months = [name for name in run if str(name).startswith(past.PREFIX)]
    assert len(months) == 23  # and now, which is the estimate's
    for number in (0, 1, 2):  # poured before them
        assert run.loc[number, months].notna().all()
        assert (run.loc[number, months] != plain.loc[number, months]).all()


def test_the_shape_now_is_that_of_the_run(found: MovementInputs) -> None:
    """Middle above edge of the slab, all model runs: the picture of a brief beside the number of the run."""
    run = simulated(found, "cracked")
    shapes = shape_now.across(found, [0, 1, 3], area("cracked"), count=20)
    for number, shape in shapes.items():
        assert shape[0, 5] == pytest.approx(run.loc[number, "bend_now_mm"], abs=0.01 * shape[0, 6] + 0.2)


@given(depth=st.floats(0.75, 7.0), draw=st.floats(0.3, 1.0))
def test_depth_and_share_over_all_depths(depth: float, draw: float) -> None:
    plain = MovementSettings()
    edges = np.linspace(0, depth, 29)
    assert cracked.depth_of(plain, depth) == 0
    assert (cracked.times_the_share(plain, edges) == 1).all()
    part = cracked.depth_of(CRACKED, depth)
    assert 0 < part <= 1
    assert part * depth == pytest.approx(min(depth, 1.0), abs=0.005 * depth + 1e-12)
    share = draw * cracked.times_the_share(CRACKED, edges)
    assert (share > 0).all()
    assert (share <= 10 / 9 * draw).all()  # 2/3 over 0.6
    if depth > 1.5:
        assert share[0] < share.max()  # upper ground moves sideways more


def test_the_middle_draw_has_the_shares_of_the_method_page() -> None:
    edges = np.array([0.0, 1.0, 3.0])
    np.testing.assert_allclose(cracked.UNCRACKED_SHARE * cracked.times_the_share(CRACKED, edges), [1 / 3, 1.6 / 3])
    assert cracked.UNCRACKED_SHARE == 0.6


def test_the_setting_draws_nothing_new() -> None:
    """Draw d means the same on both grounds: a lot's two figures differ by the cracks alone."""
    for field in fields(draws.Draws):
        np.testing.assert_array_equal(getattr(draws.make(CRACKED), field.name),
                                      getattr(draws.make(MovementSettings()), field.name))
