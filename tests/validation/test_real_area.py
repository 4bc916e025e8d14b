"""The main job on real soil, real climate and real weekly maps: nothing lost, shares right, a refresh explained.

Soil: Desha County, Arkansas, 2021 and 2022 downloads; climate division 0309; weekly maps 2018-09 to 2019-07. Lots are
invented. Expected values: AR041_2021_mapunit_expected.csv (computed independently) and the survey's own areas.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import real_lots

from riskmap import layers, lots, soil
from riskmap.common import inputs, month_numbers, settings, tables
from riskmap.estimates import table as risk
from riskmap.movement import archetypes
from riskmap.run import flow

COUNT = 20_000


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("real")


@pytest.fixture(scope="module")
def area(folder: Path, open_data: Path) -> settings.Area:
    download = open_data / "soil" / "AR041_2021.zip"
    path = folder / "lots.parquet"
    real_lots.invent(real_lots.read_map_units(download), COUNT).to_parquet(path)
    return settings.load(real_lots.area_file(folder, download, path, open_data, cell="0309", latitude=33.6))


@pytest.fixture(scope="module")
def found(area: settings.Area) -> inputs.Layers:
    return layers.read(area)


@pytest.fixture(scope="module")
def attached(area: settings.Area, found: inputs.Layers) -> tuple[pd.DataFrame, soil.SoilAttached]:
    lot, _ = lots.clean(found.lots, area.lot_settings, area.crs, month_numbers.month_number(2022, 12), "lots")
    return lot, soil.attach(lot, found.soil, area.soil_settings, area.crs)


@pytest.mark.slow
def test_every_lot_has_a_number_or_a_state(area: settings.Area) -> None:
    few = area.model_copy(update={"movement": area.movement.model_copy(update={"draws": 40})})
    results, _ = flow.assess(few)
    table = results.lots
    assert len(table) == COUNT
    assert table["lot_row"].tolist() == list(range(COUNT))
    assert (table["lot_id"] == [f"{n:06d}" for n in range(COUNT)]).all()
    answered = table["state"] == ""
    assert answered.mean() > 0.9
    assert table.loc[answered, "expected_movement_mm"].notna().all()
    assert table.loc[~answered, "expected_movement_mm"].isna().all()
    assert set(table.loc[~answered, "state"]) <= set(tables.STATES)
    assert (table.loc[~answered, "state_reason"] != "").all()
    assert (table["weather_source"] == "rain and temperature").all()
    # more extensible map units move more: the order of classes is the least one may expect
    medians = table[answered].groupby("shrink_swell_class")["expected_movement_mm"].median()
    assert medians["low"] < medians["moderate"] < medians["high"] < medians["very high"]


def test_shares_sum_to_one(attached: tuple[pd.DataFrame, soil.SoilAttached]) -> None:
    lot, ground = attached
    share = ground.lot_map_unit.groupby("lot_row")["share"].sum()
    mapped = ground.lot_soil["mapped_pct"].to_numpy() / 100
    np.testing.assert_allclose(share.to_numpy(), mapped[share.index], atol=1e-9)
    inside = mapped > 1 - 1e-12
    assert inside.mean() > 0.98
    assert len(ground.lot_soil) == len(lot) == COUNT
    weight = ground.lot_profile.groupby("lot_row")["weight"].sum()
    np.testing.assert_allclose(weight, 1.0, atol=1e-9)


def test_share_of_area_by_class_matches_the_survey(attached: tuple[pd.DataFrame, soil.SoilAttached],
                                                   open_data: Path) -> None:
    """Area-weighted linear extensibility 8.59 and 10.7/11.6/23.8/43.6 % by class, 10.3 % without (another program)."""
    ground = attached[1]
    expected = pd.read_csv(open_data / "soil" / "AR041_2021_mapunit_expected.csv", dtype={"mukey": str})
    ours = ground.map_unit.set_index("mukey").loc[expected["mukey"]]
    np.testing.assert_allclose(ours["lep_0_150_pct"], expected["lep_0_150_wavg"], atol=1e-3)
    np.testing.assert_allclose(ours["lep_25_100_pct"], expected["lep_25_100_wavg"], atol=1e-3)
    np.testing.assert_allclose(ours["covered_pct"], expected["comppct_with_lep"], atol=1e-9)
    np.testing.assert_allclose(ours["area_ha"], expected["ha_epsg5070"], atol=0.02)
    known = ours["lep_0_150_pct"].notna()
    weighted = np.average(ours.loc[known, "lep_0_150_pct"], weights=ours.loc[known, "area_ha"])
    assert weighted == pytest.approx(8.59, abs=0.005)
    named = np.select([ours["lep_0_150_pct"] < 3, ours["lep_0_150_pct"] < 6, ours["lep_0_150_pct"] < 9,
                       ours["lep_0_150_pct"] >= 9], ["low", "moderate", "high", "very high"], "none")
    share = ours["area_ha"].groupby(named).sum() / ours["area_ha"].sum() * 100
    for name, printed in (("low", 10.7), ("moderate", 11.6), ("high", 23.8), ("very high", 43.6), ("none", 10.3)):
        assert share[name] == pytest.approx(printed, abs=0.06)


def test_a_refreshed_download_changes_keys_and_no_result(area: settings.Area, found: inputs.Layers, open_data: Path,
                                                         attached: tuple[pd.DataFrame, soil.SoilAttached]) -> None:
    lot, before = attached
    newer = area.model_copy(update={"soil": area.soil.model_copy(
        update={"path": open_data / "soil" / "AR041_2022.zip"})})
    refreshed = layers.read(newer)
    after = soil.attach(lot, refreshed.soil, area.soil_settings, area.crs)
    assert set(found.soil.map_unit["mukey"]) == set(refreshed.soil.map_unit["mukey"])
    assert not set(found.soil.component["component_id"]) & set(refreshed.soil.component["component_id"])
    pd.testing.assert_frame_equal(before.lot_soil.drop(columns="map_unit_name"),
                                  after.lot_soil.drop(columns="map_unit_name"))
    renamed = before.lot_soil["map_unit_name"] != after.lot_soil["map_unit_name"]
    assert set(after.lot_soil.loc[renamed, "map_unit_name"]) <= {"Dams"}  # one unit was renamed Dam -> Dams
    pd.testing.assert_frame_equal(before.layer, after.layer)


def test_archetypes_are_few_and_stand_for_their_lots(area: settings.Area,
                                                  attached: tuple[pd.DataFrame, soil.SoilAttached]) -> None:
    lot, ground = attached
    climate = pd.DataFrame({"lot_row": lot["lot_row"], "cell_id": "0309"})
    state = risk.states(lot, ground.lot_soil, climate)
    shared = archetypes.collapse(lot.assign(state=state["state"].to_numpy()), ground.lot_profile, climate,
                              today=month_numbers.month_number(2022, 12))
    used = shared.lot_archetype >= 0
    assert (used == (state["state"] == "").to_numpy()).all()
    assert len(shared.archetype) < 0.5 * used.sum()
    mixture = archetypes.normalised(shared.archetype_profile)
    np.testing.assert_allclose(mixture.groupby("archetype_id")["weight"].sum(), 1.0)
    back = archetypes.expand(shared.archetype, shared.lot_archetype)
    assert (back.loc[used, "half_width_m"].to_numpy() == lot.loc[used, "half_width_m"].to_numpy()).all()
    # each lot's own profiles and weights are those of its archetype
    lot_profile = ground.lot_profile.assign(archetype_id=shared.lot_archetype[ground.lot_profile["lot_row"]])
    joined = lot_profile.merge(shared.archetype_profile, on=["archetype_id", "profile_id"], suffixes=("", "_archetype"))
    assert len(joined) == len(ground.lot_profile)
    assert np.abs(joined["weight"] - joined["weight_archetype"]).max() < 1e-5
