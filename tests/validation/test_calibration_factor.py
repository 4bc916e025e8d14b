"""A known factor: what the card of a calibration says of invented houses that move 1.4 times as much as modelled.

The same with more seeds, other months and noise alone: `python tests/calibration_study.py OUTPUTS`; figures in
method.md, section 13. Everything is invented: it proves the machinery, not the model.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from invented_surveys import town_of

from riskmap.answers.calibration import factors, physical, trials
from riskmap.answers.calibration.predict import Expected
from riskmap.answers.calibration.trials import Town

FACTOR, SEEDS = 1.4, 8


@pytest.fixture(scope="module")
def parts(calibration_run: Path) -> tuple[Town, Town]:
    """61 houses with one survey of their bending, and the same with a change over two years."""
    town = town_of(calibration_run, 1)
    single = (town.table["kind"] == "single").to_numpy()
    return town.part(single), town.part(~single)


@pytest.fixture(scope="module")
def found(parts: tuple[Town, Town]) -> pd.DataFrame:
    bending, change = parts
    return pd.concat([trials.factor_study(bending, FACTOR, SEEDS),
                      trials.factor_study(change, FACTOR, SEEDS, bending.expected)]).set_index("of")


def test_surveys_of_bending_tell_its_size(found: pd.DataFrame) -> None:
    """Of 8 seeds; the mean of the factors has one sd of 0.11 / sqrt(8) = 0.04 (20 seeds, computed)."""
    of = found.loc[["bending"]]
    assert of["on"].sum() >= 7
    assert of["factor"].mean() == pytest.approx(FACTOR, abs=0.12)
    assert ((of["low"] <= FACTOR) & (of["high"] >= FACTOR)).sum() >= 5
    assert (of["high"] - of["low"]).max() < 0.5
    assert (of["low"] > 1.0).sum() >= 6  # the answer is that they bend more than modelled


def test_changes_between_two_dates_do_not(found: pd.DataFrame) -> None:
    """The calibrated bending falls short of what is true; the range in words contains it, and holds 1.0 as well."""
    guess, change = found.loc[["bending_from_changes"]], found.loc[["change"]]
    assert guess["calibrated"].mean() < 1.25
    assert ((guess["low"] <= FACTOR) & (guess["high"] >= FACTOR)).sum() >= 6
    assert (guess["low"] < 1.0).all()
    width = found["high"] - found["low"]
    assert width.loc[["bending_from_changes"]].min() > 1.5 * width.loc[["bending"]].max()
    assert (guess["low"].to_numpy() <= change["low"].to_numpy()).all()
    assert (guess["high"].to_numpy() >= change["high"].to_numpy()).all()


def test_the_slope_by_hand() -> None:
    """No scatter, no discrepancy: the slope is the sum of y m over that of m squared, its sd reading sd over |m|."""
    modelled = np.linspace(5.0, 24.0, 20)
    rows = physical.Rows(2.0 * modelled + np.tile([1.0, -1.0], 10), np.full(20, 2.0), np.zeros(20, bool), np.arange(20),
                         1e5 * np.arange(20), np.zeros(20))
    expected = Expected(np.tile(modelled[:, None], (1, 200)), np.zeros(20))
    weights = physical.even(200)
    told = factors.of(rows, expected, None, weights, 500.0)
    assert [factor.of for factor in told] == ["change"]
    slope = float(rows.value_mm @ modelled / (modelled @ modelled))
    half = 1.2815515655 * 2.0 / float(np.sqrt(modelled @ modelled))
    assert told[0].factor == pytest.approx(slope)
    assert (told[0].low, told[0].high) == pytest.approx((slope - half, slope + half), rel=1e-4)
    assert told[0].calibrated == pytest.approx(1.0)
    few = factors.of(rows.rows(np.arange(14)), expected.rows(np.arange(14)), None, weights, 500.0)
    assert few == ()
