"""Which of the recognised files serve as which layer, with the reason of every line; what is missing; what is left."""

from __future__ import annotations

import json
import os
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from riskmap.common import equal_area
from riskmap.common.constants import EQUAL_AREA_CRS
from riskmap.common.errors import counted, joined, visible
from riskmap.common.month_numbers import month_name
from riskmap.layers import noaa_fixed_width
from riskmap.layers.recognise import Found
from riskmap.run.new_area import beside, lots_system, shapes
from riskmap.run.new_area.guesses import ADD_FETCH, Column, Guess, Left, LotsFile, Missing, System, WeatherCell
from riskmap.run.new_area.weather_cells import KM_PER_DEG, WHICH_CELL, Box, cells_of, distance, how_to_name

FAR_DEG = 0.5  # judgement: a station farther away, some 55 km, has other storms
SECTIONS = ("area", "lots", "lots.columns", "soil", "climate", "drought", "index", "buildings",
            "context")  # in the order of the area file
NO_ID = "No column identifies the lots."
NAME_ID = "Say which one does: --column lot_id=NAME, or lot_id under [lots.columns]."
LISTED = 8  # weekly maps that are listed one by one; more are named by their folder


@dataclass
class Choice:
    """What the area file will say."""

    folder: Path  # of the area file
    guesses: list[Guess] = field(default_factory=list)
    missing: list[Missing] = field(default_factory=list)
    left: list[Left] = field(default_factory=list)
    box: Box | None = None  # around the lots
    columns: list[Column] = field(default_factory=list)  # of the lot file, without those about people
    lots_files: list[LotsFile] = field(default_factory=list)  # where somebody has to say which one is the lots
    systems: list[System] = field(default_factory=list)  # that the lots may have, where their file names none
    cells: list[WeatherCell] = field(default_factory=list)  # of the weather, where somebody has to say which one

    def line(self, section: str, key: str, value: Any, reason: str = "", sure: bool = True,
             written: bool = True) -> None:
        """Add a line; a path is written relative to the area file."""
        text = self._paths(value) if isinstance(value, Path | list | dict) else \
            value if isinstance(value, _Plain) else json.dumps(value, ensure_ascii=False)
        self.guesses.append(Guess(section, key, str(text), reason, sure, written))

    def _paths(self, value: Path | list[Path] | dict[str, Path]) -> str:
        if isinstance(value, list):
            return "[" + ", ".join(self._paths(one) for one in value) + "]"
        if isinstance(value, dict):
            return "{ " + ", ".join(f"{key} = {self._paths(one)}" for key, one in value.items()) + " }"
        place = value.resolve()
        try:
            text = Path(os.path.relpath(place, self.folder.resolve())).as_posix()
        except ValueError:  # another drive of Windows
            text = place.as_posix()
        return json.dumps(text, ensure_ascii=False)

    def leave(self, found: Sequence[Found], reason: str = "") -> None:
        """List files that are not used."""
        self.left += [Left(one.name, visible(reason or one.reason), bool(one.facts.get("ours"))) for one in found]


def order_of(section: str) -> int:
    """Return the place of a section in the area file; one that is not known comes last."""
    return SECTIONS.index(section) if section in SECTIONS else len(SECTIONS)


class _Plain(str):
    """A value that is TOML already."""


def choose(found: list[Found], folder: Path, lots: str = "", crs: str = "") -> Choice:
    """Choose the files of each layer.

    Parameters
    ----------
    found : list of Found
        As `recognise` returns it.
    folder : Path
        Of the area file.
    lots : str
        Name of the file or layer that the user says is the lots; empty when it is to be recognised.
    crs : str
        Its coordinate system, as the user says; empty when nothing is said.
    """
    out = Choice(folder)
    by_kind: dict[str, list[Found]] = {}
    for one in found:
        by_kind.setdefault(one.kind, []).append(one)
    weather = _weather_cells(by_kind)
    sorted_shapes = shapes.sort(found, weather, lots)
    surveys = [box for kind in ("soil", "soil_database") for one in by_kind.get(kind, [])
               for box in one.facts["bounds"]]
    _lots(out, sorted_shapes, lots, crs, surveys)
    _soil(out, by_kind)
    _climate(out, by_kind, sorted_shapes, weather)
    _drought(out, by_kind.get("drought", []))
    _index(out, by_kind.get("index", []))
    beside.buildings(out, sorted_shapes.buildings)
    beside.context(out, sorted_shapes.context)
    out.left += sorted_shapes.left
    out.leave(by_kind.get("left", []))
    return out


