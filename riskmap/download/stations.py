"""Fetch the daily records of the nearest weather stations with long records (GHCN-Daily), as published.

Three national files are asked for in turn: the list of stations (name, height), the inventory (which element in which
years), and one CSV of each station that is chosen here; the box is not sent, but the names of stations near it are. A
record of a station has gaps, and its hour of observation changes over the years: both are counted and said, and nothing
is filled. A station file is what `path` under `[climate]` takes with the reader `daily`.

Layouts: the list and the inventory as in sections IV and VII of the archive's readme (copies were read); the CSV as
`layers` reads it. Addresses are seen in use by several programs.
"""

from __future__ import annotations

import csv
import io
import json
import math
import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date, timedelta
from itertools import pairwise
from pathlib import Path

from riskmap.common.errors import LayerError, joined, shown
from riskmap.download import client
from riskmap.download.cache import Credit, Desk, ServiceAnswer, write_with_provenance
from riskmap.download.client import Request

Box = tuple[float, float, float, float]
LIST = "/pub/data/ghcn/daily/ghcnd-stations.txt"
INVENTORY = "/pub/data/ghcn/daily/ghcnd-inventory.txt"
RECORDS = "/data/global-historical-climatology-network-daily/access/"
MAX_LIST, MAX_INVENTORY = 64 * 1024**2, 128 * 1024**2  # judgement: near 11 and 35 MB
MAX_RECORD = 64 * 1024**2  # judgement: 150 years of one station are near 18 MB (seen)
LISTS_AGE, RECORD_AGE = timedelta(days=30), timedelta(days=7)  # judgement
LEAST_YEARS = 30  # judgement: dry and wet years both; the reader asks for 20 with the months beside them
FARTHEST_KM = 80.0  # judgement: a record from elsewhere costs more than missing days do
MOST_STATIONS = 3  # judgement: one to use, two to compare it with
EARTH_KM = 6371.0
COUNTRY = "US"  # elsewhere the archive has records that are not in the public domain
NEEDED = ("STATION", "DATE", "LATITUDE", "LONGITUDE", "PRCP", "PRCP_ATTRIBUTES")
CREDIT = Credit("Global Historical Climatology Network - Daily",
                "NOAA National Centers for Environmental Information",
                "United States government work, public domain",
                "NOAA National Centers for Environmental Information, GHCN-Daily (Menne et al. 2012).")

_STATION = re.compile(rb"(?m)^[A-Z0-9_-]{11} [ \d.-]{8} [ \d.-]{9} [ \d.-]{6}(?: [^\r\n]*)?\r?$")
_ELEMENT = re.compile(rb"(?m)^[A-Z0-9_-]{11} [ \d.-]{8} [ \d.-]{9} [A-Z0-9]{4} \d{4} \d{4} *\r?$")


@dataclass(frozen=True)
class Station:
    """A station that is near enough and whose record is long enough.

    `first`, `last`: years in which both rain and temperature have values. `distance_km` is from the middle of the box.
    """

    key: str
    latitude: float
    longitude: float
    first: int
    last: int
    distance_km: float
    name: str = ""
    elevation_m: float = math.nan


@dataclass(frozen=True)
class Record:
    """What a station's file contains.

    Attributes
    ----------
    first, last : date
        First and last day with rain.
    missing_days : int
        Days between them without a value of rain, or with one that failed the archive's checks.
    hours : tuple of (str, date)
        Hours of observation of rain, each with the first day with it; empty text where none is written.
    """

    first: date
    last: date
    missing_days: int
    hours: tuple[tuple[str, date], ...]

    @property
    def missing_share(self) -> float:
        """Share of the days that are missing, 0 to 1."""
        return self.missing_days / ((self.last - self.first).days + 1)


