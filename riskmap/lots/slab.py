"""Slab size and stiffness class from the attributes of a lot; arrays in, arrays out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

PLAUSIBLE_SIDE_M = (2.0, 60.0)  # judgement: outside it is a unit mistake or another kind of building
PLAUSIBLE_BEAM_MM = (100.0, 2000.0)  # judgement: 24 is inches given as millimetres
CLASS_M = 0.5  # computed: rounding half widths to 0.5 m changes the dome by less than 3 % (5 m against 6 m)

# Total depth of slab and beam. 0.40, 0.50, 0.60, 0.75 m give EI 9, 18, 32, 61 MN m2/m (ribs 0.25 m wide every 3.66 m,
# long-term E 10.3 GPa); the limits separate the classes of EI near 5, 20 and 60. Computed; E from memory.
SHALLOW_BELOW_MM, DEEP_ABOVE_MM = 450.0, 650.0


# A slab as wide as long grows a smaller dome than the strip across its short side: x 0.92 at 1.0, 0.98 at 1.5, 1 from 2
# (computed in three dimensions, coarse grid; notebooks/method.md, section 7). In steps of 0.02.
PLAN_ASPECT, PLAN_FACTOR, PLAN_STEP = (1.0, 1.5, 2.0), (0.92, 0.98, 1.0), 0.02


@dataclass(frozen=True)
class Slab:
    """Slab attributes; every array has one entry per lot. The last three mark values that were set aside."""

    half_width_m: NDArray[np.float64]
    half_width_known: NDArray[np.bool_]
    slab_class: NDArray[np.object_]
    plan_factor: NDArray[np.float64]  # of the dome, for the shape of the plan; 1 where the length is unknown
    width_refused: NDArray[np.bool_]
    length_refused: NDArray[np.bool_]
    beam_refused: NDArray[np.bool_]


def describe(width_m: NDArray[np.float64], length_m: NDArray[np.float64], beam_depth_mm: NDArray[np.float64], *,
             default_half_width_m: float) -> Slab:
    """Return half width and stiffness class.

    Parameters
    ----------
    width_m, length_m : array, shape (lot,)
        Sides of the slab, nan where unknown. A length alone says nothing about the short side. [m]
    beam_depth_mm : array, shape (lot,)
        Total depth of slab and beam, nan where unknown. [mm]
    default_half_width_m : float
        Used where the short side is unknown. [m]
    """
    width_refused, length_refused = _outside(width_m, PLAUSIBLE_SIDE_M), _outside(length_m, PLAUSIBLE_SIDE_M)
    beam_refused = _outside(beam_depth_mm, PLAUSIBLE_BEAM_MM)
    width = np.where(width_refused, np.nan, width_m)
    length = np.where(length_refused, np.nan, length_m)
    short = np.where(np.isnan(width), np.nan, np.fmin(width, length))
    known = ~np.isnan(short)
    half = np.where(known, short / 2.0, default_half_width_m)
    half = np.clip(np.floor(half / CLASS_M + 0.5) * CLASS_M, 1.0, 30.0)
    depth = np.where(beam_refused, np.nan, beam_depth_mm)
    choices = [np.isnan(depth), depth < SHALLOW_BELOW_MM, depth <= DEEP_ABOVE_MM]
    slab_class = np.select(choices, ["unknown", "shallow", "typical"], "deep").astype(object)
    long_side = np.where(length_refused, np.nan, np.fmax(width, length))
    factor = np.interp(long_side / short, PLAN_ASPECT, PLAN_FACTOR)
    factor = np.where(np.isnan(width) | np.isnan(length), 1.0, np.round(factor / PLAN_STEP) * PLAN_STEP)
    return Slab(half, known, slab_class, factor, width_refused, length_refused, beam_refused)


def _outside(values: NDArray[np.float64], limits: tuple[float, float]) -> NDArray[np.bool_]:
    return ~np.isnan(values) & ~((values >= limits[0]) & (values <= limits[1]))
