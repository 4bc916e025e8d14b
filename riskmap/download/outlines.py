"""Fetch the outlines of counties and climate divisions, and cut them to those that touch a box.

Both come as one national shapefile in a zip, and are written as GeoJSON in EPSG:4326 with the key as text, as `cells`
under `[climate]` takes it: a county by its five federal digits, a division by its four. Each outline is written whole.

Tested against a stand-in. The county file is tested with published outlines of eight states; outlines of divisions were
not at hand, so their reading is tested with invented shapes in the layout that programs which use the file expect.
"""

from __future__ import annotations

import io
import json
import re
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

from riskmap.common import states
from riskmap.common.errors import SAID_CHARACTERS, LayerError, joined, visible
from riskmap.download import client, shape_zip
from riskmap.download.cache import Credit, Desk, ServiceAnswer, write_with_provenance
from riskmap.download.client import Request
from riskmap.download.climate import FOLDER as CLIMATE_FOLDER

if TYPE_CHECKING:
    import geopandas as gpd

Box = tuple[float, float, float, float]
MAX_ZIP, MAX_UNPACKED = 64 * 1024**2, 512 * 1024**2  # judgement: the county zip is near 11 MB (from memory)
MAX_AGE = timedelta(days=365)  # the county file is of one year; divisions are redrawn hardly ever (judgement)
DECIMALS = 6  # of a degree: 0.1 m


@dataclass(frozen=True)
class Kind:
    """One national file of outlines: where it is, and which columns contain the key and the name."""

    name: str
    path: str
    key: str
    label: str
    written_key: str
    form: str
    credit: Credit


# Both addresses are seen in use by several programs. The county file is that of 2018: from 2022 on the Census has
# planning regions in Connecticut, and the monthly climate keeps the former counties there.
COUNTIES = Kind("counties", "/geo/tiger/GENZ2018/shp/cb_2018_us_county_500k.zip", "GEOID", "NAME", "county_fips",
                r"\d{5}", Credit(
                    "Cartographic boundary file of counties, 1:500,000, 2018; the outlines that touch the box",
                    "United States Census Bureau", "United States government work, public domain",
                    "United States Census Bureau, cartographic boundary files, 2018."))
DIVISIONS = Kind("divisions", CLIMATE_FOLDER + "CONUS_CLIMATE_DIVISIONS.shp.zip", "CLIMDIV", "NAME", "division",
                 r"(?:0[1-9]|[1-3]\d|4[0-8])(?:0[1-9]|1\d)", Credit(
                     "Climate divisions of the conterminous United States; the outlines that touch the box",
                     "NOAA National Centers for Environmental Information",
                     "United States government work, public domain",
                     "NOAA National Centers for Environmental Information, climate divisions."))


@dataclass(frozen=True)
class Touching:
    """The outlines that touch a box.

    Attributes
    ----------
    names : dict
        Name of each by its key, sorted by key.
    middle : str
        Key of the one that contains the middle of the box; empty text when none does, as in the sea.
    content : bytes
        GeoJSON with the key, the name and the outline of each.
    answer : ServiceAnswer
        What was asked, and the national file that came.
    """

    kind: Kind
    names: dict[str, str]
    middle: str
    content: bytes
    answer: ServiceAnswer

    def write(self, path: Path) -> list[Path]:
        """Write the outlines and their provenance; return both paths."""
        return write_with_provenance(path, self.content, self.kind.credit, [self.answer.note()])


