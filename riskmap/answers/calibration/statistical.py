"""The statistical layer: a ridge regression of what the physical layer leaves unexplained, on soil, age and season
only.

It is a ridge regression and not a Gaussian process: with some tens of houses both predict equally well, and eight
coefficients can be read, checked and written as plain numbers. The correction is a function of the house and the month;
for a change between two surveys its difference is fitted, so that changes and single surveys determine the same
coefficients.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    import pandas as pd

Array = NDArray[np.float64]

TERMS = ("one", "soil", "age", "soil_age", "season_sin", "season_cos", "soil_season_sin", "soil_season_cos")
SOIL_PCT, AGE_LOG = 10.0, 3.0  # scales that bring the terms close to 1: 10 % extensibility, ln(1 + 19 years)
ALPHAS = (1.0, 3.0, 10.0, 30.0, 100.0, 300.0)
INNER_FOLDS = 5


def terms(lep_pct: Array, age_yr: Array, calendar: Array) -> Array:
    """Return the terms of the correction at one month, shape (n, 8), in the order of `TERMS`.

    Parameters
    ----------
    lep_pct : array, shape (n,)
        Linear extensibility over 25-100 cm. [%]
    age_yr : array, shape (n,)
        Years since the pour.
    calendar : array, shape (n,)
        Calendar month, 0 for January.
    """
    soil = lep_pct / SOIL_PCT
    age = np.log1p(np.maximum(age_yr, 0.0)) / AGE_LOG
    angle = 2 * np.pi * (calendar + 1) / 12  # at the end of the month
    sin, cos = np.sin(angle), np.cos(angle)
    return np.column_stack([np.ones_like(soil), soil, age, soil * age, sin, cos, soil * sin, soil * cos])


def of_rows(table: pd.DataFrame) -> Array:
    """Return the terms of survey rows, shape (n, 8): those at the survey, or the difference of two surveys.

    table: kind, first_month, second_month, lep_pct, pour_month.
    """
    lep, pour = table["lep_pct"].to_numpy(float), table["pour_month"].to_numpy(float)
    first, second = (table[name].to_numpy(np.int64) for name in ("first_month", "second_month"))
    at_first, at_second = (terms(lep, (month - pour) / 12, month % 12) for month in (first, second))
    change = (table["kind"] == "change").to_numpy()[:, None]
    return np.where(change, at_second - at_first, at_first)


def fit(features: Array, residual_mm: Array, noise_mm: Array, group: NDArray[np.int64]) -> tuple[Array, float]:
    """Return coefficients (8,) in mm per term, and the penalty, which is chosen by leaving out groups of blocks.

    Parameters
    ----------
    features : array, shape (n, 8)
        `terms`, or their difference for a change.
    residual_mm, noise_mm : array, shape (n,)
        Measured value minus the median of the physical layer; one standard deviation of the noise.
    group : int array, shape (n,)
        Block of each row.
    """
    from sklearn.model_selection import GroupKFold

    parts = min(INNER_FOLDS, np.unique(group).size)
    if parts < 2:
        return np.zeros(features.shape[1]), ALPHAS[-1]
    level = np.sqrt((noise_mm**2).mean()) / noise_mm
    scaled, wanted = features * level[:, None], residual_mm * level
    errors = np.empty((len(ALPHAS), parts))
    for fold, (kept, out) in enumerate(GroupKFold(parts).split(features, groups=group)):
        for place, alpha in enumerate(ALPHAS):
            missed = wanted[out] - scaled[out] @ _ridge(scaled[kept], wanted[kept], alpha)
            errors[place, fold] = np.average(missed**2)
    best = ALPHAS[int(np.argmin(errors.mean(axis=1)))]  # the first of equals, which is the smallest penalty
    return _ridge(scaled, wanted, best), best


def _ridge(features: Array, values: Array, alpha: float) -> Array:
    """Return the coefficients (8,) that minimise the squared misses plus `alpha` times their own squares.

    They solve `(F' F + alpha I) c = F' v`, or with fewer rows than terms `c = F' (F F' + alpha I)^-1 v`, which is the
    same. scikit-learn's `Ridge` solves the same equations with the same call of LAPACK and gives the same digits
    (tests/unit/answers/test_ridge.py); but its checks of the arguments, thirty times for each fit, take fifty times as
    long as the solution (measured).
    """
    from scipy import linalg

    wide = len(features) < features.shape[1]
    normal = features @ features.T if wide else features.T @ features
    normal.flat[:: len(normal) + 1] += alpha
    if wide:
        return np.asarray(features.T @ linalg.solve(normal, values[:, None], assume_a="pos"))[:, 0]
    return np.asarray(linalg.solve(normal, features.T @ values[:, None], assume_a="pos", overwrite_a=True))[:, 0]
