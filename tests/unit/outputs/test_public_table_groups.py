"""Public tables: every group has k lots, nothing about one lot is in them, and the counts add up."""

from __future__ import annotations

import dataclasses
import json
import sqlite3

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from invented_results import estimate, results, square, with_state

from riskmap.common.errors import RunFolderError
from riskmap.common.results import Results
from riskmap.outputs.files import public_table

AREA = results()
SCORES = [c.name for c in public_table._NUMBERS]


def area(rows: list[tuple[str, str, str]], ids: list[str] | None = None, value: float | None = None) -> Results:
    """Return lots of (map unit, month of the pour, state)."""
    frame = estimate(len(rows), [square(i, 10) for i in range(len(rows))])
    frame["map_unit_key"] = [f"k{r[0]}" if r[0] else "" for r in rows]
    frame["map_unit_symbol"] = frame["map_unit_name"] = [r[0] for r in rows]
    frame["pour_from"] = frame["pour_to"] = [r[1] for r in rows]
    frame["pour_date_basis"] = ["month" if r[1] else "none" for r in rows]
    frame = with_state(frame, [i for i, r in enumerate(rows) if r[2]], [r[2] for r in rows if r[2]])
    if ids:
        frame["lot_id"] = ids
    if value is not None:
        frame.loc[frame["state"] == "", list(public_table.SCORES)] = value
    return dataclasses.replace(AREA, lots=frame)


def test_small_groups_are_merged_over_ages_then_soils_then_left_out():
    rows = ([("A", "1985-03", "")] * 4 + [("A", "1991-03", "")] * 2 + [("A", "2004-03", "")] * 1
            + [("B", "1985-03", "")] * 2 + [("C", "1985-03", "")] * 1 + [("A", "1985-03", "not_applicable")] * 2)
    public = public_table.build(area(rows), k=3)
    told = public.groups[["map_unit_name", "pour_decade", "state", "lots"]].to_numpy().tolist()
    assert told == [["A", "1980s", "", 4], ["A", "other ages", "", 3], ["other soils", "other ages", "", 3]]
    assert public.facts["lots_suppressed"] == 2
    assert public.facts["k_achieved"] == 3
    assert public.facts["lots_in_groups"] + public.facts["lots_suppressed"] == len(rows)


def test_a_merged_group_does_not_swallow_a_group_that_is_large_enough():
    rows = [("A", "1985-03", "")] * 12 + [("A", "1995-03", "")] * 3
    public = public_table.build(area(rows), k=10)
    assert public.groups["lots"].tolist() == [12]
    assert public.facts["lots_suppressed"] == 3


def test_scores_are_medians_and_percentiles_in_steps_of_2_mm():
    found = area([("A", "1985-03", "")] * 11)
    found.lots["expected_movement_mm"] = np.arange(11) * 3.0  # median 15, tenth percentile 3, ninetieth 27
    found.lots["expected_movement_mm_p10"] = 4.9
    found.lots["expected_movement_mm_p90"] = 31.2
    group = public_table.build(found).groups.iloc[0]
    assert group["expected_movement_mm"] == 16.0  # 7.5 steps: half to even
    assert group["expected_movement_mm_p10"] == 4.0
    assert group["expected_movement_mm_p90"] == 32.0
    assert group["expected_movement_mm_lots_p10"] == 4.0
    assert group["expected_movement_mm_lots_p90"] == 28.0


def test_a_state_has_a_count_and_no_number():
    public = public_table.build(area([("A", "1985-03", "not_enough_data")] * 10))
    assert public.groups["lots"].tolist() == [10]
    assert public.groups[SCORES].isna().all().all()
    assert public.cells.empty
    assert public.facts["lots_in_squares"] == 0


def test_a_lot_that_stands_twice_counts_once():
    rows = [("A", "1985-03", "")] * 10
    assert public_table.build(area(rows, ["1"] * 2 + [str(i) for i in range(8)])).groups.empty
    assert public_table.build(area(rows, ["a ", "A"] + [str(i) for i in range(8)])).groups.empty
    blank = public_table.build(area(rows, [""] * 10))
    assert blank.groups["lots"].tolist() == [10]
    assert blank.facts["k_achieved"] == 10


def test_windows_over_two_decades_and_unknown_dates_have_no_decade():
    found = area([("A", "1989-12", "")] * 3)
    found.lots.loc[1, "pour_to"] = "1990-01"
    found.lots.loc[2, "pour_date_basis"] = "none"
    decade = public_table._described(found.lots)["pour_decade"].tolist()
    assert decade == ["1980s", public_table.NO_DECADE, public_table.NO_DECADE]


