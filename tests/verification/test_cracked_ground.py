"""Cracked ground and two levels of suction: against an independent march, exact solutions and a march of our own.

Limits: movement max(1 % of the edge range, 0.3 mm) as the cases state (measured here: at most 0.28 % of the edge
range, of which 0.13-0.17 % may be theirs); driver and levels 0.001 pF; profile 0.01 pF; dishes within one month.
"""

from __future__ import annotations

import copy
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse.linalg import splu

from riskmap.common.errors import LayerError
from riskmap.evidence.known_answers import case_file, cracked_cases
from riskmap.evidence.measured import wetness
from riskmap.movement import cracked, grid, kernels, suction_levels, trace
from riskmap.movement import reduced_model as rm

Array = NDArray[np.float64]
DEPTH_M = 3.5
CRACKED = cracked.CRACKED_DEPTH_M / DEPTH_M


@pytest.fixture(scope="module")
def content(referee: Path) -> dict[str, Any]:
    return case_file.load(referee / "cases_cracked.json")


@pytest.fixture(scope="module")
def divisions(open_data: Path) -> pd.DataFrame:
    return case_file.read_divisions(open_data)


@pytest.fixture(scope="module")
def lines(content: dict[str, Any], divisions: pd.DataFrame) -> list[case_file.Line]:
    return cracked_cases.check(content, divisions)


@pytest.mark.parametrize(("kind", "count"), [("cracked driver", 8), ("cracked ground", 8), ("cracked behaviour", 8),
                                             ("two levels", 1)])
def test_every_value_is_inside_the_stated_limit(lines: list[case_file.Line], kind: str, count: int) -> None:
    of_kind = [line for line in lines if line.kind == kind]
    assert len(of_kind) == count
    assert not [(line.name, line.difference, line.limit, line.where) for line in of_kind if not line.passed]


def test_movement_uses_less_than_half_of_the_limit(lines: list[case_file.Line]) -> None:
    shares = {line.name: line.difference / line.limit for line in lines if line.kind == "cracked ground"}
    print("worst difference over the limit:", {name: round(share, 2) for name, share in shares.items()})
    assert max(shares.values()) < 0.5


def test_a_wrong_value_or_assumption_is_noticed(content: dict[str, Any], divisions: pd.DataFrame) -> None:
    case = content["cases"][0]
    changes = {"cracked_depth_m": 0.9, "alpha_cracked_m2_per_yr": 8.0, "vertical_share": 0.5, "u_e_pf": 3.1}
    for name, value in changes.items():
        other = copy.deepcopy(case)
        other["input"][name] = value
        found = cracked_cases.solve(other, divisions)
        assert any(not line.passed for line in cracked_cases.lines_of(other, found)), name
    other = copy.deepcopy(case)
    other["heave_mm"]["edge"][5] += 2 * cracked_cases.limit_mm(case)
    assert any(not line.passed for line in cracked_cases.lines_of(other, cracked_cases.solve(case, divisions)))


def test_a_level_that_is_left_out_is_noticed(content: dict[str, Any], divisions: pd.DataFrame) -> None:
    case = copy.deepcopy(next(case for case in content["cases"] if "suction_pf" in case))
    case["input"]["u_n_pf"] = case["input"]["u_e_pf"]
    levels = [line for line in cracked_cases.lines_of(case, cracked_cases.solve(case, divisions))
              if line.kind == "two levels"]
    assert len(levels) == 1
    assert levels[0].difference > 0.3


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"cases": []}', '{"cases": [{"input": {}}]}', '{"cases": [1]}'])
def test_a_file_without_cases_of_cracked_ground_is_refused(tmp_path: Path, text: str) -> None:
    path = tmp_path / "cases.json"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(LayerError, match="E-SLF-00"):
        case_file.load(path)


def test_the_file_is_compared_whole_and_asks_for_the_climate_divisions(referee: Path, open_data: Path) -> None:
    found = case_file.compared(referee / "cases_cracked.json", open_data)
    assert found.passed
    assert len(found.lines) == 25
    assert len(found.trade_facts.splitlines()) == 9
    assert "8 of 8 inside the limit" in found.text()
    with pytest.raises(LayerError, match="E-SLF-004"):
        case_file.compared(referee / "cases_cracked.json")


