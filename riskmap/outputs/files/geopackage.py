"""The estimate as a GeoPackage 1.3 with its QGIS style inside.

QGIS applies the default entry of the table `layer_styles` on opening and offers the others by name: largest bending,
now, the next 12 months, the long run, the soil. A style has one rule per class and one hatched rule per state,
because a graduated renderer would leave lots without an estimate invisible.
Dates inside the file are those of the data's present month, not of the run, so that equal results give equal files; the
moment of the run is in manifest.json.
"""

from __future__ import annotations

import errno
import os
import re
import xml.etree.ElementTree as ET
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from riskmap.common import disk_space, tables
from riskmap.common.errors import RunFolderError
from riskmap.outputs import palette, telling
from riskmap.outputs.files import arrow_lots

if TYPE_CHECKING:
    import geopandas as gpd
    import pyarrow as pa

    from riskmap.common.results import Results

NAME, LAYER = "lots.gpkg", "lots"
# Layer of `palette.SCALES` -> name of its style, where that is not the name of an estimate; the first is applied on
# opening.
STYLES = {"expected": "", "now": "", "next": "", "long_run": "", "soil": "soil shrink-swell class"}
# kind of a shape of context -> name of its layer and kind of geometry
CONTEXT_LAYERS = {"area": ("context_areas", "Polygon"), "line": ("context_lines", "LineString"),
                  "point": ("context_points", "Point")}
# Scales of QGIS, as denominators: outlines up to the first, ids up to the second. The names of its elements are from
# memory; a test opens the file with QGIS where that is installed.
OUTLINES_UP_TO, LABELS_UP_TO = 15_000, 5_000
_VERSION = {"VERSION": "1.3"}  # widely read; QGIS 3.22 warns about 1.4


def _qgis_color(color: str) -> str:
    return ",".join(str(int(color[k : k + 2], 16)) for k in (1, 3, 5)) + ",255"


def _layer(parent: ET.Element, kind: str, options: dict[str, str]) -> ET.Element:
    layer = ET.SubElement(parent, "layer", {"class": kind, "pass": "0", "locked": "0", "enabled": "1"})
    group = ET.SubElement(layer, "Option", {"type": "Map"})
    for name, value in options.items():
        ET.SubElement(group, "Option", {"type": "QString", "name": name, "value": value})
    for name, value in options.items():  # versions before 3.22 read these
        ET.SubElement(layer, "prop", {"k": name, "v": value})
    return layer


def _symbol(parent: ET.Element, kind: str, name: str) -> ET.Element:
    return ET.SubElement(parent, "symbol", {"type": kind, "name": name, "alpha": "1", "clip_to_extent": "1",
                                            "force_rhr": "0"})


def _fill(symbol: ET.Element, color: str) -> None:
    _layer(symbol, "SimpleFill", {
        "color": _qgis_color(color), "style": "solid", "outline_color": _qgis_color(palette.OUTLINE),
        "outline_style": "solid", "outline_width": "0.15", "outline_width_unit": "MM"})
    _by_expression(symbol[-1], "outlineStyle", f"if(@map_scale > {OUTLINES_UP_TO}, 'no', 'solid')")


def _by_expression(layer: ET.Element, name: str, expression: str) -> None:
    """Let an expression set one property of a symbol layer."""
    outer = ET.SubElement(ET.SubElement(layer, "data_defined_properties"), "Option", {"type": "Map"})
    ET.SubElement(outer, "Option", {"name": "name", "type": "QString", "value": ""})
    one = ET.SubElement(ET.SubElement(outer, "Option", {"name": "properties", "type": "Map"}), "Option",
                        {"name": name, "type": "Map"})
    values = (("active", "bool", "true"), ("expression", "QString", expression), ("type", "int", "3"))
    for option, kind, value in values:
        ET.SubElement(one, "Option", {"name": option, "type": kind, "value": value})
    ET.SubElement(outer, "Option", {"name": "type", "type": "QString", "value": "collection"})


