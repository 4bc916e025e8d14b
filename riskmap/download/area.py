"""Fetch all that a map needs around lots: soil survey, outlines, monthly weather, weekly maps, and daily records.

One folder receives, each file with its provenance beside it:

    soil/                     soil survey of the box, whole polygons; of several surveys where the box touches several
    counties.geojson          outlines of the counties that touch the box
    county_weather/           monthly rain and temperature of these counties
    divisions.geojson         outlines of the climate divisions that touch the box
    division_weather/         monthly rain and temperature of these divisions, where a county has none
    drought/                  weekly drought maps of the last five years
    daily/                    nearest long station records, when they are asked for

Of the lots only a box is used (`box_around`). It is sent to the soil service alone: all else is national, but for the
names of the stations near it. A part that cannot be fetched is a finding; the others go on, and what an earlier fetch
wrote stays. What came is in the cache, so a second call goes on where a stopped one ended.
"""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from datetime import UTC, date, timedelta
from pathlib import Path

from riskmap.common.errors import LayerError, counted, joined
from riskmap.download import client, climate, drought, outlines, soil, stations
from riskmap.download.cache import Credit, Desk, write_with_provenance
from riskmap.download.outlines import Touching

Box = tuple[float, float, float, float]
Say = Callable[[str, float], None]
NARROWEST = 0.04  # degree, 4 km: judgement; a box around a single lot contains hundreds of others
MAPS_BACK = timedelta(days=1826)  # five years
MOST_REFUSALS = 3  # weeks in a row that the service cannot give; then the cache alone is looked into

# Megabytes for the list before the start.
SOIL_MB = 0.65  # measured: answers for 27 tiles of 0.1 degree in Desha County, Arkansas, 0.02 to 1.2 MB, tables apart
COUNTIES_MB, DIVISIONS_MB = 11.0, 5.0  # from memory
COUNTY_WEATHER_MB, DIVISION_WEATHER_MB = 78.0, 9.0  # two files of 39 MB (seen); computed: 344 divisions, 131 years
MAP_MB = 1.2  # measured: mean of five published zips, 0.6 to 1.9 MB
LISTS_MB, STATION_MB = 46.0, 18.0  # 35 and 11 MB (from memory); 150 years of one station (seen)


@dataclass(frozen=True)
class Services:
    """Origins of the services; other ones are for tests."""

    soil: str = client.SOIL
    drought: str = client.DROUGHT_MAPS
    climate: str = client.CLIMATE
    outlines: str = client.OUTLINES


PUBLIC = Services()


@dataclass(frozen=True)
class Planned:
    """One part before it is fetched: its name, what it is, from which host, and about how much that is.

    What is in the cache and young enough is not transferred again, so the real transfer may be smaller.
    """

    part: str
    what: str
    host: str
    megabytes: float

    def __str__(self) -> str:
        return f"{self.part}: {self.what}, from {self.host}, about {max(1, round(self.megabytes)):,} MB"


@dataclass
class Fetched:
    """What came.

    Attributes
    ----------
    files : list of Path
        Every file written, provenance included.
    findings : list of str
        A sentence with its code for each part that could not be fetched or needs a look.
    said : list of str
        A sentence for each part that came: what it contains.
    sections : str
        The lines of an area file that name these files.
    """

    files: list[Path] = field(default_factory=list)
    findings: list[str] = field(default_factory=list)
    said: list[str] = field(default_factory=list)
    sections: str = ""


def box_around(bounds: Box) -> Box:
    """Return the box to ask for around lots, in degrees: never that of a single lot.

    On whole hundredths of a degree, at least 0.005 degree (500 m) wider than the lots on each side (`soil.around`), and
    not narrower than 0.04 degree (4 km) either way.

    Parameters
    ----------
    bounds : (west, south, east, north)
        Of all lots together. [degree, EPSG:4326]
    """
    west, south, east, north = soil.around(bounds)
    (west, east), (south, north) = _widened(west, east), _widened(south, north)
    return west, south, east, north


