"""The stops of a round: in which order, at which hour, how far apart, and where they are on a map.

A list's own hours decide; without hours, its own order; without either, lots that lie together, in the order of
`visits.rounds`. Nothing is computed from how far lots are from soil boundaries.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from riskmap.answers.brief import plan
from riskmap.common import units
from riskmap.common.errors import visible
from riskmap.outputs import lot_text, telling
from riskmap.outputs.files import arrow_lots

if TYPE_CHECKING:
    from riskmap.answers.brief.visits import Visit
    from riskmap.common.results import Results

_HOUR = re.compile(r"\s*(\d{1,2})(?:\s*[:.h]\s*([0-5]\d))?\s*([ap])?\.?(?:m\.?)?\s*", re.IGNORECASE)
EARTH_M = 6_371_008.8  # mean radius (published: IUGG; from memory)
METRES_PER_MILE = 1609.344  # exact by definition
MAP_MM, TEXT_MM, MOST_TEXT = 110.0, 2.6, 60
NOTES = {
    "hour": "By the hours of the list.", "order": "In the order that the list gives.",
    "place": "By the estimate within each group of lots that lie together. It is an order for a round, not a "
             "ranking of places.",
}
DISTANCE = "Distances are straight lines from the stop before."


def minutes(text: str) -> int | None:
    """Return an hour of the day such as 9:30, 14h00 or 2 pm in minutes, or None where a text is not an hour."""
    found = _HOUR.fullmatch(text)
    if not found:
        return None
    hour, minute, half = int(found[1]), int(found[2] or 0), (found[3] or "").lower()
    if half and not 1 <= hour <= 12:
        return None
    hour = hour % 12 + (12 if half == "p" else 0) if half else hour
    return 60 * hour + minute if hour < 24 else None


def ordered(visits: Sequence[Visit], rounds: pd.DataFrame) -> tuple[str, list[Visit]]:
    """Return by what the stops are ordered (`hour`, `order` or `place`), and the visits with a lot in that order.

    `rounds`: as returned by `visits.rounds`.
    """
    found = [visit for visit in visits if visit.row >= 0]
    hours = [minutes(visit.request.get("hour", "")) for visit in found]
    given = [visit.request.get("order", "").strip() for visit in found]
    if any(hour is not None for hour in hours):
        keys = [(hour is None, float(hour or 0)) for hour in hours]
    elif any(text.isdecimal() for text in given):
        return "order", [found[k] for k in sorted(range(len(found)), key=lambda k: (
            not given[k].isdecimal(), int(given[k]) if given[k].isdecimal() else 0, k))]
    else:
        place = {int(row): k for k, row in enumerate(rounds["lot_row"])}
        once = list({visit.row: visit for visit in reversed(found)}.values())[::-1]
        return "place", sorted(once, key=lambda visit: place.get(visit.row, len(place)))
    return "hour", [found[k] for k in sorted(range(len(found)), key=lambda k: (*keys[k], k))]


def distance_m(first: tuple[float, float], second: tuple[float, float]) -> float:
    """Return the great-circle distance of two points, longitude and latitude in degrees. [m]"""
    (a, b), (c, d) = ((math.radians(x), math.radians(y)) for x, y in (first, second))
    half = math.sin((d - b) / 2) ** 2 + math.cos(b) * math.cos(d) * math.sin((c - a) / 2) ** 2
    return 2 * EARTH_M * math.asin(min(1.0, math.sqrt(half)))


def page_values(results: Results, visits: Sequence[Visit], rounds: pd.DataFrame, system: str) -> dict[str, Any]:
    """Return the values of the order of visits on the page about the area: table, heads, note and map."""
    kind, some = ordered(visits, rounds)
    if not some:
        return EMPTY
    rows = [visit.row for visit in some]
    lon, lat = arrow_lots.points_inside(results.lots.geometry.iloc[rows].to_numpy())
    points = [(float(x), float(y)) if np.isfinite(x) else None for x, y in zip(lon, lat, strict=True)]
    hours = [visible(visit.request.get("hour", ""))[:MOST_TEXT] for visit in some]
    names = [lot_text.label(results, visit.row) or visible(visit.request.get("address", "")) for visit in some]
    heads = ["stop", *(["hour"] if any(hours) else []), "lot", *(["address"] if any(names) else []),
             "from the stop before", "estimate"]
    table, before = [], None
    for k, (visit, point) in enumerate(zip(some, points, strict=True)):
        lot = results.lots.iloc[visit.row]
        told = "no estimate" if lot["state"] else telling.shown(float(lot["expected_movement_mm"]), system)
        away = length(distance_m(before, point), system) if before and point else ""
        table.append([str(k + 1), *([hours[k]] if any(hours) else []), visible(str(lot["lot_id"])),
                      *([names[k][:MOST_TEXT]] if any(names) else []), away, told])
        before = point or before
    placed = [(point, str(k + 1)) for k, point in enumerate(points) if point]
    drawn = plan.of_stops([point for point, _ in placed], [number for _, number in placed], results, system, MAP_MM,
                          TEXT_MM)
    return {"stops": table, "stop_heads": heads, "stop_wide": ["address" if any(names) else "lot"],
            "stops_note": f"{NOTES[kind]} {DISTANCE}", "stops_map": drawn.plain() if drawn else {}}


EMPTY: dict[str, Any] = {"stops": [], "stop_heads": [], "stop_wide": [], "stops_note": "", "stops_map": {}}


def length(value_m: float, system: str) -> str:
    """Return a distance in feet or miles, or in metres or kilometres."""
    if system == "us":
        feet = units.m_to_foot(value_m)
        return f"{round(feet, -1):.0f} ft" if feet < 1000 else f"{value_m / METRES_PER_MILE:.1f} mi"
    return f"{round(value_m, -1):.0f} m" if value_m < 1000 else f"{value_m / 1000:.1f} km"