def run(box: Box, folder: Path, *, desk: Desk, service: str = client.CLIMATE,
        progress: Callable[[str, float], None] | None = None) -> tuple[list[Path], list[str], list[str], list[str]]:
    """Fetch the nearest long records.

    Parameters
    ----------
    box : (west, south, east, north)
        Degrees, EPSG:4326.
    folder : Path
        Receives one CSV of each station as published, `stations.json` with what is known of them, and provenance.
    desk, service, progress
        As in `soil.run`.

    Returns
    -------
    list of Path, list of str, list of str, list of str
        Files, what is said of each record (gaps, changed hours), findings (stations that could not be fetched), and the
        keys of the stations whose record came, the nearest first.

    Raises
    ------
    LayerError
        When the lists cannot be had, no station is near enough, or no record could be fetched.
    """
    say = progress or (lambda stage, share: None)
    inventory = desk.answer(Request(service + INVENTORY, client.TEXT, max_bytes=MAX_INVENTORY),
                            lambda content: _check_lines(content, _ELEMENT, "inventory"), LISTS_AGE)
    listed = desk.answer(Request(service + LIST, client.TEXT, max_bytes=MAX_LIST),
                         lambda content: _check_lines(content, _STATION, "list of stations"), LISTS_AGE)
    chosen = named(nearest(inventory.content, box, desk.now().year), listed.content)
    if not chosen:
        raise LayerError(f"E-FET-072 stations: none within {FARTHEST_KM:g} km has {LEAST_YEARS} years of rain and "
                         "temperature that reach to the present. The monthly weather needs none.")
    files: list[Path] = []
    rows: list[tuple[Station, Record]] = []
    failures: list[LayerError] = []
    for k, station in enumerate(chosen):
        say("station records", k / len(chosen))
        try:
            answer, record = _record(station.key, desk, service)
            files += write_with_provenance(folder / f"{station.key}.csv", answer.content, CREDIT, [answer.note()])
        except LayerError as error:
            failures.append(error)
            continue
        rows.append((station, record))
    say("station records", 1.0)
    if not rows:
        raise failures[0]
    findings = [f"W-FET-073 station record: one could not be fetched, the others were. {error}" for error in failures]
    files += write_with_provenance(folder / "stations.json", _table(rows), CREDIT, [listed.note(), inventory.note()])
    return files, [_said(*row) for row in rows], findings, [station.key for station, _ in rows]


def _check_lines(content: bytes, form: re.Pattern[bytes], what: str) -> None:
    """Raise LayerError unless every line has the form and the last one ends."""
    left = form.sub(b"", content).strip()
    if left or not content.endswith(b"\n"):
        bad = (left or content.rpartition(b"\n")[2]).split(b"\n")[0][:30].decode("latin-1")
        raise LayerError(f"E-FET-070 stations: \"{shown(bad)}\" in the {what} is not a whole line of its form: the "
                         "file is cut, or the service has changed. Try again.")


def nearest(inventory: bytes, box: Box, year: int) -> list[Station]:
    """Return the stations near the middle of a box with long records, the nearest first, at most `MOST_STATIONS`.

    A station counts with rain and either mean temperature or both extremes over `LEAST_YEARS` common years, to last
    year or this one.
    """
    west, south, east, north = box
    x, y = (west + east) / 2, (south + north) / 2
    spans: dict[str, dict[str, tuple[int, int]]] = {}
    places: dict[str, tuple[float, float]] = {}
    reach = FARTHEST_KM / EARTH_KM * 180 / math.pi
    for raw in inventory.splitlines():
        if not raw.startswith(COUNTRY.encode()):
            continue
        latitude = float(raw[12:20])
        if abs(latitude - y) > reach:  # most lines of the country end here
            continue
        key = raw[:11].decode("ascii")
        places[key] = (latitude, float(raw[21:30]))
        spans.setdefault(key, {})[raw[31:35].decode("ascii")] = (int(raw[36:40]), int(raw[41:45]))
    found = []
    for key, (latitude, longitude) in places.items():
        common = _common(spans[key])
        away = _distance_km(y, x, latitude, longitude)
        if common is None or common[1] < year - 1 or common[1] - common[0] + 1 < LEAST_YEARS or away > FARTHEST_KM:
            continue
        found.append(Station(key, latitude, longitude, *common, away))
    return sorted(found, key=lambda station: (station.distance_km, station.key))[:MOST_STATIONS]


def _common(spans: dict[str, tuple[int, int]]) -> tuple[int, int] | None:
    """Return first and last year of rain and temperature together; of mean and extremes the longer one."""
    warmth = [spans["TAVG"]] if "TAVG" in spans else []
    if "TMAX" in spans and "TMIN" in spans:
        warmth.append((max(spans["TMAX"][0], spans["TMIN"][0]), min(spans["TMAX"][1], spans["TMIN"][1])))
    if "PRCP" not in spans or not warmth:
        return None
    both = [(max(first, spans["PRCP"][0]), min(last, spans["PRCP"][1])) for first, last in warmth]
    return max(both, key=lambda span: span[1] - span[0])


def _distance_km(north_1: float, east_1: float, north_2: float, east_2: float) -> float:
    """Return the way on a sphere. [km]"""
    a, b = math.radians(north_1), math.radians(north_2)
    half = math.sin((a - b) / 2) ** 2 + math.cos(a) * math.cos(b) * math.sin(math.radians(east_1 - east_2) / 2) ** 2
    return 2 * EARTH_KM * math.asin(min(1.0, math.sqrt(half)))


