"""Total heave from the swelling index (Fredlund, Hasan and Filson 1980): dH = sum Cs h / (1 + e0) log10(Pf / P0).

P0 is the corrected swelling pressure and Pf the final stress, so heave is positive where P0 is the larger. Equation and
example from memory (Fredlund and Rahardjo 1993, chapter 13); the example is reproduced, but the page was not opened.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

SOURCE = "Fredlund, Hasan and Filson 1980; Fredlund and Rahardjo 1993, chapter 13 (from memory)"
STANDING = "from memory"
VERIFIED = False  # reproduces the remembered 11.4 cm; the document was not opened


def layer_heave_m(thickness_m: Array, final_stress_kpa: Array, *, swelling_index: float, void_ratio: float,
                  swelling_pressure_kpa: float) -> Array:
    """Return the heave of each layer, final stress at its middle. [m]"""
    ratio = swelling_pressure_kpa / np.asarray(final_stress_kpa, float)
    return swelling_index / (1.0 + void_ratio) * np.asarray(thickness_m, float) * np.log10(ratio)


def total_heave_m(depth_m: float, *, unit_weight_kn_m3: float, swelling_index: float, void_ratio: float,
                  swelling_pressure_kpa: float) -> float:
    """Return the exact integral over a uniform layer from the surface to `depth_m` (computed from the sum). [m]"""
    ratio = swelling_pressure_kpa / (unit_weight_kn_m3 * depth_m)
    return swelling_index / (1.0 + void_ratio) * depth_m * float(np.log10(ratio) + 1.0 / np.log(10.0))
