"""Which reader reads which entry of an area file. All layers are tried, so that all refusals are reported at once."""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from riskmap.common import equal_area
from riskmap.common.errors import LayerError
from riskmap.common.inputs import LotsInBrief
from riskmap.common.problems import Problem

if TYPE_CHECKING:
    import geopandas as gpd
    from numpy.typing import NDArray

    from riskmap.common.inputs import ClimateTables, Layers, SoilTables, Source
    from riskmap.common.settings import Area, ClimateEntry

FAR_LATITUDE_DEG = 2.0  # judgement: a climate division spans about two degrees from its centre
ROLES = ("lots", "soil", "climate", "drought", "index", "buildings", "context")


@dataclass
class Attempt:
    """Every layer that could be read, and why the others could not."""

    tables: dict[str, Any] = field(default_factory=dict)  # by role; a role is missing when it was refused or not named
    lots_in_brief: LotsInBrief | None = None  # None when the lots were refused or not named
    sources: list[Source] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)
    refusals: list[str] = field(default_factory=list)

    def read(self, role: str, reader: Callable[..., tuple[Any, list[Source], list[Problem]]], entry: Any, area: Area,
             **options: Any) -> None:
        """Read one layer and store the result or the refusal."""
        try:
            self.tables[role], sources, problems = reader(entry, area, **options)
        except LayerError as error:
            self.refusals += str(error).splitlines()
            self.problems += error.problems
            return
        self.sources += sources
        self.problems += problems


def read_each(area: Area, roles: Collection[str] = ROLES, lots: LotsInBrief | None = None) -> Attempt:
    """Read the layers of an area one by one; a refused layer does not hide the findings in the others.

    With `lots`, what an earlier reading of the same lot file found, that file is not read again; the result then has no
    table of lots.
    """
    from riskmap.layers import (
        buildings,
        climate_area,
        context,
        drought_weekly,
        index_grid,
        soil_key_raster,
        soil_ssurgo,
        soil_template,
    )

    out = Attempt()
    readers = {"ssurgo": soil_ssurgo.read, "template": soil_template.read}
    if "soil" in roles and area.soil.reader in readers:  # before the lots, because it shows where they should lie
        out.read("soil", readers[area.soil.reader], area.soil, area)
    if lots is not None:
        out.lots_in_brief = lots
        out.sources += lots.sources
        out.problems += lots.problems
    elif "lots" in roles:
        _read_lots(out, area)
    found = out.lots_in_brief
    if "soil" in roles and area.soil.reader == "key_raster":  # after the lots, because it is read around them only
        out.read("soil", soil_key_raster.read, area.soil, area, lots=out.tables.get("lots"))
    if "climate" in roles and area.climate:
        out.read("climate", climate_area.read, area.climate, area)
        if found is not None and "climate" in out.tables:
            out.problems += latitude_finding(area.climate, out.tables["climate"].latitude_deg, found.north_deg)
    if "drought" in roles and area.drought:
        bounds = _bounds(out.tables.get("soil"), out.tables.get("climate"))
        out.read("drought", drought_weekly.read, area.drought, area, bounds=bounds)
    if "index" in roles and area.index:
        out.read("index", index_grid.read, area.index, area)
    for role, reader, entry in (("buildings", buildings.read, area.buildings), ("context", context.read, area.context)):
        if role in roles and entry and found is not None:
            out.read(role, reader, entry, area, lots_box=found.box, lots=found.rows)
    return out


def _read_lots(out: Attempt, area: Area) -> None:
    """Read the lots, and note what the other layers need to know of them."""
    from riskmap.layers import lots

    sources, problems, coverage = len(out.sources), len(out.problems), soil_box(out.tables.get("soil"))
    out.read("lots", lots.read, area.lots, area, coverage=coverage)
    if "lots" not in out.tables:
        return
    _set_labels_aside(out)
    raw = out.tables["lots"]
    lon, lat = _middles(raw)
    _measure(out, area.crs, lon, lat, coverage)
    out.lots_in_brief = LotsInBrief(
        len(raw), float(np.median(lat)) if lat.size else None,
        lots_box(raw, coverage) if area.buildings or area.context else None,
        tuple(out.sources[sources:]), tuple(out.problems[problems:]))


def _set_labels_aside(out: Attempt) -> None:
    """Take the labels out of the table of lots, so that no stage, store or product can come upon them."""
    from riskmap.layers.lots_columns import LABEL

    lots = out.tables["lots"]
    if LABEL in lots:
        out.tables["labels"] = lots[LABEL].astype("str").reset_index(drop=True)
        out.tables["lots"] = lots.drop(columns=LABEL)


def read_all(area: Area, lots: LotsInBrief | None = None) -> Layers:
    """Read every layer of an area; `lots` as in `read_each`.

    Raises
    ------
    LayerError
        The error has the refusals of all layers together, and the findings about all of them.
    """
    from riskmap.common.inputs import Layers

    attempt = read_each(area, lots=lots)
    if attempt.refusals:
        raise LayerError("\n".join(attempt.refusals), problems=attempt.problems)
    tables = attempt.tables
    assert attempt.lots_in_brief is not None  # otherwise the lots were refused
    return Layers(tables.get("lots"), attempt.lots_in_brief, tables["soil"], tables.get("climate"),
                  tables.get("drought"), tables.get("index", ()), tuple(attempt.sources), attempt.problems,
                  tables.get("buildings"), tables.get("context"), tables.get("labels"))


