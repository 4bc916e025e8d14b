"""The example area end to end against stored numbers, and the promises that apply to the whole run.

`example_estimate.csv` changes only together with an entry under "Results change" in CHANGELOG.md. Write it again with
`python tests/regression/test_example_run.py`.
"""

from __future__ import annotations

import sys
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest

from riskmap.common import settings, tables
from riskmap.movement import reasons
from riskmap.run import flow
from riskmap.run.store import FOLDER, Store

STORED = Path(__file__).with_name("example_estimate.csv")
EVERY = 10


@pytest.fixture(scope="module")
def area(example: Path) -> settings.Area:
    return settings.load(example / "area.toml")


@pytest.fixture(scope="module")
def estimate(area: settings.Area, example_runs: Path) -> gpd.GeoDataFrame:
    """The estimate with the archetypes that the shared run of this session computed."""
    found = flow.assess(area, cache=Store(example_runs / FOLDER))[0]
    assert found.facts["reused_archetypes"] == found.facts["archetypes"] > 100
    return found.lots


def selection(estimate: gpd.GeoDataFrame) -> pd.DataFrame:
    return pd.DataFrame(estimate.drop(columns="geometry")).iloc[::EVERY].reset_index(drop=True)


def test_numbers_are_the_stored_ones(estimate: gpd.GeoDataFrame) -> None:
    stored = pd.read_csv(STORED, dtype={c.name: "str" for c in tables.ESTIMATE.columns if c.kind == "text"},
                         keep_default_na=False, na_values={c.name: [""] for c in tables.ESTIMATE.columns
                                                           if c.kind != "text"})
    ours = selection(estimate)
    assert list(ours.columns) == list(stored.columns)
    for name in stored:
        if stored[name].dtype.kind == "f":
            np.testing.assert_allclose(ours[name].to_numpy(float), stored[name], rtol=1e-6, atol=1e-5, err_msg=name)
        else:
            assert ours[name].astype("str").tolist() == stored[name].astype("str").tolist(), name


def test_every_row_is_answered_and_states_have_no_numbers(estimate: gpd.GeoDataFrame, example: Path) -> None:
    lots = gpd.read_file(example / "lots.gpkg")
    assert estimate["lot_id"].tolist() == lots["lot_id"].tolist()
    answered = estimate["state"] == ""
    states = estimate.loc[~answered, "state"].value_counts().to_dict()
    assert set(states) == {"not_enough_data", "not_applicable", "unmatched", "not_yet_poured", "outside_coverage",
                           "no_house_known"}
    numbers = [c.name for c in tables.ESTIMATE.columns if c.name.endswith("_mm")]
    assert estimate.loc[~answered, numbers].isna().all().all()
    assert estimate.loc[answered, numbers].notna().all().all()
    assert (estimate.loc[~answered, "state_reason"] != "").all()
    marks = estimate[list(tables.MARKS)].to_numpy(bool)
    assert [tables.not_known(row) for row in marks] == estimate["data_quality"].tolist()


def test_reasons_add_up_for_every_lot(estimate: gpd.GeoDataFrame) -> None:
    known = estimate[estimate["state"] == ""]
    parts = [f"part_{name}_mm" for name in (*reasons.FACTORS, "gaps")]
    total = known["typical_lot_mm"] + known[parts].sum(axis=1)
    np.testing.assert_allclose(total, known["expected_movement_mm"], atol=1e-6)
    of_long_run = [f"long_run_part_{name}_mm" for name in (*reasons.LONG_RUN_FACTORS, "gaps")]
    total = known["long_run_typical_mm"] + known[of_long_run].sum(axis=1)
    np.testing.assert_allclose(total, known["long_run_mm"], atol=1e-6)
    assert known["long_run_typical_mm"].groupby(known["cell_id"]).nunique().eq(1).all()


def test_sentences_tell_the_numbers_of_the_table(estimate: gpd.GeoDataFrame) -> None:
    known = estimate[estimate["state"] == ""]
    assert (estimate.loc[estimate["state"] != "", "reason_text"] == "").all()
    for row in known.sample(200, random_state=1).itertuples():
        assert f"Expected movement {row.expected_movement_mm:.0f} mm" in row.reason_text
        assert f"has {row.typical_lot_mm:.0f} mm" in row.reason_text
        if abs(row.reason_1_mm) >= reasons.TOLD_MM:
            assert f"{row.reason_1} {row.reason_1_mm:+.0f} mm" in row.reason_text
        assert len(row.reason_text.split(".")) <= 4


