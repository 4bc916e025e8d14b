"""What is known of a slab's stiffness: the section for a given rib depth, in steps, and the spread about it.

Archetypes have what the lot file says (basis and section). What the settings make of it is computed here, again in
every run. Method: notebooks/method.md, section 7.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from riskmap.movement.slab import section_stiffness

if TYPE_CHECKING:
    from riskmap.common.settings import MovementSettings

Array = NDArray[np.float64]

# What is known: the rib depth is not given; it is given; it is given and deep, and the slab is not known to be
# prestressed.
BASES = UNKNOWN, RIB_DEPTH, DEEP_RIBS = "unknown", "rib_depth", "deep_ribs"
# Step of a given depth, so that there are few archetypes. Computed on clay of 4.5 to 15 % extensibility: from one step
# to the next the result changes by at most 3 to 4 %; steps of 1.15 in stiffness would make it jump by 12 to 15 %.
DEPTH_STEP_MM = 10.0
# Median stiffness by class of rib depth, as in runs made before a given depth itself was used: the section formula at
# 0.40 m (shallow) and 0.75 m (deep), 20 for typical by judgement. [MN m2/m]
CLASS_STIFFNESS_MN_M2 = {"shallow": 9.4, "typical": 20.0, "deep": 61.0}


class Stiffness(NamedTuple):
    """Median bending stiffness per metre of width, and the standard deviation of its logarithm."""

    median_mn_m2: float
    sigma_ln: float

    def drawn(self, score: float) -> float:
        """Return the stiffness at a normal score. [N m2/m]"""
        return 1e6 * self.median_mn_m2 * float(np.exp(self.sigma_ln * score))


def stiffness_steps(depth_mm: Array) -> Array:
    """Return the section's stiffness for the total depth of slab and rib, in steps of `DEPTH_STEP_MM`. [MN m2/m]

    It is rounded to a thousandth, so that equal depths give equal keys on every machine.
    """
    depth_m = np.floor(depth_mm / DEPTH_STEP_MM + 0.5) * DEPTH_STEP_MM / 1000
    return np.array([round(section_stiffness(float(depth)) / 1e6, 3) for depth in depth_m], dtype=float)


def stiffness_of(basis: str, section_mn_m2: float, settings: MovementSettings) -> Stiffness:
    """Return median and spread for what is known of a slab.

    Parameters
    ----------
    basis : str
        One of `BASES`: the rib depth is not given; it is given; it is given, deep, and not known to be prestressed.
    section_mn_m2 : float
        Stiffness of the section; not used where the depth is not given. [MN m2/m]
    settings : MovementSettings
    """
    if basis == UNKNOWN:
        return Stiffness(settings.stiffness_mn_m2, settings.stiffness_sigma_ln)
    if basis == DEEP_RIBS:
        return Stiffness(section_mn_m2 * settings.deep_rib_factor, settings.deep_rib_sigma_ln)
    if basis != RIB_DEPTH:
        raise ValueError(f"basis is {basis!r}, not one of {', '.join(BASES)}")
    return Stiffness(section_mn_m2, settings.stiffness_sigma_ln_known)