def _first(out: Choice, files: list[Found], what: str) -> tuple[Found, str]:
    """Return the first of several files of a kind, and what to add to its reason; the others are left."""
    others = files[1:]
    out.leave(others, f"another file with {what}; {files[0].name} is written, exchange them if it is the wrong one")
    return files[0], f"; to be confirmed: there {'is' if len(others) == 1 else 'are'} also " \
        f"{_names(others)}" if others else ""


def _names(files: list[Found]) -> str:
    more = f" and {len(files) - 3} more" if len(files) > 3 else ""
    return ", ".join(one.name for one in files[:3]) + more


# ---------------------------------------------------------------- lots
def _lots(out: Choice, found: shapes.Sorted, said: str, crs: str, surveys: list[Box]) -> None:
    lots = found.lots
    taken = bool(said) and lots is not None and lots.found.name == said
    if lots is None or found.other_lots or said:
        out.lots_files = [LotsFile(one.found.name, visible(one.found.reason), one is lots) for one in found.could_be]
    if said and not taken:
        out.line("lots", "path", said, "not taken, although you said it: none of the files with shapes or coordinates "
                 "has this name", written=False)
    if lots is None:
        out.missing.append(Missing("No file of lots was recognised.", "Give a file with a shape or coordinates and an "
                                   "id for each lot, such as the parcels of the county assessor: GeoPackage, shapefile "
                                   "in a zip, GeoJSON, GeoParquet, KML, CSV, or XLSX." + (
                                       " Or say which of your files it is (--lots NAME)." if found.could_be else "")))
        return
    others = [one.found for one in found.other_lots]
    first, more = _first(out, [lots.found, *others], "lots")
    more = "; the lots, as you said" if taken else more
    out.line("area", "name", _title(first), "guessed: the name of the lot file")
    system = "" if lots.raw.crs is None else f" in {visible(lots_system.name_of(lots.raw.crs))}"
    out.line("lots", "path", first.path, f"recognised: {first.reason}{system}{more}", taken or not more)
    if first.layer:
        out.line("lots", "layer", first.layer, "the layer with the lots")
    lots = lots_system.settle(out, lots, crs, surveys)
    out.guesses += lots.columns.guesses
    out.columns = [Column.of(name, lots.raw.attributes[name]) for name in lots.raw.names]
    if "lot_id" not in lots.columns.taken:
        out.missing.append(Missing(NO_ID, NAME_ID if out.columns else "The file has no column that can; export it "
                                   "again with an id for each lot, such as the parcel number."))
    _place(out, lots)


def _title(found: Found) -> str:
    stem = found.path.name.split(".")[0] if found.path.suffix else found.path.name
    return visible(stem).replace("_", " ").strip()[:80] or "Area"


def _place(out: Choice, lots: shapes.Shapes) -> None:
    """Note the box around the lots, and a system that shows areas as they are where the usual one does not."""
    import shapely

    bounds = shapely.bounds(lots.degrees) if len(lots.degrees) else np.empty((0, 4))
    bounds = bounds[np.isfinite(bounds).all(axis=1) & (np.abs(bounds) <= 180).all(axis=1)]
    if not len(bounds):
        return
    middle = np.median((bounds[:, :2] + bounds[:, 2:]) / 2, axis=0)
    near = (np.abs((bounds[:, :2] + bounds[:, 2:]) / 2 - middle) <= 2).all(axis=1)  # a stray shape does not count
    low, high = bounds[near].min(axis=0), bounds[near].max(axis=0)
    out.box = (float(low[0]), float(low[1]), float(high[2]), float(high[3]))
    lon, lat = (bounds[near][:, :2] + bounds[near][:, 2:]).T / 2
    refused, stretched = equal_area.at_lots(EQUAL_AREA_CRS, lon, lat)
    if refused or stretched > equal_area.STRETCHED:
        out.line("area", "crs", equal_area.proposal(lon, lat), "computed: the usual system does not show areas or "
                 "lengths as they are at these lots")


