"""Suction by depth in open ground beside a slab, for one surface suction and nothing drawn.

Method: notebooks/method.md, section 5.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from riskmap.movement import kernels, reduced_model

Array = NDArray[np.float64]
RATIO = 1.7  # half width over active depth of the model that is used; open ground does not depend on it


def depth_edges_m(active_depth_m: float) -> Array:
    """Return the edges of the depth cells of `suction`, shape (n_z + 1,). [m]"""
    return np.asarray(active_depth_m * reduced_model.cached(RATIO).depth_edges)


def suction(surface_pf: Array, equilibrium_pf: float, *, diffusivity_m2_per_yr: float, active_depth_m: float) -> Array:
    """Return the suction of open ground at month ends, mean of each depth cell, shape (n_month, n_z). [pF]

    Parameters
    ----------
    surface_pf : array, shape (n_month,)
        Surface suction at consecutive month ends; the ground starts in balance with its mean.
    equilibrium_pf : float
        Suction that is held at the active depth.
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
