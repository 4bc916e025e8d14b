"""Suction by depth in open ground beside a slab, for one surface suction and nothing varied.

Method: notebooks/method.md, section 5.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from riskmap.movement import kernels, reduced_model, suction_levels

if TYPE_CHECKING:
    from riskmap.common.settings import MovementSettings
    from riskmap.movement.driver import Driver

Array = NDArray[np.float64]
TOLD_DEPTHS_M = (0.5, 1.0, 2.0)  # depths of the profile that is reported
RATIO = 1.7  # half width over active depth of the model in use; open ground does not depend on it


def depth_edges_m(active_depth_m: float) -> Array:
    """Return the edges of the depth cells of `suction`, shape (n_z + 1,). [m]"""
    return np.asarray(active_depth_m * reduced_model.cached(RATIO).depth_edges)


def suction(surface_pf: Array, equilibrium_pf: float, *, diffusivity_m2_per_yr: float, active_depth_m: float) -> Array:
    """Return the suction of open ground at month ends, mean of each depth cell, shape (n_month, n_z). [pF]

    Parameters
    ----------
    surface_pf : array, shape (n_month,)
        Surface suction at consecutive month ends. The ground starts in balance with its mean.
    equilibrium_pf : float
        Constant suction at the active depth.
    diffusivity_m2_per_yr, active_depth_m : float
    """
    model = reduced_model.cached(RATIO)
    decay, early, late = reduced_model.step_factors(model.ground_rates,
                                                    diffusivity_m2_per_yr / (12 * active_depth_m**2))
    driver = surface_pf - equilibrium_pf
    states = np.empty((driver.size, model.ground_rates.size))
    kernels.march(driver, driver.mean() * model.ground_inputs / model.ground_rates, decay, early * model.ground_inputs,
                  late * model.ground_inputs, states)
    cell = model.ground_output / np.diff(model.depth_edges)[:, None]
    return np.asarray(equilibrium_pf + states @ cell.T)


def profile_now(driver: Driver, movement: MovementSettings) -> dict[str, float]:
    """Return absolute suction of open ground in the present month, by depth, and the two levels at depth. [pF]

    Method: method.md, section 5.2.

    Parameters
    ----------
    driver : Driver
        Its first model run is used, the median one.
    movement : MovementSettings
        Settings of ground that is not cracked; on cracked ground the line between the levels is not exact.

    Returns
    -------
    dict
        `at_0.5_m`, `at_1_m`, `at_2_m`; `natural_level`, of ground below the roots; `covered_level`, of ground that has
        been covered for years. Empty on cracked ground.
    """
    if movement.ground != "uncracked":
        return {}
    surface, covered, depth = driver.suction_pf[0], float(driver.equilibrium_pf[0]), movement.active_depth_m
    edges = depth_edges_m(depth)
    middle = (edges[1:] + edges[:-1]) / 2
    natural = suction_levels.natural_level(surface[driver.normal[0] : driver.normal[1] + 1])
    now = suction(surface, covered, diffusivity_m2_per_yr=movement.diffusivity_m2_per_yr, active_depth_m=depth)[-1]
    absolute = suction_levels.with_inflow(now, middle, natural_pf=natural, covered_pf=covered, active_depth_m=depth)
    told = {f"at_{z:g}_m": float(np.interp(z, middle, absolute)) for z in TOLD_DEPTHS_M if z < depth}
    return {**told, "natural_level": natural, "covered_level": covered}