# ---------------------------------------------------------------- the operator
def test_a_ratio_of_one_or_no_depth_is_uncracked_ground_to_the_last_bit() -> None:
    for middle in ("mirror", "zero"):
        plain = grid.strip(1.7, middle=middle)
        for depth, ratio in ((CRACKED, 1.0), (0.0, 5.0)):
            same = grid.strip(1.7, middle=middle, cracked_depth=depth, cracked_ratio=ratio)
            assert (same.conductance != plain.conductance).nnz == 0
            assert (same.surface == plain.surface).all()
    for a, b in zip(grid.column(grid.strip(1.7).dz), grid.column(grid.strip(1.7).dz, CRACKED, 1.0), strict=True):
        assert (a == b).all()


@pytest.mark.parametrize("depth", [0.005, 0.2, CRACKED, 0.71, 1.0])
def test_the_steady_column_is_two_straight_lines(depth: float) -> None:
    """Equal flux through both zones: v(z) = 1 - z / ratio / total above the crack's end, (1 - z) / total below it."""
    dz = grid.strip(1.7).dz
    rates, modes, inputs = grid.column(dz, depth, 5.0)
    z = np.cumsum(dz) - dz / 2
    total = depth / 5.0 + 1 - depth
    exact = np.where(z < depth, 1 - z / 5.0 / total, (1 - z) / total)
    np.testing.assert_allclose(modes @ (inputs / rates), exact, rtol=0, atol=1e-11)


def test_far_from_the_slab_the_strip_is_the_column_and_the_covered_side_stays_uncracked() -> None:
    operator = grid.strip(4.0, far_field=4.0, cracked_depth=CRACKED)
    plain = grid.strip(4.0, far_field=4.0)
    v = splu(operator.conductance).solve(operator.surface).reshape(operator.x.size, operator.z.size)
    rates, modes, inputs = grid.column(operator.dz, CRACKED)
    np.testing.assert_allclose(v[-1], modes @ (inputs / rates), atol=1e-4)
    covered = operator.x < 4.0 - operator.dx[grid.STANDARD.under - 1]  # all but the column at the edge
    inside = np.repeat(covered, operator.z.size)
    changed = abs(operator.conductance - plain.conductance)
    assert changed[inside].nnz == 0
    assert changed[~inside].nnz > 0


def test_the_matrix_is_symmetric_and_every_mode_decays() -> None:
    operator = grid.strip(1.7, cracked_depth=CRACKED)
    assert abs(operator.conductance - operator.conductance.T).max() == 0
    for antisymmetric in (False, True):
        assert rm.build(1.7, cracked_depth=CRACKED, antisymmetric=antisymmetric).rates.min() > 0


def march(operator: grid.Operator, driver: Array, dtau: float, steps: int) -> Array:
    """March the full operator by Crank-Nicolson from rest, where the driver starts from zero without a jump."""
    mass, h = sparse.diags(operator.capacity), dtau / steps
    left = splu((mass + h / 2 * operator.conductance).tocsc())
    right = (mass - h / 2 * operator.conductance).tocsr()
    v = np.zeros(operator.capacity.size)
    out = [v]
    for j in range(driver.size - 1):
        for k in range(steps):
            a, b = (driver[j] + (driver[j + 1] - driver[j]) * (k + s) / steps for s in (0, 1))
            v = left.solve(right @ v + h * operator.surface * (a + b) / 2)
        out.append(v)
    return np.array(out)


def weather(months: int) -> Array:
    noise = np.convolve(np.random.default_rng(7).normal(size=months + 11), np.exp(-np.arange(12) / 4), mode="valid")
    return np.concatenate([[0.0], 0.5 * np.cos(np.arange(noise.size) * np.pi / 6) + 0.25 * noise + 0.3])


def stepped(model: rm.ReducedModel, driver: Array, dtau: float) -> Array:
    decay, early, late = rm.step_factors(model.rates, dtau)
    states = np.empty((driver.size, model.rates.size))
    kernels.march(driver, np.zeros(model.rates.size), decay, early * model.inputs, late * model.inputs, states)
    return states @ model.output.sum(axis=1).T


@pytest.mark.slow
@pytest.mark.parametrize(("ratio", "alpha", "opposite"), [
    (1.0, 0.3, False), (1.7, 1.85, False), (1.7, 10.0, False), (1.7, 1.85, True), (3.5, 4.0, False)])
