"""Fetch weekly drought maps, and weekly statistics of counties or states, as published.

Maps are national: one zip per week, valid on Tuesday, released on Thursday, since 2000-01-04. Name the folder of zips
in `path` under `[drought]`. Statistics are the percentages of area in each class, one CSV per county or state.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Callable, Sequence
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

from riskmap.common.constants import DROUGHT_CREDIT
from riskmap.common.errors import LayerError, joined, shown
from riskmap.download import client, shape_zip
from riskmap.download.cache import Credit, Desk, write_with_provenance
from riskmap.download.client import Request

FIRST_WEEK = date(2000, 1, 4)
TUESDAY = 1
RELEASED_AFTER = timedelta(days=2)
WEEK = timedelta(days=7)
SETTLED = timedelta(days=60)  # judgement: a map older than that is taken to be final
YOUNG = timedelta(days=1)
MAX_ZIP, MAX_UNPACKED = 32 * 1024**2, 256 * 1024**2  # judgement: published zips have about 1 MB, 2.5 MB unpacked
MAX_CSV = 32 * 1024**2
CATEGORICAL = "2"
CLASSES = ["None", "D0", "D1", "D2", "D3", "D4"]
COUNTY_COLUMNS = ["MapDate", "FIPS", "County", "State", *CLASSES, "ValidStart", "ValidEnd", "StatisticFormatID"]
STATE_COLUMNS = ["MapDate", "StateAbbreviation", *CLASSES, "ValidStart", "ValidEnd", "StatisticFormatID"]
CREDIT = Credit("U.S. Drought Monitor", "National Drought Mitigation Center, University of Nebraska-Lincoln",
                "public domain, credit asked for", DROUGHT_CREDIT)


def run(first: date, last: date, folder: Path, *, places: Sequence[str] = (), maps: bool = True,
        desk: Desk | None = None, map_service: str = client.DROUGHT_MAPS,
        statistics_service: str = client.DROUGHT_STATISTICS,
        progress: Callable[[str, float], None] | None = None) -> list[Path]:
    """Fetch the maps of every Tuesday of a span, and the statistics of places.

    Parameters
    ----------
    first, last : date
        First and last day; the span is cut to what has been published so far.
    folder : Path
        `USDM_YYYYMMDD_M.zip` and `statistics_<place>.csv` are written to it, each with its provenance. Files are
        complete at every moment. After an interruption run it again: what has arrived is taken from the cache.
    places : sequence of str
        County codes of five digits (`48113`) or states of two letters (`TX`).
    maps : bool
        With False, only statistics are fetched.
    desk, map_service, statistics_service, progress
        As in `soil.run`.

    Returns
    -------
    list of Path
        Every file that was written, including provenance.

    Raises
    ------
    LayerError
        When nothing is published in the span, a place is not a code, or the service fails or gives an impossible
        answer.
    """
    desk, say = desk or Desk(), progress or (lambda stage, share: None)
    weeks = tuesdays(first, last, desk.now().astimezone(UTC).date())
    wrong = [p for p in places if not re.fullmatch(r"\d{5}|[A-Z]{2}", p, re.ASCII)]
    if wrong:
        raise LayerError(f"E-FET-041 drought: {joined(wrong)}: give counties as five digits (48113) and states as two "
                         "capital letters (TX).")
    paths: list[Path] = []
    for k, week in enumerate(weeks if maps else []):
        say("drought maps", k / len(weeks))
        paths += week_map(week, folder, desk, map_service)
    for place in places:
        paths += _statistics(place, weeks, folder, desk, statistics_service)
    say("drought", 1.0)
    return paths


def tuesdays(first: date, last: date, today: date) -> list[date]:
    """Return the published weeks of a span; LayerError when there is none."""
    if last < first:
        raise LayerError(f"E-FET-040 drought: {last} is before {first}. Give the first day first.")
    weeks = published(first, last, today)
    if not weeks:
        raise LayerError(f"E-FET-040 drought: no map from {first} to {last}. Maps are of Tuesdays, released on "
                         f"Thursdays, since {FIRST_WEEK}.")
    return weeks


def published(first: date, last: date, today: date) -> list[date]:
    """Return the Tuesdays of a span whose maps are released by now; none where there is none."""
    start, end = max(first, FIRST_WEEK), min(last, today - RELEASED_AFTER)
    start += timedelta(days=(TUESDAY - start.weekday()) % 7)
    return [start + k * WEEK for k in range((end - start).days // 7 + 1)]


def newer(since: date, folder: Path, *, desk: Desk, map_service: str = client.DROUGHT_MAPS,
          progress: Callable[[str, float], None] | None = None) -> tuple[list[Path], list[date], LayerError | None]:
    """Fetch the maps after a day, the oldest first; stop at the first that does not come.

    Parameters
    ----------
    since : date
        Maps of later days are fetched.
    folder, desk, map_service, progress
        As in `run`.

    Returns
    -------
    files : list of Path
        As in `run`; empty when nothing newer is published, or nothing came.
    weeks : list of date
        The maps that came.
    error : LayerError or None
        Why the next one did not come.
    """
    say = progress or (lambda stage, share: None)
    today = desk.now().astimezone(UTC).date()
    wanted = published(since + timedelta(days=1), today, today)
    files: list[Path] = []
    for k, week in enumerate(wanted):
        say("drought maps", k / len(wanted))
        try:
            files += week_map(week, folder, desk, map_service)
        except LayerError as error:
            return files, wanted[:k], error
    say("drought", 1.0)
    return files, wanted, None


def _max_age(week: date, desk: Desk) -> timedelta | None:
    return None if desk.now().date() - week > SETTLED else YOUNG


# -------------------------------------------------------------------------------------------------- maps
def week_map(week: date, folder: Path, desk: Desk, service: str) -> list[Path]:
    """Fetch the map of one published Tuesday; return it and its provenance. LayerError as in `run`."""
    stem = f"USDM_{week:%Y%m%d}"
    request = Request(f"{service}/data/shapefiles_m/{stem}_M.zip", client.ZIP, max_bytes=MAX_ZIP)
    answer = desk.answer(request, lambda content: check_map(content, stem), _max_age(week, desk))
    return write_with_provenance(folder / f"{stem}_M.zip", answer.content, CREDIT, [answer.note()])


def check_map(content: bytes, stem: str) -> None:
    """Raise LayerError unless the zip is complete, unpacks to a credible size and contains the week's shapefile."""
    names, fault = shape_zip.look(content, MAX_UNPACKED)
    missing = [stem + part for part in shape_zip.PARTS if stem + part not in names]
    if fault or missing:
        raise LayerError(f"E-FET-042 drought {stem}_M.zip: {fault or f'{joined(missing)} missing'}. Try again later.")


