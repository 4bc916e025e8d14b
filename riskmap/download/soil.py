"""Fetch the soil survey of a box from the soil data service, as a folder that `layers` reads like a download.

The box is requested in tiles of 0.1 degree. A tile whose answer is over a limit of the service (100,000 rows, 32 MB) is
requested in quarters. Polygons are complete, even those that extend out of the box, and each comes once. Tables follow
by map unit key. The text of a query is only our own: numbers that we write, and keys made of digits.

Service facts: address, form fields, envelope and limits are as in the service's help and in the soilDB and py-soildb
clients.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Callable, Iterable, Iterator
from datetime import timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

from riskmap.common.errors import LayerError, joined, shown
from riskmap.download import client, soil_layout
from riskmap.download.cache import Credit, Desk, Note, whole_folder, write_provenance, write_with_provenance
from riskmap.download.client import Request, TooMuch
from riskmap.download.soil_layout import Row, SurveyTable

ADDRESS = "/tabular/post.rest"
TILE_PER_DEGREE = 10  # number of tiles of 0.1 degree
MAX_TILES = 1000  # judgement: ten square degrees, some hundred megabytes; larger areas have their downloads
SPLITS = 6  # how often a tile is quartered at most: 0.1 degree / 64 is 170 m
ROW_CAP = 100_000  # limit of the service; an answer with as many rows is taken to be cut off
BYTE_CAP = 32 * 1024**2  # limit of the service
KEYS_PER_QUERY = 500
MAX_AGE = timedelta(days=30)  # the survey is refreshed once a year
CREDIT = Credit(
    "Soil Survey Geographic Database (SSURGO), from Soil Data Access",
    "United States Department of Agriculture, Natural Resources Conservation Service",
    "United States government work, public domain",
    "Soil Survey Staff, Natural Resources Conservation Service, United States Department of Agriculture. Soil Survey "
    "Geographic (SSURGO) Database, by Soil Data Access.")
POLYGONS = "mupolygon"
Asked = dict[str, list[Note]]  # table -> what was requested for it
Box = tuple[float, float, float, float]
_KEY = re.compile(r"\d{1,30}", re.ASCII)


def run(bbox: Box, folder: Path, *, desk: Desk | None = None, service: str = client.SOIL,
        progress: Callable[[str, float], None] | None = None) -> list[Path]:
    """Fetch every map unit polygon that touches a box, with its tables.

    Parameters
    ----------
    bbox : (west, south, east, north)
        Degrees, EPSG:4326.
    folder : Path
        It becomes the survey: name it as `path` under `[soil]`. It appears only when it is complete. An earlier fetch
        in it is replaced; anything else is never overwritten.
    desk : Desk, optional
        Cache and client; the default contacts the public service and stores answers in the user's cache.
    service : str
        Origin of the service; another one is for tests.
    progress : callable, optional
        Called with the stage and the finished share.

    Returns
    -------
    list of Path
        Every file that was written, including provenance, sorted.

    Raises
    ------
    LayerError
        When the box is not valid, the service fails or gives an impossible answer, or nothing is mapped there.
    """
    box, desk = check_box(bbox), desk or Desk()
    say = progress or (lambda stage, share: None)
    notes: Asked = {}
    polygons: dict[tuple[str, str], str] = {}
    cut = list(tiles(box))
    for k, tile in enumerate(cut):
        say("soil polygons", k / len(cut))
        for mukey, musym, geometry in _polygons_of(tile, desk, service, notes):
            polygons[(mukey, geometry)] = musym
    say("soil polygons", 1.0)
    if not polygons:
        raise LayerError("E-FET-030 soil: nothing is mapped in this box. Check it: west, south, east, north in "
                         "degrees, west of Greenwich negative.")
    keys = sorted({mukey for mukey, _ in polygons}, key=int)
    tables = _tables(keys, desk, service, notes, say)
    _check_complete(keys, tables)
    return _write(folder, polygons, tables, notes)


# ------------------------------------------------------------------------------------------ box and tiles
def check_box(bbox: Box) -> Box:
    """Return the box as numbers; LayerError when it is not a box or too large."""
    try:
        west, south, east, north = (float(v) for v in bbox)
    except (TypeError, ValueError):
        raise LayerError("E-FET-031 box: four numbers are needed: west,south,east,north in degrees.") from None
    if not (all(map(math.isfinite, (west, south, east, north))) and -180 <= west < east <= 180
            and -90 <= south < north <= 90):
        raise LayerError(f"E-FET-031 box {west:g},{south:g},{east:g},{north:g}: must be west,south,east,north in "
                         "degrees with west < east and south < north.")
    count = _cells(west, east) * _cells(south, north)
    if count > MAX_TILES:
        raise LayerError(f"E-FET-032 box: {count:,} tiles of 0.1 degree, more than {MAX_TILES:,}. Give a smaller box "
                         "(one misplaced lot is enough to make it large), or take the downloads of its survey areas.")
    return west, south, east, north


def around(bounds: Box) -> Box:
    """Return the box to request around lots: on whole hundredths of a degree, at least 0.005 degree (500 m) wider.

    The margin includes the neighbours beyond a soil boundary. The rounding keeps the service from learning where the
    outermost lots are.
    """
    west, south, east, north = (value * 100 for value in bounds)
    return (math.floor(west - 0.5) / 100, math.floor(south - 0.5) / 100, math.ceil(east + 0.5) / 100,
            math.ceil(north + 0.5) / 100)


def _cells(low: float, high: float) -> int:
    return math.ceil(high * TILE_PER_DEGREE) - math.floor(low * TILE_PER_DEGREE)


def tiles(box: Box) -> Iterator[Box]:
    """Yield the parts of a box along a grid of 0.1 degree, row by row; together they make up the box."""
    west, south, east, north = box
    for bottom, top in _steps(south, north):
        for left, right in _steps(west, east):
            yield left, bottom, right, top


def _steps(low: float, high: float) -> list[tuple[float, float]]:
    inner = range(math.floor(low * TILE_PER_DEGREE) + 1, math.ceil(high * TILE_PER_DEGREE))
    edges = [low, *(k / TILE_PER_DEGREE for k in inner if low < k / TILE_PER_DEGREE < high), high]
    return list(pairwise(edges))


def quarters(tile: Box) -> list[Box]:
    """Return the four quarters of a tile."""
    west, south, east, north = tile
    x, y = (west + east) / 2, (south + north) / 2
    return [(west, south, x, y), (x, south, east, y), (west, y, x, north), (x, y, east, north)]


def rectangle_text(tile: Box) -> str:
    """Return a box as well-known text; nothing but digits, sign, dot, comma, blank and our words."""
    west, south, east, north = (_plain(v) for v in tile)
    return (f"POLYGON(({west} {south},{east} {south},{east} {north},{west} {north},{west} {south}))")


def _plain(value: float) -> str:
    text = f"{value:.9f}".rstrip("0").rstrip(".")  # a tenth of a millimetre
    return "0" if text == "-0" else text


# ----------------------------------------------------------------------------------------------- queries
def polygon_query(tile: Box) -> str:
    """Return the query for all polygons that touch a tile."""
    return ("SELECT P.mukey, P.musym, P.mupolygongeo.STAsText() AS geom FROM mupolygon AS P WHERE "
            f"P.mupolygongeo.STIntersects(geometry::STGeomFromText('{rectangle_text(tile)}',4326)) = 1")


def table_query(table: SurveyTable, keys: Iterable[str]) -> str:
    """Return the query for the rows of one table that belong to map units; a key must have 1-30 digits."""
    keys = list(keys)
    wrong = [key for key in keys if not _KEY.fullmatch(key)]
    if wrong or not keys:
        raise LayerError(f"E-FET-033 soil: map unit keys must be digits: {joined(wrong) or 'none given'}.")
    columns = ", ".join(f"T.{name}" for name in table.columns)
    only = f" AND {table.only}" if table.only else ""
    return (f"SELECT DISTINCT {columns} FROM {table.source} WHERE {table.key} IN ({', '.join(keys)}){only}")


def rows(content: bytes, columns: tuple[str, ...]) -> list[Row]:
    """Return the rows of an answer in the service's envelope, values as text or None.

    Raises
    ------
    TooMuch
        When the row limit is reached, because the answer may have been cut off.
    LayerError
        When it is not in the envelope, or has other columns than were requested.
    """
    try:
        answer = json.loads(content)
    except (ValueError, RecursionError):
        raise LayerError("E-FET-034 soil: the answer is cut short or is not JSON. Try again.") from None
    if answer == {}:
        return []
    table = answer.get("Table") if isinstance(answer, dict) else None
    if not isinstance(table, list) or len(table) < 2 or not all(isinstance(row, list) for row in table):
        raise LayerError("E-FET-034 soil: the answer is not a table. The service may have changed.")
    names = [str(name).lower() for name in table[0]]
    if names != list(columns) or not all(str(v).startswith("ColumnOrdinal=") for v in table[1]):
        raise LayerError(f"E-FET-034 soil: columns {joined(names)} came, {joined(columns)} were asked for. The service "
                         "may have changed.")
    data = table[2:]
    if len(data) >= ROW_CAP:
        raise TooMuch(f"E-FET-007 soil: {len(data):,} rows, the service's limit; the answer may be cut.")
    if any(len(row) != len(columns) for row in data):
        raise LayerError("E-FET-034 soil: rows of different lengths in the answer. Try again.")
    return [tuple(_text(value) for value in row) for row in data]


def _text(value: Any) -> str | None:
    if value is None or isinstance(value, str):
        return value
    if isinstance(value, int | float) and not isinstance(value, bool):
        return str(value)
    raise LayerError(f"E-FET-034 soil: a value of the answer is {type(value).__name__}, not text.")


def _ask(name: str, query: str, columns: tuple[str, ...], desk: Desk, service: str, notes: Asked) -> list[Row]:
    request = Request(service + ADDRESS, client.JSON, (("query", query), ("format", "JSON+COLUMNNAME+METADATA")),
                      BYTE_CAP)
    answer_rows: list[Row] = []

    def check(content: bytes) -> None:
        answer_rows[:] = rows(content, columns)

    notes.setdefault(name, []).append(desk.answer(request, check, MAX_AGE).note())
    return answer_rows


def _polygons_of(tile: Box, desk: Desk, service: str, notes: Asked, depth: int = 0) \
        -> list[tuple[str, str, str]]:
    try:
        polygons = _ask(POLYGONS, polygon_query(tile), ("mukey", "musym", "geom"), desk, service, notes)
    except TooMuch as error:
        if depth == SPLITS:
            raise LayerError(f"{error} The tile {rectangle_text(tile)} cannot be split further.") from None
        return [row for part in quarters(tile) for row in _polygons_of(part, desk, service, notes, depth + 1)]
    wrong = [mukey for mukey, _, shape in polygons if not (mukey and _KEY.fullmatch(mukey) and shape)]
    if wrong:
        raise LayerError(f"E-FET-035 soil: polygons without a shape or with a key that is not digits: {joined(wrong)}. "
                         "Nothing was written.")
    return [(str(mukey), musym or "", str(shape)) for mukey, musym, shape in polygons]


def _tables(keys: list[str], desk: Desk, service: str, notes: Asked,
            say: Callable[[str, float], None]) -> dict[str, list[Row]]:
    """Return the rows of each table, each once, in the order in which they arrived."""
    chunks = [keys[k:k + KEYS_PER_QUERY] for k in range(0, len(keys), KEYS_PER_QUERY)]
    tables: dict[str, list[Row]] = {}
    for k, table in enumerate(soil_layout.TABLES):
        say("soil tables", k / len(soil_layout.TABLES))
        came = [row for chunk in chunks for row in _rows_of(table, chunk, desk, service, notes)]
        tables[table.name] = sorted(dict.fromkeys(came), key=lambda row: tuple(v or "" for v in row[::-1]))
    say("soil tables", 1.0)
    return tables


def _rows_of(table: SurveyTable, keys: list[str], desk: Desk, service: str, notes: Asked) -> list[Row]:
    try:
        return _ask(table.name, table_query(table, keys), table.columns, desk, service, notes)
    except TooMuch as error:
        if len(keys) == 1:
            raise LayerError(f"{error} Map unit {keys[0]}, table {table.name}, cannot be split further.") from None
        half = len(keys) // 2
        return [row for part in (keys[:half], keys[half:]) for row in _rows_of(table, part, desk, service, notes)]


def _check_complete(keys: list[str], tables: dict[str, list[Row]]) -> None:
    """Refuse tables that lack requested map units or have others, because half a survey looks like a whole one."""
    place = {t.name: {name: k for k, name in enumerate(t.columns)} for t in soil_layout.TABLES}

    def column(table: str, name: str) -> set[str | None]:
        return {row[place[table][name]] for row in tables[table]}

    came, units, components = column("mapunit", "mukey"), set(keys), column("component", "cokey")
    loose = [t for t in ("chorizon", "corestrictions", "comonth", "cointerp") if column(t, "cokey") - components]
    loose += ["cosoilmoist"] if column("cosoilmoist", "comonthkey") - column("comonth", "comonthkey") else []
    faults = [f"map units without a table row: {joined(sorted(units - came))}" if units - came else "",
              "rows of other map units" if (came | column("component", "mukey")) - units else "",
              "component keys that appear twice" if len(components) != len(tables["component"]) else "",
              f"rows of unknown components in {joined(loose)}" if loose else "",
              "no component at all" if not components else ""]
    if any(faults):
        raise LayerError(f"E-FET-036 soil: the tables do not fit the polygons: {'; '.join(filter(None, faults))}. The "
                         "service may have refreshed its data; ask for all again with --refresh.")


# ------------------------------------------------------------------------------------------------- files
def _write(folder: Path, symbols: dict[tuple[str, str], str], tables: dict[str, list[Row]], notes: Asked) \
        -> list[Path]:
    polygons = _frame(symbols)
    with whole_folder(folder) as part:
        tabular = part / "tabular"
        write_with_provenance(tabular / "mstab.txt", soil_layout.list_of_tables(), CREDIT, notes["mapunit"])
        write_with_provenance(tabular / "mstabcol.txt", soil_layout.list_of_columns(), CREDIT, notes["mapunit"])
        for table in soil_layout.TABLES:
            content = soil_layout.table_text(tables[table.name])
            write_with_provenance(tabular / f"{table.file}.txt", content, CREDIT, notes[table.name])
        for path in soil_layout.write_polygons(polygons, part / "spatial"):
            write_provenance(path, CREDIT, notes[POLYGONS])
        names = sorted(p.relative_to(part) for p in part.rglob("*") if p.is_file())
    return [folder / name for name in names]


def _frame(symbols: dict[tuple[str, str], str]) -> Any:
    import geopandas as gpd
    import numpy as np
    import shapely

    ordered = sorted(symbols, key=lambda pair: (int(pair[0]), pair[1]))
    text = np.array([shape for _, shape in ordered], dtype=object)  # otherwise every text takes the room of the longest
    shapes = shapely.from_wkt(text, on_invalid="ignore")
    good = [s is not None and s.geom_type in ("Polygon", "MultiPolygon") and not s.is_empty for s in shapes]
    if not all(good):
        bad = [shown(ordered[k][1]) for k, fine in enumerate(good) if not fine]
        raise LayerError(f"E-FET-035 soil: shapes that are not polygons: {joined(bad)}. Nothing was written.")
    points = shapely.point_on_surface(shapes)
    holder, _ = shapely.STRtree(shapes).query(points, predicate="within")
    if len(holder) > len(shapes):
        twice = sorted({ordered[k][0] for k in holder[1:][holder[1:] == holder[:-1]]})
        raise LayerError(f"E-FET-037 soil: polygons lie on one another (map units {joined(twice)}): parts of two "
                         "versions of the survey. Ask for all again with --refresh.")
    return gpd.GeoDataFrame({"MUSYM": [symbols[pair] for pair in ordered], "MUKEY": [mukey for mukey, _ in ordered]},
                            geometry=list(shapes), crs="EPSG:4326")
