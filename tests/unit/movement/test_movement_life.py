"""The phases of a slab's life: their limits, their one home, and what the compiled path makes of them."""

from __future__ import annotations

import re
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest
from test_movement_kernels import CLIMATE, FEW, SOIL, OneSoil, archetypes, simulate, soils, weather

import riskmap
from riskmap.answers.brief import observations
from riskmap.common import tables
from riskmap.common.constants import SIZE_GIVEN
from riskmap.common.settings import MovementSettings
from riskmap.common.weather import MovementInputs
from riskmap.evidence import constants_sources
from riskmap.evidence.measured import timetable
from riskmap.movement import draw_inputs, draws, driver, kernels, life, run_draws, soil_units, stiffness
from riskmap.outputs import palette, words

PACKAGE = Path(riskmap.__file__).parent
NOW = 12 * 2020 + 11


def test_early_settlement_ends_at_its_share_and_growth_at_its_own() -> None:
    below, at = np.nextafter(life.SETTLED_SHARE, 0), life.SETTLED_SHARE
    assert [life.phase(below, True), life.phase(below, False)] == [life.SETTLING] * 2
    assert [life.phase(at, False), life.phase(at, True)] == [life.GROWING, life.RESTING]
    assert (life.SETTLING, life.GROWING, life.RESTING) == (0, 1, 2)
    assert life.settled(17, 0.5) < life.SETTLED_SHARE <= life.settled(18, 0.5)  # a year and a half by default


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_the_middle_rests_within_the_last_part_of_its_movement_up_or_down(sign: float) -> None:
    decay, limit = np.array([0.9]), 1 - life.GROWN_SHARE
    assert life.rests(np.array([sign * 0.999 * limit]), decay, 1.0)
    assert not life.rests(np.array([sign * 1.001 * limit]), decay, 1.0)
    assert life.share_reached(sign * 0.3, 1.0) == pytest.approx(0.7)
    assert life.share_reached(sign * 1.2, 1.0) == 0.0
    assert life.share_reached(0.0, 0.0) == 1.0  # nothing to reach


def test_modes_that_cancel_for_a_month_are_no_rest() -> None:
    part, decay = np.array([1.0, -1.0]), np.array([0.99, 0.9])
    assert part.sum() == 0
    assert not life.rests(part, decay, 1.0)
    later = part * decay**300
    assert abs(later.sum()) < (1 - life.GROWN_SHARE)
    assert life.rests(later, decay, 1.0)


def test_movement_that_stays_small_for_a_century_is_rest_and_looking_ahead_ends() -> None:
    part = np.array([0.9, -0.9])  # never dies away, never leaves the limit
    assert life.rests(part, np.ones(2), 1.0)


def test_a_wet_pour_is_measured_on_the_usual_rise_and_a_dry_one_on_its_own() -> None:
    row, usual = np.array([1.0, 0.5]), np.array([-0.02, -0.02])
    assert life.whole_rise(row, np.zeros(2), usual) == pytest.approx(0.03)
    assert life.whole_rise(row, np.array([0.01, 0.0]), usual) == pytest.approx(0.03)  # one that comes down
    assert life.whole_rise(row, 3 * usual, usual) == pytest.approx(0.09)


@pytest.mark.parametrize("share", [0.1, 0.5, 0.9, 0.95])
def test_years_of_one_mode_are_those_of_its_closed_form(share: float) -> None:
    rate = 0.4  # per year
    part, decay = np.array([[-0.03], [0.002], [0.0]]), np.array([np.exp(-rate / 12)])
    whole = np.abs(part[:, 0])
    exact = -np.log(1 - share) / rate
    years = life.years_to(share, part, decay, whole)
    assert years[:2] == pytest.approx([np.ceil(12 * exact) / 12] * 2)
    assert years[2] == 0.0


def test_a_share_that_is_never_reached_has_no_years() -> None:
    assert np.isnan(life.years_to(0.5, np.array([[1.0]]), np.array([1.0]), np.array([1.0]))).all()


def test_years_agree_with_looking_ahead_month_by_month() -> None:
    rng = np.random.default_rng(3)
    decay = np.exp(-np.sort(rng.uniform(0.002, 0.8, 6)))
    part = rng.normal(size=(40, 6))
    whole = np.maximum(np.abs(part.sum(axis=1)), 0.7)
    years = life.years_to(life.GROWN_SHARE, part, decay, whole)
    for n in range(len(part)):
        month = round(12 * years[n])
        assert life.rests(part[n] * decay**month, decay, whole[n])
        assert month == 0 or not life.rests(part[n] * decay ** (month - 1), decay, whole[n])


