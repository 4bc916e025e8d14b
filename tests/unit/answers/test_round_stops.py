"""The stops of a round: their order, the way between them, times of day, and reasons."""

from __future__ import annotations

from typing import Any

import pytest

from riskmap.answers.brief import round_stops
from riskmap.common import tables
from riskmap.outputs import waterfall, words


def page(title: str, place: str = "", **asked: str) -> dict[str, Any]:
    return {"title": title, "place": place, "label": "", "unit": "in", "asked": asked}


def titles(pages: list[dict[str, Any]]) -> tuple[list[str], str]:
    found, how = round_stops.stops(pages)
    assert [stop.number for stop in found] == list(range(1, len(pages) + 1))
    return [stop.page["title"] for stop in found], how


@pytest.mark.parametrize(("text", "told"), [
    ("9:30", 570), ("09.30", 570), ("9", 540), ("2 pm", 840), ("2:15 p.m.", 855), ("12 am", 0), ("12:05 pm", 725),
    ("14h00", 840), ("24:00", None), ("9:60", None), ("13 pm", None), ("", None), ("noon", None), ("<b>11</b>", None),
    ("morning, 9:00", None), ("9:0", None)])
def test_a_time_of_day_is_understood_or_refused(text: str, told: int | None) -> None:
    assert round_stops.minutes(text) == told


def test_a_round_is_sorted_by_order_then_hour_and_else_keeps_the_list() -> None:
    rows = [page("a", hour="10:00", order="2"), page("b", hour="9:00", order="3"), page("c", hour="2 pm", order="1")]
    assert titles(rows) == (["c", "a", "b"], round_stops.BY_STOP)
    rows[0]["asked"]["order"] = "second"
    assert titles(rows) == (["b", "a", "c"], round_stops.BY_HOUR)
    rows[2]["asked"]["hour"] = ""
    assert titles(rows) == (["a", "b", "c"], round_stops.BY_LIST)
    assert titles([]) == ([], round_stops.BY_LIST)
    assert titles([page("a", hour="9:00"), page("b", hour="9:00")])[0] == ["a", "b"]  # equal ones keep their order


def test_the_distance_is_that_of_a_sphere() -> None:
    """One degree of a great circle is the circumference over 360: along a meridian and along the equator."""
    degree = 2 * 3.141592653589793 * 6_371_008.8 / 360
    assert round_stops.apart_m((38.0, -98.0), (39.0, -98.0)) == pytest.approx(degree, rel=1e-12)
    assert round_stops.apart_m((0.0, 10.0), (0.0, 11.0)) == pytest.approx(degree, rel=1e-12)
    assert round_stops.apart_m((60.0, 10.0), (60.0, 11.0)) == pytest.approx(degree / 2, rel=1e-4)
    assert round_stops.apart_m((38.0, -98.0), (38.0, -98.0)) == 0


@pytest.mark.parametrize(("metres", "us", "si"), [
    (12, "50 ft", "10 m"), (100, "350 ft", "100 m"), (155, "500 ft", "160 m"), (170, "0.1 mi", "170 m"),
    (1609.344, "1.0 mi", "1.6 km"), (16093.44, "10.0 mi", "16.1 km")])
def test_ways_are_in_the_units_of_the_page(metres: float, us: str, si: str) -> None:
    assert (round_stops.distance(metres, "us"), round_stops.distance(metres, "si")) == (us, si)


def test_the_way_is_from_the_last_stop_with_a_place() -> None:
    rows = [page("a", "38.00000, -98.00000"), page("b"), page("c", "38.00000, -98.00000"),
            page("d", "38.01447, -98.00000")]
    assert [stop.way for stop in round_stops.stops(rows)[0]] == ["", "", "same place as stop 1", "1.0 mi"]
    assert [stop.way for stop in round_stops.stops([rows[0], rows[1], rows[3]])[0]] == ["", "", "1.0 mi from stop 1"]


def test_a_stop_is_named_by_its_address_or_its_label() -> None:
    rows = [page("Lot 1", address="4 Elm St"), page("Lot 2"), {**page("Lot 3"), "label": "9 ELM ST"}]
    assert [stop.name for stop in round_stops.stops(rows)[0]] == ["4 Elm St", "Lot 2", "9 ELM ST"]


def test_gaps_and_what_all_lots_share_are_no_reasons() -> None:
    shared = waterfall.SENTENCES["shared"].format(reasons="weather up to today")
    told = [[waterfall.SENTENCES["typical"], "0.5 in", 12.7], ["more expansive soil", "+0.48 in", 12.2],
            ["age and pour date", "+0.10 in", 2.5], ["a slab that bends less", "-0.05 in", -1.3],
            ["weather up to today", "+0.03 in", 0.8], [shared, "+0.15 in", 3.8],
            [waterfall.SENTENCES["small"], "+0.01 in", 0.2], [waterfall.SENTENCES["gaps"], "+0.9 in", 22.9],
            [waterfall.SENTENCES["lot"], "2.1 in", 53.8]]
    assert round_stops.reasons({"reasons": told}) == [
        ("+0.48 in", "more expansive soil"), ("+0.10 in", "age and pour date"), ("-0.05 in", "a slab that bends less")]
    assert round_stops.reasons({}) == []


def test_every_state_says_what_would_give_an_estimate() -> None:
    assert set(words.WOULD_GIVE) == set(tables.STATES)
    assert all(text.endswith(".") for text in words.WOULD_GIVE.values())
