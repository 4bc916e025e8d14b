"""Indices of a history, and a history whose last months are known by an index."""

from __future__ import annotations

import numpy as np
import pytest

from riskmap.climate import index_table
from riskmap.climate.indices import spei
from riskmap.common.weather import ClimateHistory


def warmth(source: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    return np.where(source == 1, 18.0, np.nan), np.array([32.0, 32.0])


def history(months: int = 480) -> ClimateHistory:
    rng = np.random.default_rng(3)
    source = np.ones((2, months), np.int8)
    source[:, -2:], source[1, :24] = 3, 0  # weekly maps at the end; the second record begins later
    amount = [np.where(source == 1, rng.gamma(2.0, 30.0, source.shape), np.nan) for _ in range(2)]
    z = np.where(source == 3, -1.0, np.nan)
    return ClimateHistory(("a", "b"), 12 * 1980 + 4, *amount, z, source, ("", ""), np.array([5.0, 5.0]),
                          *warmth(source))


def test_scores_are_those_of_the_index_with_the_calendar_of_the_history() -> None:
    given = history()
    found = index_table.scores(given, accumulation_months=6)
    assert sorted(found) == ["spei", "spi"]
    np.testing.assert_array_equal(found["spei"], spei.compute(
        given.precipitation_mm, given.pet_mm, first_calendar_month=5, accumulation_months=6))


def test_last_months_are_carried_by_an_index_and_nothing_else_changes() -> None:
    given = history()
    score = np.full(given.source.shape, 0.7)
    score[0, -5] = np.nan
    made = index_table.carried_by(given, score, 12)
    assert made.source[0, -14:].tolist() == [1, 1, *7 * [2], 4, 2, 2, 3, 3]
    assert made.z[0, -13:].tolist()[1:] == [*7 * [0.7], 0.0, 0.7, 0.7, -1.0, -1.0]
    assert np.isnan(made.precipitation_mm[:, -12:]).all()
    assert np.isnan(made.pet_mm[:, -12:]).all()
    assert np.isnan(made.temperature_c[:, -12:]).all()
    for name in ("precipitation_mm", "pet_mm", "z", "source", "temperature_c"):
        np.testing.assert_array_equal(getattr(made, name)[:, :-12], getattr(given, name)[:, :-12])
    assert made.source.dtype == np.int8
    whole = index_table.carried_by(given, score, 480)
    assert (whole.source[1, :24] == 0).all()
    np.testing.assert_array_equal(given.source, history().source)


@pytest.mark.parametrize(("shape", "months"), [((2, 479), 12), ((1, 480), 12), ((2, 480), 0), ((2, 480), 481)])
def test_another_shape_or_span_is_refused(shape: tuple[int, int], months: int) -> None:
    with pytest.raises(ValueError, match="are needed"):
        index_table.carried_by(history(), np.zeros(shape), months)