def _widened(low: float, high: float) -> tuple[float, float]:
    """Return two ends on hundredths, moved apart by whole hundredths until they are wide enough."""
    first, last, least = round(low * 100), round(high * 100), round(NARROWEST * 100)
    lacking = max(0, least - (last - first))
    return (first - math.ceil(lacking / 2)) / 100, (last + math.floor(lacking / 2)) / 100


def plan(box: Box, today: date, *, daily: bool = False, services: Services = PUBLIC) -> list[Planned]:
    """Say what `run` would fetch, and about how much; nothing is asked.

    Raises
    ------
    LayerError
        When the box is not one, or too large.
    """
    west, south, east, north = soil.check_box(box)
    tiles = max(1.0, (east - west) * (north - south) * soil.TILE_PER_DEGREE**2)
    weeks = len(_weeks(today))
    hosts = {name: client.host(getattr(services, name)) for name in ("soil", "outlines", "climate", "drought")}
    parts = [
        Planned("soil survey", f"box {west:g} {south:g} {east:g} {north:g}, {counted(round(tiles), 'tile')} of "
                "0.1 degree", hosts["soil"], SOIL_MB * tiles),
        Planned("county outlines", "one national file, cut to the box here", hosts["outlines"], COUNTIES_MB),
        Planned("county weather", "two national files since 1895, cut to the counties here", hosts["climate"],
                COUNTY_WEATHER_MB),
        Planned("division outlines", "one national file, cut to the box here", hosts["climate"], DIVISIONS_MB),
        Planned("division weather", "two national files since 1895, cut to the divisions here", hosts["climate"],
                DIVISION_WEATHER_MB),
        Planned("weekly drought maps", f"{weeks} national maps of five years", hosts["drought"], MAP_MB * weeks)]
    if daily:
        parts.append(Planned("station records", f"two lists and up to {stations.MOST_STATIONS} stations within "
                             f"{stations.FARTHEST_KM:g} km", hosts["climate"],
                             LISTS_MB + stations.MOST_STATIONS * STATION_MB))
    return parts


def run(box: Box, folder: Path, *, daily: bool = False, desk: Desk | None = None, services: Services = PUBLIC,
        progress: Say | None = None) -> Fetched:
    """Fetch every part into a folder.

    Parameters
    ----------
    box : (west, south, east, north)
        Degrees, EPSG:4326; of lots, that of `box_around`.
    folder : Path
        Receives the files named at the top of this module. A file there that was not fetched is never overwritten.
    daily : bool
        Fetch the nearest long station records too.
    desk, progress
        As in `soil.run`.
    services : Services

    Returns
    -------
    Fetched

    Raises
    ------
    LayerError
        When the box is not one or too large, or no part at all could be fetched; then every reason is named.
    """
    box, desk, say = soil.check_box(box), desk or Desk(), progress or (lambda stage, share: None)
    work = _Work(box, folder, desk, services, say)
    work.part("soil survey", folder / "soil", work.soil_survey)
    counties = work.outlines("county outlines", outlines.COUNTIES, services.outlines)
    by_county = work.part("county weather", folder / "county_weather",
                          lambda: work.weather("county weather", "counties", counties))
    divisions = work.outlines("division outlines", outlines.DIVISIONS, services.climate)
    by_division = work.part("division weather", folder / "division_weather",
                            lambda: work.weather("division weather", "divisions", divisions))
    work.part("weekly drought maps", folder / "drought", work.weekly_maps)
    if daily:
        work.part("station records", folder / "daily", work.station_records)
    if not work.out.files:
        raise LayerError("\n".join(work.out.findings))
    cells = counties if by_county else divisions if by_division else None
    beside = divisions if by_county and by_division and work.lacking_counties else None
    work.out.sections = _sections(work, cells, beside)
    return work.out


