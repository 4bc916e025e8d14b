"""The figures of the whole area, what lies under a lot, and how much context a map has room for."""

from __future__ import annotations

from dataclasses import replace

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from invented_results import results, with_growth

from riskmap.outputs import palette
from riskmap.outputs.map import below, data_block, town


def test_the_area_is_counted_as_a_reader_would_count_it() -> None:
    lots = results().lots
    told, known = town.about(lots), lots[lots["state"] == ""]
    assert (told["lots"], told["known"]) == (len(lots), len(known))
    assert told["mm"] == pytest.approx(np.percentile(known["expected_movement_mm"], [10, 50, 90]), abs=0.05)
    assert sum(told["direction"].values()) == len(known)
    assert sum(row["lots"] for row in told["soils"]) <= len(known)
    for row in told["soils"]:
        named = known["map_unit_symbol"] + " " + known["map_unit_name"].str.split(",").str[0]
        own = known[named.str.strip() == row["name"]]["expected_movement_mm"]
        assert row["lots"] == len(own)
        assert row["mm"] == pytest.approx(np.percentile(own, [10, 50, 90]), abs=0.05)
    assert [row["lots"] for row in told["soils"]] == sorted((row["lots"] for row in told["soils"]), reverse=True)


def test_years_of_the_pour_are_of_one_soil_and_of_known_dates_only() -> None:
    lots = results().lots
    lots = lots[lots["state"] == ""].iloc[:40].copy()
    lots[["map_unit_symbol", "map_unit_name"]] = ["ObA", "Ombrey clay, level"]
    lots["pour_date_basis"] = ["none"] * 10 + ["year"] * 30
    lots["pour_from"] = ["1950-01"] * 10 + ["1965-01"] * 12 + ["2003-01"] * 15 + ["1999-01"] * 3
    lots["pour_to"] = ["2025-01"] * 10 + ["1965-12"] * 12 + ["2003-12"] * 15 + ["2012-12"] * 3
    told = town.about(lots)
    assert told["of_soil"] == "ObA Ombrey clay"
    assert [(row["name"], row["lots"]) for row in told["years"]] == [("1960–1979", 12), ("2000–2003", 15)]


def test_an_area_without_an_estimate_has_no_figure() -> None:
    told = town.about(results().lots.assign(state="not_enough_data"))
    assert (told["known"], told["mm"], told["soils"], told["years"]) == (0, [], [], [])


def test_a_lot_has_the_soil_that_weighs_most_in_its_estimate() -> None:
    found = with_growth(results())
    assert found.inputs is not None
    count = len(found.inputs.archetype)
    parts = pd.DataFrame({"archetype_id": np.repeat(np.arange(count), 2), "profile_id": [0, 1] * count,
                          "weight": [0.4, 0.6] * count})
    parts.loc[0, "weight"], parts.loc[1, "weight"] = 0.7, 0.3
    profile = pd.DataFrame({"profile_id": [0, 1], "component_name": ["Sand", "Clay"], "rock_depth_m": [np.inf, 0.9]})
    layer = pd.DataFrame({"profile_id": [1, 1, 0], "top_m": [0.2, 0.0, 0.0], "bottom_m": [0.9, 0.2, 2.0],
                          "lep_low_pct": 1.0, "lep_pct": [12.0, 6.1, 0.5], "lep_high_pct": 20.0})
    found = replace(found, inputs=replace(found.inputs, archetype_profile=parts, profile=profile, layer=layer),
                    settings={"movement": {"active_depth_draw_m": [3.0, 4.0]},
                              "soil_settings": {"extend_to_cm": 150, "below_profile_factor": 0.5}})
    told = below.about(found)
    assert [soil["name"] for soil in told["soils"]] == ["Sand", "Clay"]
    assert told["soils"][0]["layers"] == [[0.0, 2.0, 0.5, 0, 0], [2.0, 3.5, 0.25, 0, 1]]
    assert told["soils"][1]["layers"] == [[0.0, 0.2, 6.1, 1, 0], [0.2, 0.9, 12.0, 3, 0]]  # from the top down to rock
    assert [soil["rock_m"] for soil in told["soils"]] == [None, 0.9]
    assert told["colors"] == palette.SOIL_LAYERS
    assert told["depth_m"] == [3.5, 3.0, 4.0]
    number = below.with_profile(found.lots, found)[below.COLUMN].to_numpy()
    archetype = np.asarray(found.inputs.lot_archetype)
    known = (archetype >= 0) & (found.lots["state"] == "").to_numpy()
    assert np.isnan(number[~known]).all()
    assert (number[known] == np.where(archetype[known] == 0, 0, 1)).all()


def test_a_run_without_its_inputs_has_no_section() -> None:
    assert below.about(results()) == {}
    assert below.COLUMN not in below.with_profile(results().lots, results())


def lines(vertices: int) -> gpd.GeoDataFrame:
    x = np.linspace(-98.6, -98.5, vertices)
    wave = shapely.linestrings(np.column_stack([x, 38 + 5e-6 * np.sin(np.arange(vertices))]))  # about half a metre
    return gpd.GeoDataFrame({"layer": ["Roads"], "kind": ["line"], "label": ["A road"]}, geometry=[wave], crs=4326)


def test_context_is_whole_then_simpler_then_left_out_and_says_so() -> None:
    assert data_block.context_shown(None, 10) == (None, "")
    whole, said = data_block.context_shown(lines(1000), 10)
    assert whole is not None
    assert (shapely.get_num_coordinates(whole.geometry.iloc[0]), said) == (1000, "")
    simple, said = data_block.context_shown(lines(60_000), 10)
    assert simple is not None
    assert shapely.get_num_coordinates(simple.geometry.iloc[0]) < 100
    assert said == "Roads and other context are drawn to within 2 m."
    assert data_block.context_shown(lines(60_000), 10_000)[1] == ""  # more lots, more room
    zigzag = lines(60_000)
    zigzag.geometry = shapely.transform(zigzag.geometry.to_numpy(), lambda xy: xy + np.column_stack(
        [0.001 * np.arange(len(xy)), 0.01 * (np.arange(len(xy)) % 2)]))
    none, said = data_block.context_shown(zigzag, 10)
    assert none is None
    assert said == "Roads and other context are not in this file: they have too many vertices."
