"""Lots from KML or KMZ: placemarks with polygons or pins. The XML is not trusted: no DOCTYPE, no entities.

Coordinates are longitude and latitude on WGS 84 (OGC KML 2.3, section 6). Links to other files are never followed.
"""

from __future__ import annotations

import io
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any
from xml.etree.ElementTree import ParseError

import numpy as np

from riskmap.common.errors import LayerError, joined
from riskmap.common.problems import Problem
from riskmap.layers import archive
from riskmap.layers.lots_columns import Choice, RawLots, label_column, match_columns, per_row

if TYPE_CHECKING:
    from xml.etree.ElementTree import Element

    import shapely

    from riskmap.common.settings import LotsEntry

MAX_DEPTH = 60  # judgement: depth of folders in folders; real files stay below 15
_LINKS = {"NetworkLink", "NetworkLinkControl"}
_KEPT_WHOLE = _LINKS | {"Placemark"}  # elements kept until their end; all others are freed at once
_SHAPES = {"Point", "Polygon", "MultiGeometry", "LineString", "LinearRing", "Model", "Track", "MultiTrack"}
_OWN = {"name", "ExtendedData", "styleUrl", "Style", "StyleMap", "visibility", "open", "LookAt", "Camera", "Region"}


@dataclass
class _Placemarks:
    """The content of the document: one entry per placemark in `shapes` and `values`."""

    shapes: list[Any] = field(default_factory=list)
    unreadable: list[bool] = field(default_factory=list)
    values: list[dict[str, str]] = field(default_factory=list)
    columns: dict[str, None] = field(default_factory=dict)  # in the order of appearance
    links: list[str] = field(default_factory=list)


def read_kml(path: Path, name: str, entry: LotsEntry, kind: str, choose: Choice = match_columns) -> RawLots:
    """Read placemarks. Columns come from ExtendedData. The placemark's name is the identifier when there is no other.

    `choose` is as in `lots_vector.read_ogr`.

    Raises
    ------
    LayerError
        When the file has a DOCTYPE or entities, is not a KML or is damaged, or a KMZ contains no document or several.
    """
    import pandas as pd

    placemarks = placemarks_of(path, name)
    rows = np.arange(1, len(placemarks.shapes) + 1, dtype=np.int64)
    present = list(placemarks.columns)
    if "lot_id" not in {c.lower() for c in present} and "lot_id" not in entry.columns and "name" in present:
        entry = entry.model_copy(update={"columns": {**entry.columns, "lot_id": "name"}})
    names, dropped = choose(present, entry, name)
    attributes = pd.DataFrame({ours: pd.Series([v.get(theirs, "") for v in placemarks.values], dtype=str)
                               for ours, theirs in names.items()})
    labels = [pd.Series([v.get(theirs, "") for v in placemarks.values], dtype=str)
              for theirs in label_column(present, entry, name).values()]
    problems = per_row(np.array(placemarks.unreadable, dtype=bool), rows, None, "E-LOT-004", name, "geometry",
                       rule="the shape cannot be read.", remedy="Draw it as a polygon or a pin.",
                       action="Row kept, not estimated.")
    if placemarks.links:
        problems.append(Problem("W-LOT-008", name, rule=f"{len(placemarks.links)} links to other files: "
                                f"{joined(placemarks.links)}.", remedy="Open the linked file and export its lots.",
                                action="Not followed."))
    geometry = np.full(len(rows), None, dtype=object)
    geometry[:] = placemarks.shapes
    return RawLots(attributes, geometry, "EPSG:4326", rows, dropped, problems, names, *labels)


def placemarks_of(path: Path, name: str) -> _Placemarks:
    """Return the placemarks of a KML or KMZ; LayerError as in `read_kml`."""
    import defusedxml

    placemarks = _Placemarks()
    try:
        with _opened(path, name) as stream:
            _walk(stream, placemarks, name)
    except defusedxml.DefusedXmlException:
        raise LayerError(f"E-LOT-021 {name}: the XML has a DOCTYPE or entities, which can reach other files; no KML "
                         "needs them. A saved web page looks like this too. Export the KML again.") from None
    except (ParseError, LookupError) as error:
        raise LayerError(f"E-LOT-001 {name}: cannot be read as KML: {error}. Export the file again.") from None
    if not placemarks.shapes:
        links = f" It only links to {joined(placemarks.links)}; links are not followed." if placemarks.links else ""
        raise LayerError(f"E-LOT-003 {name}: there is no placemark.{links} Export the polygons or pins themselves.")
    return placemarks


@contextmanager
def _opened(path: Path, name: str) -> Iterator[IO[bytes]]:
    """Open a KML, or the single document of a KMZ without unpacking it."""
    if path.suffix.lower() == ".kml":
        with path.open("rb") as stream:
            yield stream
        return
    members = archive.entries(path, name, unreadable="E-LOT-002", unsafe="E-LOT-086")
    documents = [m for m in members if m.filename.lower().endswith(".kml")]
    if len(documents) != 1:
        raise LayerError(f"E-LOT-087 {name}: {len(documents)} KML documents found where one is expected. "
                         "Take out the one with the lots.")
    try:
        with zipfile.ZipFile(path) as opened:
            content = archive.content(opened, documents[0])
    except (zipfile.BadZipFile, EOFError, NotImplementedError, RuntimeError, OSError, zlib.error) as error:
        raise LayerError(f"E-LOT-002 {name}: not a readable KMZ ({error}). Get it again.") from None
    yield io.BytesIO(content)


