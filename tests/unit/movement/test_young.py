"""The weather before the pour of young slabs, and how long their edge stood high."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
from test_movement_kernels import OneSoil, archetypes, simulate, soils

from riskmap.movement import kernels, trace, young


def made(suction: np.ndarray) -> SimpleNamespace:
    return SimpleNamespace(suction_pf=suction[None], first_month=12 * 1951, record=0, now=suction.size - 1)


def test_a_pour_has_the_weather_of_the_five_months_before_it() -> None:
    suction = np.tile(np.repeat([3.0, 4.0], 6), 70)
    now = 12 * 1951 + suction.size - 1  # December, the end of a dry half year
    early = np.array([now, now - 6, now - 6, now - 84, now - 85, now - 200])
    late = np.array([now, now - 6, now, now - 84, now - 85, now])
    words = young.pour_weather(made(suction), early, late, first_year=1951, last_year=2020)
    assert words.tolist() == ["dry", "wet", "several", "dry", "", ""]


def test_a_short_record_is_judged_as_a_whole() -> None:
    suction = np.linspace(3.0, 4.0, 120)
    last = 12 * 1951 + 119
    words = young.pour_weather(made(suction), np.array([last]), np.array([last]), first_year=1951, last_year=2020)
    assert words.tolist() == ["dry"]


def test_months_with_a_high_edge_are_those_of_a_slab_poured_alone() -> None:
    """The kernels count bending with full contact; a slab solved month by month differs where it is nearly level."""
    run = OneSoil([-61, -22])
    off = []
    for d in range(20):
        for n in range(2):
            solved = np.array([trace.slab_since_pour(row, 1.7 * 3.5, **run.slab(d))[0]
                               for row in run.alone(d, n).heave_m[1:]])
            share = run.block[n, d, kernels.EDGE_HIGH]
            near = (np.abs(solved) < 0.02 * run.block[n, d, kernels.EDGE_RANGE]).mean()
            off.append(abs(share - (solved < 0).mean()) - near)
    assert max(off) < 0.05


def test_only_slabs_younger_than_seven_years_have_it() -> None:
    now = 12 * 2020 + 11
    result = simulate(*archetypes((0, now - 300, now - 300), (0, now - 85, now - 85), (0, now - 30, now - 30),
                                  (0, now - 60, now - 30), (0, now, now)), soils(9.0))
    assert result["pour_weather"].tolist()[:2] == ["", ""]
    assert set(result["pour_weather"].iloc[2:]) <= {"wet", "middle", "dry", "several"}
    assert result["pour_weather"].iloc[3] == "several"
    assert result["edge_high_pct"].isna().tolist() == [True, True, False, False, False]
    assert result["edge_high_pct"].iloc[2:].between(0, 100).all()