def test_squares_hold_the_lots_whose_middle_lies_in_them():
    found = area([("A", "1985-03", "")] * 60)
    public = public_table.build(found, k=10)
    point = found.lots.geometry.representative_point().to_crs("EPSG:5070")
    for cell in public.cells.itertuples():
        inside = point.within(cell.geometry)
        assert inside.sum() == cell.lots >= 10
        median = found.lots.loc[inside.to_numpy(), "expected_movement_mm"].median()
        assert abs(cell.expected_movement_mm - median) <= 1.0
        assert cell.geometry.area == 1e6
    assert public.facts["lots_in_squares"] == public.cells["lots"].sum()
    assert public.facts["lots_in_squares"] + public.facts["lots_suppressed_in_squares"] == 60


def test_no_lot_and_one_lot():
    for rows in ([], [("A", "1985-03", "")]):
        public = public_table.build(area(rows))
        assert public.groups.empty
        assert public.cells.empty
        assert public.facts["k_achieved"] is None
        assert list(public.groups) == [c.name for c in public_table.GROUP_COLUMNS]
        assert public.facts["lots_suppressed"] == len(rows)
    with pytest.raises(ValueError, match="at least 2"):
        public_table.build(area(rows), k=1)


def test_files_hold_the_tables_and_no_identifier(tmp_path):
    found = area([("=A", "1985-03", "")] * 30, [f"LOT-{i:05d}-X" for i in range(30)])
    path = public_table.write(found, tmp_path)
    assert path.name == public_table.GROUPS
    assert sorted(p.name for p in tmp_path.iterdir()) == ["public.json", "public_cells.csv", "public_cells.gpkg",
                                                          "public_groups.csv"]
    for file in tmp_path.iterdir():
        content = file.read_bytes()
        assert b"LOT-" not in content, file.name
        assert b"1985-03" not in content, file.name
    groups = pd.read_csv(path, encoding="utf-8-sig", keep_default_na=False)
    assert groups["map_unit_name"].tolist() == ["'=A"]  # no formula
    about = json.loads((tmp_path / "public.json").read_text())
    assert about["k_achieved"] >= about["k"] == 10
    assert about["lots"] == 30
    assert [c["name"] for c in about["files"][public_table.GROUPS]] == list(groups.columns)
    cells = gpd.read_file(tmp_path / "public_cells.gpkg")
    assert len(cells) == len(pd.read_csv(tmp_path / "public_cells.csv"))
    with sqlite3.connect(tmp_path / "public_cells.gpkg") as opened:
        assert opened.execute("SELECT srs_id FROM gpkg_geometry_columns").fetchone() == (5070,)


def test_the_same_estimate_gives_the_same_files(tmp_path):
    for name in ("a", "b"):
        (tmp_path / name).mkdir()
        public_table.write(area([("A", "1985-03", "")] * 30), tmp_path / name)
    for file in (tmp_path / "a").iterdir():
        assert file.read_bytes() == (tmp_path / "b" / file.name).read_bytes(), file.name


def test_a_folder_with_single_lots_is_refused(tmp_path):
    (tmp_path / "lots.csv").write_text("lot_id\n")
    with pytest.raises(RunFolderError, match=r"lots\.csv.*folder of their own"):
        public_table.write(area([("A", "1985-03", "")] * 30), tmp_path)
    assert [p.name for p in tmp_path.iterdir()] == ["lots.csv"]


row = st.tuples(st.sampled_from(["A", "B", "C", ""]), st.sampled_from(["1985-03", "1991-07", "2004-01", ""]),
                st.sampled_from(["", "", "", "not_applicable", "unmatched"]))


@settings(max_examples=25, deadline=None)
@given(st.lists(row, max_size=60), st.integers(2, 12), st.data())
def test_every_group_has_k_lots_and_every_lot_is_counted_once(rows, k, data):
    ids = data.draw(st.lists(st.sampled_from([*(str(i) for i in range(50)), ""]), min_size=len(rows),
                             max_size=len(rows)))
    public = public_table.build(area(rows, ids), k)
    assert (public.groups["lots"] >= k).all()
    assert (public.cells["lots"] >= k).all()
    assert public.groups["lots"].sum() + public.facts["lots_suppressed"] == len(rows)
    assert public.facts["k_achieved"] is None or public.facts["k_achieved"] >= k
    assert not public.groups.duplicated(["map_unit_name", "pour_decade", "state"]).any()
    for state, lots in public.groups.groupby("state")["lots"].sum().items():
        assert lots <= [r[2] for r in rows].count(state)
