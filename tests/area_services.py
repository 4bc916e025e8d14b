"""What the services send of which `fetch area` asks, as documented, and each way in which they misbehave.

`Services` serves national files by path, made from frames and numbers that a test gives; the soil service answers from
a download. `misbehave` puts a reply of `MISBEHAVIOUR` in the place of one of them.
"""

from __future__ import annotations

import io
import zipfile
from collections.abc import Callable, Iterable
from dataclasses import replace
from datetime import date
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyogrio
from stand_in import Handler, Reply, SoilService, StandIn, hang, page, send

from riskmap.download import area, climate, outlines, stations
from riskmap.download.cache import Desk
from riskmap.download.client import Client

DAY = "20251106"
HTML = b"<!DOCTYPE html><html><body>We are down for daily maintenance.</body></html>"
ADDRESSES = {
    "soil": "/tabular/post.rest",
    "county outlines": outlines.COUNTIES.path,
    "division outlines": outlines.DIVISIONS.path,
    "date": climate.FOLDER + "procdate.txt",
    **{f"{cells} {element}": f"{climate.FOLDER}climdiv-{element}{climate.ENDING[cells]}-v1.0.0-{DAY}"
       for cells in climate.ENDING for element in climate.ELEMENTS},
    "list of stations": stations.LIST,
    "inventory": stations.INVENTORY,
}


def map_address(week: date) -> str:
    return f"/data/shapefiles_m/USDM_{week:%Y%m%d}_M.zip"


def station_address(key: str) -> str:
    return f"{stations.RECORDS}{key}.csv"


# -------------------------------------------------------------------------------------------------- contents
def zipped_shapefile(frame: gpd.GeoDataFrame, stem: str, scratch: Path, without: str = "nothing",
                     geometry_type: str = "Polygon") -> bytes:
    """Return a shapefile in a zip, all its parts but those that end in `without`."""
    folder = scratch / stem
    folder.mkdir(parents=True, exist_ok=True)
    pyogrio.write_dataframe(frame, folder / f"{stem}.shp", driver="ESRI Shapefile", geometry_type=geometry_type)
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as opened:
        for part in sorted(folder.iterdir()):
            if part.suffix != without:
                opened.writestr(part.name, part.read_bytes())
            part.unlink()
    return stream.getvalue()


def fixed_width(values: dict[tuple[str, int], Iterable[float]], code: str) -> bytes:
    """Return monthly records: state and cell, element, year, then twelve values seven characters wide."""
    lines = [f"{cell}{code}{year}" + "".join(f"{value:7.2f}" for value in months) + "   "
             for (cell, year), months in sorted(values.items())]
    return ("\n".join(lines) + "\n").encode()


def inventory_line(key: str, latitude: float, longitude: float, element: str, first: int, last: int) -> str:
    return f"{key:<11} {latitude:8.4f} {longitude:9.4f} {element:<4} {first:4d} {last:4d}\n"


def station_line(key: str, latitude: float, longitude: float, elevation_m: float, state: str, name: str) -> str:
    return f"{key:<11} {latitude:8.4f} {longitude:9.4f} {elevation_m:6.1f} {state:<2} {name:<30} {'':3} {'':3} {'':5}\n"


HEADING = ["STATION", "DATE", "LATITUDE", "LONGITUDE", "ELEVATION", "NAME", "PRCP", "PRCP_ATTRIBUTES", "TMAX",
           "TMAX_ATTRIBUTES", "TMIN", "TMIN_ATTRIBUTES"]


def station_csv(key: str, latitude: float, longitude: float, days: Iterable[tuple[date, str, str, str, str]]) -> bytes:
    """Return a station file; days are (date, rain, its attributes, highest, lowest) as written."""
    def line(values: Iterable[str]) -> str:
        return ",".join(f'"{value}"' for value in values)

    head = [key, "", f"{latitude}", f"{longitude}", "500.0", "INVENTED, KS US"]
    rows = [line([key, str(day), *head[2:], rain, attributes, high, ",,0", low, ",,0"])
            for day, rain, attributes, high, low in days]
    return ("\n".join([line(HEADING), *rows]) + "\n").encode()


