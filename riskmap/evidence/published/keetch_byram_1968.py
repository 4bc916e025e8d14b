"""Daily increment of the Keetch-Byram drought index (1968), both unit systems. From memory."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

SOURCE = "Keetch and Byram 1968 (from memory); range 0-800 on a data-set page"
STANDING = "from memory"
VERIFIED = False


def increment(index: Array, temperature_f: Array, annual_rain_in: Array) -> Array:
    """Return the rise of the index in hundredths of an inch for a dry day with that maximum temperature. [0.01 in]"""
    q, t, r = (np.asarray(v, float) for v in (index, temperature_f, annual_rain_in))
    return (800 - q) * (0.968 * np.exp(0.0486 * t) - 8.30) * 1e-3 / (1 + 10.88 * np.exp(-0.0441 * r))


def increment_mm(index_mm: Array, temperature_c: Array, annual_rain_mm: Array) -> Array:
    """Return the same in mm, with its own rounded coefficients. [mm]"""
    q, t, r = (np.asarray(v, float) for v in (index_mm, temperature_c, annual_rain_mm))
    return (203.2 - q) * (0.968 * np.exp(0.0875 * t + 1.5552) - 8.30) * 1e-3 / (1 + 10.88 * np.exp(-0.001736 * r))
