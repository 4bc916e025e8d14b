"""The words about one lot: one unit system, no minus before zero, the map's names, nothing dated that is not known."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from invented_results import results

from riskmap.common.errors import counted
from riskmap.movement import reasons
from riskmap.outputs import lot_text, words

LOT: dict[str, Any] = {"flags": "", "slab_width_m": 12.0, "bend_largest_up_mm": 28.0, "bend_largest_down_mm": -3.0,
                       "bend_largest_up_date": "2022-12", "pour_date_basis": "year", "linear_extensibility_pct": 4.5}


def test_zero_has_no_sign() -> None:
    assert lot_text.part_shown(-0.02, "us") == "0.00 in"
    assert lot_text.part_shown(0.02, "us") == "0.00 in"
    assert lot_text.part_shown(-0.04, "si") == "0.0 mm"
    assert lot_text.part_shown(-9.4, "us") == "-0.37 in"
    assert lot_text.part_shown(9.4, "si") == "+9.4 mm"


def test_parts_are_called_as_on_the_map() -> None:
    assert {name: told[:2] for name, told in words.PARTS.items()} == reasons.WORDS
    assert words.LEAST_PART_MM == reasons.TOLD_MM
    assert words.part("soil", 3.0) == "more expansive soil"
    assert words.part("soil", -3.0) == "less expansive soil"
    assert words.part("slab", -0.1) == "slab size and stiffness"


def test_reference_lot_in_the_units_of_the_page() -> None:
    made = results(60)
    found = replace(made, facts={**made.facts, "reference_lot": reasons.REFERENCE_WORDS})
    us, si = lot_text.reference(found, "us"), lot_text.reference(found, "si")
    assert "4.5 %, mean of the top 5 ft" in us
    assert "slab 39 ft wide" in us
    assert " m " not in us
    assert "4.5 %, mean of the top 1.5 m" in si
    assert "slab 12 m wide" in si


def test_an_assumed_slab_is_told_as_assumed_and_the_note_agrees() -> None:
    assumed = {**LOT, "flags": "slab_size_assumed"}
    assert lot_text.slab_width(assumed, "us") == "assumed 39 ft (12 m)"
    assert lot_text.slab_width(assumed, "si") == "assumed 12 m (39 ft)"
    assert lot_text.slab_width(LOT, "us") == "39 ft"
    assert "12 m (39 ft)" in words.FLAGS["slab_size_assumed"]


@pytest.mark.parametrize(("change", "dated"), [
    ({}, True), ({"pour_date_basis": "none"}, False), ({"bend_largest_up_date": "2025-10"}, False)])
def test_a_dome_has_a_month_only_where_it_means_something(change: dict[str, str], dated: bool) -> None:
    told = lot_text.largest({**LOT, **change}, "2025-10", "us")
    assert ("in 20" in told) == dated
    assert "1.1 in" in told
    assert "-0.1 in" in told
    assert ("date not known" in told) == ("pour_date_basis" in change)


def test_how_doubt_moves_a_number_is_said_with_its_side() -> None:
    assert "lower" in lot_text.gaps_mean(-9.0)
    assert "higher" in lot_text.gaps_mean(9.0)
    assert lot_text.gaps_mean(0.1) == ""


def test_explain_uses_one_unit_system() -> None:
    made = results(60)
    found = replace(made, facts={**made.facts, "reference_lot": reasons.REFERENCE_WORDS})
    row = int(found.lots.index[found.lots["state"] == ""][0])
    told = "\n".join(lot_text.lines(found, row, "us"))
    assert "weather up to today" in told
    assert "weather up to now" not in told
    assert "mean of 10 to 39 in" in told
    assert "top 5 ft" in told


@pytest.mark.parametrize(("count", "told"), [(0, "0 lots"), (1, "1 lot"), (2, "2 lots"), (3200, "3,200 lots")])
def test_counts_have_their_grammar(count: int, told: str) -> None:
    assert counted(count, "lot") == told


def test_weekly_category_without_drought_is_said() -> None:
    assert [words.drought(kind) for kind in ("None", "D2")] == ["no drought", "D2"]