def test_reduced_model_against_a_march_of_the_same_weather(ratio: float, alpha: float, opposite: bool) -> None:
    driver, dtau = weather(120), alpha / (12 * DEPTH_M**2)
    operator = grid.strip(ratio, grid.FINE, middle="zero" if opposite else "mirror", cracked_depth=CRACKED)
    points = grid.rows_at(operator, ratio * np.linspace(0, 1, rm.PROFILE_POINTS), odd=opposite)
    marched = np.array([(points @ row.reshape(operator.x.size, -1)) @ operator.dz
                        for row in march(operator, driver, dtau, 8)])
    ours = stepped(rm.build(ratio, antisymmetric=opposite, cracked_depth=CRACKED), driver, dtau)
    share = np.abs(ours - marched)[1:].max() / np.ptp(marched[:, -1])
    print(f"ratio {ratio}, diffusivity {alpha}, opposite {opposite}: {100 * share:.2f} % of the edge range")
    assert share < 0.01


@pytest.mark.slow
@pytest.mark.parametrize("ratio", [0.8, 1.7, 3.5, 6.0, 9.0])
@pytest.mark.parametrize("depth", [0.15, 0.29, 0.5, 1.0])
def test_reduced_model_over_its_whole_range(ratio: float, depth: float) -> None:
    """36-42 modes on the standard grid against about 80 on the fine one, also from the profile before a pour.

    A diffusivity of 0.1 is the end of the drawn range (3.6 standard deviations out): there the kink of the profile at
    the pour costs up to 1.25 % of the edge range, in the month of the pour only.
    """
    driver = weather(240)
    fine = rm.build(ratio, grid.FINE, cracked_depth=depth, drop=1e-10,
                    shifts=(0, .3, 1, 2, 3, 6, 10, 20, 30, 60, 100, 200, 300, 600, 1e3, 3e3, 1e4, 3e4, 1e5))
    ours = rm.build(ratio, cracked_depth=depth)
    for alpha in (0.1, 0.3, 1.85, 10.0):
        moved = []
        for model in (ours, fine):
            cells = np.diff(model.depth_edges)
            moved.append(trace.ground(model, driver, 60, diffusivity_m2_per_yr=alpha, active_depth_m=DEPTH_M,
                                      restraint=1.0, index_cells=cells).heave_m)
        share = np.abs(moved[0] - moved[1]).max() / np.ptp(moved[1][:, -1])
        print(f"ratio {ratio}, cracked {depth}, diffusivity {alpha}: {100 * share:.2f} % of the edge range")
        assert share < (0.01 if ratio <= 3.5 and alpha > 0.1 else 0.015)


# ---------------------------------------------------------------- strain by depth
def test_vertical_share_by_depth() -> None:
    np.testing.assert_allclose(cracked.vertical_share(np.array([0.0, 0.99, 1.0, 2.0, 3.5])),
                               [1 / 3, 1 / 3, 0.6, 1.6 / 3, 1.3 / 3])


@pytest.mark.parametrize("depth_m", [0.0, 0.03, 1.0, 1.234, 3.5, 9.0])
def test_the_share_of_cells_is_the_mean_over_each_cell(depth_m: float) -> None:
    edges = rm.build(1.7).depth_edges * DEPTH_M
    fine = np.linspace(edges[:-1], edges[1:], 20001)
    middle = (fine[1:] + fine[:-1]) / 2
    np.testing.assert_allclose(cracked.vertical_share_of_cells(edges, depth_m),
                               cracked.vertical_share(middle, depth_m).mean(axis=0), atol=2e-5)


