"""Drought severity and coverage index of the weekly categories, and the recursion of the Palmer index."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

SOURCE = ("DSCI page of the weekly drought categories; Palmer recursion from memory, checked on NOAA's divisional "
          "series nClimDiv v1.0.0")
STANDING = "seen"  # the Palmer recursion is from memory
VERIFIED = True  # printed DSCI 239 and sum 1358; NOAA's printed months obey the recursion within 0.02 outside changes

CATEGORY_PERCENTILES = (30.0, 20.0, 10.0, 5.0, 2.0)  # upper limits of D0..D4 (drought.gov)


def severity_coverage(categorical_pct: Array) -> Array:
    """Return DSCI = D0 + 2 D1 + 3 D2 + 4 D3 + 5 D4 of per cent areas that do not overlap, last axis D0..D4; 0-500."""
    return np.asarray(categorical_pct, float) @ np.arange(1.0, 6.0)


def palmer_next(before: Array, moisture_anomaly: Array) -> Array:
    """Return the Palmer index of the next month within a spell: 0.897 X + Z / 3 (Palmer 1965, from memory)."""
    return 0.897 * np.asarray(before, float) + np.asarray(moisture_anomaly, float) / 3.0
