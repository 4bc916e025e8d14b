"""Loss of serviceability from swelling, and the share of swelling reached with time (AASHTO 1993, appendix G)."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

SOURCE = "AASHTO Guide 1993, appendix G, figures G.2-G.4, as transcribed in a public repository"
STANDING = "seen"
VERIFIED = True  # the printed example (0.3) is reproduced as 0.3123; read in a secondary copy, not on the page


def swelled_share(time_yr: Array, rate_per_yr: Array | float) -> Array:
    """Return 1 - exp(-theta t); theta 0.04 (tight, dry) to 0.20 (fractured, wet) per year. [-]"""
    return 1.0 - np.exp(-np.asarray(rate_per_yr, float) * np.asarray(time_yr, float))


def serviceability_loss(rise_in: float, probability_pct: float, rate_per_yr: float, time_yr: float) -> float:
    """Return dPSI = 0.00335 VR Ps (1 - exp(-theta t)) for the potential rise VR in inches. [-]"""
    return 0.00335 * rise_in * probability_pct * float(swelled_share(np.asarray(time_yr), rate_per_yr))
