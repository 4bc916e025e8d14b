"""`fetch`: the only function that uses a network, besides `new` and `estimate` with `fetch=True`."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from riskmap.api.shared import FileName

if TYPE_CHECKING:
    from riskmap.download.cache import Desk

Box = tuple[float, float, float, float]
TAKES = {"soil": {"box", "area"}, "drought": {"first", "last", "places"}, "climate": {"cells"},
         "area": {"lots", "box", "daily", "only_list"}}


@dataclass(frozen=True)
class Download:
    """What `fetch` wrote.

    Attributes
    ----------
    files : list of Path
        Every file, provenance included.
    notes : list of str
        A sentence for each stored answer that was used because the service could not be reached.
    box : (float, float, float, float) or None
        For `area`: the box that was asked for. [degree, EPSG:4326]
    plan : list of str
        For `area`: each part, from which host it comes, and about how much it is.
    said : list of str
        For `area`: what each part that came contains.
    findings : list of str
        For `area`: each part that could not be fetched and why, and what needs a look, with codes.
    sections : str
        For `area`: the sections of an area file that name these files.
    """

    files: list[Path]
    notes: list[str]
    box: Box | None = None
    plan: list[str] = field(default_factory=list)
    said: list[str] = field(default_factory=list)
    findings: list[str] = field(default_factory=list)
    sections: str = ""


def fetch(what: str, into: FileName, *, box: Box | None = None, area: FileName | None = None,
          first: date | str | None = None, last: date | str | None = None, places: Sequence[str] = (),
          cells: Literal["divisions", "counties"] | None = None, lots: FileName | None = None, daily: bool = False,
          only_list: bool = False, offline: bool = False, refresh: bool = False, cache: FileName | None = None,
          progress: Callable[[str, float], None] | None = None,
          warn: Callable[[str], None] | None = None) -> Download:
    """Get public soil, drought or climate files. Everything else works without a network, but `fetch=True`.

    Parameters
    ----------
    what : str
        `soil`: the soil survey of a box, in the layout that [soil] reads. `drought`: the weekly drought maps of a span,
        as published. `climate`: the newest monthly rain and temperature. `area`: all that a map needs around lots.
    into : str or Path
        Folder that receives the files; name it in the area file.
    box : (float, float, float, float), optional
        For soil and area: west, south, east, north. [degree, EPSG:4326]
    area : str or Path, optional
        For soil, instead of a box: an area file. The box around its lots is used.
    first, last : date or str, optional
        For drought: first and last day, YYYY-MM-DD.
    places : sequence of str
        For drought: counties (five digits) or states (two letters) whose weekly statistics are wanted too.
    cells : str, optional
        For climate: `divisions` (default) or `counties`.
    lots : str or Path, optional
        For area, instead of a box: a lot file or an area file. Only the box of all its lots is used, made wider by at
        least 500 m, rounded outwards to hundredths of a degree and not narrower than 4 km, so never that of one lot.
        The box is sent to the soil service; the names of stations near it are asked for with `daily`.
    daily : bool
        For area: fetch the nearest long records of weather stations too.
    only_list : bool
        For area: say what would be fetched and about how much, and ask nothing.
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
        `files` and `notes`; of area also `plan`, `said`, `findings` and `sections`.

    Raises
    ------
    ValueError
        There is no such kind, a value belongs to another kind, or a value is missing.
    LayerError
        The service fails or its answer is impossible, nothing is published there, or with `offline` there is no stored
        answer. For area this is raised only when no part at all could be fetched; otherwise such parts are findings.
    SettingsError
        The area file cannot be read.

    Examples
    --------
    >>> import pathlib, riskmap
    >>> print(riskmap.fetch("area", "around", lots="layers/example/lots.gpkg", only_list=True).plan[0])
    soil survey: box -98.61 37.89 -98.55 37.93, 1 tile of 0.1 degree, from sdmdataaccess.sc.egov.usda.gov, about 1 MB
    >>> nowhere = pathlib.Path(outputs) / "nothing_stored"
    >>> riskmap.fetch("climate", nowhere / "climate", offline=True, cache=nowhere)
    Traceback (most recent call last):
        ...
    riskmap.common.errors.LayerError: E-FET-020 ...: not fetched before, and --offline asks nothing. ...
    """
    from riskmap.download.cache import Desk, default_folder

    choices = {"box": box, "area": area, "first": first, "last": last, "places": places or None, "cells": cells,
               "lots": lots, "daily": daily or None, "only_list": only_list or None}
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
    if what == "area":
        return _area(_box_of_area(box, lots), folder, daily, only_list, desk, notes, progress)
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


def newer_weeks(since: date | str, into: FileName, *, offline: bool = False, cache: FileName | None = None,
                progress: Callable[[str, float], None] | None = None) -> Download:
    """Get the weekly drought maps that were published after a day. This is `fetch("drought", ...)` from the day after.

    Parameters
    ----------
    since : date or str
        Day of the newest map that is there, YYYY-MM-DD.
    into : str or Path
        Folder that receives the maps, about 1 MB each.
    offline, cache, progress
        As in `fetch`.

    Returns
    -------
    Download
        `files`, which is empty when nothing newer is published; `said`, which says what came; `findings`, with the
        reason when some came and the next did not.

    Raises
    ------
    LayerError
        There are newer maps and none of them came: no network, the service fails, or its answer is impossible.

    Examples
    --------
    >>> import pathlib, riskmap
    >>> asked = riskmap.api.newer_weeks("9000-01-01", pathlib.Path(outputs) / "newer", offline=True)
    >>> asked.said
    ['No weekly drought map after 9000-01-01 is published yet.']
    """
    from riskmap.common.errors import counted
    from riskmap.download import drought
    from riskmap.download.cache import Desk, default_folder

    notes: list[str] = []
    desk = Desk(folder=Path(cache) if cache is not None else default_folder(), offline=offline, warn=notes.append)
    files, weeks, error = drought.newer(_day(since), Path(into), desk=desk, progress=progress)
    if error is not None and not weeks:
        error.add_note("No map came: perhaps this computer is offline. Nothing was changed; try again later.")
        raise error
    said = (f"{counted(len(weeks), 'weekly drought map')} came, {weeks[0]} to {weeks[-1]}." if weeks
            else f"No weekly drought map after {_day(since)} is published yet.")
    return Download(files, notes, said=[said], findings=[] if error is None else [str(error)])


def _area(box: Box, folder: Path, daily: bool, only_list: bool, desk: Desk, notes: list[str],
          progress: Callable[[str, float], None] | None) -> Download:
    from riskmap.download import area as around_lots

    plan = [str(part) for part in around_lots.plan(box, desk.now().date(), daily=daily)]
    if only_list:
        return Download([], notes, box, plan)
    came = around_lots.run(box, folder, daily=daily, desk=desk, progress=progress)
    return Download(came.files, notes, box, plan, came.said, came.findings, came.sections)


def _box_of_area(box: Box | None, lots: FileName | None) -> Box:
    """Return the box, or the one around the lots of a file."""
    if (box is None) == (lots is None):
        raise ValueError("area needs either lots or a box")
    if box is not None:
        return box
    from riskmap.download import area as around_lots
    from riskmap.layers import lots_bounds

    return around_lots.box_around(lots_bounds.read(Path(str(lots))))


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