@dataclass
class _Work:
    """One call of `run`, part by part."""

    box: Box
    folder: Path
    desk: Desk
    services: Services
    say: Say
    out: Fetched = field(default_factory=Fetched)
    came: set[str] = field(default_factory=set)
    station_keys: list[str] = field(default_factory=list)
    lacking_counties: bool = False

    def part(self, name: str, place: Path, fetch: Callable[[], Iterable[Path]]) -> bool:
        """Fetch one part; return whether it came. What is wrong with it becomes a finding."""
        self.say(name, 0.0)
        try:
            files = list(fetch())
        except LayerError as error:
            left = " The files of an earlier fetch are still there." if place.exists() else ""
            self.out.findings.append(f"E-FET-090 {name}: could not be fetched.{left} {error}")
            return False
        self.out.files += files
        self.came.add(name)
        self.say(name, 1.0)
        return True

    def soil_survey(self) -> list[Path]:
        files = soil.run(self.box, self.folder / "soil", desk=self.desk, service=self.services.soil, progress=self.say)
        legend = next(path for path in files if path.name == "legend.txt")
        rows = csv.reader(io.StringIO(legend.read_text(encoding="utf-8")), delimiter="|")
        surveys = sorted({f"{row[0]} {row[1]}" for row in rows if row})
        self.out.said.append(f"soil survey: {counted(len(surveys), 'survey')} ({joined(surveys, 6)})")
        return files

    def outlines(self, name: str, kind: outlines.Kind, service: str) -> Touching | None:
        """Fetch the outlines of a kind; None when they did not come."""
        found: list[Touching] = []
        place = self.folder / f"{kind.name}.geojson"

        def fetch() -> list[Path]:
            found.append(outlines.touching(self.box, kind, self.desk, service))
            return found[0].write(place)

        if not self.part(name, place, fetch):
            return None
        listed = joined((f"{key} {label}".strip() for key, label in found[0].names.items()), 6)
        self.out.said.append(f"{name}: {listed}")
        return found[0]

    def weather(self, name: str, cells: str, cut_to: Touching | None) -> list[Path]:
        """Fetch the monthly files of counties or divisions, and write the records of those that touch the box."""
        if cut_to is None:
            raise LayerError(f"E-FET-091 {name}: which {cells} touch the box is not known without their outlines.")
        keys = _keys_in_file(cells, cut_to)
        if not keys:  # all in states that the files do not have: nothing is asked
            raise LayerError(_no_record(name, cut_to.names))
        day, contents, absent = climate.made_on(self.desk, self.services.climate), [], set[str]()
        for element in climate.ELEMENTS:
            published, answer = climate.published(element, cells, day, self.desk, self.services.climate)
            content, lacking = climate.records_of(answer.content, keys)
            absent |= {keys[key] for key in lacking}
            contents.append((published, content, answer))
        absent |= set(cut_to.names) - set(keys.values())
        if absent == set(cut_to.names):
            raise LayerError(_no_record(name, absent))
        if absent:
            self.lacking_counties |= cells == "counties"
            self.out.findings.append(
                f"W-FET-093 {name}: no record of {joined(sorted(absent))}. Lots there get no weather; where there are "
                "such lots, use the weather of the divisions.")
        files: list[Path] = []
        there = joined(sorted(set(cut_to.names) - absent), 12)
        for (published, content, answer), file in zip(contents, ("precipitation", "temperature"), strict=True):
            credit = replace(climate.CREDIT, title=f"{climate.CREDIT.title}; the records of {there} out of {published}")
            files += write_with_provenance(self.folder / name.replace(" ", "_") / f"{file}.txt", content, credit,
                                           [answer.note(), cut_to.answer.note()])
        self.out.said.append(f"{name}: {counted(len(cut_to.names) - len(absent), 'cell')}, files of {day}")
        return files

    def weekly_maps(self) -> list[Path]:
        """Fetch the maps one by one, the newest first; a week that the service does not have is a finding."""
        weeks, desk, files = _weeks(self.desk.now().astimezone(UTC).date()), self.desk, list[Path]()
        lacking: dict[date, LayerError] = {}
        refusals = 0
        for k, week in enumerate(reversed(weeks)):
            self.say("drought maps", k / len(weeks))
            try:
                files += drought.week_map(week, self.folder / "drought", desk, self.services.drought)
                refusals = 0
            except LayerError as error:
                lacking[week] = error
                refusals += 1
                if refusals == MOST_REFUSALS:  # the service is away: what is stored is taken, nothing more is asked
                    desk = replace(desk, offline=True)
        if not files:
            raise next(iter(lacking.values()))
        if lacking:
            weeks_named = joined((str(week) for week in sorted(lacking)), 4)
            self.out.findings.append(f"W-FET-094 weekly drought maps: {len(lacking)} of {len(weeks)} are missing "
                                     f"({weeks_named}); the others came. {next(iter(lacking.values()))}")
        self.out.said.append(f"weekly drought maps: {len(weeks) - len(lacking)} from {weeks[0]} to {weeks[-1]}")
        return sorted(files)

    def station_records(self) -> list[Path]:
        files, said, findings, self.station_keys = stations.run(self.box, self.folder / "daily", desk=self.desk,
                                                                service=self.services.climate, progress=self.say)
        self.out.findings += findings
        self.out.said += said
        return files


