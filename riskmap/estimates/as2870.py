"""Characteristic surface movement and site class in the manner of AS 2870.

ys = (1/100) sum (alpha Ips) du h with a suction change that falls in a straight line from the surface to the depth Hs.
The equation, alpha and the cracked depth are from memory; classes, depths and suction changes were read in secondary
sources. No worked example of the standard was available, so nothing here is verified against the standard's own
numbers.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

SOURCE = ("AS 2870 form of the movement sum (from memory); classes AS 2870:2011 (glossary page); Hs by moisture index, "
          "Walsh et al. 1998 as tabled by Look; suction changes AS 2870-1996 as tabled by Look")
STANDING = "from memory"
VERIFIED = False

# AS 2870:2011 site classes by ys in mm (read in a glossary page); E is above 75.
CLASS_LIMITS_MM = (0.0, 20.0, 40.0, 60.0, 75.0)
CLASS_NAMES = ("A", "S", "M", "H1", "H2", "E")

# Depth of suction change by Thornthwaite moisture index, Walsh et al. 1998 as tabled by Look (signs restored from the
# order).
DEPTH_INDEX_LIMITS = (-25.0, -5.0, 10.0, 40.0)
DEPTH_M = (4.0, 3.0, 2.3, 1.8, 1.5)

# Cracked share of Hs in the 1996 text: 0.75 for two named cities, 0.5 elsewhere (from memory).
CRACKED_SHARE = 0.5

# Range of suction that the shrink-swell index assumes: Iss = (swell/2 + shrinkage) / 1.8 (from memory).
SHRINK_SWELL_PF = 1.8


def shrink_index_from_lep(lep_pct: Array) -> Array:
    """Return an instability index in % vertical strain per pF from linear extensibility: LEP / 1.8. [%/pF]

    THIS TRANSFER IS OURS and is in no document. Linear extensibility, the shrinkage from 33 kPa to oven dry, is used as
    the shrinkage strain of Iss = (swell/2 + shrinkage)/1.8; the swell part is taken as zero. Spreading the same
    shrinkage over pF 2.5 to 5.5 instead would give 0.6 of it.
    """
    return np.asarray(lep_pct, float) / SHRINK_SWELL_PF


def depth_of_suction_change_m(moisture_index: Array) -> Array:
    """Return Hs in m for a Thornthwaite moisture index; a value at a limit is in the wetter zone (our choice). [m]"""
    index = np.asarray(moisture_index, float)
    depth = np.asarray(DEPTH_M)[np.digitize(index, DEPTH_INDEX_LIMITS)]
    return np.where(np.isfinite(index), depth, np.nan)


def surface_movement_mm(profile: NDArray[np.int64], top_m: Array, bottom_m: Array, shrink_index_pct: Array,
                        n_profile: int, *, surface_change_pf: float, depth_m: float, cracked_m: float) -> Array:
    """Return the characteristic surface movement ys, integrated exactly. [mm] (method.md, section 9)

    Parameters
    ----------
    profile : array of int, shape (n_layer,)
        Profile of each layer, 0 to `n_profile` - 1.
    top_m, bottom_m : array, shape (n_layer,)
    shrink_index_pct : array, shape (n_layer,)
        Shrink-swell index Ips. [% vertical strain per pF]
    surface_change_pf, depth_m : float
        Suction change at the surface, and the depth Hs where it is zero.
    cracked_m : float
        Depth of the cracked zone: alpha is 1.0 inside it, and 2.0 - z/5 (z in m) below it.

    Returns
    -------
    array, shape (n_profile,)
        ys; nan for a profile with a layer above Hs that has no index. [mm]
    """
    def integral(upper: float, lower: float, cracked: bool) -> Array:
        a, b = np.clip(top_m, upper, lower), np.clip(bottom_m, upper, lower)
        one, two, three = b - a, (b**2 - a**2) / 2, (b**3 - a**3) / 3
        if cracked:
            return np.asarray(one - two / depth_m)
        return np.asarray(2 * one - (0.2 + 2 / depth_m) * two + three / (5 * depth_m))

    cracked_m = min(cracked_m, depth_m)
    weight = integral(0.0, cracked_m, True) + integral(cracked_m, depth_m, False)
    part = np.where(weight > 0, 10.0 * surface_change_pf * shrink_index_pct * weight, 0.0)  # 1000 mm per m, 1/100 of %
    return np.asarray(np.bincount(profile, part, n_profile), float)


def site_class(movement_mm: Array) -> NDArray[np.object_]:
    """Return the class A, S, M, H1, H2 or E; empty text for nan.

    A value at a limit is in the lower class (E is above 75).
    """
    values = np.asarray(movement_mm, float)
    names = np.array([*CLASS_NAMES, ""], dtype=object)
    place = np.digitize(values, CLASS_LIMITS_MM, right=True)
    return names[np.where(np.isfinite(values), place, len(CLASS_NAMES))]