def _labels(root: ET.Element) -> None:
    """Add the lot id as a label at scales larger than 1:5,000."""
    settings = ET.SubElement(ET.SubElement(root, "labeling", {"type": "simple"}), "settings")
    style = ET.SubElement(settings, "text-style", {
        "fieldName": "lot_id", "isExpression": "0", "fontSize": "7", "fontSizeUnit": "Point",
        "textColor": _qgis_color(palette.INK)})
    ET.SubElement(style, "text-buffer", {"bufferDraw": "1", "bufferSize": "0.6", "bufferSizeUnits": "MM",
                                         "bufferColor": _qgis_color(palette.PAPER)})
    ET.SubElement(settings, "rendering", {"scaleVisibility": "1", "scaleMin": "1", "scaleMax": str(LABELS_UP_TO)})


def _aliases(root: ET.Element) -> None:
    """Add a name in words to each column of the estimate: what `columns.json` says of it, up to its first comma."""
    names = ET.SubElement(root, "aliases")
    for index, column in enumerate(tables.ESTIMATE.columns):
        words = re.split(r"[,;:(]", column.meaning)[0].strip()
        words += {"p10": ", 10th percentile", "p90": ", 90th percentile"}.get(column.name.rpartition("_")[2], "")
        ET.SubElement(names, "alias", {"field": column.name, "index": str(index),
                                       "name": words + (f" [{column.unit}]" if column.unit else "")})


def _hatch(symbol: ET.Element, name: str, kind: str) -> None:
    """Add a fill of paper with an outline, then lines at the state's angles, dots or rings."""
    _fill(symbol, palette.PAPER)
    ink = _qgis_color(palette.HATCH_LINE)
    for k, angle in enumerate(palette.HATCH_ANGLES[kind], start=1):
        lines = _layer(symbol, "LinePatternFill", {"angle": str(angle), "distance": "1.4", "distance_unit": "MM",
                                                   "line_width": "0.2", "color": ink})
        _layer(_symbol(lines, "line", f"@{name}@{k}"), "SimpleLine",
               {"line_color": ink, "line_width": "0.2", "line_width_unit": "MM", "line_style": "solid"})
    if not palette.HATCH_ANGLES[kind]:
        apart, size = ("2.2", "1.2") if kind == "rings" else ("1.4", "0.5")
        marks = _layer(symbol, "PointPatternFill", {"distance_x": apart, "distance_y": apart, "distance_x_unit": "MM",
                                                    "distance_y_unit": "MM"})
        look = ({"color": _qgis_color(palette.PAPER), "outline_color": ink, "outline_style": "solid",
                 "outline_width": "0.2", "outline_width_unit": "MM"} if kind == "rings"
                else {"color": ink, "outline_style": "no"})
        _layer(_symbol(marks, "marker", f"@{name}@1"), "SimpleMarker",
               {"name": "circle", **look, "size": size, "size_unit": "MM"})


def _bands(scale: palette.Scale) -> list[tuple[str, str, str]]:
    """Return label, filter and colour of each class of a layer."""
    column, limits = f'"{scale.column}"', scale.limits_mm
    if scale.classes:
        return [(label, f"{column} = '{value}'", color)
                for label, value, color in zip(scale.words or scale.classes, scale.classes, scale.colors, strict=True)]
    low, high = (None, *limits), (*limits, None)
    signed = limits[0] < 0
    bands = []
    for a, b, color in zip(low, high, scale.colors, strict=True):
        parts = ([f"{column} >= {a:g}"] if a is not None else []) + ([f"{column} < {b:g}"] if b is not None else [])
        if signed:
            label = f"below {b:+g} mm" if a is None else f"{a:+g} mm and above" if b is None else f"{a:+g} to {b:+g} mm"
        else:
            label = f"under {b:g} mm" if a is None else f"{a:g} mm and more" if b is None else f"{a:g}–{b:g} mm"
        bands.append((label, " AND ".join(parts), color))
    return bands


