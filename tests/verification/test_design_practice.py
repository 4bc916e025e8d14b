"""The slab beside design practice. Expected figures are printed on filed design sheets; equations are from memory."""

from __future__ import annotations

import pytest

from riskmap.evidence.measured import practice


@pytest.mark.parametrize(("width_ft", "ribs", "printed"), [(42.0, 5, 33_706.0), (24.0, 3, 19_969.0)])
def test_the_section_formula_gives_the_printed_second_moments(width_ft: float, ribs: int, printed: float) -> None:
    assert practice.second_moment_in4(width_ft, ribs) == pytest.approx(printed, abs=0.5)
    assert practice.second_moment_in4(width_ft, ribs - 1) < 0.9 * printed  # a rib left out shows


def test_the_design_equations_give_the_printed_depths() -> None:
    common = {"spacing_ft": 6.0, "load_lb_ft": 480.0}
    for length, center, edge in ((131.0, 11.5, 7.0), (110.0, 11.2, 6.5)):
        assert practice.depth_center_lift_in(length_ft=length, edge_ft=9.0, swell_in=0.28, allowed_in=0.82,
                                             **common) == pytest.approx(center, abs=0.1)
        assert practice.depth_edge_lift_in(length_ft=length, edge_ft=4.6, swell_in=0.31, allowed_in=0.38,
                                           **common) == pytest.approx(edge, abs=0.1)


def test_rows_are_judged_by_their_tolerance() -> None:
    assert [row.outcome for row in practice.rows()] == [practice.AGREES] * 3 + [practice.NOT_JUDGED]
    assert practice._within([1.0, 2.6], [1.0, 2.0], 0.5) == practice.DISAGREES
