"""Fetch monthly rain and mean temperature of every climate division or county, as published by NOAA.

The files are national fixed-width text since 1895, named by the date on which they were made; the service gives that
date in `procdate.txt`. Name them in `path = {precipitation = ..., temperature = ...}` under `[climate]`, with the
reader `noaa_fixed_width`; the area file also names the division or county polygons.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Collection
from datetime import datetime, timedelta
from pathlib import Path
from typing import Literal

from riskmap.common.errors import LayerError, shown
from riskmap.download import client
from riskmap.download.cache import Credit, Desk, ServiceAnswer, write_with_provenance
from riskmap.download.client import Request

FOLDER = "/pub/data/cirs/climdiv/"  # seen in use by several programs, like procdate.txt
ENDING = {"divisions": "dv", "counties": "cy"}
KEY_WIDTH = {"divisions": 4, "counties": 5}  # state 2 and division 2, or state 2 and county 3 (NCEI readme files)
ELEMENTS = {"pcpn": "01", "tmpc": "02"}  # rain, mean temperature
MAX_BYTES = 128 * 1024**2  # judgement: county files have about 40 MB
MAX_AGE = timedelta(days=1)  # age of the date; the dated files do not change
CREDIT = Credit("nClimDiv monthly climate", "NOAA National Centers for Environmental Information",
                "United States government work, public domain",
                "NOAA National Centers for Environmental Information, nClimDiv (Vose et al. 2014).")


def run(folder: Path, *, cells: Literal["divisions", "counties"] = "divisions", desk: Desk | None = None,
        service: str = client.CLIMATE, progress: Callable[[str, float], None] | None = None) -> list[Path]:
    """Fetch the newest rain and temperature files.

    Parameters
    ----------
    folder : Path
        Both files are written to it under their published names, each with its provenance.
    cells : {"divisions", "counties"}
    desk, service, progress
        As in `soil.run`.

    Returns
    -------
    list of Path
        Precipitation, its provenance, temperature, its provenance.

    Raises
    ------
    LayerError
        When the service fails, or a file is cut off or not in this form.
    """
    desk, say = desk or Desk(), progress or (lambda stage, share: None)
    if cells not in ENDING:
        raise LayerError(f"E-FET-050 climate: cells must be divisions or counties, not {shown(cells)}.")
    day = made_on(desk, service)
    paths: list[Path] = []
    for k, element in enumerate(ELEMENTS):
        say("climate", k / len(ELEMENTS))
        name, answer = published(element, cells, day, desk, service)
        paths += write_with_provenance(folder / f"{name}.txt", answer.content, CREDIT, [answer.note()])
    say("climate", 1.0)
    return paths


def made_on(desk: Desk, service: str) -> str:
    """Return the date of the newest files, YYYYMMDD; LayerError as in `run`."""
    stamp = desk.answer(Request(service + FOLDER + "procdate.txt", client.TEXT, max_bytes=1024), _made_on, MAX_AGE)
    return _made_on(stamp.content)


def published(element: str, cells: str, day: str, desk: Desk, service: str) -> tuple[str, ServiceAnswer]:
    """Return the name and the content of one national file, checked; LayerError as in `run`."""
    name, code = f"climdiv-{element}{ENDING[cells]}-v1.0.0-{day}", ELEMENTS[element]
    return name, desk.answer(Request(service + FOLDER + name, client.TEXT, max_bytes=MAX_BYTES),
                             lambda content: check_records(content, cells, code))


def records_of(content: bytes, keys: Collection[str]) -> tuple[bytes, list[str]]:
    """Return the records of some cells, whole lines in their order, and the keys that have none.

    `keys` are those of the file: four digits of a division, or five of a county with the climate number of its state.
    """
    wanted = {key.encode() for key in keys}
    width = len(next(iter(wanted)))
    lines = [line for line in content.splitlines(keepends=True) if line[:width] in wanted]
    there = {line[:width] for line in lines}
    return b"".join(lines), sorted(key.decode() for key in wanted - there)


def _made_on(content: bytes) -> str:
    """Return the date on which the files were made, YYYYMMDD."""
    text = content.decode("ascii", errors="replace").strip()
    try:
        if not re.fullmatch(r"\d{8}", text, re.ASCII):
            raise ValueError
        datetime.strptime(text, "%Y%m%d")
    except ValueError:
        raise LayerError(f"E-FET-051 climate: \"{shown(text)}\" came where the date of the files is expected. The "
                         "service may have changed.") from None
    return text


def check_records(content: bytes, cells: str, code: str) -> None:
    """Raise LayerError unless every line is a record of the element and the last cell has its last year.

    This detects a file that is cut inside the last cell. A file that is cut between two cells is detected only by the
    length that the service announced.
    """
    start = rb"(?m)^\d{%d}%s" % (KEY_WIDTH[cells], code.encode())
    record = re.compile(start + rb"\d{4}(?: *-?\d+\.\d+){12} *\r?(?:\n|\Z)")
    left = record.sub(b"", content).strip()
    if left or not content.endswith(b"\n"):
        bad = (left or content.rpartition(b"\n")[2]).split(b"\n")[0]
        row = content.count(b"\n", 0, content.find(bad)) + 1
        raise LayerError(f"E-FET-052 climate row {row}: \"{shown(bad[:20].decode('latin-1'))}\" is not a whole record "
                         f"of element {code} for {cells}: the file is cut, or the service has changed.")
    years = re.findall(start + rb"(\d{4})", content)
    if years[-1] != max(years):
        raise LayerError(f"E-FET-052 climate: the last cell ends in {years[-1].decode()}, others in "
                         f"{max(years).decode()}: the file is cut. Try again.")
