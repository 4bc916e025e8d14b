"""The estimate as KML 2.2 (OGC 07-147r2): a folder of placemarks, one style per band and state, no link to anywhere.

XML 1.0 does not allow most control characters, so they are written as text, `\\u0007`. A missing value is left out.
Lots without a shape are placemarks without a geometry, so that no row is lost.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING, Any
from xml.sax.saxutils import escape, quoteattr

from riskmap.common import tables, wording
from riskmap.outputs import calibrated, palette
from riskmap.outputs.files import geojson

if TYPE_CHECKING:
    import shapely

    from riskmap.common.results import Results

NAME = "lots.kml"
_NOT_XML = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ud800-\udfff\ufffe\uffff]")
_TYPES = {"text": "string", "integer": "int", "number": "double", "boolean": "bool"}


def as_text(value: Any) -> str:
    """Return a value as character data. What XML does not allow is shown as an escape, and line ends are preserved."""
    text = _NOT_XML.sub(lambda match: f"\\u{ord(match.group()):04x}", str(value))
    return escape(text, {"\r": "&#13;"})


def _styles() -> str:
    """Return a style per band of the expected movement and one for rows without an estimate; KML colours are aabbggrr.
    """
    lines = []
    for name, color in [*((f"band{k}", color) for k, color in enumerate(palette.SIZE)), ("state", palette.PAPER)]:
        red, green, blue = color[1:3], color[3:5], color[5:7]
        edge = palette.OUTLINE
        lines.append(f'<Style id="{name}"><LineStyle><color>ff{edge[5:7]}{edge[3:5]}{edge[1:3]}</color><width>1</width>'
                     f"</LineStyle><PolyStyle><color>ff{blue}{green}{red}</color></PolyStyle></Style>")
    return "\n".join(lines)


def _schema(results: Results) -> str:
    kinds = {column.name: column.kind for column in (*tables.ESTIMATE.columns, *tables.CALIBRATED)}
    fields = [f'<SimpleField type="{_TYPES[kinds.get(str(name), "text")]}" name={quoteattr(str(name))}/>'
              for name in results.lots.columns if name != results.lots.geometry.name]
    return '<Schema name="lots" id="lots">' + "".join(fields) + "</Schema>"


def _ring(ring: Any) -> str:
    points = " ".join(f"{x:.7f},{y:.7f}" for x, y in ring.coords)
    return f"<LinearRing><coordinates>{points}</coordinates></LinearRing>"


def _polygon(shape: shapely.Polygon) -> str:
    inner = "".join(f"<innerBoundaryIs>{_ring(ring)}</innerBoundaryIs>" for ring in shape.interiors)
    return f"<Polygon><outerBoundaryIs>{_ring(shape.exterior)}</outerBoundaryIs>{inner}</Polygon>"


def _shape(shape: Any) -> str:
    if shape is None or shape.is_empty:
        return ""
    if shape.geom_type == "MultiPolygon":
        return f"<MultiGeometry>{''.join(map(_polygon, shape.geoms))}</MultiGeometry>"
    return _polygon(shape) if shape.geom_type == "Polygon" else ""


def _style_of(values: dict[str, Any]) -> str:
    number = values["expected_movement_mm"]
    if values["state"] or number is None:
        return "state"
    return f"band{sum(number >= limit for limit in palette.SIZE_LIMITS_MM)}"


def write(results: Results, folder: Path) -> Path:
    """Write `lots.kml` in input order."""
    import shapely

    shapes = shapely.orient_polygons(shapely.force_2d(results.lots.geometry.to_numpy()))
    path = folder / NAME
    with path.open("w", encoding="utf-8", newline="\n") as stream:
        stream.write('<?xml version="1.0" encoding="UTF-8"?>\n<kml xmlns="http://www.opengis.net/kml/2.2"><Document>\n'
                     f"<name>{as_text(results.area_name)}</name><description>"
                     f"{as_text(calibrated.standing(results) + ' ' + wording.CAUTION)}</description>\n{_styles()}\n"
                     f"{_schema(results)}\n<Folder><name>lots</name>\n")
        for values, shape in zip(geojson.rows(results), shapes, strict=True):
            data = "".join(f"<SimpleData name={quoteattr(name)}>{as_text(value)}</SimpleData>"
                           for name, value in values.items() if value is not None)
            stream.write(f"<Placemark><name>{as_text(values['lot_id'])}</name><styleUrl>#{_style_of(values)}</styleUrl>"
                         f'<ExtendedData><SchemaData schemaUrl="#lots">{data}</SchemaData></ExtendedData>'
                         f"{_shape(shape)}</Placemark>\n")
        stream.write("</Folder></Document></kml>\n")
    return path
