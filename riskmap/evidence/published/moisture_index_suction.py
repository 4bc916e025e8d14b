"""Deep suction from the Thornthwaite moisture index: several published relations.

They disagree by about 0.6 pF at an index of -20; because of this disagreement no single one is used.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

SOURCE = "exponential fit of Texas pavement work (from memory); NCHRP 1-40D, fine soils (from memory)"
STANDING = "from memory"
VERIFIED = False

# Weighted plasticity index (share passing No. 200 times PI): beta, gamma, delta of NCHRP 1-40D, from memory.
NCHRP_FINE = {50: (975.0, 152.5, 32.0), 20: (801.0, 147.6, 25.0), 10: (663.5, 142.5, 17.5)}


def exponential_pf(moisture_index: Array) -> Array:
    """Return pF = 3.5633 exp(-0.0051 TMI). [pF]"""
    return 3.5633 * np.exp(-0.0051 * np.asarray(moisture_index, float))


def nchrp_fine_kpa(moisture_index: Array, weighted_plasticity: int) -> Array:
    """Return kPa = 0.3 (exp(beta / (TMI + gamma)) + delta) for a weighted plasticity index of 50, 20 or 10. [kPa]"""
    beta, gamma, delta = NCHRP_FINE[weighted_plasticity]
    return 0.3 * (np.exp(beta / (np.asarray(moisture_index, float) + gamma)) + delta)
