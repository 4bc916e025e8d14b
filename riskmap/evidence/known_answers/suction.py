"""Known answers about suction: 1, 4 and 5, and tests 1, 3-5 and 11 of the solver."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np

from riskmap.evidence import closed_forms
from riskmap.evidence.known_answers.case import Case, NotIncluded, Tolerance, Value
from riskmap.evidence.published import edge_penetration, suction_profile
from riskmap.movement import grid
from riskmap.movement import reduced_model as rm

ROUNDED = "rounding of the print"
NOTES = "notebooks/method.md, section 5.7,"
REFEREE = "independent solver, two methods that agree (notebooks/method.md, section 5.7)"
CM2_S = suction_profile.CM2_S_IN_M2_YR
ALPHA, DEPTH, HALF_WIDTH, STRAIN = 1.85, 3.5, 6.0, 0.06  # case R
YES = Tolerance("text, exact")


def yes(*answers: object) -> list[Value]:
    """Return `yes` or `no` for each answer."""
    return ["yes" if answer else "no" for answer in answers]


# ---------------------------------------------------------------- yearly waves in the operator itself
def _wave(size: grid.GridSize, *, depth_m: float, half_width_m: float, alpha: float) -> tuple[grid.Operator, Any]:
    """Return complex suction amplitudes of a yearly unit wave at the open surface, shape (n_x, n_z)."""
    from scipy import sparse
    from scipy.sparse.linalg import splu

    operator = grid.strip(half_width_m / depth_m, size)
    speed = 2j * np.pi * depth_m**2 / alpha
    matrix = (operator.conductance + speed * sparse.diags(operator.capacity)).tocsc()
    return operator, splu(matrix).solve(operator.surface.astype(complex)).reshape(operator.x.size, operator.z.size)


def _beneath_edge(size: grid.GridSize, inside_m: Any, *, depth_m: float, half_width_m: float, alpha: float) -> Any:
    operator, v = _wave(size, depth_m=depth_m, half_width_m=half_width_m, alpha=alpha)
    rows = grid.rows_at(operator, (half_width_m - np.asarray(inside_m)) / depth_m)
    return np.abs(np.asarray(rows @ v[:, 0]))


_GRIDS = (grid.GridSize(30, 20, 20, 40.0, 40.0), grid.GridSize(60, 40, 40, 40.0, 40.0),
          grid.GridSize(120, 80, 80, 40.0, 40.0))


@lru_cache(maxsize=1)
def _edge_solver() -> tuple[list[float], list[float]]:
    """Return ratios extrapolated from the two finest grids, and the largest error of each grid."""
    inside = np.array([0.5, 1.0, 2.0])
    exact = edge_penetration.amplitude_ratio(inside, 1e-3)
    ratios = [_beneath_edge(size, inside, depth_m=8.0, half_width_m=8.0, alpha=1e-3 * CM2_S) for size in _GRIDS]
    errors = [float(np.abs(r / exact - 1).max()) for r in ratios]
    return list(2 * ratios[2] - ratios[1]), errors  # first order: the edge is singular


def _edge_distances() -> list[float]:
    distance = edge_penetration.edge_distance_m
    table = [distance(u, alpha) for alpha in (5e-4, 1e-3, 2e-3, 3.7e-3, 5e-3) for u in (0.5, 0.9, 1.5)]
    return [*table, *(distance(0.9, 1e-3, period) for period in (3.0, 7.0, 11.0))]


def _two_definitions() -> list[float]:
    alpha = ALPHA / CM2_S
    return [edge_penetration.edge_distance_m(0.6, alpha, limit_pf=0.05), edge_penetration.edge_distance_m(0.6, alpha)]


def _range_definition() -> list[float]:
    inside = np.linspace(0.05, 3.0, 296)
    ranges = 2 * 0.6 * _beneath_edge(grid.STANDARD, inside, depth_m=DEPTH, half_width_m=HALF_WIDTH, alpha=ALPHA)
    return [float(np.interp(-0.1, -ranges, inside))]


def _waves_in_depth() -> list[float]:
    """Answer 4 by the core's column: 0.5, 1 and 2 m at four times; 20 m deep, so that it acts as a half-space."""
    dz = grid.geometric_cells(1.0, 160, 60.0)
    rates, modes, inputs = grid.column(dz)
    v = modes @ (inputs / (rates + 2j * np.pi * 20.0**2 / (1e-3 * CM2_S)))
    z = 20.0 * (np.cumsum(dz) - dz / 2)
    out = []
    for depth in (0.5, 1.0, 2.0):
        here = np.interp(depth, z, v.real) + 1j * np.interp(depth, z, v.imag)
        out += [3.6 + 0.9 * float((here * np.exp(2j * np.pi * t)).real) for t in (0.0, 0.25, 0.5, 0.75)]
    return out


_WAVE_PRINTED = (4.0799, 3.8615, 3.1201, 3.3385, 3.7799, 3.8788, 3.4201, 3.3212, 3.5496, 3.7115, 3.6504, 3.4885)


