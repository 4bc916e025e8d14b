"""Whatever settings lie in their ranges, the core gives finite, ordered numbers that its table takes, or a state.

Settings are drawn from `ranges.RANGES` themselves, ends included, so that a range that is too wide for the equations
or for the table fails here.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from test_movement_kernels import archetypes, soils, weather, without_past

from riskmap import movement
from riskmap.common import setting_ranges, tables
from riskmap.common.settings import Area, ClimateSettings, LotSettings, MovementSettings, SoilSettings
from riskmap.movement import grid, reduced_model

MODELS = {"lot_settings": LotSettings, "soil_settings": SoilSettings, "climate_settings": ClimateSettings,
          "movement": MovementSettings}
Values = dict[str, dict[str, Any]]

NOW = 12 * 2010 + 11
GROUNDS = soils(0.3, 3.0, 9.0, 30.0)  # the last is above any cap
POURS = ((0, 12 * 1950, NOW - 1), (1, 12 * 1995, 12 * 1996), (2, NOW - 14, NOW - 14), (3, NOW - 1, NOW - 1),
         (3, 12 * 1980, 12 * 1980))
FREEZING = 1.0  # degrees Celsius below zero: the ranges are then widened for frost
# The same equations on fewer cells, and for neighbouring widths and root depths one model: building the models of the
# usual grid for every width that is drawn would take most of the time.
COARSE = grid.GridSize(14, 10, 8, 20.0, 10.0)


def weathers() -> dict[str, SimpleNamespace]:
    """Return short records: usual, wet, dry, and one whose last months are known by an index only."""
    usual, wet, dry, short = (weather(years=35, first_year=1976, seed=seed) for seed in range(4))
    wet.precipitation_mm = wet.precipitation_mm * 3 + 40
    dry.precipitation_mm = dry.precipitation_mm * 0.7
    short.source[:, -5:], short.z[:, -5:] = 2, 1.5
    short.precipitation_mm[:, -5:] = np.nan
    wet.coldest_normal_c = np.array([-FREEZING])
    return {"usual": usual, "wet": wet, "dry": dry, "index": short}


RECORDS = weathers()


def every() -> Iterator[tuple[str, str, setting_ranges.Range, Any]]:
    """Give section, name, range and default of every setting that has a range."""
    for section, model in MODELS.items():
        for name, field in model.model_fields.items():
            if name in setting_ranges.RANGES[section]:
                yield section, name, setting_ranges.RANGES[section][name], field.default


def filled(value: Callable[[setting_ranges.Range, Any], Any]) -> Values:
    """Return every setting by its range and default, brought into agreement; always with the fewest model runs."""
    out: Values = {section: {} for section in MODELS}
    for section, name, allowed, default in every():
        one = [value(allowed, default[0]), value(allowed, default[1])] if isinstance(default, tuple) else None
        out[section][name] = sorted(one) if one else value(allowed, default)
    out["movement"]["draws"] = 20
    agree(out)
    return out


@st.composite
def drawn_settings(draw: st.DrawFn) -> Values:
    """Return every setting, drawn from its range: often an end, often the default."""
    def one(allowed: setting_ranges.Range, default: Any) -> Any:
        low, high = allowed.low, allowed.high
        inside = st.integers(int(low), int(high)) if isinstance(default, int) else st.floats(float(low), float(high))
        return draw(st.one_of(st.sampled_from([low, high, default]), inside))

    out = filled(one)
    out["movement"]["ground"] = draw(st.sampled_from(["uncracked", "cracked"]))
    return out


def agree(values: Values) -> None:
    """Change values so that no two contradict each other; each stays in its range."""
    lots, climate, move = (values[name] for name in ("lot_settings", "climate_settings", "movement"))
    for section, middle, pair in ((move, "diffusivity_m2_per_yr", "diffusivity_clip"),
                                  (move, "active_depth_m", "active_depth_draw_m"),
                                  (climate, "rain_factor", "rain_factor_draw"),
                                  (climate, "bucket_capacity_mm", "bucket_draw_mm"),
                                  (climate, "no_stress_share", "no_stress_share_draw"),
                                  (climate, "curve_number", "curve_number_draw"),
                                  (climate, "low_filling", "low_filling_draw"),
                                  (climate, "high_filling", "high_filling_draw")):
        low, section[middle], high = sorted([*move[pair], section[middle]])
        move[pair] = [low, high]
    low, high = move["guard_pf"]
    move["guard_pf"] = [min(low, move["wet_limit_pf"]), max(high, move["dry_limit_pf"])]
    room = (move["dry_limit_pf"] - move["wet_limit_pf"]) / (2 * setting_ranges.SDS_APART)
    for name in ("wet_limit_sd_pf", "dry_limit_sd_pf"):
        move[name] = min(move[name], 0.999 * room)
    for name, least in (("equilibrium", setting_ranges.RULE_YEARS), ("normal", setting_ranges.NORMAL_YEARS)):
        first = min(climate[f"{name}_first_year"], 2099 - least + 1)
        last = max(climate[f"{name}_last_year"], first + least - 1)
        climate[f"{name}_first_year"], climate[f"{name}_last_year"] = first, last
    depth = move["active_depth_m"]
    lots["default_half_width_m"] = float(np.clip(lots["default_half_width_m"], 0.801 * depth, 8.99 * depth))
    rule = next(rule for rule in setting_ranges.RULES if "movement.restraint_draw" in rule.names)
    while not rule.holds(*(values[section][name] for section, name in (full.split(".") for full in rule.names))):
        move["restraint_draw"] = [max(0.3, 0.9 * one) for one in move["restraint_draw"]]
        move["active_depth_draw_m"][1] = max(depth, 0.95 * move["active_depth_draw_m"][1])
        values["soil_settings"]["lep_cap_pct"] = max(9.0, 0.95 * values["soil_settings"]["lep_cap_pct"])


def answered(values: Values, history: SimpleNamespace) -> None:
    """Estimate a few grounds and pour dates with these settings, and check what comes out."""
    area = Area.model_validate({"name": "a", "lots": {"path": "l"}, "soil": {"path": "s"}, **values})
    archetype, part = archetypes(*POURS)
    archetype["half_width_m"] = area.lot_settings.default_half_width_m
    archetype["half_width_basis"] = ["given", "footprint", "given", "unknown", "unknown"]
    archetype["stiffness_basis"] = ["unknown", "rib_depth", "rib_depth", "deep_ribs", "unknown"]
    archetype["section_mn_m2"] = [0.0, 0.858, 20.0, 1140.0, 0.0]  # depths of 100 mm to 2 m
    found = movement.simulate(archetype, part, *GROUNDS, history, movement=area.movement, climate=area.climate_settings,
                              soil=area.soil_settings, workers=1).archetype
    assert (found.loc[found["state"] != "", "state_reason"] != "").all()
    answers = without_past(found[found["state"] == ""])
    numbers = [c for c in tables.ESTIMATE.columns if c.kind == "number" and c.name in answers]
    for declared in numbers:
        value = answers[declared.name].to_numpy(float)
        if declared.name == "edge_high_pct":  # which only young slabs have
            value = value[(answers["pour_weather"] != "").to_numpy()]
        assert np.isfinite(value).all(), declared.name
        assert (value >= (-np.inf if declared.low is None else declared.low)).all(), (declared.name, value)
        assert (value <= (np.inf if declared.high is None else declared.high)).all(), (declared.name, value)
    for name in ("expected_movement_mm", "long_run_mm", "bend_now_mm") if len(answers) else ():
        low, middle, high = (answers[f"{name}{part}"].to_numpy(float) for part in ("_p10", "", "_p90"))
        assert (low <= middle).all(), name
        assert (middle <= high).all(), name


@pytest.fixture(scope="module")
def coarse_models() -> dict[tuple[float, bool, float], reduced_model.ReducedModel]:
    return {}


@pytest.fixture
def coarse(monkeypatch: pytest.MonkeyPatch, coarse_models: dict) -> None:
    def cached(ratio: float, antisymmetric: bool = False, cracked_depth: float = 0.0) -> reduced_model.ReducedModel:
        key = (max(round(ratio), 0.8), antisymmetric, round(cracked_depth, 1))
        if key not in coarse_models:
            coarse_models[key] = reduced_model.build(key[0], COARSE, antisymmetric=antisymmetric, cracked_depth=key[2])
        return coarse_models[key]

    monkeypatch.setattr(reduced_model, "cached", cached)


@settings(max_examples=40, suppress_health_check=list(HealthCheck))
@given(values=drawn_settings(), record=st.sampled_from(sorted(RECORDS)))
def test_settings_in_their_ranges_give_finite_ordered_numbers_or_a_state(coarse: None, values: Values,
                                                                         record: str) -> None:
    answered(values, RECORDS[record])


@pytest.mark.parametrize(("end", "record", "ground"), [("low", "usual", "uncracked"), ("high", "wet", "uncracked"),
                                                       ("low", "dry", "cracked"), ("high", "usual", "cracked")])
def test_all_settings_at_one_end_of_their_ranges_on_the_usual_grid(end: str, record: str, ground: str) -> None:
    values = filled(lambda allowed, _: getattr(allowed, end))
    values["movement"] |= {"ground": ground, "half_width_spread": 0.0, "half_width_spread_footprint": 0.0,
                           "half_width_spread_unknown": 0.0}  # one model
    answered(values, RECORDS[record])


def test_each_setting_at_each_end_of_its_range_with_the_defaults_of_the_others(coarse: None) -> None:
    """Twice every setting; what contradicts the defaults is brought into agreement by the others."""
    for section, name, allowed, default in every():
        if name == "draws":
            continue
        for end in (allowed.low, allowed.high):
            values = filled(lambda _, value: value)
            values[section][name] = [end, end] if isinstance(default, tuple) else end
            agree(values)
            answered(values, RECORDS["usual"])