def named(stations: list[Station], listed: bytes) -> list[Station]:
    """Return stations with name and height from the list; those that it does not have keep none."""
    wanted = {station.key.encode() for station in stations}
    lines = {raw[:11].decode("ascii"): raw.decode("utf-8", errors="replace") for raw in listed.splitlines()
             if raw[:11] in wanted}
    out = []
    for station in stations:
        line = lines.get(station.key, "")
        height = float(line[31:37]) if line[31:37].strip() else math.nan
        out.append(replace(station, name=line[41:71].strip(), elevation_m=height if height > -999 else math.nan))
    return out


def _record(key: str, desk: Desk, service: str) -> tuple[ServiceAnswer, Record]:
    answer = desk.answer(Request(f"{service}{RECORDS}{key}.csv", client.CSV, max_bytes=MAX_RECORD),
                         lambda content: _read(content, key), RECORD_AGE)
    return answer, _read(answer.content, key)


def _read(content: bytes, key: str) -> Record:
    """Return what a station's file contains; LayerError unless each row is whole, of the station and of a later day."""
    where = f"E-FET-071 station {key}"
    try:
        rows = csv.reader(io.StringIO(content.decode("utf-8-sig")), strict=True)
        heading = next(rows, [])
        if absent := [name for name in NEEDED if name not in heading]:
            raise LayerError(f"{where}: no column {joined(absent)}, only {joined(heading, 8)}. The service may have "
                             "changed.")
        place = {name: heading.index(name) for name in NEEDED}
        width, day, first, seen, hours = len(heading), date.min, None, 0, list[tuple[str, date]]()
        for number, row in enumerate(rows, start=2):
            try:
                if len(row) != width or row[place["STATION"]] != key:
                    raise ValueError
                later = date.fromisoformat(row[place["DATE"]])
                if later <= day:
                    raise ValueError
            except ValueError:
                raise LayerError(f"{where} row {number}: \"{shown(','.join(row))}\" is not a whole row of this station "
                                 "after the one before. Try again.") from None
            day = later
            attributes = [part.strip() for part in row[place["PRCP_ATTRIBUTES"]].split(",")] + [""] * 4
            if not row[place["PRCP"]].strip() or attributes[1]:  # the second attribute: failed a check of the archive
                continue
            first, last, seen = first or day, day, seen + 1
            if not hours or hours[-1][0] != attributes[3]:
                hours.append((attributes[3], day))
    except (UnicodeDecodeError, csv.Error):
        raise LayerError(f"{where}: not a CSV table. Try again later.") from None
    if first is None:
        raise LayerError(f"{where}: has no rain. Nothing was kept of it.")
    if not content.endswith(b"\n"):
        raise LayerError(f"{where}: the last row does not end: the file is cut. Try again.")
    return Record(first, last, (last - first).days + 1 - seen, tuple(hours))


def _said(station: Station, record: Record) -> str:
    """Say what a record is: how long, how many days are missing, at which hours rain was read."""
    known = [(hour, since) for hour, since in record.hours if hour]
    turns = sum(a[0] != b[0] for a, b in pairwise(known))
    hours = sorted({hour for hour, _ in known})
    read = (f"rain is read at {joined(hours, 4)}, changed {turns} times, last on {known[-1][1]}" if turns else
            f"rain is read at {hours[0]}" if hours else "the hour of observation is not written")
    return (f"station {station.key} ({shown(station.name) or 'no name'}), {station.distance_km:.0f} km away: "
            f"rain from {record.first} to {record.last}, {record.missing_days:,} days of it "
            f"({record.missing_share:.1%}) missing; {read}. Nothing was filled or shifted.")


def _table(rows: list[tuple[Station, Record]]) -> bytes:
    """Return what is known of the stations as JSON, the nearest first."""
    return (json.dumps([{
        "station": station.key, "name": station.name, "latitude_deg": station.latitude,
        "longitude_deg": station.longitude,
        "elevation_m": None if math.isnan(station.elevation_m) else station.elevation_m,
        "distance_km": round(station.distance_km, 1), "first_day": str(record.first), "last_day": str(record.last),
        "missing_days": record.missing_days,
        "observation_hours": [{"hour": hour, "since": str(since)} for hour, since in record.hours],
    } for station, record in rows], indent=1, ensure_ascii=False) + "\n").encode()