# ---------------------------------------------------------------- soil
def _touches(boxes: list[Box], box: Box | None) -> bool:
    return box is None or not boxes or any(
        one[0] <= box[2] and one[2] >= box[0] and one[1] <= box[3] and one[3] >= box[1] for one in boxes)


def _soil(out: Choice, by_kind: dict[str, list[Found]]) -> None:
    """Take the surveys that touch the lots; of one survey area the newest."""
    downloads, databases = by_kind.get("soil", []), by_kind.get("soil_database", [])
    grids = by_kind.get("key_grid", [])
    near = [one for one in downloads + databases if _touches(one.facts["bounds"], out.box)]
    out.leave([one for one in downloads + databases if one not in near], "a soil survey that does not touch the lots")
    whole = [one for one in near if not one.facts["missing"]]
    tables = [one for one in near if one.facts["missing"]]
    if not whole and grids and tables:
        _key_grid(out, grids, tables)
        return
    out.leave(grids, "a grid of map unit keys; the map-unit polygons of a survey are better, or it needs the tables of "
              "a survey beside it")
    for one in tables:
        out.leave([one], f"an incomplete soil survey, missing: {joined(one.facts['missing'], 4)}")
    downloads = [one for one in whole if one.kind == "soil"]
    if not whole:
        _no_soil(out, bool(tables))
        return
    if not downloads:
        first, more = _first(out, whole, "a soil survey")
        out.line("soil", "reader", "template", f"recognised: {first.reason}")
        out.line("soil", "path", first.path, f"it touches the lots{more}", not more)
        return
    out.leave([one for one in whole if one.kind != "soil"], "a database of a soil survey; the download is used")
    chosen, more = _newest(out, downloads)
    more += "" if len(downloads) == len(whole) else "; to be confirmed: there is also a database of a soil survey"
    besides = f", and {counted(len(chosen) - 1, 'more download')}" if len(chosen) > 1 else ""
    out.line("soil", "reader", "ssurgo", f"recognised: {chosen[0].reason}{besides}")
    out.line("soil", "path", chosen[0].path if len(chosen) == 1 else [one.path for one in chosen],
             ("it touches the lots" if len(chosen) == 1 else "they touch the lots") + more if out.box else more[2:],
             not more)
    if not all(area.scale_told for one in chosen for area in one.facts["areas"]):
        out.line("soil", "scale", 24000, "not taken: the survey does not record its mapping scale; write it if you "
                 "know it", written=False)


def _newest(out: Choice, downloads: list[Found]) -> tuple[list[Found], str]:
    """Return the downloads of which each survey area is the newest one, and what to add to the reason."""
    newest_first = sorted(downloads, key=lambda one: max(area.saved for area in one.facts["areas"]), reverse=True)
    chosen: list[Found] = []
    said: set[str] = set()
    for one in newest_first:
        symbols = {area.symbol for area in one.facts["areas"] if area.symbol}
        if symbols and symbols <= said:
            out.leave([one], "an older download of the same survey area")
            continue
        said |= symbols
        chosen.append(one)
    again = len(downloads) - len(chosen)
    more = f"; to be confirmed: the newest of {again + len(chosen)} downloads" if again else ""
    return [one for one in downloads if one in chosen], more