def touching(box: Box, kind: Kind, desk: Desk, service: str) -> Touching:
    """Fetch the outlines of a kind that touch a box.

    Parameters
    ----------
    box : (west, south, east, north)
        Degrees, EPSG:4326. It is not sent: the national file is asked for.
    kind : Kind
        `COUNTIES` or `DIVISIONS`.
    desk : Desk
    service : str
        Origin of the service.

    Raises
    ------
    LayerError
        When the service fails, the file is not of this form, or none touches the box.
    """
    import shapely

    answer = desk.answer(Request(service + kind.path, client.ZIP, max_bytes=MAX_ZIP),
                         lambda content: check(content, kind), MAX_AGE)
    frame = _frame(answer.content, kind)
    frame = frame[frame.geometry.intersects(shapely.box(*box))].sort_values("key")
    if frame.empty:
        raise LayerError(f"E-FET-061 {kind.name}: none touches the box. The data cover the 48 conterminous states; "
                         "check that the lots lie there.")
    holding = frame["key"][frame.geometry.intersects(shapely.box(*box).centroid)]
    return Touching(kind, dict(zip(frame["key"], frame["label"], strict=True)), next(iter(holding), ""),
                    _geojson(frame, kind), answer)


def check(content: bytes, kind: Kind) -> None:
    """Raise LayerError unless the zip is whole and its shapefile has the columns, keys and shapes of the kind."""
    _frame(content, kind)


def _frame(content: bytes, kind: Kind) -> gpd.GeoDataFrame:
    """Return key, label and geometry in EPSG:4326."""
    import geopandas as gpd
    import pyogrio

    names, fault = shape_zip.look(content, MAX_UNPACKED)
    stem = "" if fault else shape_zip.shapefile(names)
    if not stem:
        raise _refused(kind, fault or f"it has no single whole shapefile but {joined(sorted(names), 6) or 'nothing'}")
    try:
        raw = pyogrio.read_dataframe(io.BytesIO(content), layer=stem.rpartition("/")[2])
    except (pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError, ValueError, RuntimeError):
        raise _refused(kind, "its shapefile cannot be read") from None
    columns = {str(name).upper(): name for name in raw.columns}
    if absent := [name for name in (kind.key, kind.label) if name not in columns]:
        raise _refused(kind, f"it has no column {joined(absent)}, only {joined(columns, 20)}")
    if raw.crs is None:
        raise _refused(kind, "its coordinate system is not said")
    key = raw[columns[kind.key]].map(lambda value: _text(value, kind))
    if wrong := sorted({text for text in key if not re.fullmatch(kind.form, text, re.ASCII)}):
        raise _refused(kind, f"its column {kind.key} has keys of another form: {joined(wrong, 4)}")
    if not raw.geometry.geom_type.isin(["Polygon", "MultiPolygon"]).all():
        raise _refused(kind, "not every outline is a polygon")
    frame = gpd.GeoDataFrame({"key": key, "label": raw[columns[kind.label]].fillna("").astype(str)},
                             geometry=raw.geometry.make_valid(), crs=raw.crs).to_crs("EPSG:4326")
    return frame.dissolve("key", as_index=False) if frame["key"].duplicated().any() else frame


def _text(value: Any, kind: Kind) -> str:
    """Return a key as text; a division is a number in the file, and 306 is 0306."""
    text = str(value).strip().removesuffix(".0")
    return text.zfill(4) if kind is DIVISIONS else text


def _refused(kind: Kind, why: str) -> LayerError:
    return LayerError(f"E-FET-060 {kind.name}: the file of outlines cannot be used: {visible(why)[:SAID_CHARACTERS]}. "
                      "Try again; when it stays so, the service has changed.")


def _geojson(frame: gpd.GeoDataFrame, kind: Kind) -> bytes:
    import shapely

    shapes = shapely.set_precision(frame.geometry.to_numpy(), 10.0**-DECIMALS)
    features = [{"type": "Feature", "properties": {kind.written_key: key, "name": name},
                 "geometry": json.loads(text)}
                for key, name, text in zip(frame["key"], frame["label"], shapely.to_geojson(shapes), strict=True)]
    return (json.dumps({"type": "FeatureCollection", "features": features}, ensure_ascii=False) + "\n").encode()


def county_in_climate_files(fips: str) -> str | None:
    """Return the key of a county in the monthly files; None where its state is not in them."""
    state = states.CLIMATE_BY_FEDERAL.get(fips[:2])
    return None if state is None else state + fips[2:]
