"""What passes the check of tables at first sight is what the close look of the library passes; it never passes more."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from changed_areas import write_area
from hypothesis import given, settings
from hypothesis import strategies as st

from riskmap.common import tables
from riskmap.common.errors import TableError

NOTHING_MISSING = {"integer": [1, 2, 3], "number": [0.5, 1.0, 2.0], "boolean": [True, False, True],
                   "text": ["a", "b", "c"], "geometry": ["POINT (0 0)"] * 3}
FAULTS = [[1.5, 1.0, 1.0], [np.nan, 1.0, 1.0], [np.inf, 1.0, 1.0], [-np.inf, 1.0, 1.0], [-1e9, 1.0, 1.0],
          [1e9, 1.0, 1.0], [1, 2, 3], [True, False, True], ["1", "2", "x"], ["1", "2", "3"], [None, "b", "c"],
          pd.array([1, None, 3], dtype="Int64"), pd.array([1, 2, 10**12], dtype="Int64"), [None, None, None],
          pd.array([True, None, False], dtype="boolean"), pd.array([True, True, False], dtype="boolean"),
          pd.array([0.5, None, 1.0], dtype="Float64"), np.array([1, 2, 3], np.uint64), np.array([1, 2, 3], np.float32),
          pd.to_datetime(["2020-01-01"] * 3), pd.Categorical(["a", "b", None])]


LIKE = {(column.kind, column.low, column.high, column.empty): column for table in tables.TABLES
        for column in table.columns}  # one column of each kind, limits and leave to be empty


@pytest.mark.parametrize("column", LIKE.values(), ids=lambda column: column.name)
def test_no_fault_of_a_column_passes_at_first_sight(column: tables.Column) -> None:
    table = tables.Table("one", (), (column,))
    right = pd.DataFrame({column.name: np.array(NOTHING_MISSING[column.kind])})
    if column.kind in ("integer", "number"):
        right = right.clip(column.low, column.high)
    assert tables._failures(table, right) == []
    assert tables._surely_right(table, right)
    refused, passed_more = 0, []
    for fault in FAULTS:
        frame = pd.DataFrame({column.name: fault})
        with np.errstate(invalid="ignore"):  # infinities that the close look makes whole numbers
            told = tables._failures(table, frame)
        refused += bool(told)
        if told and tables._surely_right(table, frame):
            passed_more.append((fault, told))
    assert passed_more == []
    assert refused > 0 or (column.kind in ("text", "geometry") and column.empty)
    assert not tables._surely_right(table, right.rename(columns={column.name: "another"}))
    assert tables._failures(table, right.rename(columns={column.name: "another"}))


@settings(max_examples=40)
@given(st.lists(st.tuples(st.integers(0, 3) | st.none(), st.floats(-2, 102) | st.none()), max_size=6), st.booleans())
def test_both_looks_agree_on_rows_of_the_kinds_asked_for(rows: list[tuple[int | None, float | None]],
                                                         empty: bool) -> None:
    table = tables.Table("drawn", ("key",), (tables.whole("key", "m", "", 0, 2, empty=empty),
                                             tables.number("share", "m", "%", 0, 100, empty=empty)))
    frame = pd.DataFrame({"key": pd.array([key for key, _ in rows], dtype="Int64"),
                          "share": np.array([share for _, share in rows], float)})
    assert tables._surely_right(table, frame) == (tables._failures(table, frame) == [])


def test_a_key_that_stands_twice_is_refused() -> None:
    frame = pd.DataFrame({column.name: ["1", "1", "2"] for column in tables.MAP_UNIT.columns})
    assert not tables._surely_right(tables.MAP_UNIT, frame)
    with pytest.raises(TableError, match="mukey"):
        tables.check(tables.MAP_UNIT, frame)


def test_an_estimate_of_right_tables_loads_no_library_of_checks(example: Path, tmp_path: Path) -> None:
    """It takes longer to load than all tables of a small run to check."""
    area = write_area(example, tmp_path / "area", last="2025-05", movement="draws = 20")
    code = ("import sys\nfrom pathlib import Path\nfrom riskmap.run import flow\n"
            "flow.run(Path(sys.argv[1]), Path(sys.argv[2]), workers=1)\nprint('pandera' in sys.modules)\n")
    done = subprocess.run([sys.executable, "-c", code, str(area), str(tmp_path / "outputs")], capture_output=True,
                          text=True, check=True)
    assert done.stdout.strip() == "False"