def _key_grid(out: Choice, grids: list[Found], tables: list[Found]) -> None:
    grid, more = _first(out, grids, "map unit keys")
    out.line("soil", "reader", "key_raster", "recognised: a grid of map unit keys with the tables of a survey; no "
             "polygons were given")
    out.line("soil", "raster", grid.path, f"recognised: {grid.reason}{more}", not more)
    paths = [one.path for one in tables]
    out.line("soil", "path", paths[0] if len(paths) == 1 else paths, "the tables of the survey")


def _no_soil(out: Choice, incomplete: bool) -> None:
    what = "The soil survey given is incomplete." if incomplete else "No soil survey of the lots was recognised."
    out.missing.append(Missing(what, f"{ADD_FETCH}Or: riskmap fetch area LOTS --into around; or download the survey "
                               "area (SSURGO) from the national soil survey, with its spatial data.", layer="soil"))


# ---------------------------------------------------------------- climate
def _weather_cells(by_kind: dict[str, list[Found]]) -> set[str]:
    cells = {str(name) for kind in ("monthly", "daily") for one in by_kind.get(kind, []) for name in one.facts["cells"]}
    fixed = by_kind.get("fixed_width", [])
    return cells | (set(noaa_fixed_width.cells(fixed[0].path, Path(fixed[0].shown))) if fixed else set())


@dataclass(frozen=True)
class _Weather:
    """One record of weather: how it is read, where it is, its cells, and what to add to the reason."""

    reader: str
    path: Path | dict[str, Path]
    reason: str
    cells: list[str]
    sure: bool
    latitude_told: bool = False
    places: dict[str, tuple[float, float]] = field(default_factory=dict)  # latitude and longitude of cells
    numbered: bool = False  # the names of the cells are public numbers of divisions or counties


def _climate(out: Choice, by_kind: dict[str, list[Found]], found: shapes.Sorted, known_cells: set[str]) -> None:
    """Take the daily record with the months beside it, else the months."""
    months, days = _months(out, by_kind), _days(out, by_kind.get("daily", []))
    main = days or months
    cells = found.cells
    out.leave([one.found for one, _ in cells[1:]], "other polygons of the weather's cells")
    if main is None:
        out.leave([one.found for one, _ in cells[:1]], "polygons of cells without their weather")
        out.missing.append(Missing("No record of rain and temperature was recognised.", f"{ADD_FETCH}Or the national "
                                   "monthly record: riskmap fetch climate --cells counties --into climate_here; or a "
                                   "CSV with year, month, precip_in and tavg_f, or a daily station file.",
                                   layer="climate"))
        return
    out.line("climate", "reader", main.reader, f"recognised: {main.reason}", main.sure)
    out.line("climate", "path", main.path)
    if cells:
        out.line("climate", "cells", cells[0][0].found.path, f"recognised: {cells[0][0].found.reason} with the names "
                 "of the weather's cells", len(cells) == 1)
        out.line("climate", "cells_key", cells[0][1], "guessed: it contains the names of the weather's cells")
    else:
        _one_cell(out, main)
    if days is not None and months is not None:
        out.line("climate", "monthly_reader", months.reader, f"for the months without days: {months.reason}",
                 months.sure)
        out.line("climate", "monthly_path", months.path)
        if not cells and len(months.cells) > 1:
            _name_cell(out, "monthly_cell", months)
        elif not cells and months.cells and months.cells != main.cells:
            out.line("climate", "monthly_cell", months.cells[0], "the only cell of the monthly record")


def _one_cell(out: Choice, weather: _Weather) -> None:
    """Write the one cell of a record without polygons, and its latitude."""
    if len(weather.cells) > 1:
        _name_cell(out, "cell", weather)
    elif weather.cells:
        out.line("climate", "cell", weather.cells[0], "the only cell of the record")
    if weather.latitude_told:
        return
    if out.box is None:
        out.line("climate", "latitude_deg", _Plain("..."), "not taken: the place of the lots is not known", sure=False,
                 written=False)
        out.missing.append(Missing("The latitude of the weather is not known.", "Write latitude_deg under [climate]."))
        return
    latitude = round((out.box[1] + out.box[3]) / 2, 2)
    out.line("climate", "latitude_deg", latitude, "computed: the middle of the lots; length of day follows from it")


