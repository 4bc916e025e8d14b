"""The slab against exact solutions (notebooks/method.md, section 7)."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from riskmap.evidence import closed_forms
from riskmap.movement import slab

LENGTH, STIFFNESS, SPRING = 12.0, 30e6, 5e6


def solve(ground: NDArray[np.float64], length: float = LENGTH, stiffness: float = STIFFNESS, spring: float = SPRING,
          load: float = 0.0, edge_load: float = 0.0, tension: bool = False) -> NDArray[np.float64]:
    return slab.solve(ground, length / (ground.size - 1), stiffness, spring, load, edge_load, False, tension)


def mound(n: int, height: float, edge: float = 1.8) -> NDArray[np.float64]:
    inside = LENGTH / 2 - np.abs(np.linspace(-LENGTH / 2, LENGTH / 2, n))
    return np.where(inside < edge, height * (1 - ((edge - inside) / edge) ** 2), height)


def test_finite_beam_on_two_way_springs() -> None:
    end, middle = closed_forms.finite_beam_end_loads(length_m=12, stiffness=30e6, spring=5e6, load_n_m=15e3)
    assert (end * 1e3, middle * 1e3) == pytest.approx((-2.7449, 0.3312), abs=1e-4)  # Hetenyi, printed
    w = solve(np.zeros(41), edge_load=15e3, tension=True)
    assert w[0] == pytest.approx(end, rel=0.005)
    assert w[20] == pytest.approx(middle, rel=0.0115)  # 41 nodes: referee -2.732 and +0.328
    fine = solve(np.zeros(161), edge_load=15e3, tension=True)
    assert abs(fine[0] - end) < abs(w[0] - end) / 10  # second order


@pytest.mark.parametrize(("nodes", "end", "middle"), [(41, -2.732, 0.328), (161, -2.744, 0.331)])
def test_finite_beam_on_springs_that_cannot_pull_under_a_preload(nodes: int, end: float, middle: float) -> None:
    w = solve(np.zeros(nodes), load=30e3, edge_load=15e3) * 1e3 + 6
    assert (w[0], w[nodes // 2]) == pytest.approx((end, middle), abs=1e-3)


def test_springs_that_cannot_pull_let_the_unloaded_beam_lift_off() -> None:
    w = solve(np.zeros(41), edge_load=15e3) * 1e3
    assert (w[0], w[20]) == pytest.approx((-3.145, 2.541), abs=0.02)  # independent solver


def test_semi_infinite_and_infinite_beam() -> None:
    exact = closed_forms.semi_infinite_beam_end(stiffness=30e6, spring=5e6, load_n_m=15e3)
    assert exact * 1e3 == pytest.approx(-2.7108, abs=1e-4)
    w = slab.solve(np.zeros(401), 0.1, 30e6, 5e6, 0.0, 15e3, False, True)
    assert w[0] == pytest.approx(exact, rel=6e-4)  # printed: 0.05 %, which is a rounded figure
    assert closed_forms.infinite_beam_centre(stiffness=30e6, spring=5e6, load_n_m=15e3) * 1e3 == \
        pytest.approx(0.67770, abs=1e-4)


def test_rigid_slab_on_a_parabola() -> None:
    contact, level = closed_forms.rigid_slab_on_parabola(length_m=12, height_m=0.05, load_pa=8e3, spring=5e6)
    assert (contact, level * 1e3) == pytest.approx((2.1805, 43.396), abs=1e-3)
    x = np.linspace(-6, 6, 41)
    w = solve(0.05 * (1 - (x / 6) ** 2), stiffness=1e12, load=8e3)
    assert w[20] == pytest.approx(level, abs=0.0005 * 0.05)
    assert np.ptp(w) < 2e-4  # the stiffness is held at 1e10, so it still bends by 0.12 mm


def test_flexible_slab_follows_the_ground() -> None:
    x = np.linspace(-6, 6, 41)
    ground = 0.05 * (1 - (x / 6) ** 2)
    np.testing.assert_allclose(solve(ground, stiffness=100.0, load=6e3), ground - 6e3 / SPRING, atol=1e-3 * 0.05)


@pytest.mark.parametrize(("height_mm", "nodes_41", "nodes_1281"), [(20, 9.018, 9.046), (50, 11.436, 11.490),
                                                                   (100, 12.904, 12.961)])
def test_lift_off_of_the_edges(height_mm: float, nodes_41: float, nodes_1281: float) -> None:
    w = solve(mound(41, height_mm / 1e3), load=6e3, edge_load=12e3) * 1e3
    assert w[20] - w[0] == pytest.approx(nodes_41, abs=0.002)
    assert w[20] - w[0] == pytest.approx(nodes_1281, rel=0.006)
    fine = solve(mound(1281, height_mm / 1e3), load=6e3, edge_load=12e3) * 1e3
    assert fine[640] - fine[0] == pytest.approx(nodes_1281, abs=0.002)


def test_half_beam_equals_whole_beam() -> None:
    ground = mound(41, 0.05)
    whole = solve(ground, load=6e3, edge_load=12e3)
    half = slab.solve(ground[20:], 0.3, STIFFNESS, SPRING, 6e3, 12e3, True, False)
    np.testing.assert_allclose(half, whole[20:], atol=1e-12)


def test_forces_and_moments_balance() -> None:
    rng = np.random.default_rng(3)
    for _ in range(200):
        ground = np.cumsum(rng.normal(size=41)) * rng.uniform(0.001, 0.02)
        w = solve(ground, stiffness=10 ** rng.uniform(6, 8), spring=2e6, load=6e3, edge_load=12e3)
        h = LENGTH / 40
        tributary = np.full(41, h)
        tributary[[0, -1]] /= 2
        reaction = 2e6 * tributary * np.where(w < ground, ground - w, 1e-9 * (ground - w))
        applied = 6e3 * tributary
        applied[[0, -1]] += 12e3
        assert reaction.sum() == pytest.approx(applied.sum(), rel=1e-6)
        x = np.linspace(-6, 6, 41)
        assert ((reaction - applied) * x).sum() == pytest.approx(0, abs=1e-5 * applied.sum() * 6)


def test_the_slab_bends_less_than_the_ground_and_less_the_stiffer_it_is() -> None:
    x = np.linspace(0, 6, 21)
    ground = -0.04 * np.exp(-(6 - x) / 1.0)
    bends = [slab.departure(slab.solve(ground, 0.3, ei, 2e6, 6e3, 12e3, True, False),
                            slab.solve(np.zeros(21), 0.3, ei, 2e6, 6e3, 12e3, True, False))[0]
             for ei in (5e6, 20e6, 60e6)]
    assert 0 < bends[2] < bends[1] < bends[0] < 0.04
    np.testing.assert_allclose(np.array(bends) / 0.04, [0.65, 0.48, 0.28], atol=0.05)  # finer, decay over 1.0 m


@pytest.mark.parametrize(("depth", "printed"), [(0.40, 9.4), (0.50, 18), (0.60, 32), (0.75, 61), (0.90, 105)])
def test_section_stiffness(depth: float, printed: float) -> None:
    assert slab.section_stiffness(depth) / 1e6 == pytest.approx(printed, rel=0.025)  # printed to two digits
