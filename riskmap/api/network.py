"""The only function that uses a network: `fetch`."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Literal

from riskmap.api.shared import FileName

Box = tuple[float, float, float, float]
TAKES = {"soil": {"box", "area"}, "drought": {"first", "last", "places"}, "climate": {"cells"}}


@dataclass(frozen=True)
class Download:
    """What `fetch` wrote.

    Attributes
    ----------
    files : list of Path
        Every file, provenance included.
    notes : list of str
        A sentence for each stored answer that was used because the service could not be reached.
    """

    files: list[Path]
    notes: list[str]


def fetch(what: str, into: FileName, *, box: Box | None = None, area: FileName | None = None,
          first: date | str | None = None, last: date | str | None = None, places: Sequence[str] = (),
          cells: Literal["divisions", "counties"] | None = None, offline: bool = False, refresh: bool = False,
          cache: FileName | None = None, progress: Callable[[str, float], None] | None = None,
          warn: Callable[[str], None] | None = None) -> Download:
    """Get public soil, drought or climate files. Everything else in riskmap works without a network.

    Parameters
    ----------
    what : str
        `soil`: the soil survey of a box, in the layout that [soil] reads. `drought`: the weekly drought maps of a span,
        as published. `climate`: the newest monthly rain and temperature.
    into : str or Path
        Folder that receives the files; name it in the area file.
    box : (float, float, float, float), optional
        For soil: west, south, east, north. [degree, EPSG:4326]
    area : str or Path, optional
        For soil, instead of a box: an area file. The box around its lots is used.
    first, last : date or str, optional
        For drought: first and last day, YYYY-MM-DD.
    places : sequence of str
        For drought: counties (five digits) or states (two letters) whose weekly statistics are wanted too.
    cells : str, optional
        For climate: `divisions` (default) or `counties`.
    offline : bool
        Use stored answers only and contact no service.
    refresh : bool
        Download everything again, whatever is stored.
    cache : str or Path, optional
        Folder of stored answers. Default: the user's cache.
    progress : callable, optional
        Called with the stage in words and its finished share, 0 to 1.
    warn : callable, optional
        Called with each of the `notes` as soon as it comes up.

    Returns
    -------
    Download
        `files` and `notes`.

    Raises
    ------
    ValueError
        There is no such kind, a value belongs to another kind, or a value is missing.
    LayerError
        The service fails or its answer is impossible, nothing is published there, or with `offline` there is no stored
        answer.
    SettingsError
        The area file cannot be read.

    Examples
    --------
    >>> import pathlib, riskmap
    >>> nowhere = pathlib.Path(outputs) / "nothing_stored"
    >>> riskmap.fetch("climate", nowhere / "climate", offline=True, cache=nowhere)
    Traceback (most recent call last):
        ...
    riskmap.common.errors.LayerError: E-FET-020 ...: not fetched before, and --offline asks nothing. ...
    """
    from riskmap.download.cache import Desk, default_folder

    choices = {"box": box, "area": area, "first": first, "last": last, "places": places or None, "cells": cells}
    named = {name for name, value in choices.items() if value is not None}
    if what not in TAKES:
        raise ValueError(f"what must be one of {', '.join(TAKES)}, not {what!r}")
    if others := sorted(named - TAKES[what]):
        raise ValueError(f"{what} takes {', '.join(sorted(TAKES[what]))}, not {', '.join(others)}")
    notes: list[str] = []

    def note(text: str) -> None:
        notes.append(text)
        if warn is not None:
            warn(text)

    desk = Desk(folder=Path(cache) if cache is not None else default_folder(), offline=offline, refresh=refresh,
                warn=note)
    folder = Path(into)
    if what == "soil":
        from riskmap.download import soil

        files = soil.run(_box(box, area), folder, desk=desk, progress=progress)
    elif what == "drought":
        from riskmap.download import drought

        if first is None or last is None:
            raise ValueError("drought needs first and last")
        files = drought.run(_day(first), _day(last), folder, places=places, desk=desk, progress=progress)
    else:
        from riskmap.download import climate

        files = climate.run(folder, cells=cells or "divisions", desk=desk, progress=progress)
    return Download(files, notes)


def _day(day: date | str) -> date:
    return date.fromisoformat(day) if isinstance(day, str) else day


def _box(box: Box | None, area: FileName | None) -> Box:
    """Return the box, or the one around the lots of an area file."""
    if box is not None and area is None:
        return box
    if area is None or box is not None:
        raise ValueError("soil needs either a box or an area")
    from riskmap.common import settings
    from riskmap.download import soil
    from riskmap.layers import lots

    named = settings.load(Path(area))
    west, south, east, north = (float(value) for value in
                                lots.read(named.lots, named)[0].to_crs("EPSG:4326").total_bounds)
    return soil.around((west, south, east, north))
