"""Whatever comes in, nothing but finite numbers or a state leaves the core (notebooks/method.md, section 14)."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from test_movement_kernels import archetypes, simulate, soils, weather, without_past

from riskmap.common.constants import SIZE_BASES
from riskmap.common.settings import MovementSettings
from riskmap.movement import kernels, reduced_model, run_draws, slab, soil_units, stiffness, surface

TINY = MovementSettings(draws=20)
HISTORY = weather(years=45, first_year=1976)
NOW = 12 * 2020 + 11

profiles = st.lists(st.tuples(st.floats(0.01, 1.0), st.floats(0.0, 60.0), st.floats(0.0, 1.0), st.floats(1.0, 3.0)),
                    min_size=1, max_size=5)


def as_tables(layers: list[tuple[float, float, float, float]], rock: float) -> tuple[pd.DataFrame, pd.DataFrame]:
    thickness, lep, low, high = (np.array(part) for part in zip(*layers, strict=True))
    bottom = np.cumsum(thickness)
    layer = pd.DataFrame({"profile_id": 0, "top_m": bottom - thickness, "bottom_m": bottom, "lep_low_pct": lep * low,
                          "lep_pct": lep, "lep_high_pct": lep * high})
    return pd.DataFrame({"profile_id": [0], "rock_depth_m": [rock]}), layer


@settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
@given(layers=profiles, rock=st.one_of(st.just(np.inf), st.floats(0.0, 5.0)), half_width=st.floats(1.0, 30.0),
       known=st.sampled_from(SIZE_BASES), basis=st.sampled_from(stiffness.BASES), section=st.floats(0.8, 1200.0),
       early=st.integers(12 * 1900, NOW - 1), span=st.integers(0, 600))
def test_only_finite_ordered_numbers_leave_the_core(layers: list[tuple[float, float, float, float]], rock: float,
                                                    half_width: float, known: str, basis: str, section: float,
                                                    early: int, span: int) -> None:
    archetype, part = archetypes((0, early, min(early + span, NOW - 1)))
    archetype["half_width_m"], archetype["half_width_basis"] = half_width, known
    archetype["stiffness_basis"], archetype["section_mn_m2"] = basis, section
    result = simulate(archetype, part, as_tables(layers, rock), HISTORY, TINY).iloc[0]
    whole = without_past(result.to_frame().T).iloc[0]
    texts = [name for name in whole.index if isinstance(whole[name], str)]
    numbers = whole.drop([*texts, "edge_high_pct"]).astype(float)  # which only young slabs have
    assert np.isfinite(numbers.to_numpy()).all()
    for name in ("expected_movement_mm", "long_run_mm", "bend_now_mm"):
        assert result[f"{name}_p10"] <= result[name] + 1e-9
        assert result[name] <= result[f"{name}_p90"] + 1e-9
    assert result["bend_largest_down_mm"] <= 0 <= result["bend_largest_up_mm"]
    for name in ("share_beyond_l360", "share_beyond_1pct_tilt", "phase_probability"):
        assert 0 <= result[name] <= 1
    assert result["expected_movement_mm"] >= 0
    parts = [name for name in result.index if name.startswith("part_") and name.endswith("_mm")
             and not name[7].isdigit()]
    assert result["typical_lot_mm"] + result[parts].sum() == pytest.approx(result["expected_movement_mm"],
                                                                                  abs=1e-6)


@settings(max_examples=200, deadline=None)
@given(ground=st.lists(st.floats(-0.3, 0.3), min_size=21, max_size=21), stiffness=st.floats(1e5, 1e12),
       spring=st.floats(2e5, 3e7), load=st.floats(0, 2e4), edge=st.floats(0, 5e4))
def test_the_slab_always_answers(ground: list[float], stiffness: float, spring: float, load: float,
                                 edge: float) -> None:
    shape = slab.solve(np.array(ground), 0.3, stiffness, spring, load, edge, True, False)
    assert np.isfinite(shape).all()
    assert np.isfinite(slab.departure(shape, np.zeros(21))).all()


@settings(max_examples=200, deadline=None)
@given(rain=st.lists(st.floats(0, 2000), min_size=1, max_size=60), pet=st.floats(0, 400), factor=st.floats(0.1, 1.0),
       capacity=st.floats(10, 500))
def test_the_bucket_stays_between_empty_and_full(rain: list[float], pet: float, factor: float, capacity: float) -> None:
    filling = surface.filling(np.array(rain), np.full(len(rain), pet), factor, capacity, 1.0)
    assert ((filling >= 0) & (filling <= 1)).all()
    wetter = surface.filling(np.array(rain) * 1.1, np.full(len(rain), pet), factor, capacity, 1.0)
    assert (wetter >= filling - 1e-12).all()  # more rain never dries


@pytest.mark.parametrize("alpha", [0.0, 1e-12, 1e-3, 0.1, 1e3, 1e9])
def test_extreme_diffusivity_steps_stay_finite(alpha: float) -> None:
    """No diffusion gives no movement; an instant one is quasi-static, with an underflow that is right."""
    model = reduced_model.cached(1.7)
    decay, early, late = reduced_model.step_factors(model.rates, alpha / (12 * 3.5**2))
    assert np.isfinite([decay, early, late]).all()
    assert ((decay >= 0) & (decay <= 1)).all()
    states = np.empty((50, model.rates.size))
    kernels.march(np.linspace(-1, 1, 50), np.zeros(model.rates.size), decay, early * model.inputs, late * model.inputs,
                  states)
    assert np.isfinite(states).all()
    if alpha == 0.0:
        assert (states == 0).all()


def test_extensibility_beyond_the_cap_counts_as_the_cap() -> None:
    rows = archetypes(*[(p, 12 * 1990, 12 * 1990 + 11) for p in range(2)])
    profile, layer = soils(20.0, 55.0)
    layer["lep_low_pct"] = layer["lep_high_pct"] = layer["lep_pct"]
    moved = simulate(*rows, (profile, layer), HISTORY, TINY)["expected_movement_mm"]
    assert moved.iloc[0] == moved.iloc[1]


def test_slab_wider_or_narrower_than_tested_is_held_at_the_limit() -> None:
    archetype, part = archetypes(*[(0, 12 * 1990, 12 * 1990 + 11)] * 2)
    archetype["half_width_m"] = [60.0, 600.0]
    moved = simulate(archetype, part, soils(9.0), HISTORY, TINY)["expected_movement_mm"]
    assert moved.iloc[0] == moved.iloc[1]
    assert (run_draws.NARROWEST, run_draws.WIDEST) == (0.8, 9.0)


def test_a_pour_this_month_or_before_any_record_is_answered() -> None:
    result = simulate(*archetypes((0, NOW, NOW), (0, 12 * 1700, 12 * 1700)), soils(9.0), HISTORY, TINY)
    assert np.isfinite(result["expected_movement_mm"]).all()
    assert "pour_before_record" in result["flags"].iloc[1]


def test_the_surface_stays_inside_the_drawn_limits_and_the_guard() -> None:
    wild = MovementSettings(draws=100, wet_limit_sd_pf=0.34, dry_limit_sd_pf=0.34)
    result = simulate(*archetypes((0, 12 * 1990, 12 * 1990 + 11)), soils(9.0), HISTORY, wild)
    assert np.isfinite(without_past(result).drop(columns="edge_high_pct").select_dtypes("number").to_numpy()).all()
    assert soil_units.SHALLOWEST_M > 0
