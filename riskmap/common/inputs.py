"""What the layer readers return: tables in our names and units, and where each came from."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import geopandas as gpd
    import numpy as np
    import pandas as pd
    import pyarrow as pa
    from numpy.typing import NDArray

    from riskmap.common.problems import Problem


@dataclass(frozen=True)
class Source:
    """One file that was read: its path as the area file gives it, and what the reader learned about it."""

    role: str  # lots, soil, climate, climate_cells, drought, index, buildings, context
    path: Path
    title: str = ""
    provider: str = ""
    licence: str = ""
    credit: str = ""
    valid_date: str = ""  # date of the data: YYYY, YYYY-MM or YYYY-MM-DD, or first..last
    rows: int = 0
    # where it was read, for its digest; never written, because it may show whose machine it was
    opened: Path | None = None


@dataclass(frozen=True)
class SoilTables:
    """Soil survey in our names. Polygons are single parts, never dissolved, in EPSG:4326 as published."""

    polygons: gpd.GeoDataFrame  # mukey (text), geometry
    map_unit: pd.DataFrame  # tables.MAP_UNIT
    component: pd.DataFrame  # tables.COMPONENT
    horizon: pd.DataFrame  # tables.HORIZON, in file order
    scale: int | None = None  # mapping scale denominator, 24000 for 1:24,000; None when not recorded
    # component_id, rating: the survey's own rating, if the download has it
    shrink_swell_stored: pd.DataFrame | None = None
    from_raster: bool = False  # polygons are the cells of a grid: an overview, not a map of lots


@dataclass(frozen=True)
class DailyRecord:
    """Days and months of one climate cell, in mm and degC.

    Attributes
    ----------
    cell_id : str
    latitude_deg : float
    first_month : int
        Month number of the first month; months follow each other without a gap.
    rain_mm, temperature_c : array, shape (n_day,)
        Every day of these months; nan on the days of a month without daily values.
    from_days : bool array, shape (n_month,)
        Whether a month has daily values; the others have what the monthly record says, or nothing.
    monthly : DataFrame
        `tables.CLIMATE_MONTHLY` of the same months: sums and means of the days, or else the monthly record.
    temperature : str
        What the mean temperature is: `climate_daily.MEANS` or `EXTREMES`.
    observation_hour : str
        HHMM at which most days of rain were read, empty when it is not given.
    """

    cell_id: str
    latitude_deg: float
    first_month: int
    rain_mm: NDArray[np.float64]
    temperature_c: NDArray[np.float64]
    from_days: NDArray[np.bool_]
    monthly: pd.DataFrame
    temperature: str
    observation_hour: str


@dataclass(frozen=True)
class ClimateTables:
    """Monthly climate per cell. `cells` is None when the area names one cell for every lot."""

    monthly: pd.DataFrame  # tables.CLIMATE_MONTHLY
    latitude_deg: dict[str, float]  # cell_id -> degrees north
    cells: gpd.GeoDataFrame | None = None  # cell_id, geometry
    pet_source: str = ""  # empty when it is computed here from temperature
    daily: tuple[DailyRecord, ...] = ()  # of the cells that have a daily record; `monthly` contains its sums and means


@dataclass(frozen=True)
class DroughtTables:
    """Weekly categories. `weeks` lists every map that was read, including those without any polygon."""

    polygons: gpd.GeoDataFrame  # valid_date, category 0-4, geometry; not nested, valid geometry, one CRS
    weeks: tuple[str, ...]
    extent: gpd.GeoSeries | None = None  # what the maps cover, when that is less than the nation


@dataclass(frozen=True)
class IndexGrid:
    """One standardised drought index on a grid for one or more month ends."""

    name: str  # spi, spei, pdsi
    accumulation_months: int
    months: NDArray[np.int64]  # month numbers, one per band
    values: NDArray[np.float64]  # shape (month, row, column), nan where there is no value
    transform: object  # affine, pixel to CRS
    crs: object


@dataclass(frozen=True)
class BuildingOutlines:
    """Outlines of buildings near the lots, as they are in the file.

    Attributes
    ----------
    wkb : ChunkedArray
        Well-known binary, two-dimensional; it takes a third of the memory of shapes.
    crs : CRS
        Coordinate system of the outlines.
    file : str
        Name of the file for messages.
    month : int or None
        Month number of the last month that the outlines show, from the `valid_date` of the area file.
    """

    wkb: pa.ChunkedArray
    crs: Any
    file: str
    month: int | None = None


@dataclass(frozen=True)
class LotsInBrief:
    """What the reading of the other layers needs to know of the raw lots.

    Attributes
    ----------
    rows : int
    north_deg : float or None
        Median latitude of the lots' centres; None when none has a place.
    box : tuple of float or None
        West, south, east, north of the lots on the soil map in degrees; only where buildings or context are named.
    sources : tuple of Source
        The lot file, and its corrections.
    problems : tuple of Problem
        Findings on them.
    """

    rows: int
    north_deg: float | None
    box: tuple[float, float, float, float] | None
    sources: tuple[Source, ...]
    problems: tuple[Problem, ...]


@dataclass(frozen=True)
class Layers:
    """Everything that was read."""

    lots: gpd.GeoDataFrame | None  # None when an earlier reading was used
    lots_in_brief: LotsInBrief
    soil: SoilTables
    climate: ClimateTables | None
    drought: DroughtTables | None
    index: tuple[IndexGrid, ...]
    sources: tuple[Source, ...]
    problems: list[Problem] = field(default_factory=list)
    buildings: BuildingOutlines | None = None
    context: gpd.GeoDataFrame | None = None  # layer, kind, label, geometry in EPSG:4326; only drawn
    labels: pd.Series | None = None  # text of every lot in file order, where `[lots] label` names a column; no stage's
