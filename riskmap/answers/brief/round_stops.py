"""The stops of a round on the phone: their order, the way from stop to stop, the direction of the bending, reasons.

Pure functions on the values of pages (`content`); `pages` turns them into the page for the phone. Order, hours and ways
are those of the paper (`stops`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from riskmap.answers.brief import stops as paper
from riskmap.outputs import telling, waterfall, words

SAME_PLACE_M = 10.0  # judgement: nobody drives so far
MOST_REASONS = 3
_NO_REASONS = {waterfall.SENTENCES[name] for name in ("typical", "lot", "gaps", "small")}
_OF_ALL = waterfall.SENTENCES["shared"].format(reasons="")  # a reason of nearly all lots says nothing about this one
BY_LIST = "In the order of the list."


@dataclass(frozen=True)
class Stop:
    """One stop of a round.

    Attributes
    ----------
    number : int
        Place in the round, from 1.
    page : dict
        The values of the lot's page.
    hour : str
        As the list writes it; empty where it says nothing.
    name : str
        Address of the list, or the label of the lot, or else the title of its page.
    way : str
        How far it is from the stop before, or from the last one with a place, which is then named; empty where that is
        not known.
    """

    number: int
    page: dict[str, Any]
    hour: str
    name: str
    way: str


def stops(pages: Sequence[dict[str, Any]]) -> tuple[list[Stop], str]:
    """Return the stops of a round in the order in which they are visited, and in words which order that is.

    They are in the order of the paper (`stops.ordered`): by the list's hours if it has any, or else by its column
    `order`, or else by place; stops without one of these come last. Every page is a stop, with or without a lot.

    Parameters
    ----------
    pages : sequence of dict
        As returned by `visits.pages`.
    """
    asked = [page.get("asked", {}) for page in pages]
    given = [one.get("order", "").strip() for one in asked]
    keys = {"hour": [paper.minutes(one.get("hour", "")) for one in asked],
            "order": [int(text) if text.isdecimal() else None for text in given],
            "place": [page.get("turn") for page in pages]}
    kind = next((name for name, values in keys.items() if any(value is not None for value in values)), "")
    row = list(range(len(pages)))
    if kind:
        known = [(value is None, value or 0) for value in keys[kind]]
        row.sort(key=known.__getitem__)
    out: list[Stop] = []
    for number, k in enumerate(row, 1):
        page = pages[k]
        name = asked[k].get("address", "") or page["label"] or page["title"]
        out.append(Stop(number, page, asked[k].get("hour", ""), name, _way(out, page)))
    return out, paper.NOTES.get(kind, BY_LIST)


def position(page: dict[str, Any]) -> tuple[float, float] | None:
    """Return latitude and longitude of a page's lot in degrees; None where it has no place."""
    parts = str(page["place"]).split(", ")
    return (float(parts[0]), float(parts[1])) if len(parts) == 2 else None


def _way(before: list[Stop], page: dict[str, Any]) -> str:
    """Return the way in a straight line from the last stop that has a place."""
    here = position(page)
    last = next((stop for stop in reversed(before) if position(stop.page)), None)
    there = position(last.page) if last else None
    if here is None or last is None or there is None:
        return ""
    away = paper.distance_m(there[::-1], here[::-1])
    if away < SAME_PLACE_M:
        return f"same place as stop {last.number}"
    told = paper.length(away, "us" if page["unit"] == "in" else "si")
    return told if last.number == len(before) else f"{told} from stop {last.number}"


def number(page: dict[str, Any]) -> str:
    """Return the estimate of a page, such as 1.6 in; empty for a lot without an estimate."""
    found = [answer["mm"] for answer in page.get("answers", ()) if answer["question"] == "expected"]
    return telling.shown(found[0][1], "us" if page["unit"] == "in" else "si") if found and found[0] else ""


def direction(page: dict[str, Any]) -> str:
    """Return the expected direction in a few words: middle high, edge high, near level; empty where there is none."""
    return words.DIRECTION_SHORT.get(str(page.get("direction", "")), "")


def reasons(page: dict[str, Any]) -> list[tuple[str, str]]:
    """Return value and name of the largest reasons, at most three.

    Gaps in the data are not a reason, and one that nearly all lots share does not distinguish this lot.
    """
    return [(value, label) for label, value, _ in page.get("reasons", ())
            if label not in _NO_REASONS and not label.endswith(_OF_ALL)][:MOST_REASONS]
