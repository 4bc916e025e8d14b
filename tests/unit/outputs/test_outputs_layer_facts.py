"""What a legend says of all lots: classes that are there, bars that lose no lot, ranges counted by hand."""

from __future__ import annotations

import itertools

import numpy as np
import pandas as pd
import pytest

from riskmap.outputs import palette
from riskmap.outputs.map import data_block, layer_facts

EXPECTED = palette.SCALES["expected"]


def of(values: list[float], low: list[float] | None = None, high: list[float] | None = None,
       column: str = "expected_movement_mm") -> pd.DataFrame:
    lots = pd.DataFrame({column: values})
    return lots if low is None else lots.assign(**{f"{column}_p10": low, f"{column}_p90": high})


@pytest.mark.parametrize(("largest", "classes"), [(4.0, 5), (49.9, 5), (50.0, 6), (75.0, 7), (400.0, 7)])
def test_classes_that_no_lot_reaches_are_left_out_from_the_top(largest: float, classes: int) -> None:
    shown = layer_facts.reached(of([1.0, np.nan, largest]), EXPECTED)
    assert shown.colors == palette.SIZE[:classes]
    assert layer_facts.reached(of([np.nan]), EXPECTED).colors == palette.SIZE[:5]


@pytest.mark.parametrize("name", ["expected", "now", "next"])
def test_every_lot_is_in_one_bar_of_its_class(name: str) -> None:
    scale = palette.SCALES[name]
    draw = np.random.default_rng(8)
    for spread in (0.3, 4.0, 30.0, 900.0):
        values = draw.normal(0, spread, 500)
        values = np.abs(values) if scale.limits_mm[0] > 0 else values
        made = layer_facts.histogram(of([*values, np.nan], column=scale.column), scale)
        assert made is not None
        assert sum(made["lots"]) == 500
        assert 0 < len(made["lots"]) <= layer_facts.MOST_BARS
        starts = made["from_mm"] + made["step_mm"] * np.arange(len(made["lots"]) + 1)
        assert np.histogram(values, starts)[0].tolist() == made["lots"]
        assert starts[0] <= 0.0
        if made["step_mm"] in (0.5, 1.0):  # each limit is a multiple of these: a bar has one class
            assert not any(a < limit < b for a, b in itertools.pairwise(starts) for limit in scale.limits_mm)


def test_layers_without_lengths_or_values_have_no_histogram() -> None:
    assert layer_facts.histogram(of([np.nan]), EXPECTED) is None
    assert layer_facts.histogram(pd.DataFrame({"phase": ["dome_growing"]}), palette.SCALES["phase"]) is None
    assert layer_facts.histogram(of([0.4], column="share_beyond_10mm"), palette.SCALES["beyond_10"]) is None


def test_ranges_over_three_classes_are_counted() -> None:
    """By hand, limits 5, 10, 20: one class, two, three (5 to 10 lies between), none without a range."""
    lots = of([3.0, 6.0, 8.0, 9.0], [2.0, 4.0, 4.0, np.nan], [4.0, 9.9, 10.0, np.nan])
    assert layer_facts.spans(lots, EXPECTED) == (1, 3)
    assert layer_facts.spans(of([3.0]), EXPECTED) is None


def test_classes_of_shares_are_digits() -> None:
    lots = pd.DataFrame({"share_beyond_10mm": [1.0, 0.2, 0.0, np.nan], "share_beyond_20mm": [0.81, 0.19, 0.0, np.nan],
                         "share_beyond_35mm": [0.4, 0.0, 0.0, np.nan]})
    assert data_block.share_classes(lots)[:3].tolist() == [4 * 25 + 4 * 5 + 2, 25.0, 0.0]
    assert np.isnan(data_block.share_classes(lots)[3])