def phases_at(now: int, settings: MovementSettings, pours: list[int]) -> np.ndarray:
    """Return the phases of slabs of one soil for a present month, (n_slab, n_draw)."""
    drawn = draws.make(settings)
    made = driver.make(weather(), 0, drawn, CLIMATE, settings)
    profile, layer = soils(9.0)
    engine = run_draws.Engine(drawn, soil_units.layer_arrays(profile, layer, SOIL), soil_units.depth_caps(profile),
                              [stiffness.stiffness_of(stiffness.UNKNOWN, 0.0, settings)], 20.0, settings)
    zero, at = np.zeros(len(pours), np.int64), np.array(pours)
    with ThreadPoolExecutor(2) as pool:
        units = draw_inputs.Units(zero, zero, at, at)
        return engine.run(made, units, 6.0, SIZE_GIVEN, pool, now=now)[:, :, kernels.PHASE]


def test_in_the_compiled_path_no_slab_goes_back_in_its_life() -> None:
    """The same slabs and the same weather, the present month later and later: pours of wet and of dry months."""
    pours = list(range(820, 880, 4))
    made = driver.make(weather(), 0, draws.make(FEW), CLIMATE, FEW)
    phases = np.stack([phases_at(now, FEW, pours) for now in range(pours[-1] + 1, made.now, 7)])
    assert (np.diff(phases, axis=0) >= 0).all()
    assert set(np.unique(phases)) == {life.SETTLING, life.GROWING, life.RESTING}
    assert (phases[0] == life.SETTLING).any()
    assert (phases[-1] == life.RESTING).mean() > 0.3


def test_shares_of_phases_are_those_of_the_draws_worked_out_from_the_modes() -> None:
    """`timetable` counts resting draws in plain NumPy; `phase_probability` comes from the compiled path."""
    rows = [(p, NOW - age - span, NOW - age) for p in (0, 1, 2) for age in (20, 40, 70, 110, 200) for span in (0, 24)]
    archetype, part = archetypes(*rows)
    soil, history = soils(0.0, 5.0, 11.0), weather()
    result = simulate(archetype, part, soil, history)
    inputs = MovementInputs(archetype, part, np.arange(len(rows)), *soil, history)  # type: ignore[arg-type]
    rest = timetable.of_archetypes(inputs, FEW, CLIMATE, SOIL)["rest_share"].to_numpy()
    resting = (result["phase"] == tables.PHASES[life.RESTING]).to_numpy()
    np.testing.assert_allclose(result["phase_probability"], np.where(resting, rest, 1 - rest), atol=1e-12)
    assert 5 < resting.sum() < len(rows)
    assert (rest[:10] == 1).all()  # without clay nothing grows
    assert ((rest > 0) & (rest < 1)).sum() > 10


def test_the_share_of_the_final_movement_falls_as_the_middle_rises() -> None:
    run = OneSoil(list(range(-400, -1, 9)), count=30)
    share = run.block[:, :, kernels.DOME_SHARE]
    assert ((share >= 0) & (share <= 1)).all()
    resting = run.block[:, :, kernels.PHASE] == life.RESTING
    assert (share[resting] >= life.GROWN_SHARE - 1e-12).all()
    growing = run.block[:, :, kernels.PHASE] == life.GROWING
    assert (share[growing] < life.GROWN_SHARE).mean() > 0.9  # the others leave the last part once more


def test_limits_and_words_have_one_home() -> None:
    entries = {c.where: c for c in constants_sources.CONSTANTS}
    for name in ("SETTLED_SHARE", "GROWN_SHARE"):
        entry = entries[f"riskmap.movement.life.{name}"]
        assert entry.value == getattr(life, name)
        assert entry.standing == "practice"
        assert "no source" in entry.source
    assert not hasattr(kernels, "REACHED")
    assert tuple(words.PHASE) == tuple(words.PHASE_SHORT) == palette.PHASE_CLASSES == tables.PHASES
    code = re.compile("|".join(tables.PHASES))
    homes = {path.relative_to(PACKAGE).as_posix() for path in PACKAGE.rglob("*.py") if code.search(path.read_text())}
    assert homes == {"common/tables.py", "outputs/words.py", "answers/brief/observations.py"}
    for phase in tables.PHASES:
        assert len(observations.lines("", phase)) == 1


def test_a_phase_is_a_sentence_with_the_share_of_the_runs_that_agree() -> None:
    rest = "The ground under the middle has stopped rising; the edge still moves with the seasons"
    assert words.phase("edge_seasonal", 1.0) == f"{rest} (all model runs agree)."
    assert words.phase("edge_seasonal", 0.997) == f"{rest} (99 % of model runs agree)."
    assert words.phase("dome_growing", 0.505).endswith("(51 % of model runs agree).")  # half up, as on the map
    assert "assumed" in words.phase("early_settlement", 0.8)  # it is imposed, and says so
    assert words.phase("a_new_one", 0.64) == "a_new_one (64 % of model runs agree)."
