"""By what factor the surveyed houses moved more than modelled, with the range of that factor.

For bending and for changes, the factor is the slope of the measured values on the model's medians, by generalised least
squares with the covariance of the fit (`physical.covariances`). It uses nothing that was believed before the survey, so
that it is too high as often as too low. A change between two dates says little about bending. Where all surveys are
changes, a third entry says how large the bending of the same houses can be, given the weighted model runs and the
changes.
Method: notebooks/method.md, section 13.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from riskmap.answers.calibration import physical
from riskmap.answers.calibration.physical import Rows, Weights
from riskmap.answers.calibration.predict import Expected
from riskmap.common.constants import NORMAL_P90

Array = NDArray[np.float64]

FEWEST_ROWS = 15  # judgement, the same as `crossval.FEWEST_FITTED`
MOST = 1000.0  # beyond it the model expects almost nothing, and a factor means nothing


@dataclass(frozen=True)
class Factor:
    """One factor.

    Attributes
    ----------
    of : str
        bending (single surveys), change (between two dates), or bending_from_changes.
    rows : int
    factor, low, high : float
        The factor of measured over modelled movement, and its 80 % range.
    calibrated : float
        The same factor for the calibrated medians of these rows.
    """

    of: str
    rows: int
    factor: float
    low: float
    high: float
    calibrated: float


def of(rows: Rows, expected: Expected, bending: Expected | None, weights: Weights,
       range_m: float) -> tuple[Factor, ...]:
    """Return the factors for which the surveys give enough information.

    Parameters
    ----------
    rows, expected : Rows, Expected
        Survey rows that were fitted, n_row.
    bending : Expected, optional
        Bending of the house of each row at its last survey.
    weights : Weights
        Weights that were fitted to the same rows.
    range_m : float
        Correlation range. [m]
    """
    out = []
    for name, mask in (("bending", rows.single), ("change", ~rows.single)):
        if mask.sum() >= FEWEST_ROWS:
            out.append(_slope(name, rows.rows(mask), expected.rows(mask), weights, range_m))
    if bending is not None and [factor.of for factor in out] == ["change"]:
        out.append(_allowed(rows, bending, weights, range_m, out[0]))
    return tuple(f for f in out if max(abs(f.low), abs(f.high), abs(f.calibrated)) <= MOST)


def _medians(expected: Expected, weights: Weights) -> tuple[Array, float]:
    """Return the model's medians [mm], and by what factor the calibrated medians exceed them, by least squares."""
    modelled = physical.ranges(expected, physical.even(expected.common.shape[1]))[0]
    return modelled, float(modelled @ physical.ranges(expected, weights)[0] / (modelled @ modelled))


def _discrepancy(rows: Rows, expected: Expected, weights: Weights, range_m: float) -> tuple[Array, Array]:
    """Return the covariances of noise and lot scatter, and of what no model run explains; (n_row, n_row) each. [mm2]"""
    base, own, near = physical.covariances(rows, expected, range_m)
    return base, weights.discrepancy**2 * ((1 - weights.near_share) * own + weights.near_share * near)


def _slope(name: str, rows: Rows, expected: Expected, weights: Weights, range_m: float) -> Factor:
    modelled, calibrated = _medians(expected, weights)
    solved = np.linalg.solve(sum(_discrepancy(rows, expected, weights, range_m)), modelled)
    factor, half = float(solved @ rows.value_mm / (solved @ modelled)), NORMAL_P90 / math.sqrt(solved @ modelled)
    return Factor(name, rows.value_mm.size, factor, factor - half, factor + half, calibrated)


def _allowed(rows: Rows, bending: Expected, weights: Weights, range_m: float, change: Factor) -> Factor:
    """Return the factor of the bending that changes allow.

    Its range includes the range of the weighted model runs with the discrepancy, and the range of the changes
    themselves. What the model misses may raise both bending and changes, and no model run needs to show that.
    """
    modelled, calibrated = _medians(bending, weights)
    of_draw = modelled @ bending.common / (modelled @ modelled)
    low, middle, high = physical.quantiles(of_draw[None, :], weights.weight)[:, 0].tolist()
    apart = _discrepancy(rows, bending, weights, range_m)[1]
    extra = NORMAL_P90 * math.sqrt(modelled @ apart @ modelled) / float(modelled @ modelled)
    return Factor("bending_from_changes", rows.value_mm.size, middle,
                  min(middle - math.hypot(middle - low, extra), change.low),
                  max(middle + math.hypot(high - middle, extra), change.high), calibrated)
