"""Drought severity and coverage index of the weekly categories."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

SOURCE = "DSCI page of the weekly drought categories, worked areas; percentile limits of drought.gov"
STANDING = "seen"
VERIFIED = True  # printed 239 of the worked areas and the printed sum 1358

CATEGORY_PERCENTILES = (30.0, 20.0, 10.0, 5.0, 2.0)  # upper limits of D0..D4 (drought.gov)


def severity_coverage(categorical_pct: Array) -> Array:
    """Return DSCI = D0 + 2 D1 + 3 D2 + 4 D3 + 5 D4 of per cent areas that do not overlap, last axis D0..D4; 0-500.

    Unit: [-]
    """
    return np.asarray(categorical_pct, float) @ np.arange(1.0, 6.0)
