"""What the services would hold around the example town: invented counties, divisions and stations, its own weather."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import geopandas as gpd
import pandas as pd
import shapely
from area_services import (
    ADDRESSES,
    DAY,
    fixed_width,
    inventory_line,
    map_address,
    outline_frames,
    station_address,
    station_csv,
    station_line,
    zipped_shapefile,
)

from riskmap.download import climate

EXAMPLE = Path(__file__).resolve().parents[1] / "layers" / "example"
NOW = datetime(2025, 10, 31, 12, tzinfo=UTC)
BOX = (-98.61, 37.89, -98.55, 37.93)
KANSAS = "14"  # in the climate files; 20 for everyone else, which is Michigan there
COUNTY = {"Z01": "20901", "Z02": "20903"}  # no such counties
NEAR, SECOND, FAR = "USC00149901", "USC00149902", "USC00149903"


def monthly(cell: str, column: str, missing: float) -> dict[int, list[float]]:
    """Twelve values a year of a cell of the example."""
    table = pd.read_csv(EXAMPLE / "climate.csv")
    table = table[table["cell_id"] == cell].pivot(index="year", columns="month", values=column)
    return {int(year): row.fillna(missing).tolist() for year, row in table.iterrows()}


def cells() -> gpd.GeoDataFrame:
    frame = gpd.read_file(EXAMPLE / "climate_cells.gpkg").to_crs("EPSG:4326")
    return gpd.GeoDataFrame({"key": frame["cell_id"].map(COUNTY), "name": ["Onewest", "Twoeast"]},
                            geometry=frame.geometry, crs="EPSG:4326")


def away(key: str, name: str, x: float, y: float) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame({"key": [key], "name": [name]}, geometry=[shapely.box(x, y, x + 1, y + 1)], crs="EPSG:4326")


def weather_files() -> dict[str, tuple[bytes, str]]:
    out: dict[str, tuple[bytes, str]] = {ADDRESSES["date"]: (DAY.encode() + b"\n", "text/plain")}
    for element, column, missing in (("pcpn", "precip_in", -9.99), ("tmpc", "tavg_f", -99.9)):
        county = {(KANSAS + COUNTY[cell][2:], year): values for cell in COUNTY
                  for year, values in monthly(cell, column, missing).items()}
        decoy = {("20" + COUNTY["Z01"][2:], year): [77.0] * 12 for year in range(1980, 2026)}
        division = {(f"{KANSAS}09", year): values for year, values in monthly("Z01", column, missing).items()}
        beside = {("4108", year): [66.0] * 12 for year in range(1980, 2026)}
        code = climate.ELEMENTS[element]
        out[ADDRESSES[f"counties {element}"]] = (fixed_width(county | decoy, code), "text/plain")
        out[ADDRESSES[f"divisions {element}"]] = (fixed_width(division | beside, code), "text/plain")
    return out


def station_files() -> dict[str, tuple[bytes, str]]:
    """Two near stations with long records, one of them with a gap and a changed hour; others that must not be taken."""
    places = {NEAR: (37.95, -98.60), SECOND: (38.10, -98.70), FAR: (40.5, -98.6), "USC00149904": (37.92, -98.58),
              "USC00149905": (37.91, -98.58), "MXN00149906": (37.91, -98.57), "USC00149907": (37.93, -98.57)}
    spans = {NEAR: {"PRCP": (1950, 2025), "TMAX": (1951, 2025), "TMIN": (1950, 2025)},
             SECOND: {"PRCP": (1980, 2025), "TAVG": (1981, 2025)},
             FAR: {"PRCP": (1900, 2025), "TAVG": (1900, 2025)},  # 290 km away
             "USC00149904": {"PRCP": (2001, 2025), "TAVG": (1900, 2025)},  # 25 years together
             "USC00149905": {"PRCP": (1900, 2019), "TAVG": (1900, 2025)},  # ended
             "MXN00149906": {"PRCP": (1900, 2025), "TAVG": (1900, 2025)},  # another country
             "USC00149907": {"PRCP": (1900, 2025), "TMAX": (1900, 2025)}}  # no lowest
    inventory = "".join(inventory_line(key, *places[key], element, *span)
                        for key, elements in spans.items() for element, span in elements.items())
    listed = "".join(station_line(key, *place, 590.3, "KS", f"INVENTED {key[-1]}") for key, place in places.items())
    days = [date(2023, 1, 1) + timedelta(days=k) for k in range(400)]
    near = [(day, "" if 100 <= k < 110 else str(k % 50), ",X,0" if k == 50 else f",,0,{'0700' if k < 200 else '2400'}",
             "250", "120") for k, day in enumerate(days)]
    second = [(day, "5", ",,0", "260", "130") for day in days]
    return {ADDRESSES["inventory"]: (inventory.encode(), "text/plain"),
            ADDRESSES["list of stations"]: (listed.encode(), "text/plain"),
            station_address(NEAR): (station_csv(NEAR, *places[NEAR], near), "text/csv"),
            station_address(SECOND): (station_csv(SECOND, *places[SECOND], second), "text/csv")}


def map_files(weeks: list[date], scratch: Path) -> dict[str, tuple[bytes, str]]:
    """Weekly maps of the example; a week that it does not have is without drought."""
    maps = gpd.read_parquet(EXAMPLE / "drought_weekly.parquet")
    by_week = dict(tuple(maps.groupby(maps["map_date"].astype(str).str[:10])))
    none = maps.iloc[:0]
    out = {}
    for week in weeks:
        frame = by_week.get(str(week), none)
        frame = frame[frame.geometry.notna()][["DM", "geometry"]]
        out[map_address(week)] = (zipped_shapefile(frame, f"USDM_{week:%Y%m%d}", scratch), "application/zip")
    return out


def outline_files(scratch: Path) -> dict[str, tuple[bytes, str]]:
    counties = pd.concat([cells(), away("20905", "Elsewhere", -97.0, 39.0)], ignore_index=True)
    division = gpd.GeoDataFrame({"key": ["1409"], "name": ["Invented South"]},
                                geometry=[shapely.box(-99.2, 37.4, -98, 38.5)], crs="EPSG:4326")
    divisions = pd.concat([division, away("0306", "East", -91.0, 34.0)], ignore_index=True)
    as_counties, as_divisions = outline_frames(counties, divisions)
    return {ADDRESSES["county outlines"]: (zipped_shapefile(as_counties, "cb_2018_us_county_500k", scratch),
                                           "application/zip"),
            ADDRESSES["division outlines"]: (zipped_shapefile(as_divisions, "GIS.OFFICIAL_CLIM_DIVISIONS", scratch),
                                             "application/zip")}
