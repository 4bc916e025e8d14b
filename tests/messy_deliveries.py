"""Four invented deliveries as counties, vendors and surveyors hand them over: lots on a real survey, all else invented.

Each function writes one file and returns it. Owners, addresses and years are made up here; no person is meant.
"""

from __future__ import annotations

import zipfile
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import real_lots

COUNT = 120
STREETS = ("Invented Ave", "Nowhere St", "Example Ln")


def lots_on(soil: Path, count: int = COUNT) -> gpd.GeoDataFrame:
    """Return invented lots on a real survey, in degrees, with the attributes that deliveries dress up."""
    lots = real_lots.invent(real_lots.read_map_units(soil), count).to_crs("EPSG:4326")
    rng = np.random.default_rng(7)
    number = rng.permutation(10 * count)[:count]
    year = rng.integers(1958, 2019, count)
    return gpd.GeoDataFrame({
        "parcel": [f"0{n:04d}-{k:03d}" for k, n in enumerate(number)],
        "year": np.where(rng.random(count) < 0.1, 0, year),
        "effective": year + 10,
        "foundation": rng.choice(["SLAB ON GRADE", "SLAB", "CRAWL SPACE", ""], count, p=[0.6, 0.25, 0.05, 0.1]),
        "use": rng.choice(["SINGLE FAMILY", "VACANT RESIDENTIAL"], count, p=[0.97, 0.03]),
        "address": [f"{100 + k} {STREETS[k % 3]}" for k in range(count)],
        "owner": [f"INVENTED PERSON {k}" for k in range(count)],
        "sqft": rng.integers(1100, 2600, count),
    }, geometry=lots.geometry, crs="EPSG:4326")


def state_plane_zip(lots: gpd.GeoDataFrame, folder: Path) -> Path:
    """A county's shapefile in feet, names cut to ten letters, with a text and metadata beside it in the zip."""
    table = gpd.GeoDataFrame({
        "OBJECTID": np.arange(1, len(lots) + 1), "PARCEL_NUM": lots["parcel"], "OWNER_NAME": lots["owner"],
        "SITUS_ADDR": lots["address"], "YEAR_BUILT": lots["year"], "EFF_YEAR_B": lots["effective"],
        "FOUNDATION": lots["foundation"], "BLDG_SQFT": lots["sqft"].astype(float)},
        geometry=lots.geometry, crs=lots.crs).to_crs("EPSG:3434")
    table["SHAPE_AREA"] = table.geometry.area
    inner = folder / "parts"
    inner.mkdir()
    table.to_file(inner / "Parcels_2026.shp")
    target = folder / "county_parcels.zip"
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as packed:
        for part in sorted(inner.iterdir()):
            packed.write(part, f"Parcels_2026/{part.name}")
        packed.writestr("Parcels_2026/readme.txt", "Parcels as of an invented day.\n")
        packed.writestr("Parcels_2026/metadata.xml", "<metadata/>")
    for part in inner.iterdir():
        part.unlink()
    inner.rmdir()
    return target


def national_csv(lots: gpd.GeoDataFrame, folder: Path) -> Path:
    """A vendor's table: one point a row, its own names, letters in Windows-1252, a row number beside the id."""
    middle = lots.geometry.representative_point()
    table = pd.DataFrame({
        "ROWNUM": np.arange(1, len(lots) + 1), "FIPS_CODE": "05041", "APN": lots["parcel"],
        "OWNER_1_FULL_NAME": lots["owner"], "SITUS_FULL_ADDRESS": lots["address"].str.replace("Ave", "Avé"),
        "LATITUDE": middle.y.round(6), "LONGITUDE": middle.x.round(6), "YR_BLT": lots["year"],
        "EFFECTIVE_YR_BLT": lots["effective"], "FOUNDATION_TYPE_DESC": lots["foundation"],
        "LAND_USE_DESC": lots["use"], "LIVING_AREA_SQFT": lots["sqft"]})
    target = folder / "national_extract.csv"
    target.write_bytes(table.to_csv(index=False).encode("cp1252"))
    return target


def points_geopackage(lots: gpd.GeoDataFrame, folder: Path) -> Path:
    """A GeoPackage with points of the lots, a layer of roads, and a slab width with its unit."""
    target = folder / "address_points.gpkg"
    points = gpd.GeoDataFrame({
        "PropID": lots["parcel"], "BuiltYear": lots["year"].replace(0, np.nan), "FndnType": lots["foundation"],
        "House_Width_ft": np.where(np.arange(len(lots)) % 3 == 0, np.nan, 30.0 + np.arange(len(lots)) % 12)},
        geometry=lots.geometry.representative_point(), crs=lots.crs).to_crs("EPSG:26915")
    points.to_file(target, layer="points")
    middle = points.geometry.iloc[:2].tolist()
    from shapely import LineString

    roads = gpd.GeoDataFrame({"FULLNAME": ["Invented Ave"]}, geometry=[LineString(middle)], crs=points.crs)
    roads.to_file(target, layer="roads")
    return target


def placemarks_kml(lots: gpd.GeoDataFrame, folder: Path) -> Path:
    """A KML of outlines: the id is the title of each placemark, the rest stands in its data."""
    marks = []
    for lot in lots.itertuples():
        ring = " ".join(f"{x:.7f},{y:.7f}" for x, y in lot.geometry.exterior.coords)
        data = "".join(f'<Data name="{name}"><value>{value}</value></Data>' for name, value in (
            ("Year Built", lot.year or ""), ("Foundation", lot.foundation), ("Owner", lot.owner)))
        marks.append(f"<Placemark><name>{lot.parcel}</name><ExtendedData>{data}</ExtendedData><Polygon>"
                     f"<outerBoundaryIs><LinearRing><coordinates>{ring}</coordinates></LinearRing></outerBoundaryIs>"
                     "</Polygon></Placemark>")
    target = folder / "doc.kml"
    target.write_text('<?xml version="1.0" encoding="UTF-8"?><kml xmlns="http://www.opengis.net/kml/2.2"><Document>'
                      f"<Folder>{''.join(marks)}</Folder></Document></kml>", encoding="utf-8")
    return target


DELIVERIES = {"state plane shapefile": state_plane_zip, "national CSV": national_csv,
              "GeoPackage of points": points_geopackage, "KML": placemarks_kml}


def weather(data: Path, folder: Path, cell: str = "0309") -> Path:
    """The real monthly record of one climate division, as a table of its own."""
    rows = pd.read_csv(data / "drought" / "climate_divisions" / "nclimdiv_arkansas_iowa_1895_2022.csv.gz",
                       dtype={"division": str})
    target = folder / f"division_{cell}.csv"
    rows.loc[rows["division"] == cell, ["division", "date", "precip_in", "tavg_f"]].to_csv(target, index=False)
    return target
