"""Limits and classes for houses: deflection ratio, tilt, cracking strain, footing deflection, distance of trees."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

SOURCE = ("1/360: Texas Section ASCE guideline as quoted; tilt 1 % from memory; strains: Boscardin and Cording 1989 as "
          "in Vis. Eng. 2018 Table 1; AS 2870 footing limits from memory; trees: NHBC Standards 4.2, Table 3b")
STANDING = "seen"  # tilt and AS 2870 limits are from memory
VERIFIED = False  # NHBC radii and strain limits are as printed, but tilt and footing limits are from memory

DEFLECTION_RATIO, TILT = 1 / 360, 0.01
STRAIN_LIMITS_PCT = (0.05, 0.075, 0.15, 0.3)
STRAIN_NAMES = ("negligible", "very slight", "slight", "moderate", "severe")

# AS 2870 differential footing deflection: the smaller of span divided by the first, and the second in mm (from memory).
FOOTING_LIMITS = {"clad frame": (300, 40.0), "articulated masonry veneer": (400, 30.0), "masonry veneer": (600, 20.0),
                  "articulated full masonry": (800, 15.0), "full masonry": (2000, 10.0)}

TREE_REACH = {"high": 1.25, "moderate": 0.75, "low": 0.5}  # radius divided by mature height, by water demand (NHBC)
AS_BUILT_MM = 13.5  # mean largest elevation difference of slabs a few days old, Phoenix (Walsh et al. 2001, abstract)


def deflection_limit_mm(length_m: float) -> float:
    """Return length / 360. [mm]"""
    return 1000 * length_m * DEFLECTION_RATIO


def tilt_limit_mm(length_m: float) -> float:
    """Return 1 % of the length. [mm]"""
    return 1000 * length_m * TILT


def strain_category(strain_pct: Array) -> NDArray[np.object_]:
    """Return the damage category of a limiting tensile strain; a value at a limit belongs to the higher category."""
    return np.array(STRAIN_NAMES, dtype=object)[np.digitize(np.asarray(strain_pct, float), STRAIN_LIMITS_PCT)]


def footing_limit_mm(length_m: float, wall: str) -> float:
    """Return the AS 2870 limit of differential footing deflection (from memory). [mm]"""
    share, most = FOOTING_LIMITS[wall]
    return min(1000 * length_m / share, most)


def tree_radius_m(mature_height_m: float, water_demand: str) -> float:
    """Return the zone of influence of a tree: 1.25, 0.75 or 0.5 times the mature height. [m]"""
    return TREE_REACH[water_demand] * mature_height_m
