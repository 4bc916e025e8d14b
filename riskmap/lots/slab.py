"""Slab size and rib depth from the attributes of a lot; arrays in, arrays out."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from riskmap.common.constants import DEEP_RIBS_FROM_MM, SIZE_FROM_FOOTPRINT, SIZE_GIVEN, SIZE_UNKNOWN
from riskmap.lots.foundation import NOT_GIVEN

PLAUSIBLE_SIDE_M = (2.0, 60.0)  # judgement: a value outside is a wrong unit or another kind of building
PLAUSIBLE_BEAM_MM = (100.0, 2000.0)  # judgement: 24 is inches given as millimetres
YES, NO = {"yes", "y", "true", "t", "1", "pt", "post tensioned"}, {"no", "n", "false", "f", "0"}
CLASS_M = 0.5  # computed: rounding half widths to 0.5 m changes the dome by less than 3 % (5 m against 6 m)

# Words for the total depth of slab and rib; the stiffness is computed from the depth itself. Judgement.
SHALLOW_BELOW_MM = 450.0  # "deep" begins where ribs are assumed to crack, `DEEP_RIBS_FROM_MM`

# A square slab grows a smaller dome than the strip across its short side: x 0.92 at a ratio of 1.0, 0.98 at 1.5, 1 from
# 2 (computed in three dimensions, coarse grid; notebooks/method.md, section 7). In steps of 0.02.
PLAN_ASPECT, PLAN_FACTOR, PLAN_STEP = (1.0, 1.5, 2.0), (0.92, 0.98, 1.0), 0.02


@dataclass(frozen=True)
class Slab:
    """Slab attributes. Every array has one entry per lot; the last four mark values that were set aside."""

    half_width_m: NDArray[np.float64]
    half_width_basis: NDArray[np.object_]  # one of `constants.SIZE_BASES`
    slab_class: NDArray[np.object_]
    beam_depth_mm: NDArray[np.float64]  # nan where unknown or refused
    post_tensioned: NDArray[np.bool_]
    plan_factor: NDArray[np.float64]  # factor on the dome for the shape of the plan; 1 where the length is unknown
    width_refused: NDArray[np.bool_]
    length_refused: NDArray[np.bool_]
    beam_refused: NDArray[np.bool_]
    prestress_refused: NDArray[np.bool_]


def describe(width_m: NDArray[np.float64], length_m: NDArray[np.float64], beam_depth_mm: NDArray[np.float64],
             post_tensioned: pd.Series, *, default_half_width_m: float,
             footprint_m: NDArray[np.float64] | None = None) -> Slab:
    """Return the half width, the rib depth and its word, and whether the slab is known to be prestressed.

    Parameters
    ----------
    width_m, length_m : array, shape (lot,)
        Sides of the slab, nan where unknown. A length alone says nothing about the short side. [m]
    beam_depth_mm : array, shape (lot,)
        Total depth of slab and beam, nan where unknown. [mm]
    post_tensioned : Series, shape (lot,)
        Text, empty where unknown; see `prestressed`.
    default_half_width_m : float
        Used where the short side is unknown. [m]
    footprint_m : array, shape (lot, 2), optional
        Short and long side from the outline of the lot's building, nan where not known; used where the lot file gives
        no usable width. [m]
    """
    width_refused, length_refused = _outside(width_m, PLAUSIBLE_SIDE_M), _outside(length_m, PLAUSIBLE_SIDE_M)
    beam_refused = _outside(beam_depth_mm, PLAUSIBLE_BEAM_MM)
    width = np.where(width_refused, np.nan, width_m)
    length = np.where(length_refused, np.nan, length_m)
    drawn = np.full((len(width), 2), np.nan) if footprint_m is None else footprint_m
    drawn = np.where(np.isnan(width)[:, None], drawn, np.nan)
    given, outlined = ~np.isnan(width), ~np.isnan(drawn[:, 0])
    short = np.where(given, np.fmin(width, length), drawn[:, 0])
    known = given | outlined
    half = np.where(known, short / 2.0, default_half_width_m)
    half = np.clip(np.floor(half / CLASS_M + 0.5) * CLASS_M, 1.0, 30.0)
    depth = np.where(beam_refused, np.nan, beam_depth_mm)
    choices = [np.isnan(depth), depth < SHALLOW_BELOW_MM, depth < DEEP_RIBS_FROM_MM]
    slab_class = np.select(choices, ["unknown", "shallow", "typical"], "deep").astype(object)
    long_side = np.where(given, np.where(np.isnan(length), np.nan, np.fmax(width, length)), drawn[:, 1])
    factor = np.interp(long_side / short, PLAN_ASPECT, PLAN_FACTOR)
    factor = np.where(np.isnan(long_side), 1.0, np.round(factor / PLAN_STEP) * PLAN_STEP)
    basis = np.select([given, outlined], [SIZE_GIVEN, SIZE_FROM_FOOTPRINT], SIZE_UNKNOWN).astype(object)
    stressed, not_understood = prestressed(post_tensioned)
    return Slab(half, basis, slab_class, depth, stressed, factor, width_refused, length_refused, beam_refused,
                not_understood)


def prestressed(column: pd.Series) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Return for every row whether a text says that the slab is prestressed, and whether the text is not understood."""
    codes, distinct = pd.factorize(column)
    words = [re.sub(r"[\W_]+", " ", str(text).lower()).strip() for text in distinct] or [""]
    yes = np.array([word in YES for word in words])
    known = np.array([word in YES or word in NO or word in NOT_GIVEN for word in words])
    return yes[codes], ~known[codes]


def _outside(values: NDArray[np.float64], limits: tuple[float, float]) -> NDArray[np.bool_]:
    return ~np.isnan(values) & ~((values >= limits[0]) & (values <= limits[1]))
