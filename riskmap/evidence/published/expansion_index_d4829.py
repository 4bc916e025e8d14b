"""Expansion index and its classes (ASTM D4829), and the building-code test of expansive soil."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

SOURCE = "ASTM D4829 as in UFC 3-220-10 Eq. 1-6 (secondary copy); classes on a state transport department's page"
STANDING = "seen"
VERIFIED = True  # three worked inputs from the secondary copy; the 50 % saturation form is from memory

CLASS_LIMITS = (20.0, 50.0, 90.0, 130.0)  # upper limits
CLASS_NAMES = ("very low", "low", "medium", "high", "very high")


def expansion_index(rise: Array, height: Array) -> Array:
    """Return EI = 1000 rise / initial height, both in one unit. [-]"""
    return 1000.0 * np.asarray(rise, float) / np.asarray(height, float)


def at_half_saturation(index: Array, saturation_pct: Array) -> Array:
    """Return EI50 = EI - (50 - S)(65 + EI) / (220 - S) (older correction, from memory). [-]"""
    index, s = np.asarray(index, float), np.asarray(saturation_pct, float)
    return index - (50.0 - s) * (65.0 + index) / (220.0 - s)


def expansion_class(index: Array) -> NDArray[np.object_]:
    """Return the class; values at the printed limits 20, 50, 90, 130 belong to the lower class."""
    return np.array(CLASS_NAMES, dtype=object)[np.digitize(np.asarray(index, float), CLASS_LIMITS, right=True)]


def expansive_by_code(plasticity_index: float, passing_200_pct: float, finer_5um_pct: float,
                      index: float | None = None) -> bool:
    """Return the building-code test: PI >= 15 and > 10 % passing No. 200 and > 10 % finer than 5 um, or EI > 20."""
    by_grading = plasticity_index >= 15 and passing_200_pct > 10 and finer_5um_pct > 10
    return by_grading or (index is not None and index > 20)