def _waves_closed() -> list[float]:
    return [float(suction_profile.periodic_pf(np.array(z), np.array(t), mean_pf=3.6, amplitude_pf=0.9,
                                              diffusivity_cm2_s=1e-3))
            for z in (0.5, 1.0, 2.0) for t in (0.0, 0.25, 0.5, 0.75)]


def _yearly_wave() -> list[float]:
    dz = np.full(80, 1 / 80)
    rates, modes, inputs = grid.column(dz)
    v = modes @ (inputs / (rates + 2j * np.pi * DEPTH**2 / 1.8))
    z = DEPTH * (np.cumsum(dz) - dz / 2)
    return [float(np.interp(1.0, z, np.abs(v))), float(np.interp(1.0, z, -np.unwrap(np.angle(v)))) / (2 * np.pi) * 12]


# ---------------------------------------------------------------- sealed ground
_TIMES = (0.008, 0.031, 0.05, 0.10, 0.197, 0.286, 0.403, 0.567, 0.848, 1.129)


def _sealed_closed() -> list[float]:
    depth = np.linspace(0.0, 1.0, 4001)
    mean = [1 - float(np.trapezoid(closed_forms.sealed_column(depth, t), depth)) for t in _TIMES]
    return [*mean, *(1 - float(closed_forms.sealed_column(np.zeros(1), t)[0]) for t in _TIMES)]


@lru_cache(maxsize=1)
def _sealed_core() -> tuple[list[float], list[float]]:
    """Return the middle column's largest error at 0.5 for 20 and 40 cells, slab of six active depths to each side."""
    from scipy import sparse
    from scipy.sparse.linalg import expm_multiply

    errors = []
    for cells in (20, 40):
        operator = grid.strip(6.0, grid.GridSize(16, 6, cells, 20.0, 1.0))
        decay = sparse.diags(-1 / operator.capacity) @ operator.conductance
        v = expm_multiply(0.5 * decay, np.ones(operator.capacity.size)).reshape(operator.x.size, cells)[0]
        errors.append(float(np.abs(v - closed_forms.sealed_column(operator.z, 0.5)).max()))
    return errors, [errors[0] / errors[1]]


def _steady(size: grid.GridSize) -> list[float]:
    from scipy.sparse.linalg import splu

    operator = grid.strip(4.0, size, far_field=3.0)
    v = splu(operator.conductance).solve(operator.surface).reshape(operator.x.size, operator.z.size)
    rows = grid.rows_at(operator, 4.0 - np.array([0.1, 0.3, 0.6, 1.0]))
    return list((rows @ v) @ operator.dz)


def _steady_closed() -> list[float]:
    depth = np.linspace(0, 1, 20001)
    return [float(np.trapezoid(closed_forms.steady_beneath_edge(np.full(depth.size, d), depth), depth))
            for d in (0.1, 0.3, 0.6, 1.0)]


_STEADY = (0.33446, 0.24801, 0.15664, 0.08405)


def _steady_order() -> list[float]:
    coarse, fine = (_steady(size) for size in (grid.GridSize(20, 14, 10, 20.0, 10.0), grid.GridSize(40, 28, 20, 60.0,
    20.0)))
    error = [max(abs(a - b) for a, b in zip(values[:3], _STEADY[:3], strict=True)) for values in (coarse, fine)]
    return [error[0] / error[1]]


_STEP = (0.0, 0.0065, 0.0293, 0.0975, 0.0069, 0.0531, 0.1085, 0.2037, 0.0472, 0.1059, 0.1630, 0.2522,
         0.0548, 0.1119, 0.1677, 0.2555)
_LATE = 50.0  # represents an endless time
_MOMENTS = (0.1, 0.3, 1.0, _LATE)


def _forced(rates: Any, inputs: Any, tau: float) -> Any:
    return inputs / rates * -np.expm1(-rates * tau)


def _steps(antisymmetric: bool = False) -> Any:
    """Return integrals over depth at the centre, 3 m, 2 m and 1 m inside and at the edge, shape (4 moments, 5)."""
    model = rm.build(12 / 7, antisymmetric=antisymmetric)
    out = [np.interp([0, 3, 4, 5, 6], np.linspace(0, 6, rm.PROFILE_POINTS),
                     (model.output @ _forced(model.rates, model.inputs, tau)).sum(axis=1)) for tau in _MOMENTS]
    return np.array(out)


def _open_steps() -> list[float]:
    model = rm.build(12 / 7)
    return [float((model.ground_output @ _forced(model.ground_rates, model.ground_inputs, tau)).sum())
            for tau in (0.1, 0.3, _LATE)]


