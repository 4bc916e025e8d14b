"""The ridge regression of the statistical layer against that of scikit-learn: the same penalty and the same digits."""

from __future__ import annotations

import numpy as np
import pytest
from sklearn.linear_model import Ridge, RidgeCV
from sklearn.model_selection import GroupKFold

from riskmap.answers.calibration import statistical


def invented(seed: int, rows: int, groups: int) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Return terms, values of known coefficients with noise, the noise and the block of each row."""
    draw = np.random.default_rng(seed)
    features = statistical.terms(draw.uniform(1, 14, rows), draw.uniform(0, 60, rows), draw.integers(0, 12, rows))
    noise = draw.uniform(1, 6, rows)
    values = features @ draw.normal(0, 5 * (seed % 3), 8) + draw.normal(0, noise)
    return features, values, noise, draw.integers(0, groups, rows)


@pytest.mark.parametrize("rows", [3, 7, 8, 9, 30, 120, 400])
def test_coefficients_are_those_of_the_library(rows: int) -> None:
    for seed in range(20):
        features, values, *_ = invented(seed, rows, 5)
        for alpha in statistical.ALPHAS:
            of_library = Ridge(alpha, fit_intercept=False).fit(features, values).coef_
            np.testing.assert_array_equal(statistical._ridge(features, values, alpha), of_library)


@pytest.mark.parametrize("rows", [9, 30, 60, 120, 400])
def test_the_penalty_is_the_one_that_the_library_chooses(rows: int) -> None:
    chosen = set()
    for seed in range(12):
        features, values, noise, group = invented(seed, rows, 7)
        coefficients, alpha = statistical.fit(features, values, noise, group)
        level = np.sqrt((noise**2).mean()) / noise
        splits = list(GroupKFold(min(5, np.unique(group).size)).split(features, groups=group))
        model = RidgeCV(statistical.ALPHAS, fit_intercept=False, cv=splits, scoring="neg_mean_squared_error")
        model.fit(features * level[:, None], values * level)
        assert alpha == model.alpha_
        np.testing.assert_array_equal(coefficients, model.coef_)
        chosen.add(alpha)
    assert len(chosen) > 1  # not always the same one


def test_one_block_chooses_nothing() -> None:
    features, values, noise, _ = invented(1, 30, 5)
    coefficients, alpha = statistical.fit(features, values, noise, np.zeros(30, np.int64))
    assert alpha == statistical.ALPHAS[-1]
    np.testing.assert_array_equal(coefficients, 0.0)


def test_values_that_are_no_numbers_are_refused() -> None:
    features, values, noise, group = invented(1, 30, 5)
    values[3] = np.nan
    with pytest.raises(ValueError, match="NaN"):
        statistical.fit(features, values, noise, group)
