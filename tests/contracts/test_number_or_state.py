"""A row of an estimate has a finite number or a state, and is counted as what it is."""

from __future__ import annotations

import math

import numpy as np
import pytest
from invented_results import results

from riskmap.common import tables
from riskmap.common.errors import TableError
from riskmap.common.results import RowCounts

NAMES = [f"{name}{part}" for name in tables.ESTIMATE.answers for part in ("", "_p10", "_p90")]


@pytest.fixture
def lots():  # type: ignore[no-untyped-def]
    return results().lots.copy()


def test_the_table_names_its_answers() -> None:
    assert tables.ESTIMATE.answers == ("expected_movement_mm", "long_run_mm", "bend_now_mm",
                                       "change_next_mm", "rise_next_mm", "fall_next_mm")


@pytest.mark.parametrize("value", [math.nan, math.inf])
@pytest.mark.parametrize("name", NAMES)
def test_a_row_without_a_number_and_without_a_state_is_refused(lots, name: str, value: float) -> None:
    tables.check(tables.ESTIMATE, lots)
    row = int(np.flatnonzero(lots["state"] == "")[1])
    lots.loc[row, name] = value
    with pytest.raises(TableError, match=f"table 'estimate': 1 rows have neither an estimate nor a state: {row}."):
        tables.check(tables.ESTIMATE, lots)


def test_a_row_with_a_number_and_a_state_is_refused(lots) -> None:
    row = int(np.flatnonzero(lots["state"] != "")[0])
    lots.loc[row, "bend_now_mm"] = 3.0
    with pytest.raises(TableError, match="1 rows have an estimate next to a state"):
        tables.check(tables.ESTIMATE, lots)


@pytest.mark.parametrize(("part", "by"), [("_p10", 1.0), ("_p90", -1.0)])
def test_a_number_outside_its_own_range_is_refused(lots, part: str, by: float) -> None:
    row = int(np.flatnonzero(lots["state"] == "")[0])
    lots.loc[row, f"long_run_mm{part}"] = lots.loc[row, "long_run_mm"] + by
    with pytest.raises(TableError, match="1 rows have an estimate outside its own range"):
        tables.check(tables.ESTIMATE, lots)


def test_what_has_no_number_is_never_counted_as_answered(lots) -> None:
    counts = RowCounts.of(lots)
    assert counts.with_number == int(np.isfinite(lots["expected_movement_mm"]).sum())
    assert counts.out == counts.with_number + sum(counts.by_state.values())
    lots.loc[int(np.flatnonzero(lots["state"] == "")[0]), "expected_movement_mm"] = math.nan
    with pytest.raises(TableError, match="1 row with neither an estimate nor a state"):
        RowCounts.of(lots)
