"""Differential soil movement in the manner of PTI DC10: stress change factors and depth weighting.

All from memory; the manual was not opened. The edge-distance figure of the manual is not coded. The factors depend only
on the pF difference: every repeated difference in the remembered table has the same value, which suggests that the
memory is right.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

SOURCE = "PTI DC10.x stress change factors without vertical barrier (from memory); weights 3:2:1 after BRAB 33"
STANDING = "from memory"
VERIFIED = False

DIFFERENCE_PF = np.array([0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0, 1.2, 1.5, 1.8, 2.0])
WETTING = np.array([1.6, 3.2, 5.1, 7.3, 9.6, 12.1, 14.8, 17.7, 20.7, 23.9, 30.8, 42.1, 54.7, 63.6])
DRYING = np.array([1.3, 2.6, 4.1, 5.7, 7.5, 9.4, 11.5, 13.6, 15.8, 18.2, 23.1, 31.3, 40.0, np.nan])
LAYER_WEIGHTS = (3.0, 2.0, 1.0)  # three 5 ft layers from the top


def stress_change_factor(deep_pf: Array, surface_pf: Array) -> Array:
    """Return the factor in inches per unit of volume strain index, linear between entries. [in]

    It is positive for a surface wetter than the deep ground (swell, edge lift) and negative for a drier one (shrinkage,
    centre lift); nan beyond the table.
    """
    change = np.asarray(deep_pf, float) - np.asarray(surface_pf, float)
    size = np.abs(change)
    steps = np.concatenate([[0.0], DIFFERENCE_PF])
    wet = np.interp(size, steps, np.concatenate([[0.0], WETTING]), right=np.nan)
    last = np.isfinite(DRYING)
    dry = np.interp(size, np.concatenate([[0.0], DIFFERENCE_PF[last]]), np.concatenate([[0.0], DRYING[last]]),
                    right=np.nan)
    return np.where(change >= 0, wet, -dry)


def differential_movement_in(deep_pf: Array, surface_pf: Array, compression_index: Array | float) -> Array:
    """Return ym = factor times the weighted, modified volume strain index per pF. [in]"""
    return np.asarray(stress_change_factor(deep_pf, surface_pf) * compression_index)


def weighted_index(upper: float, middle: float, lower: float) -> float:
    """Return the 3:2:1 mean of an index over three 5 ft layers. [-]"""
    a, b, c = LAYER_WEIGHTS
    return (a * upper + b * middle + c * lower) / (a + b + c)
