"""What the files lack is fetched: the layers to ask for, the lines of what came, and what stays an open point."""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from riskmap.common.errors import LayerError
from riskmap.layers import recognise_tables
from riskmap.run.new_area.choice import FAR_DEG, Choice, order_of
from riskmap.run.new_area.guesses import ADD_FETCH, Missing
from riskmap.run.new_area.weather_cells import KM_PER_DEG, Box, distance

if TYPE_CHECKING:
    from riskmap.download.area import Fetched

FetchMore = Callable[[Box, frozenset[str]], "Fetched"]
FOLDER = "fetched"  # beside the area file
_PATHS = {"path", "cells", "monthly_path"}  # keys of the sections whose values are paths
_CREDITS = {"title", "provider", "licence", "credit"}
_BY_DIVISION = "to be confirmed: the weather of the climate division, because that of the counties did not come"


@dataclass(frozen=True)
class Report:
    """What was fetched, in sentences: what came, and findings with their codes."""

    said: tuple[str, ...]
    findings: tuple[str, ...] = ()


def add(choice: Choice, more: FetchMore) -> Report:
    """Fetch the layers that are missing, and put their lines in place of what was missing.

    A layer that did not come stays missing with the reason. It is then an open point, even when a run can do without
    it, because somebody asked for it.

    Parameters
    ----------
    choice : Choice
        Changed: guesses, missing.
    more : callable
        Takes the box around the lots in degrees and the layers to fetch (`soil`, `climate`, `drought`), and returns
        what `download.area.attempt` returns. Its paths are those of the program, not of the area file.
    """
    wanted = frozenset(one.layer for one in choice.missing if one.layer)
    if not wanted:
        return Report(("Nothing was fetched: your files have every layer.",))
    if choice.box is None:
        return Report(("Nothing was fetched: the place of the lots is not known.",))
    try:
        came = more(choice.box, wanted)
    except LayerError as error:  # the box is too large
        choice.missing = [_not_come(one, [str(error)]) if one.layer else one for one in choice.missing]
        return Report((), (str(error),))
    sections = tomllib.loads(came.sections)
    daily = tomllib.loads(came.daily_section).get("climate")
    for layer in sorted(wanted):
        if layer in sections:
            _lines(choice, layer, sections[layer], came.said, daily if layer == "climate" else None)
    choice.missing = [_not_come(one, came.lacking.get(one.layer, [])) if one.layer else one
                      for one in choice.missing if one.layer not in sections]
    choice.guesses.sort(key=lambda guess: order_of(guess.section))
    return Report(tuple(came.said), tuple(came.findings))


def _not_come(missing: Missing, reasons: list[str]) -> Missing:
    """Return what is missing with the reasons why it was not fetched."""
    return replace(missing, what=f"{missing.what} The fetch failed: {' '.join(dict.fromkeys(reasons))}",
                   remedy=missing.remedy.removeprefix(ADD_FETCH), needed=True)


def _lines(choice: Choice, section: str, entry: dict[str, Any], said: list[str], daily: dict[str, Any] | None) -> None:
    """Add the lines of one section; the weather by days was asked for, so it goes before the weather by months."""
    parts = {"soil": ("soil survey",), "climate": ("county weather", "division weather"),
             "drought": ("weekly drought maps",)}[section]
    what = next((text for text in said if text.startswith(parts)), parts[0])
    reason, sure = f"fetched: {what}", True
    if entry.get("cells_key") == "division":
        reason, sure = f"{reason}; {_BY_DIVISION}", False
    if daily is not None:
        station = Path(daily["path"])
        away = distance(recognise_tables.table(station, station.name).facts.get("place"), choice.box)
        near = away <= FAR_DEG
        how = f"the nearest long record by days, {away * KM_PER_DEG:.0f} km from the lots, with the months beside it"
        reason, sure, entry = f"fetched: {how}{'' if near else '; to be confirmed: it is far away'}", near, daily
    for key, value in entry.items():
        written = _as_path(value) if key in _PATHS else value
        choice.line(section, key, written, "credit of what was fetched" if key in _CREDITS else reason,
                    sure or key != "path")


def _as_path(value: str | list[str] | dict[str, str]) -> Path | list[Path] | dict[str, Path]:
    if isinstance(value, dict):
        return {key: Path(one) for key, one in value.items()}
    return [Path(one) for one in value] if isinstance(value, list) else Path(value)
