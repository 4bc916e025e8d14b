"""Which shapes are the lots, and which are buildings, cells of the weather, context, or a list, each beside the others.

Buildings lie in lots, about one in each, and are much smaller. Cells have a column with the names of the weather's
cells. Lots have an id by name, or a column that speaks of a house; a file with neither is taken only when it is alone.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from riskmap.common.errors import counted
from riskmap.layers.lots_columns import RawLots
from riskmap.layers.recognise import Found
from riskmap.run.new_area import lot_columns
from riskmap.run.new_area.guesses import Left

# All of these are judgements; invented deliveries in tests/unit/run lie well on either side.
INSIDE = 0.5  # least share of buildings whose middle lies in a lot
MUCH_SMALLER = 0.5  # largest ratio of the median areas of buildings and lots
PER_LOT = 3.0  # most buildings in a lot that has any, as a median; a street of lots in a subdivision has more
WIDEST_DEG = 0.02  # largest median width of lots, some 2 km: a section of land is 1.6 km wide
SAME_IDS = 0.5  # least share of rows of a list whose ids are those of lots
NAMED_CELLS = 0.5  # least share of cells' names that the weather has too
_NAME = re.compile(r"(?:full|street|st|road|rd|sub|subd|subdiv|hood|place|area|school|park|map)?"
                   r"(?:name|label|title)|street|road|subdivision|neighbou?rhood")


@dataclass(frozen=True)
class Shapes:
    """One layer of shapes, and what its columns would be if its rows were lots."""

    found: Found
    columns: lot_columns.Columns

    @property
    def raw(self) -> RawLots:
        """Attributes and shapes under the file's own names."""
        raw: RawLots = self.found.facts["raw"]
        return raw

    @cached_property
    def polygons(self) -> bool:
        """Whether most of its shapes have an area."""
        import shapely

        return bool(len(self.raw.geometry) and (shapely.get_dimensions(self.raw.geometry) == 2).mean() > 0.5)

    @cached_property
    def degrees(self) -> NDArray[np.object_]:
        """Shapes in degrees; none without a coordinate system."""
        import geopandas as gpd
        from pyproj.exceptions import ProjError

        if self.raw.crs is None:
            return np.empty(0, dtype=object)
        try:
            shapes = gpd.GeoSeries(self.raw.geometry, crs=self.raw.crs).to_crs("EPSG:4326")
        except ProjError:  # a system that is not understood: `check` says so
            return np.empty(0, dtype=object)
        return np.asarray(shapes.array, dtype=object)

    @property
    def has_name(self) -> bool:
        """Whether a column contains names, as roads and places have them."""
        return named(list(self.raw.names))

    @cached_property
    def lot_sized(self) -> bool:
        """Whether its shapes can be lots by their size; points and shapes without a place can."""
        import shapely

        bounds = shapely.bounds(self.degrees) if len(self.degrees) else np.empty((0, 4))
        width = (bounds[:, 2:] - bounds[:, :2]).max(axis=1, initial=0.0)
        width = width[np.isfinite(width)]
        return not len(width) or float(np.median(width)) <= WIDEST_DEG

    def order(self) -> tuple[int, int, bool, int]:
        """Return what makes one file the likelier lots than another, the largest first."""
        return self.columns.signals, int(self.columns.id_named), self.polygons, len(self.raw.geometry)


@dataclass(frozen=True)
class Sorted:
    """The lots, other files that could be the lots, cells of the weather with their key, and the rest by kind.

    `could_be` has every file that somebody may say is the lots.
    """

    lots: Shapes | None
    other_lots: list[Shapes]
    cells: list[tuple[Shapes, str]]
    buildings: list[Found]
    context: list[Found]
    left: list[Left]
    could_be: list[Shapes]


def named(columns: Sequence[str]) -> bool:
    """Return whether a column has the name of one with names."""
    return bool(names_in(columns))


def names_in(columns: Sequence[str]) -> list[str]:
    """Return the columns that have the name of one with names, as they are in the file."""
    return [column for column in columns if _NAME.fullmatch(re.sub(r"[^a-z]", "", column.lower()))]


