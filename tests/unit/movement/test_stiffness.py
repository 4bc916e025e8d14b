"""Stiffness by rib depth: the section itself in steps, the three bases, and an answer without jumps but one.

Expected stiffnesses are those of the section formula, whose own check values are in tests/verification.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from test_movement_kernels import archetypes as rows
from test_movement_kernels import simulate, soils

from riskmap.common.settings import MovementSettings
from riskmap.movement import archetypes, slab, soil_units, stiffness

USUAL = MovementSettings()
OLD = MovementSettings(stiffness_sigma_ln=0.5, stiffness_sigma_ln_known=0.35)
EVEN_DEPTHS = np.arange(250.0, 1010.0, 10.0)
MOST_A_STEP = 0.05  # of the answer, per 10 mm of rib depth


def lots(depth_mm: list[float], post_tensioned: list[bool]) -> pd.DataFrame:
    return pd.DataFrame({
        "state": "", "pour_early_month": 24000, "pour_late_month": 24011, "half_width_m": 6.0,
        "half_width_basis": "given", "plan_factor": 1.0, "beam_depth_mm": depth_mm, "post_tensioned": post_tensioned})


def collapsed(depth_mm: list[float], post_tensioned: list[bool]) -> archetypes.Archetypes:
    number = range(len(depth_mm))
    return archetypes.collapse(
        lots(depth_mm, post_tensioned), pd.DataFrame({"lot_row": number, "profile_id": 0, "weight": 1.0}),
        pd.DataFrame({"cell_id": ["a"] * len(depth_mm)}), today=24310)


def test_a_depth_is_used_itself_in_steps_of_ten_millimetres() -> None:
    depths = np.array([100.0, 404.9, 405.0, 609.6, 635.0, 660.4, 2000.0])
    used = np.array([0.10, 0.40, 0.41, 0.61, 0.64, 0.66, 2.0])
    expected = [slab.section_stiffness(depth) / 1e6 for depth in used]
    np.testing.assert_allclose(stiffness.stiffness_steps(depths), expected, atol=5e-4)
    found = stiffness.stiffness_steps(np.arange(100.0, 2000.5, 0.5))
    assert (np.diff(found) >= 0).all()
    assert np.unique(found).size == 191


def test_lots_of_one_step_share_an_archetype_and_the_reason_for_the_spread_divides_them() -> None:
    depth = [np.nan, 606.0, 609.6, 655.0, 655.0, 649.0, np.nan]
    found = collapsed(depth, [False, False, True, False, True, False, True])
    table = found.archetype.loc[found.lot_archetype].reset_index(drop=True)
    assert table["stiffness_basis"].tolist() == ["unknown", "rib_depth", "rib_depth", "deep_ribs", "rib_depth",
                                                 "rib_depth", "unknown"]
    assert found.lot_archetype[0] == found.lot_archetype[6]  # prestress alone says nothing about the section
    assert found.lot_archetype[1] == found.lot_archetype[2]
    assert table["section_mn_m2"].iloc[3] == table["section_mn_m2"].iloc[4]
    assert len(set(found.lot_archetype)) == 5
    again, numbers = archetypes.merged([found, found], today=24310)
    pd.testing.assert_frame_equal(again.archetype, found.archetype)
    assert [n.tolist() for n in numbers] == [list(range(5))] * 2


def test_bases_have_their_median_and_spread() -> None:
    assert stiffness.stiffness_of(stiffness.UNKNOWN, 0.0, USUAL) == (20.0, 0.75)
    assert stiffness.stiffness_of(stiffness.RIB_DEPTH, 33.0, USUAL) == (33.0, 0.45)
    assert stiffness.stiffness_of(stiffness.DEEP_RIBS, 50.0, USUAL) == (pytest.approx(37.0), 0.5)
    with pytest.raises(ValueError, match="basis is 'stiff'"):
        stiffness.stiffness_of("stiff", 20.0, USUAL)
    assert stiffness.Stiffness(20.0, 0.5).drawn(1.0) == pytest.approx(20e6 * 1.6487212707)


def test_old_settings_give_old_draws_to_the_last_digit() -> None:
    """Unknown depth and the typical lot: median 20 with the spreads that runs had."""
    scores = np.linspace(-3, 3, 61)
    for basis, sigma in ((stiffness.UNKNOWN, 0.5), (stiffness.RIB_DEPTH, 0.35)):
        one = stiffness.stiffness_of(basis, 20.0, OLD)
        assert [one.drawn(score) for score in scores] == [1e6 * 20.0 * np.exp(sigma * score) for score in scores]


def test_archetypes_count_their_stiffnesses_and_the_reference() -> None:
    table = pd.DataFrame({"stiffness_basis": ["deep_ribs", "unknown", "rib_depth", "unknown"],
                          "section_mn_m2": [50.0, 0.0, 37.0, 0.0]})
    found, ordered = soil_units.with_stiffness(table, USUAL, stiffness.Stiffness(20.0, 0.45))
    assert ordered == [(20.0, 0.45), (20.0, 0.75), (37.0, 0.45), (37.0, 0.5)]
    assert found["stiffness"].tolist() == [3, 1, 2, 1]


def answers(depth_mm: np.ndarray, post_tensioned: bool = False) -> np.ndarray:
    """Expected movement of one lot on very expansive clay by rib depth. [mm]"""
    found = collapsed(depth_mm.tolist(), [post_tensioned] * depth_mm.size)
    own = found.archetype.loc[found.lot_archetype].reset_index(drop=True)
    archetype, part = rows(*[(0, 12 * 1980, 12 * 1980 + 11)] * depth_mm.size)
    archetype[["section_mn_m2", "stiffness_basis"]] = own[["section_mn_m2", "stiffness_basis"]]
    return simulate(archetype, part, soils(9.0), settings=USUAL)["expected_movement_mm"].to_numpy()


def test_the_answer_has_no_jump_but_where_deep_ribs_crack() -> None:
    found = answers(EVEN_DEPTHS)
    step = found[1:] / found[:-1] - 1
    crack = int(np.flatnonzero(EVEN_DEPTHS[1:] == 650.0)[0])
    others = np.delete(step, crack)
    assert np.abs(others).max() < MOST_A_STEP
    assert (others < 0).all()  # a deeper rib bends less
    assert step[crack] > MOST_A_STEP  # from here on ribs not known to be prestressed are taken to have cracked
    whole = answers(EVEN_DEPTHS, post_tensioned=True)
    assert np.abs(whole[1:] / whole[:-1] - 1).max() < MOST_A_STEP
    np.testing.assert_array_equal(whole[:crack + 1], found[:crack + 1])
    assert (whole[crack + 1:] < found[crack + 1:]).all()


def test_two_neighbouring_inches_answer_alike() -> None:
    below, above = answers(np.array([25 * 25.4, 26 * 25.4]), post_tensioned=True)
    assert 0.88 < above / below < 1.0
