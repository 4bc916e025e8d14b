"""One soil, one slab, one set of parameters and the whole history: what the compiled path shares, written out plainly.

It is used to draw one lot's history and profile, to check the solver against independent values, and to check the
sharing of `kernels` (here the slab is poured and stepped on its own, without the always-slabbed run).
Method: notebooks/method.md, section 5.5, 6 and 7.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from riskmap.movement import kernels, kernels_slab
from riskmap.movement.reduced_model import ReducedModel, step_factors
from riskmap.movement.slab import assemble, departure, solve

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Sides:
    """Ground movement when the two sides differ; month 0 is the pour.

    Attributes
    ----------
    heave_m : array, shape (n_after, 2 n_point - 1)
        Movement from the left edge through the middle to the right edge, up positive.
    """

    heave_m: Array

    @property
    def dome_m(self) -> Array:
        """Middle minus the mean of both edges at each month, shape (n_after,)."""
        middle = self.heave_m.shape[1] // 2
        return self.heave_m[:, middle] - (self.heave_m[:, 0] + self.heave_m[:, -1]) / 2


@dataclass(frozen=True)
class Ground:
    """Ground movement since the pour; month 0 is the pour.

    Attributes
    ----------
    heave_m : array, shape (n_after, n_point)
        Movement from the middle (first point) to the edge (last), up positive.
    open_ground_m : array, shape (n_after,)
        Movement of open ground far from the slab.
    """

    heave_m: Array
    open_ground_m: Array

    @property
    def dome_m(self) -> Array:
        """Middle minus edge at each month, shape (n_after,)."""
        return self.heave_m[:, 0] - self.heave_m[:, -1]


@dataclass(frozen=True)
class NextYear:
    """Bending of a slab from now to twelve months from now, if one past year were repeated.

    Attributes
    ----------
    bending_m : array, shape (13,)
        Height of the middle above the edge since the slab was level, up positive: now and at the end of each of the
        next twelve months.
    linear_m : array, shape (12,)
        The same for the next twelve months on springs that can pull; its extremes show which months count.
    """

    bending_m: Array
    linear_m: Array

    @property
    def expected_m(self) -> float:
        """Absolute bending in the month with the largest linear bending, up or down."""
        return float(abs(self.bending_m[1 + np.abs(self.linear_m).argmax()]))

    @property
    def change_m(self) -> float:
        """Bending twelve months from now minus present bending."""
        return float(self.bending_m[-1] - self.bending_m[0])

    @property
    def rise_m(self) -> float:
        """How far the bending rises above its present value, 0 or positive."""
        return max(0.0, float(self.bending_m[1 + self.linear_m.argmax()] - self.bending_m[0]), self.change_m)

    @property
    def fall_m(self) -> float:
        """How far the bending falls below its present value, 0 or negative."""
        return min(0.0, float(self.bending_m[1 + self.linear_m.argmin()] - self.bending_m[0]), self.change_m)

    @property
    def largest_m(self) -> float:
        """The rise or the fall, whichever is larger in size, with its sign."""
        return self.rise_m if self.rise_m >= -self.fall_m else self.fall_m


def strain_rows(model: ReducedModel, index_cells: Array, restraint: float) -> tuple[Array, Array]:
    """Return rows that convert modes to movement: strip (n_point, n_mode) and open ground (n_z,). [m per pF]

    Method: method.md, section 6.
    index_cells (n_z,): thickness times compression index of each depth cell. [m per pF]
    """
    strain = -restraint * index_cells / np.diff(model.depth_edges)
    return np.einsum("z,jzi->ji", strain, model.output), strain @ model.ground_output


def ground(model: ReducedModel, driver_pf: Array, pour: int, *, diffusivity_m2_per_yr: float, active_depth_m: float,
           restraint: float, index_cells: Array, spin_up_mean_pf: float | None = None) -> Ground:
    """Return ground movement under a slab poured at one month. [m] (method.md, section 5.6)

    Parameters
    ----------
    model : ReducedModel
    driver_pf : array, shape (n_month,)
        Surface suction minus the covered equilibrium at month ends.
    pour : int
        Position of the pour month.
    diffusivity_m2_per_yr, active_depth_m, restraint : float
    index_cells : array, shape (n_z,)
        As returned by `kernels_soil.cell_strain_index`.
    spin_up_mean_pf : float, optional
        Mean driver of the straight profile at position 0; default: the mean up to the pour.
    """
    after, before = _modes(model, driver_pf, pour, diffusivity_m2_per_yr / (12 * active_depth_m**2), spin_up_mean_pf,
                           driver_pf.size)
    rows, ground_row = strain_rows(model, index_cells, restraint)
    datum = ground_row @ before[pour]
    return Ground(after @ rows.T - datum, before[pour:] @ ground_row - datum)


def last_heave(model: ReducedModel, driver_pf: Array, pour: int, *, diffusivity_m2_per_yr: float,
               active_depth_m: float, restraint: float, index_cells: Array, spin_up_mean_pf: float) -> Array:
    """Return the last row of the heave that `ground` returns for the same arguments, in half the time. [m]

    Method: method.md, section 5.6.
    """
    after, before = _modes(model, driver_pf, pour, diffusivity_m2_per_yr / (12 * active_depth_m**2), spin_up_mean_pf,
                           pour + 1)
    rows, ground_row = strain_rows(model, index_cells, restraint)
    heave: Array = rows @ after[-1] - ground_row @ before[pour]
    return heave


def _modes(model: ReducedModel, driver_pf: Array, pour: int, dtau: float, spin_up_mean_pf: float | None,
           months: int) -> tuple[Array, Array]:
    """Return the modes of the strip from the pour on, and those of the open ground in the first `months`."""
    decay, early, late = step_factors(model.rates, dtau)
    g_decay, g_early, g_late = step_factors(model.ground_rates, dtau)
    mean = driver_pf[: pour + 1].mean() if spin_up_mean_pf is None else spin_up_mean_pf
    before = np.empty((months, model.ground_rates.size))
    kernels.march(driver_pf[:months], mean * model.ground_inputs / model.ground_rates, g_decay,
                  g_early * model.ground_inputs, g_late * model.ground_inputs, before)
    after = np.empty((driver_pf.size - pour, model.rates.size))
    kernels.march(driver_pf[pour:], model.initial @ before[pour], decay, early * model.inputs, late * model.inputs,
                  after)
    return after, before


def two_sided(model: ReducedModel, opposite: ReducedModel, driver_pf: Array, left_pf: Array, right_pf: Array,
              pour: int, *, diffusivity_m2_per_yr: float, active_depth_m: float, restraint: float,
              index_cells: Array) -> Sides:
    """Return ground movement when the surface beside the two edges differs from the pour on. [m] (method.md, section 7)

    The mean of both sides drives the symmetric model, half of their difference the antisymmetric one, which starts from
    rest, because the difference is assumed to begin at the pour.

    Parameters
    ----------
    model, opposite : ReducedModel
        Symmetric and antisymmetric model of the same half width over active depth.
    driver_pf : array, shape (n_month,)
        Surface suction minus the covered equilibrium, both sides alike, used up to the pour.
    left_pf, right_pf : array, shape (n_month - pour,)
        The same beside the left and the right edge from the pour on.
    pour : int
        Position of the pour month.
    """
    dtau = diffusivity_m2_per_yr / (12 * active_depth_m**2)
    g_decay, g_early, g_late = step_factors(model.ground_rates, dtau)
    before = np.empty((pour + 1, model.ground_rates.size))
    past = driver_pf[: pour + 1]
    kernels.march(past, past.mean() * model.ground_inputs / model.ground_rates, g_decay, g_early * model.ground_inputs,
                  g_late * model.ground_inputs, before)
    moved = []
    for part, driver, start in ((model, (left_pf + right_pf) / 2, model.initial @ before[pour]),
                                (opposite, (right_pf - left_pf) / 2, np.zeros(opposite.rates.size))):
        decay, early, late = step_factors(part.rates, dtau)
        states = np.empty((driver.size, part.rates.size))
        kernels.march(driver, start, decay, early * part.inputs, late * part.inputs, states)
        moved.append(states @ strain_rows(part, index_cells, restraint)[0].T)
    alike = moved[0] - strain_rows(model, index_cells, restraint)[1] @ before[pour]
    return Sides(np.hstack([(alike - moved[1])[:, :0:-1], alike + moved[1]]))


def whole_slab_since_pour(ground_m: Array, half_width_m: float, *, stiffness: float, spring: float, load: float,
                          edge_load: float) -> tuple[float, float, float]:
    """Return middle above chord, signed largest departure from the chord [m] and tilt, right edge minus left [m/m].

    Method: method.md, section 7.
    ground_m (n_node,): ground from the left to the right edge. Units as in `slab.solve`.
    """
    spacing = 2 * half_width_m / (ground_m.size - 1)
    shape = solve(np.ascontiguousarray(ground_m), spacing, stiffness, spring, load, edge_load, False, False)
    shape = shape - solve(np.zeros(ground_m.size), spacing, stiffness, spring, load, edge_load, False, False)
    off = shape - np.linspace(shape[0], shape[-1], shape.size)
    tilt = (shape[-1] - shape[0]) / (2 * half_width_m)
    return float(off[shape.size // 2]), float(off[np.abs(off).argmax()]), float(tilt)


def slab_since_pour(ground_m: Array, half_width_m: float, *, stiffness: float, spring: float, load: float,
                    edge_load: float) -> tuple[float, float]:
    """Return the middle above the edge, and the signed largest departure from the chord, since the slab was level. [m]

    Method: method.md, section 7.
    ground_m (n_point,): ground from the middle to the edge. Units as in `slab.solve`.
    """
    spacing = half_width_m / (ground_m.size - 1)
    shape = solve(np.ascontiguousarray(ground_m), spacing, stiffness, spring, load, edge_load, True, False)
    flat = solve(np.zeros(ground_m.size), spacing, stiffness, spring, load, edge_load, True, False)
    return departure(shape, flat)


def with_year_again(driver_pf: Array, start: int) -> Array:
    """Return a driver with the twelve months after month `start` appended. [pF] (method.md, section 8)

    driver_pf (n_month,): surface suction minus the covered equilibrium at month ends; the last month is the present
    one.
    """
    return np.concatenate([driver_pf, driver_pf[start + 1 : start + 1 + kernels.HORIZON]])


def next_year(heave_m: Array, half_width_m: float, *, stiffness: float, spring: float, load: float,
              edge_load: float) -> NextYear:
    """Return the bending now and in the next twelve months, solving every month. [m] (method.md, section 9)

    Parameters
    ----------
    heave_m : array, shape (n_after, n_point)
        Ground from the middle to the edge at each month from the pour to twelve months from now, as `Ground.heave_m`
        for a driver from `with_year_again`. A slab poured now (13 months) is level now.
    half_width_m, stiffness, spring, load, edge_load : float
        Units as in `slab.solve`.
    """
    year = heave_m[-1 - kernels.HORIZON :]
    bending = np.array([slab_since_pour(ground_m, half_width_m, stiffness=stiffness, spring=spring, load=load,
                                        edge_load=edge_load)[0] for ground_m in year])
    if heave_m.shape[0] == kernels.HORIZON + 1:
        bending[0] = 0.0
    spacing = half_width_m / (heave_m.shape[1] - 1)
    system = assemble(heave_m.shape[1], spacing, stiffness, spring, load, edge_load, True)
    return NextYear(bending, year[1:] @ kernels_slab.bending_weights(system))