def test_ranges_hold_their_middle(estimate: gpd.GeoDataFrame) -> None:
    known = estimate[estimate["state"] == ""]
    for name in ("expected_movement_mm", "long_run_mm", "bend_now_mm"):
        assert (known[f"{name}_p10"] <= known[name]).all()
        assert (known[name] <= known[f"{name}_p90"]).all()


def test_shuffled_lots_and_other_workers_give_the_same_numbers(area: settings.Area, estimate: gpd.GeoDataFrame,
                                                               example: Path, tmp_path: Path) -> None:
    """A third of the lots in another order: what the others are does not matter either, but for a repeated id."""
    lots = gpd.read_file(example / "lots.gpkg")
    once = np.flatnonzero(~lots["lot_id"].duplicated(keep=False))
    order = np.random.default_rng(3).permutation(once)[: len(lots) // 3]
    lots.iloc[order].to_parquet(tmp_path / "lots.parquet")
    turned = area.model_copy(update={"lots": area.lots.model_copy(update={"path": tmp_path / "lots.parquet",
                                                                          "layer": None})})
    other = flow.assess(turned, workers=1)[0].lots
    first = pd.DataFrame(estimate.drop(columns=["geometry", "lot_row"])).iloc[order].reset_index(drop=True)
    second = pd.DataFrame(other.drop(columns=["geometry", "lot_row"]))
    pd.testing.assert_frame_equal(first, second, check_exact=True)


def test_sandy_ground_moves_least_and_heavy_clay_most(estimate: gpd.GeoDataFrame) -> None:
    median = estimate[estimate["state"] == ""].groupby("map_unit_symbol")["long_run_mm"].median()
    assert median["QnA"] < median["VaC"] < median["TmB"] < median["ObA"]


def test_now_is_dry_and_the_last_two_months_come_from_categories(estimate: gpd.GeoDataFrame) -> None:
    known = estimate[estimate["state"] == ""]
    assert (known["weather_source"] == "weekly map").all()
    assert set(known["drought_category"]) <= {"D2", "D3", "D4"}
    assert (known["part_weather_mm"] > 0).mean() > 0.9  # a dry autumn raises the dome


def test_every_phase_is_there_and_only_the_newest_slabs_settle(estimate: gpd.GeoDataFrame) -> None:
    known = estimate[estimate["state"] == ""]
    newest = known.groupby("phase")["pour_to"].agg(["min", "max"])
    assert set(newest.index) == set(tables.PHASES)
    assert newest.loc["early_settlement", "min"] >= "2024-05"  # 1.5 years before the end of October 2025
    settling = known[known["phase"] == "early_settlement"]
    assert len(settling) >= 10
    assert settling["settlement_mm"].max() < known["settlement_mm"].max()


def test_a_moist_spring_lifts_the_edges_of_slabs_poured_dry_until_a_drought_comes(
        estimate: gpd.GeoDataFrame, example: Path, tmp_path: Path) -> None:
    """The young street in May 2025, before the drought, and in October: nothing but the weather differs."""
    street = gpd.read_file(example / "lots.gpkg").query("subdivision == 'Sedge Row'")
    street.to_parquet(tmp_path / "lots.parquet")
    area = settings.load(example / "area_may.toml")
    may = flow.assess(area.model_copy(update={"lots": area.lots.model_copy(update={
        "path": tmp_path / "lots.parquet", "layer": None})}))[0].lots.set_index("lot_id")
    october = estimate.set_index("lot_id").loc[may.index]
    answered = may["state"] == ""
    assert set(may.loc[~answered, "state"]) == {"not_yet_poured"}
    assert set(october["state"]) == {""}
    may, october = may[answered], october[answered]
    lifted = may["direction"] == "edge_lift"
    assert lifted.sum() >= 5
    assert (may.loc[lifted, "bend_now_mm"] <= -5).all()
    assert (may.loc[lifted, "edge_now_mm"] > may.loc[lifted, "middle_now_mm"]).all()
    assert may.loc[lifted, "pour_weather"].isin(["dry", "several"]).all()
    assert not (estimate["direction"] == "edge_lift").any()  # in a drought every edge is dry
    assert (october["bend_now_mm"] > may["bend_now_mm"]).all()
    assert set(may["drought_category"]) == {"none"}
    assert set(october["drought_category"]) == {"D3"}


if __name__ == "__main__":
    found = flow.assess(settings.load(Path(__file__).resolve().parents[2] / "layers" / "example" / "area.toml"))
    selection(found[0].lots).to_csv(STORED, index=False)
    sys.stdout.write(f"{STORED.name} written\n")