def _no_record(name: str, absent: Iterable[str]) -> str:
    return f"E-FET-092 {name}: the files have no record of {joined(sorted(absent))}."


def _weeks(today: date) -> list[date]:
    return drought.tuesdays(today - MAPS_BACK, today, today)


def _keys_in_file(cells: str, cut_to: Touching) -> dict[str, str]:
    """Return our key by that of the monthly files; a county of a state that is not in them is left out."""
    if cells == "divisions":
        return {key: key for key in cut_to.names}
    inside = {outlines.county_in_climate_files(fips): fips for fips in cut_to.names}
    return {key: fips for key, fips in inside.items() if key is not None}


# ---------------------------------------------------------------------------------------------- the area file
def _sections(work: _Work, cells: Touching | None, beside: Touching | None) -> str:
    """Return the sections of an area file that name what came; paths as the folder was given.

    `cells` are those whose weather is named, `beside` those of the fallback that came too.
    """
    base, blocks = work.folder.as_posix(), []
    if "soil survey" in work.came:
        blocks.append(["[soil]", f"path = {_quoted(base + '/soil')}", *_credit_lines(soil.CREDIT)])
    if cells is not None:
        blocks.append(["[climate]", *_weather_lines(base, cells), *_credit_lines(climate.CREDIT)])
        if beside is not None:
            blocks[-1] += ["# The same of the climate divisions, where a county has no record:",
                           *(f"# {line}" for line in _weather_lines(base, beside))]
        if work.station_keys and cells.middle:
            blocks[-1] += ["# By days instead, from the nearest station. The months before its record and in its gaps "
                           "come from the middle:", *(f"# {line}" for line in _daily_lines(base, cells, work))]
    if "weekly drought maps" in work.came:
        blocks.append(["[drought]", f"path = {_quoted(base + '/drought')}", *_credit_lines(drought.CREDIT)])
    return "\n\n".join("\n".join(block) for block in blocks) + "\n" if blocks else ""


def _weather_lines(base: str, cells: Touching) -> list[str]:
    return ['reader = "noaa_fixed_width"', f"path = {_both_files(base, cells)}",
            f"cells = {_quoted(f'{base}/{cells.kind.name}.geojson')}", f"cells_key = {_quoted(cells.kind.written_key)}"]


def _daily_lines(base: str, cells: Touching, work: _Work) -> list[str]:
    return ['reader = "daily"', f"path = {_quoted(f'{base}/daily/{work.station_keys[0]}.csv')}",
            'monthly_reader = "noaa_fixed_width"', f"monthly_path = {_both_files(base, cells)}",
            f"monthly_cell = {_quoted(cells.middle)}"]


def _both_files(base: str, cells: Touching) -> str:
    place = f"{base}/{'county' if cells.kind is outlines.COUNTIES else 'division'}_weather"
    return (f"{{precipitation = {_quoted(place + '/precipitation.txt')}, "
            f"temperature = {_quoted(place + '/temperature.txt')}}}")


def _credit_lines(credit: Credit) -> list[str]:
    return [f"{name} = {_quoted(getattr(credit, name))}" for name in ("title", "provider", "licence", "credit")]


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)  # a basic string of TOML has the escapes of JSON