# -------------------------------------------------------------------------------------------------- service
class Services:
    """All services at one origin. `files` may be changed; `misbehave` holds a reply for a path."""

    def __init__(self, soil: SoilService, files: dict[str, tuple[bytes, str]]) -> None:
        self.soil, self.files = soil, files
        self.misbehave: dict[str, Reply] = {}

    def __call__(self, handler: Handler, form: dict[str, str]) -> None:
        if handler.path in self.misbehave:
            self.misbehave[handler.path](handler, form)
        elif handler.path == ADDRESSES["soil"]:
            self.soil(handler, form)
        else:
            body, media = self.files.get(handler.path, (HTML, ""))
            send(handler, body, media or "text/html", 200 if media else 404)


def origins(stand_in: StandIn) -> area.Services:
    return area.Services(*[stand_in.origin] * 4)


class Asks(Desk):
    """A desk with a full cache that asks anew for some paths only."""

    paths: tuple[str, ...] = ()

    def _stored(self, request, check):  # type: ignore[no-untyped-def]
        return None if request.url.endswith(self.paths) else super()._stored(request, check)


class Detour(Client):
    """Asks a stand-in for what the public services are asked for; addresses in cache and provenance stay the public."""

    def __init__(self, stand_in: StandIn, **changes: object) -> None:
        super().__init__()
        self._real, self._origin = stand_in.client(**changes), stand_in.origin

    def content(self, request):  # type: ignore[no-untyped-def]
        path = request.url.split("/", 3)[3]
        return self._real.content(replace(request, url=f"{self._origin}/{path}"))


# ---------------------------------------------------------------------------------------------- misbehaviour
def _slow(good: bytes, media: str) -> Reply:
    def reply(handler: Handler, form: dict[str, str]) -> None:
        handler.wfile.write(f"HTTP/1.1 200 OK\r\ncontent-type: {media}\r\ncontent-length: {len(good)}\r\n\r\n".encode())
        hang(handler, form)
    return reply


def _cut(good: bytes, media: str) -> Reply:
    def reply(handler: Handler, form: dict[str, str]) -> None:
        handler.wfile.write(f"HTTP/1.1 200 OK\r\ncontent-type: {media}\r\ncontent-length: {len(good) + 500}\r\n\r\n"
                            .encode() + good)
    return reply


# name -> how to answer, given a good answer, its media type, and another origin
MISBEHAVIOUR: dict[str, Callable[[bytes, str, str], Reply]] = {
    "slow": lambda good, media, other: _slow(good, media),
    "cut": lambda good, media, other: _cut(good, media),
    "wrong content type": lambda good, media, other: page(good, "image/png"),
    "page with status 200": lambda good, media, other: page(HTML, "text/html"),
    "page that lies about its type": lambda good, media, other: page(HTML, media),
    "redirect to another host": lambda good, media, other: page(b"", "", 302, location=other + "/x"),
    "not there": lambda good, media, other: page(HTML, "text/html", 404),
    "too many requests": lambda good, media, other: page(HTML, "text/html", 429, retry_after="3600"),
    "changed format": lambda good, media, other: page(b'{"version": 2}\n', media),
    "too large": lambda good, media, other: page(good, media, content_length=str(10**12)),
}


def outline_frames(counties: gpd.GeoDataFrame, divisions: gpd.GeoDataFrame) -> tuple[gpd.GeoDataFrame, ...]:
    """Return frames in the columns of the published files; in: `key`, `name`, geometry in EPSG:4326."""
    as_counties = gpd.GeoDataFrame({"STATEFP": counties["key"].str[:2], "COUNTYFP": counties["key"].str[2:],
                                    "GEOID": counties["key"], "NAME": counties["name"]}, geometry=counties.geometry)
    as_divisions = gpd.GeoDataFrame({"OBJECTID": np.arange(1, len(divisions) + 1), "STATE": "Invented",
                                     "CLIMDIV": divisions["key"].astype(int), "NAME": divisions["name"]},
                                    geometry=divisions.geometry)
    return as_counties.set_crs("EPSG:4326").to_crs("EPSG:4269"), as_divisions.set_crs("EPSG:4326").to_crs("EPSG:4269")
