"""How well the layers predict rows that they were not fitted to; the coverage, and the scale that corrects it."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from riskmap.answers.calibration import physical, statistical
from riskmap.answers.calibration.blocks import Split
from riskmap.answers.calibration.physical import Rows
from riskmap.answers.calibration.predict import Expected
from riskmap.common.constants import NORMAL_P90

Array = NDArray[np.float64]
Whole = NDArray[np.int64]

FEWEST_FITTED = 15  # judgement: rows that remain without the block and its buffer; with fewer, a fold says nothing
LEVEL = 0.8
SCALE_LIMITS = (0.5, 4.0)  # judgement: a few tens of surveys never narrow a range to less than half


@dataclass(frozen=True)
class Ranges:
    """Median and both halves of the 80 % range of the movement, without measuring noise; (n_row,) each. [mm]"""

    middle: Array
    low: Array
    high: Array

    def moved(self, by: Array) -> Ranges:
        """Return the same range round another median."""
        return Ranges(self.middle + by, self.low, self.high)


@dataclass(frozen=True)
class LeftOut:
    """What was predicted for rows that were left out; nan where too few rows remained to fit.

    Attributes
    ----------
    physical, statistical : Ranges
    constant : array, shape (n_row,)
        Mean of the fitted rows of the same kind: what a model without soil, age and weather would predict. [mm]
    """

    physical: Ranges
    statistical: Ranges
    constant: Array

    @property
    def known(self) -> NDArray[np.bool_]:
        """Rows for which there is a prediction."""
        return np.isfinite(self.physical.middle)


def uncalibrated(expected: Expected) -> Ranges:
    """Return what the run predicts without a survey."""
    return Ranges(*physical.ranges(expected, physical.even(expected.common.shape[1])))


def left_out(rows: Rows, expected: Expected, features: Array, block: Whole, splits: Iterable[Split],
             range_m: float) -> LeftOut:
    """Fit both layers to one side of every split and predict the other side."""
    ranges = np.full((3, rows.value_mm.size), np.nan)
    correction, constant = (np.full(rows.value_mm.size, np.nan) for _ in range(2))
    for fitted, out in splits:
        if fitted.size < FEWEST_FITTED:
            continue
        part, of_part = rows.rows(fitted), expected.rows(fitted)
        weights = physical.fit(part, of_part, range_m)
        ranges[:, out] = physical.ranges(expected.rows(out), weights)
        apart = part.value_mm - physical.ranges(of_part, weights)[0]
        coefficients, _ = statistical.fit(features[fitted], apart, part.noise_mm, block[fitted])
        correction[out] = features[out] @ coefficients
        constant[out] = _constant(part, rows.single[out])
    layer = Ranges(*ranges)
    return LeftOut(layer, layer.moved(correction), constant)


def _constant(fitted: Rows, single: NDArray[np.bool_]) -> Array:
    means = []
    for kind in (False, True):
        of_kind = fitted.single == kind
        level = 1 / fitted.noise_mm[of_kind] ** 2
        means.append(float(level @ fitted.value_mm[of_kind] / level.sum()) if of_kind.any() else 0.0)
    return np.where(single, means[1], means[0])


def error_mm(rows: Rows, middle: Array) -> float:
    """Return the root mean square error; each row is weighted by one over its squared noise. [mm]"""
    known = np.isfinite(middle)
    level = 1 / rows.noise_mm[known] ** 2
    return math.sqrt(float(level @ (rows.value_mm - middle)[known] ** 2 / level.sum())) if known.any() else math.nan


def gain(rows: Rows, block: Whole, before: Array, after: Array) -> tuple[float, float]:
    """Return by how much the squared error falls, summed over blocks, and one standard deviation of that.

    Rows are weighted as in `error_mm`. The standard deviation is over blocks, because rows of one block are not
    independent evidence.
    """
    known = np.isfinite(before) & np.isfinite(after)
    better = ((rows.value_mm - before) ** 2 - (rows.value_mm - after) ** 2)[known] / rows.noise_mm[known] ** 2
    _, number = np.unique(block[known], return_inverse=True)
    sums = np.bincount(number, better)
    if sums.size < 2:
        return float(sums.sum()), math.inf
    return float(sums.sum()), float(math.sqrt(sums.size * ((sums - sums.mean()) ** 2).sum() / (sums.size - 1)))


def scores(rows: Rows, ranges: Ranges) -> Array:
    """Return for each row the factor by which the model's range must be multiplied to just reach the measured value.

    The measured value lies in the 80 % range when |r| <= hypot(scale half, z noise), where z is the 90th percentile of
    the normal distribution. The noise of measuring is known, so it is not scaled.
    """
    apart = rows.value_mm - ranges.middle
    half = np.maximum(np.where(apart > 0, ranges.high, ranges.low), 1e-6)
    return np.sqrt(np.maximum(apart**2 - (NORMAL_P90 * rows.noise_mm) ** 2, 0.0)) / half


def scale_of(score: Array) -> float:
    """Return the conformal scale, within limits: the (n + 1) 0.8-th smallest score of the rows left out by block.

    The split is by block as in the CV+ of Barber et al. 2021 (Ann. Statist. 49(1), from memory), pooled over rows.
    """
    ordered = np.sort(score[np.isfinite(score)])
    if ordered.size == 0:
        return 1.0
    rank = min(math.ceil(LEVEL * (ordered.size + 1)), ordered.size)
    return float(np.clip(ordered[rank - 1], *SCALE_LIMITS))


def coverage(score: Array, scale: float | Array = 1.0) -> float:
    """Return the share of rows whose measured value lies in the 80 % range."""
    known = np.isfinite(score)
    return float((score <= scale)[known].mean()) if known.any() else math.nan


def scaled_coverage(score: Array, block: Whole) -> float:
    """Return the coverage when the scale of every block is computed from the other blocks only."""
    scale = np.ones(score.size)
    for b in np.unique(block).tolist():
        scale[block == b] = scale_of(score[block != b])
    return coverage(score, scale)


def robust_z(rows: Rows, ranges: Ranges) -> Array:
    """Return how far each row lies from the median of all rows, in robust standard deviations of the whole range.

    Median and 1.4826 times the median absolute deviation (Iglewicz & Hoaglin 1993, from memory), never below 1.
    """
    apart = rows.value_mm - ranges.middle
    half = np.where(apart > 0, ranges.high, ranges.low) / NORMAL_P90
    z = apart / np.hypot(half, rows.noise_mm)
    away = z - np.median(z)
    return away / max(1.4826 * float(np.median(np.abs(away))), 1.0)
