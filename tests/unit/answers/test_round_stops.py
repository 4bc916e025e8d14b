"""The stops of a round: their order, the way between them, times of day, and reasons."""

from __future__ import annotations

from typing import Any

from riskmap.answers.brief import content, round_stops, stops
from riskmap.common import tables
from riskmap.outputs import waterfall


def page(title: str, place: str = "", **asked: str) -> dict[str, Any]:
    return {"title": title, "place": place, "label": "", "unit": "in", "asked": asked}


def titles(pages: list[dict[str, Any]]) -> tuple[list[str], str]:
    found, how = round_stops.stops(pages)
    assert [stop.number for stop in found] == list(range(1, len(pages) + 1))
    return [stop.page["title"] for stop in found], how


def test_a_round_has_the_order_of_the_paper_and_every_page_is_a_stop() -> None:
    rows = [page("a", hour="10:00", order="2"), page("b", hour="9:00", order="3"), page("c", hour="2 pm", order="1")]
    assert titles(rows) == (["b", "a", "c"], stops.NOTES["hour"])
    rows[1]["asked"]["hour"] = "later"
    assert titles(rows) == (["a", "c", "b"], stops.NOTES["hour"])  # without an hour: last
    for row in rows:
        row["asked"]["hour"] = ""
    assert titles(rows) == (["c", "a", "b"], stops.NOTES["order"])
    rows = [page("a") | {"turn": 1}, page("lost") | {"turn": None}, page("b") | {"turn": 0}]
    assert titles(rows) == (["b", "a", "lost"], stops.NOTES["place"])
    assert titles([page("a"), page("b")]) == (["a", "b"], round_stops.BY_LIST)
    assert titles([]) == ([], round_stops.BY_LIST)
    assert titles([page("a", hour="9:00"), page("b", hour="9:00")])[0] == ["a", "b"]  # equal ones keep their order


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
    assert set(content.WOULD_GIVE) == set(tables.STATES)
    assert all(text.endswith(".") for text in content.WOULD_GIVE.values())