def qml(layer: str = "expected") -> str:
    """Return the QGIS style of a layer of `STYLES`: a rule per class and per state."""
    root = ET.Element("qgis", {"version": "3.22.0", "styleCategories": "Symbology|Labeling|Fields",
                                 "labelsEnabled": "1"})
    renderer = ET.SubElement(root, "renderer-v2", {"type": "RuleRenderer", "symbollevels": "0", "forceraster": "0",
                                                   "enableorderby": "0"})
    rules = ET.SubElement(renderer, "rules", {"key": "{riskmap-root}"})
    symbols = ET.SubElement(renderer, "symbols")
    for label, where, color in _bands(palette.SCALES[layer]):
        name = str(len(symbols))
        ET.SubElement(rules, "rule", {"key": f"{{riskmap-{name}}}", "symbol": name, "label": label,
                                      "filter": f'"state" = \'\' AND {where}'})
        _fill(_symbol(symbols, "fill", name), color)
    for state, words in tables.STATES.items():
        name = str(len(symbols))
        ET.SubElement(rules, "rule", {"key": f"{{riskmap-{name}}}", "symbol": name, "label": words,
                                      "filter": f"\"state\" = '{state}'"})
        _hatch(_symbol(symbols, "fill", name), name, palette.HATCH[state])
    _labels(root)
    _aliases(root)
    head = "<!DOCTYPE qgis PUBLIC 'http://mrcc.com/qgis.dtd' 'SYSTEM'>\n"
    return head + ET.tostring(root, encoding="unicode")


def _style_rows(today: str, geometry_column: str) -> list[dict[str, Any]]:
    import pandas as pd

    return [{
        "f_table_catalog": "", "f_table_schema": "", "f_table_name": LAYER, "f_geometry_column": geometry_column,
        "styleName": name or telling.name_in_text(layer, today), "styleQML": qml(layer), "styleSLD": "",
        "useAsDefault": layer == next(iter(STYLES)),
        "description": f"{palette.SCALES[layer].note}; lots without an estimate are hatched", "owner": "", "ui": "",
        "update_time": pd.Timestamp(f"{today}-01", tz="UTC"),
    } for layer, name in STYLES.items()]


def write(results: Results, folder: Path) -> Path:
    """Write `lots.gpkg`: every row in input order, including rows without a shape, and its style.

    Raises
    ------
    RunFolderError
        When the file cannot be written, or does not contain every row afterwards.
    """
    shapes = arrow_lots.ShapeSummary()
    for part in arrow_lots.tables_of(results.lots):
        shapes = shapes.with_(arrow_lots.shapes_of(part))
    path = write_tables(arrow_lots.tables_of(results.lots), folder, results.today, shapes, len(results.lots))
    add_context(results.context, folder, results.today)
    return path


def write_tables(parts: Iterable[pa.Table], folder: Path, today: str, shapes: arrow_lots.ShapeSummary,
                 rows: int) -> Path:
    """Write `lots.gpkg` from tables of `arrow_lots`, in their order.

    Parameters
    ----------
    parts : iterable of Table
        One table or more.
    folder : Path
    today : str
        The present month, YYYY-MM.
    shapes : ShapeSummary
        Summary of all tables.
    rows : int
        Number of rows of all tables.

    Raises
    ------
    RunFolderError
        When the file cannot be written, or does not contain every row afterwards.
    """
    import pandas as pd
    import pyogrio
    from pyogrio.raw import write_arrow

    path = folder / NAME
    kind = "MultiPolygon" if set(shapes.kinds) <= {"Polygon", "MultiPolygon"} else "Unknown"
    with _dated(path, today):
        write_arrow(_stream(parts, kind), path, layer=LAYER, driver="GPKG", geometry_name=arrow_lots.GEOMETRY,
                    geometry_type=kind, crs="EPSG:4326", encoding="UTF-8", dataset_options=_VERSION,
                    layer_options={"GEOMETRY_NAME": "geom"})
        pyogrio.write_dataframe(pd.DataFrame(_style_rows(today, "geom")), path, layer="layer_styles", driver="GPKG",
                                append=False)
        held = int(pyogrio.read_info(path, layer=LAYER, force_feature_count=True)["features"])
    if held != rows:
        raise RunFolderError(f"E-RUN-005 {NAME}: contains {held} of {rows} rows. Nothing of this run was kept.")
    return path