def _walk(stream: IO[bytes], placemarks: _Placemarks, name: str) -> None:
    """Read placemark by placemark, and free each one once it is read."""
    from defusedxml.ElementTree import iterparse

    open_elements: list[Element] = []
    inside = 0  # placemarks and links around the current element
    for event, element in iterparse(stream, events=("start", "end"), forbid_dtd=True):
        tag = _tag(element)
        if event == "start":
            if not open_elements and tag != "kml":
                raise LayerError(f"E-LOT-001 {name}: the content is not KML, whatever the name says.")
            open_elements.append(element)
            inside += tag in _KEPT_WHOLE
            if len(open_elements) > MAX_DEPTH:
                raise LayerError(f"E-LOT-001 {name}: elements lie in elements more than {MAX_DEPTH} deep; no KML of "
                                 "lots does. Export the file again.")
            continue
        open_elements.pop()
        inside -= tag in _KEPT_WHOLE
        if tag in _LINKS:
            links = [(e.text or "").strip() for e in element.iter() if _tag(e) in ("href", "linkName")]
            placemarks.links += links or ["without an address"]
        if tag == "Placemark":
            _placemark(element, placemarks)
        if inside == 0 and open_elements:
            open_elements[-1].remove(element)


def _placemark(element: Element, placemarks: _Placemarks) -> None:
    values: dict[str, str] = {}
    shapes, unreadable = [], False
    for child in element:
        tag = _tag(child)
        if tag in _SHAPES:
            try:
                shapes.append(_shape(child))
            except ValueError:
                unreadable = True
        elif tag == "name":
            values["name"] = (child.text or "").strip()
        elif tag == "ExtendedData":
            values |= _extended(child)
        elif tag not in _OWN:
            values[tag] = ""  # named among the columns that are dropped
    placemarks.columns |= dict.fromkeys(values)
    unreadable |= None in shapes
    placemarks.shapes.append(None if unreadable or not shapes else shapes[0] if len(shapes) == 1 else _gathered(shapes))
    placemarks.unreadable.append(unreadable)
    placemarks.values.append(values)


def _extended(element: Element) -> dict[str, str]:
    """Return name -> text of Data and SimpleData; other elements are columns under their own name."""
    values = {}
    for child in element:
        tag = _tag(child)
        if tag == "Data":
            text = next((e.text for e in child if _tag(e) == "value"), "")
            values[child.get("name", "")] = (text or "").strip()
        elif tag == "SchemaData":
            values |= {e.get("name", ""): (e.text or "").strip() for e in child if _tag(e) == "SimpleData"}
        else:
            values[tag] = (child.text or "").strip()
    return values


def _shape(element: Element) -> shapely.Geometry | None:
    """Return the shape of a KML geometry; None for kinds without an outline (models, tracks).

    Raises
    ------
    ValueError
        For coordinates that are not numbers or are too few; `shapely` raises a subclass of it.
    """
    import shapely

    tag = _tag(element)
    try:
        if tag == "Point":
            return shapely.Point(_coordinates(element)[0, :2])
        if tag in ("LineString", "LinearRing"):
            return shapely.LineString(_coordinates(element))
        if tag == "Polygon":
            outer = [_coordinates(e) for e in element if _tag(e) == "outerBoundaryIs"]
            inner = [_coordinates(e) for e in element if _tag(e) == "innerBoundaryIs"]
            return shapely.Polygon(outer[0], inner)
        if tag == "MultiGeometry":
            return _gathered([_shape(e) for e in element if _tag(e) in _SHAPES])
    except (IndexError, shapely.errors.ShapelyError) as error:
        raise ValueError(str(error)) from None
    return None


def _gathered(parts: list[Any]) -> shapely.Geometry | None:
    """Return several shapes as one: several outlines of a lot are a multipolygon, everything else a collection."""
    import shapely

    if any(part is None for part in parts):
        return None
    if all(part.geom_type == "Polygon" for part in parts):
        return shapely.MultiPolygon(parts) if parts else None
    return parts[0] if len(parts) == 1 else shapely.GeometryCollection(parts)


def _coordinates(element: Element) -> np.ndarray:
    """Return the first `coordinates` below an element, shape (point, 2 or 3). Heights that are all 0 are left out."""
    text = next((e.text or "" for e in element.iter() if _tag(e) == "coordinates"), "")
    points = [tuple(float(value) for value in point.split(",")) for point in text.split()]
    width = min((len(point) for point in points), default=0)
    if width < 2 or "_" in text:
        raise ValueError("a point needs a longitude and a latitude")
    values = np.array([point[:min(width, 3)] for point in points])
    return values if values[:, 2:].any() else values[:, :2]


def _tag(element: Element) -> str:
    return str(element.tag).rsplit("}", 1)[-1]
