"""pF and kilopascal. Exact: pF is log10 of the suction in cm of water, 1 cm of water is 0.0980665 kPa."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

SOURCE = "definition of pF with the conventional weight of water, 0.0980665 kPa per cm"
STANDING = "computed"
VERIFIED = True  # exact by definition

KPA_PER_CM = 0.0980665


def kpa_from_pf(suction_pf: Array) -> Array:
    """Return suction in kPa for suction in pF. [kPa]"""
    return KPA_PER_CM * 10.0 ** np.asarray(suction_pf, float)


def pf_from_kpa(suction_kpa: Array) -> Array:
    """Return suction in pF for suction in kPa (greater than 0). [pF]"""
    return np.log10(np.asarray(suction_kpa, float) / KPA_PER_CM)