def latitude_finding(entry: ClimateEntry, latitude: dict[str, float], here: float | None) -> list[Problem]:
    """Return a finding when the area file gives a cell a latitude far from the lots; day length follows from it.

    Parameters
    ----------
    entry : ClimateEntry
    latitude : dict
        Degrees north of each cell in use.
    here : float or None
        Median latitude of the lots' centres, with which it is compared. [deg north]
    """
    if entry.latitude_deg is None or not latitude or here is None:
        return []
    cell, degrees = min(latitude.items(), key=lambda item: abs(item[1] - here))
    if not abs(degrees - here) > FAR_LATITUDE_DEG or not abs(here) <= 90:
        return []
    return [Problem("W-CLI-049", "[climate]", rule=f"the lots lie at {here:.1f} degrees north, the latitude of cell "
                    f"{cell} is given as {degrees:g}.",
                    remedy="Correct latitude_deg, or look at the lots' coordinates.",
                    action="Used as given: length of day, and with it evapotranspiration, is that of another place.",
                    column="latitude_deg", value=f"{degrees:g}")]


def _measure(out: Attempt, crs: str, lon: NDArray[np.float64], lat: NDArray[np.float64],
             coverage: tuple[float, float, float, float] | None) -> None:
    """Refuse a coordinate system that distorts areas at the lots; report where only lengths are off.

    Lots off the soil map get no estimate, so where there is a soil map only the lots on it are checked. `lon`, `lat`
    are the lots' centres.
    """
    if coverage is not None:
        west, south, east, north = coverage
        inside = (lon >= west) & (lon <= east) & (lat >= south) & (lat <= north)
        lon, lat = lon[inside], lat[inside]
    refused, stretched = equal_area.at_lots(crs, lon, lat)
    out.refusals += [refused] if refused else []
    if stretched > equal_area.STRETCHED:
        out.problems.append(Problem(
            "W-SET-025", "area file", rule="areas are right in this system, but lengths are up to "
            f"{100 * stretched:.0f} % off at the lots, and distances to soil boundaries are measured in it.",
            remedy=f"Write crs = \"{equal_area.proposal(lon, lat)}\".", action="Used as given.", column="crs",
            value=crs))


def _middles(lots: gpd.GeoDataFrame) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return longitude and latitude of the centre of every raw lot that has one. [deg]"""
    from pyproj import Transformer

    bounds = lots.geometry.bounds.to_numpy()
    middles = (bounds[:, :2] + bounds[:, 2:]) / 2.0
    middles = middles[np.isfinite(middles).all(axis=1)]
    lon, lat = Transformer.from_crs(lots.crs, "EPSG:4326", always_xy=True).transform(middles[:, 0], middles[:, 1])
    known = np.isfinite(lon) & np.isfinite(lat)
    return np.asarray(lon)[known], np.asarray(lat)[known]


def lots_box(lots: gpd.GeoDataFrame, coverage: tuple[float, float, float, float] | None) \
        -> tuple[float, float, float, float] | None:
    """Return west, south, east, north of the lots on the soil map in degrees; None when there is none.

    Lots with wrong coordinates must not make the box as large as the earth, so lots outside the soil map do not count.
    """
    from pyproj import Transformer

    bounds = lots.geometry.bounds.to_numpy()
    lon, lat = Transformer.from_crs(lots.crs, "EPSG:4326", always_xy=True).transform(bounds[:, 0::2], bounds[:, 1::2])
    known = (np.isfinite(lon) & np.isfinite(lat)).all(axis=1)
    if coverage is not None:
        west, south, east, north = coverage
        with np.errstate(invalid="ignore"):
            known &= ((lon[:, 1] >= west) & (lon[:, 0] <= east) & (lat[:, 1] >= south) & (lat[:, 0] <= north))
    if not known.any():
        return None
    lon, lat = lon[known], lat[known]
    return float(lon.min()), float(lat.min()), float(lon.max()), float(lat.max())


def soil_box(soil: SoilTables | None) -> tuple[float, float, float, float] | None:
    """Return west, south, east, north of the soil map in degrees; None without one."""
    return _bounds(soil, None)


def _bounds(soil: SoilTables | None, climate: ClimateTables | None) -> tuple[float, float, float, float] | None:
    """Return what the soil map and the climate cells cover, in degrees; weekly maps are needed only there."""
    shapes = [soil.polygons] if soil is not None else []
    shapes += [climate.cells] if climate is not None and climate.cells is not None else []
    known = [shape.to_crs("EPSG:4326").total_bounds for shape in shapes if not shape.empty]
    if not known:
        return None
    west, south = (min(float(box[k]) for box in known) for k in (0, 1))
    east, north = (max(float(box[k]) for box in known) for k in (2, 3))
    return west, south, east, north
