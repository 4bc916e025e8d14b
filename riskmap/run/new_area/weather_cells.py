"""The cells of a weather record, for somebody who has to say in which of them the lots lie; distances to the lots."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from riskmap.common import states
from riskmap.run.new_area.guesses import WeatherCell

Box = tuple[float, float, float, float]  # west, south, east, north [deg]
KM_PER_DEG = 111.2  # computed: of latitude, on a sphere of 6,371 km
WHICH_CELL = "It is not known which cell of the weather the lots lie in."


def cells_of(key: str, names: Sequence[str], places: Mapping[str, tuple[float, float]], numbered: bool,
             box: Box | None) -> list[WeatherCell]:
    """Return the cells of a record, the nearest first, then those whose place is not known by their names.

    Parameters
    ----------
    key : str
        The line of the area file that names the cell.
    names : sequence of str
    places : mapping
        Name -> latitude and longitude, where the record has them. [degree]
    numbered : bool
        Whether the names are public numbers of climate divisions or counties.
    box : tuple of float or None
        Around the lots. [degree]
    """
    found = [_cell(key, name, places.get(name), numbered, box) for name in names]
    return sorted(found, key=lambda one: (np.inf if one.away_km is None else one.away_km, one.name))


def how_to_name(key: str) -> str:
    """Return how the cell of the weather is named."""
    return (f"Name it (--cell NAME, or {key} under [climate]), or give the outlines of its cells (climate divisions or "
            "counties).")


def _cell(key: str, name: str, place: tuple[float, float] | None, numbered: bool, box: Box | None) -> WeatherCell:
    """Return a cell with what identifies it."""
    if place is None:
        return WeatherCell(key, name, _state(name) if numbered else "")
    latitude, longitude = place
    north, east = "N" if latitude >= 0 else "S", "E" if longitude >= 0 else "W"
    about = f"{abs(latitude):.2f} {north}, {abs(longitude):.2f} {east}"
    away = distance(place, box)
    return WeatherCell(key, name, about, round(away * KM_PER_DEG, 1) if np.isfinite(away) else None)


def _state(name: str) -> str:
    """Return the state of a climate division or county by its number; empty text for another name."""
    if not (name.isdecimal() and name.isascii() and len(name) in (4, 5)):
        return ""
    county = len(name) == 5
    state = next((one.name for one in (*states.STATES, states.ALASKA)
                  if name[:2] == (one.federal if county else one.climate)), "")
    return f"{state}, {'county' if county else 'division'} {int(name[2:])}" if state else ""


def distance(place: tuple[float, float] | None, box: Box | None) -> float:
    """Return degrees between a station and the middle of the lots; a station without a place is farthest."""
    if place is None or box is None:
        return float("inf")
    latitude = (box[1] + box[3]) / 2
    east = (place[1] - (box[0] + box[2]) / 2) * np.cos(np.radians(latitude))
    return float(np.hypot(place[0] - latitude, east))
