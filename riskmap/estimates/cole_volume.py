"""Potential volume change from the coefficient of linear extensibility."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

SOURCE = ("geometry: volume is the cube of length; breaks of the Iowa soil-survey volume-change ratings (Iowa "
          "soil-judging text, Table 3, after Hallberg)")
STANDING = "seen"
VERIFIED = True  # the printed breaks 3, 9, 19, 33 % are reproduced by COLE 0.01, 0.03, 0.06, 0.10

# Volume-change ratings of that table. Its words are one step harsher than the classes of linear extensibility.
RATING_LIMITS_PCT = (3.0, 9.0, 19.0, 33.0)
RATING_NAMES = ("very low", "low", "moderate", "high", "very high")


def volume_change_pct(lep_pct: Array) -> Array:
    """Return volume change in % of the dry volume for linear extensibility in %: 100 ((1 + LEP/100)^3 - 1). [%]"""
    return 100.0 * ((1.0 + np.asarray(lep_pct, float) / 100.0) ** 3 - 1.0)


def compression_index(lep_pct: Array, pf_span: float = 3.0) -> Array:
    """Return volume strain per pF when the whole change takes place over `pf_span` pF (3.0: pF 2.5 to 5.5, from
    memory).

    Unit: [1/pF]
    """
    return volume_change_pct(lep_pct) / 100.0 / pf_span
