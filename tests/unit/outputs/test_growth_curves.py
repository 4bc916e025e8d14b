"""The ground since the pour on the map: the curves of both pages are those of the record, and who has none."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from invented_results import GROWTH, ROW_OF_STATE, results, with_growth
from test_outputs_encode import decoded
from test_outputs_tiles import block
from test_outputs_web_map_page import header
from tile_reader import Reader

import riskmap
from riskmap.common.results import Results
from riskmap.common.settings import MovementSettings
from riskmap.movement import draws
from riskmap.outputs.map import data_block, growth_curves, tile_page, tiles, web_map

Curve = tuple[int, int, list[float], list[float]]  # pour month, first year, middle and edge in mm


def of_record(found: Results, lot: int) -> tuple[int, list[float], list[float]] | None:
    """Return the first year, middle and edge of a lot, row by row; None where no curve may be drawn."""
    row = found.lots.iloc[lot]
    assert found.inputs is not None
    assert found.growth is not None
    if row["state"] or row["pour_date_basis"] == "none":
        return None
    own = found.growth[found.growth["archetype"] == found.inputs.lot_archetype[lot]].sort_values("year")
    if own.empty:
        return None
    return int(own["year"].iloc[0]), own["middle_mm"].astype(float).tolist(), own["edge_mm"].astype(float).tolist()


def of_one_file(found: Results) -> Iterator[Curve | None]:
    head, arrays = decoded(data_block.block(found.lots, {}, past=found))
    step, curve, years = head["past"]["growth"]["step"], np.cumsum(arrays["growth_curve"]), arrays["growth_years"]
    for k in curve:
        part = slice(years[:k].sum(), years[: k + 1].sum())
        yield None if k < 0 else (int(arrays["growth_pour"][k]), int(arrays["growth_first"][k]), *(
            (np.cumsum(arrays[name][part]) * step).tolist() for name in ("growth_middle", "growth_edge")))


def of_tiles(found: Results, folder: Path) -> Iterator[Curve | None]:
    tiles.write(found, folder)
    reader = Reader((folder / tiles.NAME).read_bytes())
    told = reader.metadata["riskmap"]["blocks"]
    for lot in range(len(found.lots)):
        k = int(block(reader, told["lots"][lot // told["sizes"]["lots"]])["curve"][lot % told["sizes"]["lots"]])
        if k < 0:
            yield None
            continue
        read, i = block(reader, told["curves"][k // told["sizes"]["curves"]]), k % told["sizes"]["curves"]
        part = slice(sum(read["years"][:i]), sum(read["years"][: i + 1]))
        yield read["pour"][i], read["first"][i], *((np.cumsum(read[name][part]) * told["curve_step"]).tolist()
                                                   for name in ("middle", "edge"))


def same(found: Results, curves: Iterator[Curve | None]) -> int:
    """Compare the curve of each lot with the record; return how many lots have one."""
    drawn = 0
    for lot, made in enumerate(curves):
        wanted = of_record(found, lot)
        assert (made is None) == (wanted is None), lot
        if made is None or wanted is None:
            continue
        drawn += 1
        assert made[1] == wanted[0]
        for told, kept in zip(made[2:], wanted[1:], strict=True):
            np.testing.assert_allclose(told, kept, atol=1e-4, rtol=0)  # the record has tenths, as numbers of 32 bits
    return drawn


@pytest.fixture(scope="module")
def full() -> Results:
    return with_growth(results())


def test_the_one_file_map_has_the_curves_of_the_record(full: Results) -> None:
    assert same(full, of_one_file(full)) > 20


def test_the_medians_of_now_stand_beside_the_curves_only(full: Results, tmp_path: Path) -> None:
    head, arrays = decoded(data_block.block(full.lots, {}, past=full))
    tiles.write(full, tmp_path)
    reader = Reader((tmp_path / tiles.NAME).read_bytes())
    told = reader.metadata["riskmap"]["blocks"]
    own, rows = block(reader, told["lots"][0]), block(reader, told["rows"][0])
    for name in ("middle_now_mm", "edge_now_mm"):
        for values in (arrays[name][arrays["row"]], np.asarray(rows[name])[own["row"]]):
            np.testing.assert_allclose(np.where(values == head["missing"], np.nan, values * 0.1),
                                       full.lots[name].to_numpy(float), atol=0.051, rtol=0)
    _, without = decoded(data_block.block(full.lots, {}, past=replace(full, growth=None)))
    tiles.write(replace(full, growth=None), tmp_path)
    told = Reader((tmp_path / tiles.NAME).read_bytes()).metadata["riskmap"]["blocks"]
    assert {"middle_now_mm", "edge_now_mm"} & (set(without) | set(told["steps"])) == set()


@pytest.mark.parametrize("size", [2, growth_curves.MOST_ARCHETYPES])
def test_the_county_map_has_the_curves_of_the_record(size: int, full: Results, tmp_path: Path,
                                                     monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tiles, "BLOCK_CURVES", size)
    assert same(full, of_tiles(full, tmp_path)) > 20


def test_both_maps_of_the_example_have_the_curves_of_its_record(example_runs: Path, tmp_path: Path) -> None:
    found = riskmap.read("latest", example_runs)
    lots = found.lots
    assert found.inputs is not None
    assert found.growth is not None
    a_december = np.isin(found.inputs.lot_archetype, found.growth["archetype"])  # not yet on the youngest street
    known = ((lots["state"] == "") & (lots["pour_date_basis"] != "none")).to_numpy()
    assert 0 < (known & ~a_december).sum() < 20
    drawn = (known & a_december).sum()
    assert same(found, of_one_file(found)) == same(found, of_tiles(found, tmp_path)) == drawn > 1000


def test_curves_of_archetypes_that_differ_by_the_slab_are_kept_once(full: Results) -> None:
    made = growth_curves.curves(full)
    assert made is not None
    assert len(made.first) == len(GROWTH) - 2  # two are alike, and one was poured after the last December
    assert made.pour.tolist() == [12 * year + 6 for year in (1990, 1950, 1990, 2000)]  # July, the middle of the year


def test_no_curve_without_an_estimate_or_a_known_pour_date(full: Results) -> None:
    made = growth_curves.curves(full)
    assert made is not None
    lots = full.lots
    assert set(made.lot[list(ROW_OF_STATE.values())]) == {-1}
    unknown = (lots["pour_date_basis"] == "none").to_numpy()
    assert unknown.sum() > 5
    assert set(made.lot[unknown]) == {-1}


def test_the_pour_is_where_the_middle_run_takes_it() -> None:
    assert draws.middle(MovementSettings()).pour.tolist() == [growth_curves.POUR_SHARE]


def many(found: Results, archetypes: int) -> Results:
    """Give a run so many archetypes with two Decembers each; the lots keep theirs."""
    assert found.inputs is not None
    number = np.arange(archetypes, dtype=np.int32)
    value = np.tile(number.astype(np.float32) / 10, 2)
    growth = pd.DataFrame({"archetype": np.tile(number, 2), "year": np.repeat([2023, 2024], archetypes),
                           "middle_mm": value, "edge_mm": -value})
    table = found.inputs.archetype
    return replace(found, growth=growth, inputs=replace(
        found.inputs, archetype=table.iloc[number % len(table)].reset_index(drop=True)))


def test_a_map_has_curves_of_at_most_five_thousand_archetypes_and_says_so(full: Results, tmp_path: Path) -> None:
    assert growth_curves.MOST_ARCHETYPES == 5000
    most = many(full, 5000)
    assert header(web_map.page(most))["about"]["growth"]["absent"] == ""
    assert same(most, of_one_file(most)) > 20
    more = many(full, 5001)
    head = header(web_map.page(more))
    assert head["about"]["growth"]["absent"] == (
        "No curve is drawn: this run has 5,001 combinations of soil, slab, weather and pour date, and a map contains "
        "curves for at most 5,000.")
    assert head["past"]["growth"] is None
    assert [entry["name"] for entry in head["arrays"] if entry["name"].startswith("growth")] == []
    facts = tiles.write(more, tmp_path)
    told = Reader((tmp_path / tiles.NAME).read_bytes()).metadata["riskmap"]["blocks"]
    assert "curves" not in told
    assert tile_page.about(more, facts, "us", None)["growth"] == head["about"]["growth"]


@pytest.mark.parametrize("gone", ["growth", "inputs"])
def test_a_run_that_did_not_keep_the_ground_is_told(gone: str, full: Results) -> None:
    former = replace(full, **{gone: None})  # type: ignore[arg-type]
    assert growth_curves.curves(former) is None
    head = header(web_map.page(former))
    assert re.search("an earlier version .* Estimate the area again", head["about"]["growth"]["absent"])
    assert head["past"]["growth"] is None


def test_a_run_that_contradicts_itself_is_refused(full: Results) -> None:
    assert full.growth is not None
    gap = full.growth.drop(index=full.growth.index[3])
    with pytest.raises(ValueError, match="gap"):
        growth_curves.curves(replace(full, growth=gap))
    with pytest.raises(ValueError, match="59 lots"):
        growth_curves.curves(replace(full, lots=full.lots.iloc[:59]))


def test_no_growth_at_all_gives_no_curves(full: Results) -> None:
    assert full.growth is not None
    made = growth_curves.curves(replace(full, growth=full.growth.iloc[:0]))
    assert made is not None
    assert len(made.first) == len(made.middle) == 0
    assert set(made.lot) == {-1}


def test_differences_start_again_with_each_curve() -> None:
    assert growth_curves.differences(np.array([5, 7, 2, -3]), np.array([2, 2])).tolist() == [5, 2, 2, -5]
