"""Swell from index properties alone: three correlations.

They differ by a factor of 2-3, which is their real scatter.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

SOURCE = ("Seed et al. 1962 as in UFC 3-220-10 (secondary copy); Chen 1988 (from memory); Vijayvergiya and Ghazzaly "
          "1973 (from memory)")
STANDING = "from memory"  # Seed's form was seen in a secondary copy
VERIFIED = False


def seed_pct(plasticity_index: Array) -> Array:
    """Return swell S = 0.00216 PI^2.44 (compacted, 1 psi; PI about 10-70). [%]"""
    return 0.00216 * np.asarray(plasticity_index, float) ** 2.44


def chen_pct(plasticity_index: Array) -> Array:
    """Return swell S = 0.2558 exp(0.0838 PI) (from memory). [%]"""
    return 0.2558 * np.exp(0.0838 * np.asarray(plasticity_index, float))


def vijayvergiya_pct(liquid_limit: Array, water_content_pct: Array) -> Array:
    """Return swell with log10 S = (0.44 LL - w + 5.5) / 12 (from memory). [%]"""
    return 10.0 ** ((0.44 * np.asarray(liquid_limit, float) - np.asarray(water_content_pct, float) + 5.5) / 12.0)
