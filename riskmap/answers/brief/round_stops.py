"""The stops of a round: their order, the way from stop to stop, the direction of the bending, and what is written down.

Pure functions on the values of pages (`content`); `pages` turns them into the page for the phone.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from riskmap.common import units
from riskmap.outputs import telling, waterfall, words

EARTH_M = 6_371_008.8  # mean radius of the earth (from memory: the mean radius of the geodetic system of 1980)
FEET_PER_MILE = 5280.0  # definition
NEAR_MILE, NEAR_KM = 0.1, 1.0  # shorter ways are in feet or in metres
SAME_PLACE_M = 10.0  # judgement: nobody drives so far
MOST_REASONS = 3
_CLOCK = re.compile(r"\s*(\d{1,2})(?:[:.h](\d{2}))?\s*([ap])?\.?\s*(?:m\.?)?\s*", re.IGNORECASE)
_NO_REASONS = {waterfall.SENTENCES[name] for name in ("typical", "lot", "gaps", "small")}
_OF_ALL = waterfall.SENTENCES["shared"].format(reasons="")  # a reason of nearly all lots says nothing about this one

BY_STOP, BY_HOUR, BY_LIST = ("in the order of the list's column order", "by hour", "in the order of the list")


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

    They are sorted by the list's column `order` if it has a number in every row, or else by `hour` if every row has a
    time of day; otherwise they keep the order of the list.

    Parameters
    ----------
    pages : sequence of dict
        As returned by `visits.pages`.
    """
    asked = [page.get("asked", {}) for page in pages]
    places = [_number(one.get("order", "")) for one in asked]
    hours = [minutes(one.get("hour", "")) for one in asked]
    row, how = list(range(len(pages))), BY_LIST
    for keys, name in ((places, BY_STOP), (hours, BY_HOUR)):
        known = {k: key for k, key in enumerate(keys) if key is not None}
        if pages and len(known) == len(pages):
            row, how = sorted(row, key=known.__getitem__), name
            break
    out: list[Stop] = []
    for number, k in enumerate(row, 1):
        page = pages[k]
        name = asked[k].get("address", "") or page["label"] or page["title"]
        out.append(Stop(number, page, asked[k].get("hour", ""), name, _way(out, page)))
    return out, how


def _number(text: str) -> float | None:
    return float(text) if re.fullmatch(r"\s*\d{1,6}(?:\.\d{1,3})?\s*", text, re.ASCII) else None


def minutes(hour: str) -> int | None:
    """Return a time of day, such as 9:30, 14.00 or 2 pm, in minutes after midnight; None for anything else."""
    match = _CLOCK.fullmatch(hour)
    if not match:
        return None
    hours, past, half = int(match[1]), int(match[2] or 0), (match[3] or "").lower()
    if half:
        if not 1 <= hours <= 12:
            return None
        hours = hours % 12 + (12 if half == "p" else 0)
    return 60 * hours + past if hours < 24 and past < 60 else None


def position(page: dict[str, Any]) -> tuple[float, float] | None:
    """Return latitude and longitude of a page's lot in degrees; None where it has no place."""
    parts = str(page["place"]).split(", ")
    return (float(parts[0]), float(parts[1])) if len(parts) == 2 else None


def apart_m(one: tuple[float, float], two: tuple[float, float]) -> float:
    """Return the distance on a sphere between two places given as latitude and longitude in degrees. [m]

    The haversine formula (a textbook formula, from memory) on `EARTH_M`.
    """
    (lat1, lon1), (lat2, lon2) = ([math.radians(value) for value in place] for place in (one, two))
    half = math.sin((lat2 - lat1) / 2) ** 2 + math.cos(lat1) * math.cos(lat2) * math.sin((lon2 - lon1) / 2) ** 2
    return 2 * EARTH_M * math.asin(min(1.0, math.sqrt(half)))


def distance(value_m: float, system: str) -> str:
    """Return a way in miles or kilometres, a short one in steps of 50 ft or 10 m."""
    if system == "us":
        feet = units.m_to_foot(value_m)
        if feet < NEAR_MILE * FEET_PER_MILE:
            return f"{max(50.0, 50 * round(feet / 50)):.0f} ft"
        return f"{feet / FEET_PER_MILE:.1f} mi"
    if value_m < 1000 * NEAR_KM:
        return f"{max(10.0, 10 * round(value_m / 10)):.0f} m"
    return f"{value_m / 1000:.1f} km"


def _way(before: list[Stop], page: dict[str, Any]) -> str:
    """Return the way in a straight line from the last stop that has a place."""
    here = position(page)
    last = next((stop for stop in reversed(before) if position(stop.page)), None)
    there = position(last.page) if last else None
    if here is None or last is None or there is None:
        return ""
    away = apart_m(there, here)
    if away < SAME_PLACE_M:
        return f"same place as stop {last.number}"
    told = distance(away, "us" if page["unit"] == "in" else "si")
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

    Gaps in the data are no reason, and one that nearly all lots share does not distinguish this lot.
    """
    return [(value, label) for label, value, _ in page.get("reasons", ())
            if label not in _NO_REASONS and not label.endswith(_OF_ALL)][:MOST_REASONS]