def sort(found: list[Found], weather_cells: set[str], said: str = "") -> Sorted:
    """Say what each layer of shapes is.

    Parameters
    ----------
    found : list of Found
        Of any kind; those of `shapes` and `lines` are sorted.
    weather_cells : set of str
        Names of the cells of the weather records.
    said : str
        Name of the file or layer that the user says is the lots; empty when it is to be recognised.
    """
    lines = [one for one in found if one.kind == "lines"]
    context = [one for one in lines if named(one.facts["columns"])]
    left = [Left(one.name, "lines without a column of names") for one in lines if one not in context]
    shapes: list[Shapes] = []
    cells: list[tuple[Shapes, str]] = []
    for one in (one for one in found if one.kind == "shapes"):
        key = _cells_key(one.facts["raw"], weather_cells)
        columns = lot_columns.guess(one.facts["raw"].attributes, one.facts.get("places", {}),
                                    one.path.suffix.lower() in (".kml", ".kmz"))
        if key:
            cells.append((Shapes(one, columns), key))
        else:
            shapes.append(Shapes(one, columns))
    named_lots = next((layer for layer in shapes if layer.found.name == said), None)
    buildings = [layer for layer in shapes if layer is not named_lots
                 and any(_are_buildings(layer, other) for other in shapes if other is not layer)]
    rest = [layer for layer in shapes if layer not in buildings]
    candidates = [layer for layer in rest
                  if layer.lot_sized and layer.columns.id_share and (layer.columns.signals or layer.columns.id_named)]
    candidates.sort(key=lambda layer: layer.order(), reverse=True)
    if not candidates and len(alone := [layer for layer in rest if layer.columns.id_share and layer.lot_sized]) == 1:
        candidates = alone
    lots = named_lots or next(iter(candidates), None)
    others = []
    for layer in (layer for layer in rest if layer is not lots):
        if lots is not None and (said := _same_ids(layer, lots)):
            left.append(Left(layer.found.name, said))
        elif layer in candidates:
            others.append(layer)
        elif layer.has_name:
            context.append(layer.found)
        else:
            lacking = "without an id of lots" if layer.lot_sized else "much larger than lots"
            left.append(Left(layer.found.name, f"{layer.found.reason}, {lacking} and without a column of names"))
    could_be = [layer for layer in rest if layer.lot_sized]
    return Sorted(lots, others, cells, [layer.found for layer in buildings], context, left, could_be)


def _cells_key(raw: RawLots, weather_cells: set[str]) -> str:
    """Return the column with the names of the weather's cells; empty text without one."""
    import shapely

    if not weather_cells or not len(raw.geometry) or (shapely.get_dimensions(raw.geometry) == 2).mean() < 1:
        return ""
    shares = {}
    for name in raw.names:
        values = raw.attributes[name].str.strip()
        shares[name] = float(values.isin(weather_cells).mean()) * (values.nunique() >= NAMED_CELLS * len(values))
    best = max(shares, key=lambda name: shares[name], default="")
    return best if best and shares[best] >= NAMED_CELLS else ""


def _are_buildings(small: Shapes, large: Shapes) -> bool:
    """Return whether most polygons of one file lie in those of another, about one in each, and are much smaller."""
    import shapely

    inner, outer = small.degrees, large.degrees
    if not (small.polygons and large.polygons and len(inner) and len(outer)):
        return False
    inner = inner[shapely.get_dimensions(inner) == 2]
    outer = outer[shapely.get_dimensions(outer) == 2]
    if np.median(shapely.area(inner)) > MUCH_SMALLER * np.median(shapely.area(outer)):
        return False
    every = shapely.point_on_surface(inner[shapely.is_valid(inner)])
    tree = shapely.STRtree(outer[shapely.is_valid(outer)])
    inside, holder = tree.query(every, predicate="within")
    if not len(every) or len(np.unique(inside)) < INSIDE * len(every):
        return False
    return float(np.median(np.unique(holder, return_counts=True)[1])) <= PER_LOT


def _same_ids(one: Shapes, lots: Shapes) -> str:
    """Return what to say of a table whose rows name lots of the lot file; empty text when it does not."""
    if one.polygons or len(one.raw.geometry) >= len(lots.raw.geometry) or "lot_id" not in lots.columns.taken:
        return ""
    ids = set(lots.raw.attributes[lots.columns.taken["lot_id"]].str.strip()) - {""}
    shares = [float(_filled(one.raw.attributes[name]).isin(ids).mean()) for name in one.raw.names]
    if max(shares, default=0.0) < SAME_IDS:
        return ""
    return f"a list of {counted(len(one.raw.geometry), 'row')} with ids of the lots, for `screen` or `brief`"


def _filled(column: pd.Series) -> pd.Series:
    text = column.str.strip()
    return text[text != ""]
