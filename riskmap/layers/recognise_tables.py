"""What a table is: weather by months or by days, or rows with places, such as lots in a CSV or a workbook."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from riskmap.common.errors import LayerError, joined
from riskmap.common.settings import LotsEntry
from riskmap.layers import (
    climate_daily,
    climate_monthly,
    file_kinds,
    lots_csv,
    lots_workbook,
    noaa_fixed_width,
    workbook,
)
from riskmap.layers.lots_columns import KNOWN, RawLots, every_column, is_personal
from riskmap.layers.recognise_layers import Seen

if TYPE_CHECKING:
    import pandas as pd

    from riskmap.common.problems import Problem

# Headings of coordinates and shapes, small letters and digits only, the surest first (judgement: usual spellings).
PLACE_WORDS = {
    "geometry": ("geometry", "wkt", "geom", "thegeom", "wktgeom", "shapewkt"),
    "lon": ("lon", "longitude", "long", "lng", "longdd", "londd", "londec", "decimallongitude", "centroidlon",
            "centlon", "pointx", "xcoord", "xcoordinate", "coordx", "x"),
    "lat": ("lat", "latitude", "latdd", "latdec", "decimallatitude", "centroidlat", "centlat", "pointy", "ycoord",
            "ycoordinate", "coordy", "y"),
}
DEGREES = {"lon": 180.0, "lat": 90.0}
# Headings of cells that have the numbers of the national archive (divisions) or of the federal government (counties)
NUMBERED = ("division", "climdiv", "county_fips", "fips")
_NAMES = {word for words in PLACE_WORDS.values() for word in words} | set(KNOWN)
MOST_NUMBERS = 0.9  # judgement: share of the filled cells of a coordinate that are numbers
_DAY_MONTH = re.compile(r"^(\d{4})-?(\d{2})")


def table(path: Path, shown: str) -> Seen:
    """Say what a file of text is.

    `monthly` and `daily` have in their facts `cells` (names; empty when the table has no column for them), `places`
    (latitude and longitude of each cell for which the file says them), `place` (that of the only station), `numbered`
    (whether the names of cells are public numbers of divisions or counties), `last` (number of the last month with
    rain; -1 without one) and `trouble` (why the reader will refuse it);
    `fixed_width` has `element`; `shapes` is as `recognise_layers.layers` says, with `places`, our name of each column
    with a place.

    Raises
    ------
    LayerError
        When the text cannot be read as a table.
    """
    if element := noaa_fixed_width.first_record(path):
        quantity = noaa_fixed_width.QUANTITY.get(element, f"element {element}")
        known = element in (noaa_fixed_width.PRECIPITATION, noaa_fixed_width.TEMPERATURE)
        reason = f"fixed-width monthly record of the national archive: {quantity}"
        return Seen("fixed_width" if known else "left", reason + ("" if known else ", which is not used"),
                    facts={"element": element})
    if path.suffix.lower() == ".gz":
        text = climate_monthly.text_table(path, Path(shown))
        return _weather(text) or Seen("left", f"a table that is neither weather nor lots; it has "
                                      f"{joined((name for name in text.columns if not is_personal(name)), 8)}")
    findings: list[Problem] = []
    cells, heading, rows = lots_csv.read_table(path, shown, findings, _NAMES)
    above = any(one.code == "W-SCR-065" for one in findings)
    text = cells.set_axis([name or f"column {k + 1}" for k, name in enumerate(heading)], axis=1)
    if len(heading) < 2 or not len(text):
        return Seen("left", "a text that is not a table" if len(heading) < 2 else "a table without a row")
    weather = _weather(text.apply(lambda column: column.str.strip()))
    if weather and above:
        return Seen("left", f"{weather.reason}, with rows above its heading. Remove them and save the file again")
    return weather or _places(text, list(text.columns), rows, shown, findings)


def sheets(path: Path, shown: str) -> list[Seen]:
    """Say what each sheet of a workbook is that has a row and is not hidden.

    Raises
    ------
    LayerError
        When the workbook cannot be read.
    """
    found = lots_workbook.sheets(path, shown, _NAMES)
    out = []
    for sheet in found:
        try:
            one = _sheet(path, shown, sheet)
        except LayerError as error:
            if len(found) == 1:
                raise
            one = Seen("left", str(error).splitlines()[0].replace(f" {shown}", "", 1))
        out.append(replace(one, layer=sheet.title if len(found) > 1 else ""))
    return out or [Seen("left", "a workbook without a row")]


def _sheet(path: Path, shown: str, sheet: lots_workbook.Sheet) -> Seen:
    """Say what one sheet is; only lots are read from a workbook."""
    findings: list[Problem] = []
    heading = [name or f"column {k + 1}" for k, name in enumerate(workbook.heading(sheet.texts, shown))]
    kept = [k for k, name in enumerate(heading) if not is_personal(name)]
    cells = lots_workbook.cells_of(path, shown, sheet, heading, kept, findings)
    text = cells.table.set_axis([heading[k] for k in kept], axis=1)
    if not len(text):
        return Seen("left", "a sheet without a row below its heading")
    weather = _weather(text.apply(lambda column: column.str.strip()))
    if weather:
        return Seen("left", f"{weather.reason}. {file_kinds.remedy('a workbook')}".rstrip("."))
    seen = _places(text, heading, cells.rows, shown, findings)
    if seen.kind == "left":
        lots_workbook.refuse_unknown(cells, heading, shown)
    return seen


# ---------------------------------------------------------------- weather
def _weather(text: pd.DataFrame) -> Seen | None:
    """Return what a table of weather is; None when it is none."""
    lowered = {name.lower(): name for name in text.columns}
    if {"STATION", "DATE", "PRCP"} <= set(text.columns):
        return Seen("daily", "station file of the daily archive", facts={
            "cells": sorted(text["STATION"].unique()), "places": _places_of_cells(text, lowered, "STATION"),
            "place": _station(text), "numbered": False, "trouble": "", "latitude_told": True,
            "last": _last(text, lowered, "PRCP")})
    dated = "date" in lowered or "month" in lowered or "yearmonth" in lowered
    rain, warmth = climate_monthly.rain_and_warmth(text)
    days = {name: [c for c in text.columns if pattern.fullmatch(c.lower())]
            for name, (pattern, _) in climate_daily.PATTERNS.items()}
    if not dated or not rain or not (warmth or (days["highest_c"] and days["lowest_c"])):
        return None
    key = next((lowered[name] for name in climate_monthly.KEY_COLUMNS if name in lowered), None)
    facts = {"cells": sorted(text[key].unique()) if key else [], "place": None, "latitude_told": False,
             "places": _places_of_cells(text, lowered, key) if key else {}, "last": _last(text, lowered, rain[0][0]),
             "numbered": key is not None and key.lower() in NUMBERED, "trouble": _no_unit([*rain, *warmth])}
    if _by_days(text, lowered, key):
        return Seen("daily", f"a row per day with {rain[0][0]} and temperature", facts=facts)
    if not warmth:
        return None
    return Seen("monthly", f"a row per month with {rain[0][0]} and {warmth[0][0]}", facts=facts)


def _places_of_cells(text: pd.DataFrame, lowered: dict[str, str], key: str) -> dict[str, tuple[float, float]]:
    """Return latitude and longitude of each cell, in degrees, where the table has columns for them."""
    import pandas as pd

    columns = [next((lowered[word] for word in words if word in lowered), None)
               for words in (("latitude", "lat"), ("longitude", "lon"))]
    if None in columns:
        return {}
    degrees = text[columns].apply(pd.to_numeric, errors="coerce").groupby(text[key]).median()
    degrees = degrees[(degrees.abs() <= (DEGREES["lat"], DEGREES["lon"])).all(axis=1)]
    return {str(name): (float(lat), float(lon)) for name, lat, lon in zip(degrees.index, *degrees.to_numpy().T,
                                                                         strict=True)}


def _station(text: pd.DataFrame) -> tuple[float, float] | None:
    """Return latitude and longitude of the one station of a file."""
    import pandas as pd

    if not {"LATITUDE", "LONGITUDE"} <= set(text.columns) or text["STATION"].nunique() != 1:
        return None
    place = [float(pd.to_numeric(text[name], errors="coerce").median()) for name in ("LATITUDE", "LONGITUDE")]
    return (place[0], place[1]) if np.isfinite(place).all() else None


def _last(text: pd.DataFrame, lowered: dict[str, str], rain: str) -> int:
    """Return the number of the last month that has rain; -1 when there is none."""
    _, written = climate_monthly.written_months(text, lowered)
    months = climate_monthly.months_as_numbers(written[text[rain] != ""]).dropna()
    return int(months.max()) if len(months) else -1


def _no_unit(columns: list[tuple[str, str | None]]) -> str:
    """Return what to do about headings that name no unit; empty text when each quantity has one that does."""
    lacking = [name for name, unit in columns if unit is None]
    with_unit = [name for name, unit in columns if unit is not None]
    if not lacking or len(with_unit) >= 2:
        return ""
    return (f"the heading of {joined(lacking)} names no unit, and a unit is never guessed: rename it, such as "
            "precip_in or precip_mm, tavg_f or tavg_c")


def _by_days(text: pd.DataFrame, lowered: dict[str, str], key: str | None) -> bool:
    """Return whether a cell has several rows in a month."""
    if "date" not in lowered or ("year" in lowered and "month" in lowered):
        return False
    month = text[lowered["date"]].str.extract(_DAY_MONTH)
    month = (month[0] + month[1]).fillna("")
    cell = text[key] if key else ""
    rows = (month + "|" + cell)[month != ""].value_counts()
    return len(rows) > 0 and float(rows.median()) > 1


# ---------------------------------------------------------------- places
def _places(text: pd.DataFrame, columns: list[str], rows: np.ndarray, shown: str, findings: list[Problem]) -> Seen:
    """Return a table with coordinates or well-known text as shapes; without them it is left.

    `columns` are those of the file; `text` may lack those about people.
    """
    once = text.loc[:, ~text.columns.duplicated()]
    kept = [name for name in once.columns if not is_personal(name)]
    places = _place_columns(once[kept])
    if not places and _place_columns(once[kept].apply(lambda column: column.str.replace(",", "."))):
        return Seen("left", "a table with coordinates whose decimal mark is a comma. Write them with a point",
                    facts={"columns": kept})
    if not places:
        return Seen("left", f"a table without weather and without a place in its rows; it has {joined(kept, 8)}",
                    facts={"columns": kept})
    names, dropped = every_column(columns, LotsEntry(path=Path(shown)), shown)
    attributes = text[kept].reset_index(drop=True)
    ours = attributes[list(places.values())].set_axis(list(places), axis=1)
    beyond = _beyond_degrees(ours)
    entry = LotsEntry(path=Path(shown), crs="EPSG:3857" if beyond else None)  # any system will do: it is not returned
    geometry, crs = lots_csv.shapes_of(ours, rows, shown, entry, places, findings)
    raw = RawLots(attributes, geometry, None if beyond else crs, rows, dropped, findings, names)
    how = "well-known text" if "geometry" in places else "coordinates"
    return Seen("shapes", f"a table of {len(text):,} rows with {how} in {joined(places.values())}", facts={
        "raw": raw, "what": "points" if "lon" in places else "shapes", "places": places})


def _place_columns(text: pd.DataFrame) -> dict[str, str]:
    """Return our name -> column of the places: well-known text, else longitude and latitude; empty without."""
    bare = {re.sub(r"[^a-z0-9]", "", name.lower()): name for name in reversed(list(text.columns))}
    shapes = next((bare[word] for word in PLACE_WORDS["geometry"] if word in bare), None)
    if shapes and text[shapes].str.match(r"\s*(?:SRID=\d+;)?\s*(?:MULTI)?(?:POLYGON|POINT)", case=False).mean() > 0.5:
        return {"geometry": shapes}
    found = {}
    for ours in ("lon", "lat"):
        named = [bare[word] for word in PLACE_WORDS[ours] if word in bare]
        found[ours] = next((name for name in named if _numbers(text[name])), "")
    return found if all(found.values()) else {}


def _numbers(column: pd.Series) -> bool:
    import pandas as pd

    filled = column.str.strip()[column.str.strip() != ""]
    return len(filled) > 0 and float(pd.to_numeric(filled, errors="coerce").notna().mean()) >= MOST_NUMBERS


def _beyond_degrees(places: pd.DataFrame) -> bool:
    """Return whether most coordinates cannot be degrees."""
    import pandas as pd

    if "lon" not in places:
        return False
    values = {name: pd.to_numeric(places[name], errors="coerce").abs() for name in DEGREES}
    return any(float((column > DEGREES[name]).mean()) > 0.5 for name, column in values.items())