def _name_cell(out: Choice, key: str, weather: _Weather) -> None:
    cells = weather.cells
    out.line("climate", key, _Plain("..."), f"not taken: the record has {counted(len(cells), 'cell')}: "
             f"{joined(cells, 12)}", sure=False, written=False)
    out.missing.append(Missing(WHICH_CELL, how_to_name(key)))
    out.cells += cells_of(key, cells, weather.places, weather.numbered, out.box)


def _months(out: Choice, by_kind: dict[str, list[Found]]) -> _Weather | None:
    fixed = {code: [one for one in by_kind.get("fixed_width", []) if one.facts["element"] == code]
             for code in (noaa_fixed_width.PRECIPITATION, noaa_fixed_width.TEMPERATURE)}
    rain, warmth = fixed.values()
    tables = _with_units(out, by_kind.get("monthly", []))
    if bool(rain) != bool(warmth):
        lacking = "mean temperature" if rain else "rain"
        out.leave(rain + warmth, f"a national monthly record whose partner is not here: {lacking}")
        if not tables:
            out.missing.append(Missing(f"The national record of {lacking} is missing.", "Give both files, as "
                                       "published: riskmap fetch climate --into climate_here fetches both."))
    pairs = [rain, warmth] if rain and warmth else []
    if tables:
        tables = sorted(tables, key=lambda one: -one.facts["last"])
        first, more = _first(out, tables, "monthly weather")
        more += _longest(tables)
        for files in pairs:
            out.leave(files, f"another monthly record; {first.name} is written")
            more = more or "; to be confirmed: there is also a national monthly record"
        return _Weather("csv", first.path, first.reason + more, first.facts["cells"], not more,
                        places=first.facts["places"], numbered=first.facts["numbered"])
    if pairs:
        (one, more), (two, again) = (_first(out, files, "the same quantity") for files in pairs)
        cells = noaa_fixed_width.cells(one.path, Path(one.shown))
        return _Weather("noaa_fixed_width", {"precipitation": one.path, "temperature": two.path},
                        "fixed-width monthly records of the national archive" + (more or again), cells,
                        not (more or again), numbered=True)
    return None


def _longest(records: list[Found]) -> str:
    """Return what to add to the reason for the first of several records, where it goes on longer than the next."""
    if len(records) < 2 or records[0].facts["last"] <= records[1].facts["last"]:
        return ""
    return f"; this one goes on longest, to {month_name(records[0].facts['last'])}"


def _with_units(out: Choice, records: list[Found]) -> list[Found]:
    """Return records whose headings name their units; the others are missing something."""
    for one in records:
        if one.facts["trouble"]:
            out.leave([one], one.facts["trouble"])
            out.missing.append(Missing(f"{one.name} cannot be used:", f"{one.facts['trouble']}."))
    return [one for one in records if not one.facts["trouble"]]


def _days(out: Choice, records: list[Found]) -> _Weather | None:
    """Return the daily record; of several the one nearest to the lots, then the newest, to be confirmed."""
    usable = _with_units(out, records)
    if not usable:
        return None
    usable.sort(key=lambda one: (distance(one.facts["place"], out.box), -one.facts["last"]))
    first, more = _first(out, usable, "daily weather")
    if more:
        near = [one for one in usable if one.facts["place"] == first.facts["place"]]
        more += "; this one is the nearest" if len(near) < len(usable) else ""
        more += _longest(near)
    away = distance(first.facts["place"], out.box)
    if FAR_DEG < away < float("inf"):
        more += f"; to be confirmed: the station is {away * KM_PER_DEG:.0f} km from the lots"
    return _Weather("daily", first.path, first.reason + more, first.facts["cells"], not more,
                    first.facts["latitude_told"], first.facts["places"], first.facts["numbered"])


