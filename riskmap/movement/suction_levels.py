"""Two levels of suction: natural ground below the roots is drier than ground that has been covered for years.

The equation is linear, so a steady inflow under the slab adds a straight line in depth to the suction. It changes the
absolute profile but no movement. With uniform diffusivity this is exact; it is not valid for ground whose upper part
conducts better (`cracked`).
Method: notebooks/method.md, section 5.2.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def natural_level(suction_pf: Array) -> float:
    """Return the suction of natural ground below the roots: the mean of the surface over normal years. [pF]

    u_n = dry - (dry - wet) mean(s). Method: method.md, section 5.2.

    Parameters
    ----------
    suction_pf : array, shape (n_month,)
        Surface suction u_s at the month ends of the normal period, 1991-2020 by default. [pF]
    """
    return float(suction_pf.mean())


def inflow_line(depth_m: Array, *, natural_pf: float, covered_pf: float, active_depth_m: float) -> Array:
    """Return what a steady inflow under the slab adds to suction: (u_n - u_e) z / Zm, not more below Zm. [pF]

    Method: method.md, section 5.2.

    Parameters
    ----------
    depth_m : array
        Depths z. [m]
    natural_pf, covered_pf : float
        Natural level u_n and covered equilibrium u_e. [pF]
    active_depth_m : float
        Zm. [m]
    """
    return (natural_pf - covered_pf) * np.clip(depth_m / active_depth_m, 0.0, 1.0)


def with_inflow(suction_pf: Array, depth_m: Array, *, natural_pf: float, covered_pf: float,
                active_depth_m: float) -> Array:
    """Return the absolute suction w = u + (u_n - u_e) z / Zm, in open ground and under the slab. [pF]

    Method: method.md, section 5.2.
    w solves u's equation with w = u_n at the active depth, in open ground and under the slab, the same surface outside
    the slab and dw/dz = (u_n - u_e) / Zm under it. It differs from u by a constant, so no movement changes.

    Parameters
    ----------
    suction_pf : array, shape (..., n_z)
        Suction u that approaches the covered equilibrium at the active depth. [pF]
    depth_m : array, shape (n_z,)
    natural_pf, covered_pf, active_depth_m : float
        As in `inflow_line`.
    """
    return suction_pf + inflow_line(depth_m, natural_pf=natural_pf, covered_pf=covered_pf,
                                    active_depth_m=active_depth_m)


def mean_to(bottom_m: float, suction_pf: Array, edges_m: Array, *, natural_pf: float, covered_pf: float) -> Array:
    """Return the mean of absolute suction from the surface down to a depth at or below the active depth. [pF]

    Below the active depth the ground is at the natural level. Method: method.md, section 5.2.

    Parameters
    ----------
    bottom_m : float
    suction_pf : array, shape (..., n_z)
        Suction u of depth cells as in `with_inflow`. [pF]
    edges_m : array, shape (n_z + 1,)
        Cell limits; the last is the active depth. [m]
    natural_pf, covered_pf : float

    Raises
    ------
    ValueError
        If the depth lies above the active depth.
    """
    active = float(edges_m[-1])
    if bottom_m < active:
        raise ValueError(f"the mean is taken to {bottom_m:g} m, above the active depth of {active:g} m")
    absolute = with_inflow(suction_pf, (edges_m[1:] + edges_m[:-1]) / 2, natural_pf=natural_pf, covered_pf=covered_pf,
                           active_depth_m=active)
    return (absolute @ np.diff(edges_m) + natural_pf * (bottom_m - active)) / bottom_m
