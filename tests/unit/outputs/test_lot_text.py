"""The words about one lot: one unit system, no minus before zero, the map's names, nothing dated that is not known."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from invented_results import results

from riskmap.common import units
from riskmap.common.errors import counted
from riskmap.movement import reasons
from riskmap.outputs import lot_text, telling, waterfall, words

LOT: dict[str, Any] = {"flags": "", "slab_width_m": 12.0, "bend_largest_up_mm": 28.0, "bend_largest_down_mm": -3.0,
                       "bend_largest_up_date": "2022-12", "pour_date_basis": "year", "linear_extensibility_pct": 4.5}


def test_zero_has_no_sign() -> None:
    assert waterfall.part_shown(-0.02, "us") == "0.00 in"
    assert waterfall.part_shown(0.02, "us") == "0.00 in"
    assert waterfall.part_shown(-0.04, "si") == "0.0 mm"
    assert waterfall.part_shown(-9.4, "us") == "-0.37 in"
    assert waterfall.part_shown(9.4, "si") == "+9.4 mm"


def test_reasons_are_called_as_in_the_tables() -> None:
    assert {name: told[:2] for name, told in words.REASONS.items()} == reasons.WORDS
    assert waterfall.LONG_RUN_REASONS == reasons.LONG_RUN_FACTORS
    assert words.LEAST_PART_MM == reasons.TOLD_MM
    assert words.reason("soil", 3.0) == "more expansive soil"
    assert words.reason("soil", -3.0) == "less expansive soil"
    assert words.reason("slab", -0.1) == "slab size and stiffness"


@pytest.mark.parametrize("before", ["", "a reference lot here: "])  # as former runs have it
def test_typical_lot_in_the_units_of_the_page(before: str) -> None:
    made = results(60)
    found = replace(made, facts={**made.facts, "reference_lot": before + reasons.REFERENCE_WORDS})
    us, si = lot_text.typical_lot(found, "us"), lot_text.typical_lot(found, "si")
    assert "reference" not in us
    assert "4.5 %, mean of the top 5 ft" in us
    assert "slab 39 ft wide" in us
    assert " m " not in us
    assert "4.5 %, mean of the top 1.5 m" in si
    assert "slab 12 m wide" in si


def test_a_young_slab_whose_edge_was_never_high_has_no_height() -> None:
    young = {"pour_weather": "wet", "edge_high_pct": 0.0, "bend_largest_down_mm": -0.4}
    assert lot_text.young_slab(young, "us").endswith("in 0 % of the months since the pour.")
    assert lot_text.young_slab({**young, "bend_largest_down_mm": -4.0, "edge_high_pct": 20.0}, "us").endswith(
        "in 20 % of the months since the pour, at the most by 0.2 in.")
    assert lot_text.young_slab({**young, "pour_weather": ""}, "us") == ""


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
    assert ("December 2022" in told) == dated
    assert "middle high by 1.1 in" in told
    assert "edge high by 0.1 in" in told
    assert ("date not known" in told) == ("pour_date_basis" in change)


@pytest.mark.parametrize(("up", "down", "told"), [
    (0.6, 0.0, "Largest so far: level"), (0.0, -5.1, "Largest so far: edge high by 0.2 in"),
    (5.1, -1.0, "Largest so far: middle high by 0.2 in (about December 2022)")])
def test_a_bending_that_is_shown_as_zero_is_not_told(up: float, down: float, told: str) -> None:
    lot = {**LOT, "bend_largest_up_mm": up, "bend_largest_down_mm": down}
    assert lot_text.largest(lot, "2025-10", "us") == told


# ---------------------------------------------------------------- the answers
ROW: dict[str, Any] = {
    "direction": "center_lift", "phase": "edge_seasonal", "bend_now_mm": 38.1, "bend_now_mm_p10": 17.8,
    "bend_now_mm_p90": 61.0,
    "rise_next_mm": 7.6, "fall_next_mm": -12.7, "change_next_mm": 2.5, "change_next_mm_p10": -5.1,
    "change_next_mm_p90": 10.2, "expected_movement_mm": 40.6, "expected_movement_mm_p10": 20.3,
    "expected_movement_mm_p90": 63.5, "long_run_mm": 45.7, "long_run_mm_p10": 25.4, "long_run_mm_p90": 71.1,
    "whatif_dry_mm": 5.1, "whatif_average_mm": 0.3, "whatif_wet_mm": -7.6}


def test_the_questions_are_answered_in_words() -> None:
    told = telling.answers(ROW, "2025-10", "us")
    assert [": ".join(answer) for answer in told.values()] == [
        "Now: middle high by 1.5 in (0.7 to 2.4)",
        "Next 12 months: against the edge, the middle may be 0.3 in higher than today in the dry season and 0.5 in "
        "lower than today in the wet season; in October 2026 it is 0.1 in higher (0.2 in lower to 0.4 in higher)",
        "Largest bending from now to October 2026: 1.6 in (0.8 to 2.5; today 1.5 in, middle high)",
        "Long run: 1.8 in (1.0 to 2.8), the largest in usual weather",
        "If a dry year came again: the middle would be 0.2 in higher against the edge (average year: as high as today; "
        "wet year: 0.3 in lower)"]
    assert telling.answers(ROW, "2025-12", "si")["expected"] == (
        "Largest bending from now to December 2026", "40 mm (20 to 64; today 38 mm, middle high)")


@pytest.mark.parametrize(("change", "told"), [
    ({"bend_now_mm": -12.7, "bend_now_mm_p10": -20.3, "bend_now_mm_p90": -5.1, "direction": "edge_lift"},
     "edge high by 0.5 in (0.2 to 0.8)"),
    ({"bend_now_mm_p10": -2.5}, "middle high by 1.5 in (edge high by 0.1 in to middle high by 2.4 in)"),
    ({"bend_now_mm": 2.6, "bend_now_mm_p10": 0.2, "bend_now_mm_p90": 7.6, "direction": "near_level"},
     "near level, middle high by 0.1 in (0.0 to 0.3)"),
    ({"bend_now_mm": 0.3, "bend_now_mm_p10": -5.1, "bend_now_mm_p90": 7.6, "direction": "near_level"},
     "near level (edge high by 0.2 in to middle high by 0.3 in)"),
    ({"bend_now_mm": 0.3, "bend_now_mm_p10": -0.2, "bend_now_mm_p90": 0.4, "direction": "near_level"},
     "near level (0.0 to 0.0)")])
def test_now_says_the_side_and_never_a_sign(change: dict[str, Any], told: str) -> None:
    assert telling.now({**ROW, **change}, "us") == told


@pytest.mark.parametrize(("rise", "fall", "told"), [
    (0.2, -6.0, "against the edge, the middle may be as high as today in the dry season and 0.2 in lower than "
     "today in the wet season"),
    (6.0, 0.0, "against the edge, the middle may be 0.2 in higher than today in the dry season and as high as today in "
     "the wet season"),
    (0.1, -0.3, "the middle hardly moves against the edge")])
def test_what_rounds_to_nothing_is_not_told(rise: float, fall: float, told: str) -> None:
    row = {**ROW, "rise_next_mm": rise, "fall_next_mm": fall}
    assert telling.next_year(row, "2025-10", "us").startswith(f"{told}; in ")


def test_the_next_year_has_a_row_for_each_season_and_one_for_its_end() -> None:
    assert telling.next_rows(ROW, "2025-10", "us") == [
        ("Dry season", "the middle 0.3 in higher than today"), ("Wet season", "the middle 0.5 in lower than today"),
        ("October 2026", "0.1 in higher (0.2 in lower to 0.4 in higher)")]
    assert telling.next_rows({**ROW, "rise_next_mm": 0.2}, "2025-10", "us")[0][1] == "the middle as high as today"
    assert telling.next_rows({**ROW, "rise_next_mm": float("nan")}, "2025-10", "us") == []


@pytest.mark.parametrize(("phase", "later"), [
    ("edge_seasonal", False), ("dome_growing", True), ("early_settlement", True)])
def test_the_long_run_and_the_phase_say_the_same_of_the_middle(phase: str, later: bool) -> None:
    said = telling.long_run({**ROW, "phase": phase}, "us")
    assert said.endswith(", once the middle has stopped rising") == later
    assert ("has stopped rising" in words.PHASE[phase]) != later


def test_a_run_without_the_new_columns_says_so() -> None:
    former = {**ROW, **{name: float("nan") for name in ROW if "next" in name or "whatif" in name}}
    told = telling.answers(former, "2025-10", "us")
    assert told["next"][1] == told["whatif"][1] == telling.SENTENCES["not_computed"]
    assert told["now"] == telling.answers(ROW, "2025-10", "us")["now"]


@pytest.mark.parametrize(("value", "us", "si"), [
    (-0.4, "0.0 in", "0 mm"), (1.0, "0.0 in", "2 mm"), (-3.0, "-0.1 in", "-4 mm"), (39.0, "1.5 in", "40 mm"),
    (float("nan"), "no value", "no value")])
def test_what_is_shown_has_steps_and_no_minus_before_zero(value: float, us: str, si: str) -> None:
    assert (telling.shown(value, "us"), telling.shown(value, "si")) == (us, si)
    assert units.MM_PER_INCH * telling.INCH_STEP > telling.MM_STEP


# ---------------------------------------------------------------- why
PARTS = {"expected_movement_mm": 36.0, "typical_lot_mm": 13.0, "part_soil_mm": 17.0, "part_age_mm": 0.2,
         "part_weather_mm": 6.0, "part_slab_mm": 1.8, "part_gaps_mm": -2.0}


def test_the_waterfall_adds_up_and_gaps_come_last() -> None:
    for shared in ((), ("weather",), ("soil", "weather"), tuple(words.REASONS)):
        steps = waterfall.steps(PARTS, shared)
        assert sum(step.mm for step in steps[:-1]) == pytest.approx(steps[-1].mm)
        assert [step.kind for step in steps][-2:] == ["gaps", "lot"]
        assert not any("not known" in step.label for step in steps)
        assert ("weather up to today" in [step.label for step in steps]) == ("weather" not in shared)
    steps = waterfall.steps(PARTS, ("weather",))
    assert [(step.kind, waterfall.text_of(step, "si")) for step in steps] == [
        ("typical", "13.0 mm"), ("reason", "+17.0 mm"), ("reason", "+1.8 mm"), ("shared", "+6.0 mm"),
        ("small", "+0.2 mm"), ("gaps", "-2.0 mm"), ("lot", "36.0 mm")]
    assert waterfall.heading(PARTS, "us") == \
        "Why this lot's estimate differs from that of the typical lot here (0.5 in)"


def area(count: int, weather: list[float], soil: list[float]) -> pd.DataFrame:
    weather_mm, soil_mm = np.resize(weather, count), np.resize(soil, count)
    return pd.DataFrame({"state": "", "expected_movement_mm": 13.0 + weather_mm + soil_mm, "part_soil_mm": soil_mm,
                         "part_age_mm": 0.0, "part_weather_mm": weather_mm, "part_slab_mm": 0.0})


def test_a_reason_of_nearly_all_lots_is_said_once() -> None:
    soil = list(np.linspace(-8.0, 20.0, 100))
    (one,) = waterfall.shared_by(area(100, [3.0, 5.0], soil))
    assert (one.name, one.lots, one.total, one.median_mm) == ("weather", 100, 100, 4.0)
    assert waterfall.area_sentences([one], "si") == [
        "Nearly all lots here (100 of 100) share a reason: weather up to today (median +4.0 mm)."]
    assert waterfall.shared_by(area(100, [3.0] * 8 + [-3.0] * 2, soil)) == ()  # one way in four of five only
    assert waterfall.shared_by(area(100, [3.0] * 8 + [0.2] * 2, soil)) == ()
    assert [one.name for one in waterfall.shared_by(area(100, [3.0], list(np.linspace(2.0, 20.0, 100))))] == [
        "weather"]  # soil raises all, but by amounts that tell lots apart
    assert waterfall.shared_by(area(10, [3.0], soil)) == ()  # too few for "nearly all"
    states = area(100, [3.0, 5.0], soil)
    states.loc[:49, ["state", "part_weather_mm"]] = ["not_enough_data", np.nan]
    assert waterfall.shared_by(states)[0].total == 50


def test_explain_uses_one_unit_system() -> None:
    made = results(60)
    found = replace(made, facts={**made.facts, "reference_lot": reasons.REFERENCE_WORDS})
    row = int(found.lots.index[found.lots["state"] == ""][0])
    told = "\n".join(lot_text.lines(found, row, "us"))
    assert " mm" not in told
    assert "Why this lot's estimate differs from that of the typical lot here" in told
    assert "mean of 10 to 39 in" in told
    assert "top 5 ft" in told


@pytest.mark.parametrize(("count", "told"), [(0, "0 lots"), (1, "1 lot"), (2, "2 lots"), (3200, "3,200 lots")])
def test_counts_have_their_grammar(count: int, told: str) -> None:
    assert counted(count, "lot") == told


def test_weekly_category_without_drought_is_said() -> None:
    assert [words.drought(kind) for kind in ("None", "D2")] == ["no drought", "D2"]