# -------------------------------------------------------------------------------------------- statistics
def _statistics(place: str, weeks: list[date], folder: Path, desk: Desk, service: str) -> list[Path]:
    kind = "CountyStatistics" if place.isdigit() else "StateStatistics"
    start, end = (f"{day.month}/{day.day}/{day.year}" for day in (weeks[0], weeks[-1]))
    request = Request(f"{service}/api/{kind}/GetDroughtSeverityStatisticsByAreaPercent?aoi={place}&startdate={start}"
                      f"&enddate={end}&statisticsType={CATEGORICAL}", client.CSV, max_bytes=MAX_CSV)
    answer = desk.answer(request, lambda content: check_statistics(content, place, weeks), _max_age(weeks[-1], desk))
    return write_with_provenance(folder / f"statistics_{place}.csv", answer.content, CREDIT, [answer.note()])


def check_statistics(content: bytes, place: str, weeks: list[date]) -> None:
    """Raise LayerError unless the table has each week of the place once, in percent per single class.

    The service states only which columns it has, so the order of weeks (newest first) is not relied on.
    """
    where = f"drought statistics of {place}"
    try:
        lines = [row for row in csv.reader(io.StringIO(content.decode("utf-8-sig"))) if row]
    except (UnicodeDecodeError, csv.Error):
        raise LayerError(f"E-FET-043 {where}: not a CSV table. Try later.") from None
    columns = COUNTY_COLUMNS if place.isdigit() else STATE_COLUMNS
    if not lines or lines[0] != columns:
        raise LayerError(f"E-FET-043 {where}: columns {joined(lines[0] if lines else [])} came, {joined(columns)} are "
                         "expected. The service may have changed.")
    weeks_in_table: list[date] = []
    for k, row in enumerate(lines[1:], start=2):
        try:
            weeks_in_table.append(_checked_row(dict(zip(columns, row, strict=True)), place))
        except ValueError:
            raise LayerError(f"E-FET-043 {where} row {k}: \"{shown(','.join(row))}\" is not a whole row of this place. "
                             "Try again.") from None
    missing = [str(week) for week in weeks if week not in set(weeks_in_table)]
    if missing or len(weeks_in_table) != len(weeks):
        what = f"weeks missing: {joined(missing)}" if missing else f"{len(weeks_in_table)} rows for {len(weeks)} weeks"
        raise LayerError(f"E-FET-043 {where}: {what}. Try again.")


def _checked_row(row: dict[str, str], place: str) -> date:
    """Return the week of a row; ValueError when it is for another place, in another form, or not in percent."""
    shares = [float(row[name]) for name in CLASSES]
    right_place = row["FIPS" if place.isdigit() else "StateAbbreviation"] == place
    if not (right_place and row["StatisticFormatID"] == CATEGORICAL and abs(sum(shares) - 100) < 0.1
            and min(shares) >= 0):
        raise ValueError
    return datetime.strptime(row["MapDate"], "%Y%m%d").date()