CASES = (
    Case("1a", "edge penetration, exact solution at 0.5, 1, 2 m", "exact half-plane form, method.md, section 5.7",
         "computed", (0.2963, 0.1440, 0.0408), "ratio", Tolerance(ROUNDED, absolute=5.1e-5),
         lambda: edge_penetration.amplitude_ratio(np.array([0.5, 1, 2]), 1e-3)),
    Case("1b", "the same by the core's grid, extrapolated", "the same; 8 m deep and wide, two finest of three grids",
         "computed", (0.2963, 0.1440, 0.0408), "ratio", Tolerance("stated beforehand", relative=0.03),
         lambda: _edge_solver()[0]),
    Case("1c", "its error falls with every finer grid", "the same", "computed", ("yes",), "yes/no", YES,
         lambda: yes(all(b < a for a, b in zip(_edge_solver()[1], _edge_solver()[1][1:], strict=False)))),
    Case("1d", "edge distances at 0.1 pF: 5 alphas; 3, 7, 11 yr", "the same form", "computed",
         (0.54, 0.85, 1.13, 0.76, 1.20, 1.60, 1.08, 1.69, 2.26, 1.47, 2.30, 3.07, 1.71, 2.67, 3.57, 2.07, 3.16, 3.97),
         "m",
         Tolerance(ROUNDED, absolute=0.0051), _edge_distances),
    Case("1e", "lasting change outside: share arrived, ten times", "Laplace inversion of erfc(sqrt(sqrt(s)))/s",
         "computed",
         (0.0003, 0.0053, 0.0454, 0.1117, 0.1994, 0.2952, 0.3891, 0.5018, 0.5979, 0.7122), "share",
         Tolerance(ROUNDED, absolute=6e-5),
         lambda: edge_penetration.step_fraction(np.array([0.05, 0.1, 0.25, 0.5, 1, 2, 4, 10, 25, 100]))),
    Case("4a", "yearly wave at 0.5, 1, 2 m, four seasons", "U = Ue + U0 exp(-z/d) cos(wt - z/d)", "computed",
         _WAVE_PRINTED,
         "pF", Tolerance(ROUNDED, absolute=6e-5), _waves_closed),
    Case("4b", "the same by the core's column, 20 m deep", "the same", "computed", _WAVE_PRINTED, "pF",
         Tolerance("stated beforehand", absolute=0.005), _waves_in_depth),
    Case("5", "sealed surface: mean and sealed face, ten times", "Carslaw and Jaeger; standard consolidation table",
         "computed", (0.1009, 0.1987, 0.2523, 0.3568, 0.5003, 0.5996, 0.7001, 0.7999, 0.9000, 0.9500, 0.0, 0.0001,
         0.0031,
                      0.0507, 0.2223, 0.3720, 0.5290, 0.6857, 0.8429, 0.9215), "share", Tolerance(ROUNDED,
                      absolute=6e-5),
         _sealed_closed),
    Case("P1", "yearly wave at 1 m: ratio, lag", NOTES + " test 1, finite depth", "computed", (0.2665, 2.52),
         "-, months",
         Tolerance("stated beforehand", relative=0.01), _yearly_wave),
    Case("P3a", "steady state beneath the edge, exact", NOTES + " test 3", "computed", _STEADY, "",
         Tolerance(ROUNDED, absolute=2e-5), _steady_closed),
    Case("P3b", "the same by the standard grid", NOTES + " test 3", "computed", _STEADY, "",
         Tolerance("stated beforehand", relative=0.006), lambda: _steady(grid.STANDARD)),
    Case("P3c", "halving the cells cuts the error by", NOTES + " test 3", "computed", (3.0, 100.0), "times",
         Tolerance("more than 3", kind="range"), _steady_order),
    Case("P4a", "sealed column at 0.5: error, 20 and 40 cells", NOTES + " test 4", "computed", (0.0, 0.0), "",
         Tolerance("stated beforehand", absolute=5e-4), lambda: _sealed_core()[0]),
    Case("P4b", "twice the cells: error smaller by", NOTES + " test 4", "computed", (4.0,), "times",
         Tolerance("second order; a slab of finite width adds 1e-4 of the start", relative=0.15),
         lambda: _sealed_core()[1]),
    Case("P5a", "step response under the slab", NOTES + " test 5: centre, 3, 2, 1 m at tau 0.1, 0.3, 1, infinity",
         "computed", _STEP, "", Tolerance("stated beforehand", absolute=0.0015), lambda: _steps()[:, :4].ravel()),
    Case("P5b", "step response at the edge", REFEREE, "computed", (0.2478, 0.3534, 0.3860, 0.3881), "",
         Tolerance("stated beforehand", absolute=0.002), lambda: _steps()[:, 4]),
    Case("P5c", "the same, sides opposite", REFEREE, "computed", (0.2478, 0.3534, 0.3854, 0.3861), "",
         Tolerance("stated beforehand", absolute=0.002), lambda: _steps(antisymmetric=True)[:, 4]),
    Case("P5d", "open ground at tau 0.1, 0.3, infinity", REFEREE, "computed", (0.3489, 0.4787, 0.5), "",
         Tolerance("stated beforehand", absolute=0.0015), _open_steps),
    Case("P11c", "edge distance where the RANGE falls to 0.1 pF", NOTES + " test 11, defaults, amplitude 0.6 pF",
         "computed",
         (1.0, 2.0), "m", Tolerance("1 to 2 m: calibrated to it", kind="range"), _range_definition),
    Case("P11d", "half-plane form: range and amplitude definition", "exact form of 1a", "computed", (1.09, 0.68), "m",
         Tolerance(ROUNDED, absolute=0.0051), _two_definitions),
)

NOT_INCLUDED: tuple[NotIncluded, ...] = ()