# ---------------------------------------------------------------- drought
def _drought(out: Choice, found: list[Found]) -> None:
    """Take every weekly map; a file whose weeks are all in another one is left, to be confirmed."""
    chosen: list[Found] = []
    known: set[str] = set()
    undated = [one for one in found if not one.facts["dates"]]
    for one in sorted(found, key=lambda one: -len(one.facts["dates"])):
        if one in undated:
            continue
        if set(one.facts["dates"]) <= known:
            out.leave([one], "its weeks are in another file of weekly maps that is used")
            continue
        known |= set(one.facts["dates"])
        chosen.append(one)
    layered = [one for one in chosen if one.layer]
    if layered and len(chosen) > 1:
        out.leave(layered, "one layer of several in a file; save each week's map in a file of its own")
        chosen = [one for one in chosen if one not in layered]
    if not chosen and len(undated) == 1:
        out.line("drought", "path", undated[0].path, f"recognised: {undated[0].reason}")
        out.line("drought", "date", "YYYY-MM-DD", "not taken: the file does not say its week", sure=False,
                 written=False)
        out.missing.append(Missing("The date of the weekly map is not known.", "Write it under [drought], or put it "
                                   "into the file's name as in USDM_20251028.zip."))
        return
    out.leave(undated, "a weekly map without a date; put it into the file's name as in USDM_20251028.zip")
    if not chosen:
        out.missing.append(Missing("No weekly drought maps were recognised; they are not needed.", f"{ADD_FETCH}Or: "
                                   "riskmap fetch drought --from YYYY-MM-DD --to YYYY-MM-DD --into "
                                   "drought_weeks. They show the latest weeks.", needed=False, layer="drought"))
        return
    dropped = [one for one in found if one not in chosen]
    chosen.sort(key=lambda one: one.facts["dates"][0])
    weeks = sorted({day for one in chosen for day in one.facts["dates"]})
    paths = _gathered(chosen, found)
    out.line("drought", "path", paths[0] if len(paths) == 1 else paths,
             f"recognised: weekly drought classes, {counted(len(weeks), 'week')} from {weeks[0]} to {weeks[-1]}"
             + ("; to be confirmed: other files have the same weeks" if dropped else ""), not dropped)
    if layered and chosen == layered:
        out.line("drought", "layer", chosen[0].layer, "the layer with the classes")


def _gathered(chosen: list[Found], found: list[Found]) -> list[Path]:
    """Return the files; their folder where they are many and it contains no other maps."""
    from riskmap.layers.polygon_file import ALLOWED

    paths = [one.path for one in chosen]
    folders = {path.parent for path in paths}
    if len(paths) <= LISTED or len(folders) != 1:
        return paths
    folder = folders.pop()
    inside = {file.resolve() for file in folder.iterdir() if file.suffix.lower() in ALLOWED}
    return [folder] if inside == {path.resolve() for path in paths} else paths


# ---------------------------------------------------------------- index
def _index(out: Choice, found: list[Found]) -> None:
    """Take the grids that say their index and their first month; the others need lines that only their source knows."""
    for one in found:
        name, first = one.facts["name"], one.facts["first_month"]
        if not (name and first):
            lacking = joined([*([] if name else ["name (spi, spei or pdsi)"]), *([] if first else ["first_month"])])
            out.leave([one], f"{one.reason}, but it does not say its {lacking}: add an [[index]] section with them")
            continue
        out.line("index", "path", one.path, f"recognised: {one.reason}")
        out.line("index", "name", name, f"guessed: it is in {one.facts['in_name']} or in its bands")
        if one.facts["accumulation_months"]:
            out.line("index", "accumulation_months", _Plain(int(one.facts["accumulation_months"])),
                     "guessed: it is next to the name of the index")
        out.line("index", "first_month", first, "its bands say their months")
    names = [one.facts["name"] for one in found if one.facts["name"] and one.facts["first_month"]]
    if len(names) != len(set(names)):
        out.missing.append(Missing("Two grids contain the same index.", "Keep one of them in the area file."))


