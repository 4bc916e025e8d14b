"""The marks of what is known, the order of an inspection, and how many lots share an estimate."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from invented_results import results

from riskmap.answers.brief import visits
from riskmap.common import tables
from riskmap.estimates import order
from riskmap.estimates import table as risk
from riskmap.outputs import lot_text
from riskmap.outputs.map import tiles
from riskmap.outputs.palette import SCALES


def marks(**change: object) -> pd.Series:
    """Return the marks of a lot of which all is known but what `change` says."""
    given = {"pour_date_basis": "year", "half_width_basis": "given", "soil_flags": "", "mapped_pct": 100.0,
             "driver_level": 1, **change}
    frame = pd.DataFrame({name: [value] for name, value in given.items()})
    return risk._marks(frame, frame, frame).iloc[0]


@pytest.mark.parametrize(("change", "missing"), [
    ({}, tables.ALL_KNOWN), ({"mapped_pct": 90.0}, tables.ALL_KNOWN), ({"mapped_pct": 89.9}, "soil"),
    ({"mapped_pct": np.nan}, "soil"), ({"soil_flags": "lep_from_bulk_density;lep_limits_assumed"}, tables.ALL_KNOWN),
    ({"soil_flags": "lep_from_clay"}, "soil"), ({"soil_flags": "horizon_gap;lep_from_clay_cec"}, "soil"),
    ({"soil_flags": "lep_missing"}, "soil"), ({"pour_date_basis": "range"}, "pour date"),
    ({"pour_date_basis": "none", "half_width_basis": "unknown"}, "pour date, slab size"),
    ({"pour_date_basis": "date"}, tables.ALL_KNOWN), ({"driver_level": 3}, "recent weather"),
    ({"driver_level": 0}, "recent weather"),
    ({"mapped_pct": 0.0, "pour_date_basis": "none", "half_width_basis": "unknown", "driver_level": 4},
     "soil, pour date, slab size, recent weather")])
def test_each_mark_has_its_own_cause(change: dict[str, object], missing: str) -> None:
    row = marks(**change)
    assert row["data_quality"] == missing
    for column, name in tables.MARKS.items():
        assert row[column] == (name not in missing.split(", "))


def test_the_map_colours_lots_by_how_much_is_not_known() -> None:
    lots = results().lots
    code = tiles.class_codes(lots, SCALES["quality"])
    known = lots[list(tables.MARKS)].to_numpy(int).sum(axis=1)
    assert (code == len(tables.MARKS) - known).all()
    assert len(set(code)) > 2


def test_lots_of_one_number_are_ordered_by_change_then_id_and_no_soil_line_breaks_the_tie() -> None:
    found = results()
    lots = found.lots.copy()
    number = np.flatnonzero(lots["state"] == "")
    some = number[[30, 25, 20, 15]]
    lots.loc[some, "expected_movement_mm"] = 900.0
    lots.loc[some, "change_next_mm"] = [1.0, 3.0, 1.0, 3.0]
    lots.loc[some, "lot_id"] = ["B2", "C1", "A9", "A10"]
    lots.loc[some, "soil_line_distance_m"] = [0.0, 50.0, 3.0, 90.0]
    ordered = order.inspection_order(lots)
    assert ordered[:4].tolist() == [some[k] for k in (3, 1, 2, 0)]
    assert sorted(ordered) == number.tolist()  # lots without a number are in no order of visits
    assert (np.diff(lots["expected_movement_mm"].to_numpy(float)[ordered]) <= 0).all()
    found = replace(found, lots=lots)
    top = visits.page_list(found, [], None, 4)
    assert [one.row for one in top] == ordered[:4].tolist()
    rounds = visits.rounds(found, top)
    assert rounds["lot_id"].tolist() == ["A10", "C1", "A9", "B2"]


def test_lots_that_share_an_archetype_are_counted_and_said_once() -> None:
    shared = order.sharing(np.array([2, -1, 0, 2, 2, -1]))
    assert shared.tolist() == [3, 0, 1, 3, 3, 0]
    assert order.sharing(np.array([], dtype=np.int64)).tolist() == []
    assert order.sharing(np.array([-1])).tolist() == [0]
    found = results()
    rows = np.flatnonzero(found.lots["state"] == "")
    counts = np.full(len(found.lots), 1)
    counts[rows[1]] = 634
    found.lots.loc[rows[1], "flags"] = "pour_date_unknown;slab_size_assumed"
    told = replace(found, sharing=counts)
    assert lot_text.lines(told, rows[1])[1] == "634 lots share this estimate: same soil, age, assumed slab."
    assert not any("share this estimate" in line for line in lot_text.lines(told, rows[0]))
    assert not any("share this estimate" in line for line in lot_text.lines(found, rows[1]))
    told.lots.loc[rows[1], "flags"] = ""
    assert lot_text.lines(told, rows[1])[1] == "634 lots share this estimate: same soil, age, slab."
