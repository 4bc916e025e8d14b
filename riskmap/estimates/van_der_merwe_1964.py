"""Total heave after Van der Merwe (1964): unit heave by class, reduced with depth.

It assumes ground that goes from dry to nearly saturated under a cover: an upper bound (Jones 2017). The form was read
in the scanned text of the original; the unit heaves 1, 1/2, 1/4 in per ft are partly legible there, and otherwise from
memory. The chart that gives a class from plasticity index and clay was not seen and is not coded: a class is an input.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

SOURCE = "Van der Merwe 1964, synopsis (scanned text); Jones 2017, J. SAICE 59(4) 64-66"
STANDING = "from memory"  # the form was seen; the unit heaves only in part
VERIFIED = False

UNIT_HEAVE = {"very high": 1 / 12, "high": 1 / 24, "medium": 1 / 48, "low": 0.0}  # 1, 1/2, 1/4, 0 in per ft
TENFOLD_DEPTH_M = 20 * 0.3048  # F = 10^(-depth in ft / 20)


def depth_factor(depth_m: Array) -> Array:
    """Return F, the share of the unit heave at a depth: 10^(-depth in ft / 20). [-]"""
    return 10.0 ** (-np.asarray(depth_m, float) / TENFOLD_DEPTH_M)


def total_heave_mm(profile: NDArray[np.int64], top_m: Array, bottom_m: Array, unit_heave: Array,
                   n_profile: int) -> Array:
    """Return total heave per profile, integrated exactly; `unit_heave` (m per m) of each layer, nan spreads. [mm]"""
    decay = np.log(10.0) / TENFOLD_DEPTH_M
    part = np.asarray(unit_heave, float) * (depth_factor(top_m) - depth_factor(bottom_m)) / decay
    return np.asarray(1000.0 * np.bincount(profile, part, n_profile), float)


def unit_heave_of(potential: NDArray[np.object_]) -> Array:
    """Return the unit heave of classes very high, high, medium, low; nan for any other text. [m/m]"""
    return np.array([UNIT_HEAVE.get(str(name), np.nan) for name in potential], dtype=float)