# ---------------------------------------------------------------- two levels of suction
def test_movement_is_the_same_with_two_levels_in_an_implicit_march() -> None:
    """The second level goes in as a flux under the slab and a value at the active depth, not as the line itself."""
    ratio, step, pour_pf, covered, natural = 1.7, 1.85 / (12 * DEPTH_M**2), 3.4, 3.17, 3.63
    operator = grid.strip(ratio)
    n_x, n_z = operator.x.size, operator.z.size
    under = np.arange(n_x) < grid.STANDARD.under
    flux, bottom = np.zeros((n_x, n_z)), np.zeros((n_x, n_z))
    # dw/dz = (u_n - u_e) / Zm at the covered surface: that flux is taken from the cells beneath it
    flux[under, 0] = -operator.dx[under] * (natural - covered)
    bottom[:, -1] = operator.dx / (operator.dz[-1] / 2)
    euler = splu((sparse.diags(operator.capacity) + step * operator.conductance).tocsc())
    driver = covered + weather(60)
    z, cells = operator.z, 0.06 * DEPTH_M * operator.dz
    moved, profile = [], []
    for deep, inflow in ((covered, 0.0), (natural, 1.0)):
        start = np.tile(pour_pf + (deep - covered) * z, (n_x, 1)).ravel()
        state, heave = start, []
        for u in driver:
            source = operator.surface * u + inflow * flux.ravel() + bottom.ravel() * deep
            state = euler.solve(operator.capacity * state + step * source)
            heave.append(-(state - start).reshape(n_x, n_z) @ cells)
        moved.append(1e3 * np.array(heave))
        profile.append(state.reshape(n_x, n_z))
    assert np.ptp(moved[0]) > 10  # mm
    assert np.abs(moved[1] - moved[0]).max() < 1e-9
    line = suction_levels.with_inflow(profile[0], z * DEPTH_M, natural_pf=natural, covered_pf=covered,
                                      active_depth_m=DEPTH_M)
    np.testing.assert_allclose(profile[1], line, rtol=0, atol=1e-11)


def test_movement_from_the_absolute_profile_is_that_of_the_model(content: dict[str, Any], divisions: pd.DataFrame) \
        -> None:
    case = next(case for case in content["cases"] if "suction_pf" in case)
    given, found = case["input"], cracked_cases.solve(case, divisions)
    edges = found.model.depth_edges * DEPTH_M
    z = (edges[1:] + edges[:-1]) / 2
    middle = cracked_cases.states(case, found)[0]
    absolute = suction_levels.with_inflow(given["u_e_pf"] + middle, z, natural_pf=given["u_n_pf"],
                                          covered_pf=given["u_e_pf"], active_depth_m=DEPTH_M)
    cells = case_file.strain_cells([{"top_cm": 0, "bottom_cm": 200}], np.array([9.0]), found.model, DEPTH_M)
    since_first = -0.6 * (absolute - absolute[0]) @ cells
    expected = found.ground.heave_m[:, 0] - found.ground.heave_m[0, 0]
    assert np.ptp(expected) > 0.005
    assert np.abs(since_first - expected).max() * 1e3 < 1e-9


def test_the_line_stops_at_the_active_depth_and_the_mean_goes_below_it() -> None:
    levels = {"natural_pf": 3.6, "covered_pf": 3.2}
    line = suction_levels.inflow_line(np.array([0.0, 1.75, 3.5, 6.0]), active_depth_m=3.5, **levels)
    np.testing.assert_allclose(line, [0.0, 0.2, 0.4, 0.4])
    edges = np.linspace(0, 3.5, 8)
    mean = suction_levels.mean_to(6.0, np.full((2, 7), 3.2), edges, **levels)
    np.testing.assert_allclose(mean, (3.4 * 3.5 + 3.6 * 2.5) / 6)
    with pytest.raises(ValueError, match="above the active depth"):
        suction_levels.mean_to(2.0, np.full(7, 3.2), edges, **levels)
    assert suction_levels.natural_level(np.array([3.0, 4.0])) == 3.5


def test_the_level_of_suction_at_dallas(open_data: Path) -> None:
    """Fair, stated before: within 0.4 pF of the measured median; one level alone gave 3.30 and failed.

    By the monthly bucket, for which the figures were stated; day steps give the same level.
    """
    ours, measured, kpa = wetness.dallas_suction(open_data, "month")
    assert measured == pytest.approx(3.87, abs=0.005)
    assert ours == pytest.approx(3.63, abs=0.005)
    assert measured - 0.4 < ours < measured + 0.4
    assert kpa == pytest.approx(442, abs=2)
    assert wetness.dallas_suction(open_data)[0] == pytest.approx(ours, abs=0.02)
    here = wetness.weather(open_data, "4103", "month")
    edges, suction = wetness.open_ground(open_data, "4103", "month")
    years = suction[here.place("1995-01") : here.place("1997-12") + 1]
    levels = {"natural_pf": here.equilibrium_pf, "covered_pf": here.equilibrium_pf}
    assert suction_levels.mean_to(6.0, years, edges, **levels).mean() == pytest.approx(3.30, abs=0.005)