def add_context(context: gpd.GeoDataFrame | None, folder: Path, today: str) -> None:
    """Add roads, water and names of places to `lots.gpkg`, with one layer per kind of shape.

    Parameters
    ----------
    context : GeoDataFrame or None
        As in `AreaResults`; with None or an empty table nothing is added.
    folder : Path
        Folder of the `lots.gpkg` that `write` or `write_tables` wrote.
    today : str
        The present month, YYYY-MM.

    Raises
    ------
    RunFolderError
        When the file cannot be written.
    """
    import pyogrio

    path = folder / NAME
    if context is None or context.empty:
        return
    with _dated(path, today):
        for kind, (layer, geometry_type) in CONTEXT_LAYERS.items():
            rows = context.loc[context["kind"] == kind, ["layer", "label", context.geometry.name]]
            if len(rows):
                rows = rows.assign(**{name: rows[name].str.replace("\x00", "\\u0000") for name in ("layer", "label")})
                pyogrio.write_dataframe(rows, path, layer=layer, driver="GPKG", geometry_type=geometry_type,
                                        append=False, layer_options={"GEOMETRY_NAME": "geom"})


@contextmanager
def _dated(path: Path, today: str) -> Iterator[None]:
    """Date what is written by the month of the data, and raise an error that says why a file could not be written."""
    import pyogrio

    options = {"OGR_CURRENT_DATE": f"{today}-01T00:00:00.000Z"}
    before = {key: pyogrio.get_gdal_config_option(key) for key in options}
    pyogrio.set_gdal_config_options(options)
    try:
        yield
    except (pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError) as error:
        raise not_written(path, error) from error
    finally:
        pyogrio.set_gdal_config_options(before)


def not_written(path: Path, error: Exception) -> Exception:
    """Return what to raise when a file could not be written: the system's error of a full disk, or else the library's.

    Parameters
    ----------
    path : Path
        The file.
    error : Exception
        The error of the library.
    """
    full = disk_space.no_room(path.parent, path.name)
    if full is None and "disk is full" in str(error):
        full = OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), str(path))
    return full or RunFolderError(f"E-RUN-004 {path.name}: {error}. Check free space and rights of the outputs folder. "
                                  f"{disk_space.NOTHING_KEPT}")


def _stream(parts: Iterable[pa.Table], kind: str) -> pa.RecordBatchReader:
    """Return the rows as one stream: the file takes batch after batch, and its index of shapes is built only once."""
    import pyarrow as pa

    ready = (_as_rows(part, kind) for part in parts)
    first = next(ready)

    def batches() -> Iterator[pa.RecordBatch]:
        yield from first.to_batches()
        for part in ready:
            yield from part.to_batches()

    return pa.RecordBatchReader.from_batches(first.schema, batches())


def _as_rows(part: pa.Table, kind: str) -> pa.Table:
    """Return the table as the database needs it: one kind of shape, and NUL in texts written out: it would end them."""
    import pyarrow as pa
    import pyarrow.compute as pc

    part = arrow_lots.without(part, *arrow_lots.PLACE, arrow_lots.BOX)
    for name, field in zip(part.column_names, part.schema, strict=True):
        if pa.types.is_string(field.type):
            hit = pc.match_substring(part[name], "\x00")
            if pc.any(hit).as_py():
                part = arrow_lots.replaced(part, name, pc.replace_substring(part[name], "\x00", "\\u0000"))
    if kind == "MultiPolygon":
        part = arrow_lots.replaced(part, arrow_lots.GEOMETRY, arrow_lots.as_multipolygons(part[arrow_lots.GEOMETRY]))
    return part
