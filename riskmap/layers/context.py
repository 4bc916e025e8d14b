"""Read roads, water and names of places near the lots, only for the map: no estimate depends on them.

Shapes are cut off a little beyond the lots and simplified, so that a map stays small. A layer that is still too large
at the coarsest step is left out, and a finding says so.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from riskmap.common.errors import LayerError, shown
from riskmap.common.inputs import Source
from riskmap.common.problems import Problem
from riskmap.layers import shape_file

if TYPE_CHECKING:
    import geopandas as gpd

    from riskmap.common.settings import Area, ContextEntry

MARGIN_M = 500.0  # beyond the lots (judgement: the margin of a map around the outermost lots)
TOLERANCES_M = (2.0, 5.0, 10.0, 20.0)  # the finest one within the size is used; 2 m is a pixel at the largest scale
# Bytes of coordinates and labels that all layers together may have (judgement: the map's own budget for them).
LEAST_BYTES, BYTES_A_LOT = 300_000, 50
POINT_BYTES = 8  # per corner on the map: two whole numbers
MOST_SHAPES = 500_000  # near the lots, of one layer; a county has about 100,000 pieces of road (judgement)
MOST_LAYERS = 12  # judgement: a reader cannot distinguish more on a map
LABEL_CHARACTERS = 60
KINDS = ("point", "line", "area")  # by the dimension of a shape


def read(entries: tuple[ContextEntry, ...], area: Area, lots_box: shape_file.Box | None, lots: int) \
        -> tuple[gpd.GeoDataFrame | None, list[Source], list[Problem]]:
    """Read the layers of context, in the order of the area file.

    Parameters
    ----------
    entries, area
        The entries and their area file.
    lots_box : tuple or None
        West, south, east, north of the lots in degrees; without a lot nothing is read.
    lots : int
        Number of lots: with more lots the map is larger, and the layers may be larger too.

    Returns
    -------
    GeoDataFrame or None, list of Source, list of Problem
        layer, kind (`KINDS`), label, geometry in EPSG:4326, in the order of the layers and of their files.

    Raises
    ------
    LayerError
        With the errors of all layers together: a file that cannot be used, a label about people, a repeated name.
    """
    import geopandas as gpd
    import pandas as pd

    problems: list[Problem] = []
    refusals = _names(entries)
    if lots_box is None and not refusals:
        return None, [], problems
    frames, sources, room = [], [], float(LEAST_BYTES + BYTES_A_LOT * lots)
    for entry in entries:
        try:
            frame, rows = _layer(entry, area, lots_box or (0.0, 0.0, 0.0, 0.0), problems)
        except LayerError as error:
            refusals += str(error).splitlines()
            problems += error.problems
            continue
        kept = _fitted(frame, area.crs, room, entry, problems)
        room -= size_bytes(kept)
        frames.append(kept)
        sources.append(Source("context", entry.path, entry.title or entry.name, entry.provider, entry.licence,
                              entry.credit, entry.valid_date, rows))
    if refusals:
        raise LayerError("\n".join(refusals), problems=problems)
    return gpd.GeoDataFrame(pd.concat(frames, ignore_index=True), crs="EPSG:4326"), sources, problems


def size_bytes(frame: gpd.GeoDataFrame) -> float:
    """Return the size of shapes and labels on a map: `POINT_BYTES` per corner, and the labels in UTF-8."""
    import shapely

    labels = frame["label"].str.encode("utf-8").str.len().sum()
    return float(POINT_BYTES * shapely.get_num_coordinates(frame.geometry.to_numpy()).sum() + labels)


def _names(entries: tuple[ContextEntry, ...]) -> list[str]:
    names = [entry.name for entry in entries]
    lines = [f"E-CTX-001 area file: {len(names)} layers of context, but a map shows at most {MOST_LAYERS}. Put some "
             "of them together in one file."] if len(names) > MOST_LAYERS else []
    return lines + [f"E-CTX-002 area file: two layers of context have the name '{shown(name)}'. Give each its own name."
                    for name in dict.fromkeys(names) if names.count(name) > 1]


def _layer(entry: ContextEntry, area: Area, lots_box: shape_file.Box, problems: list[Problem]) \
        -> tuple[gpd.GeoDataFrame, int]:
    """Return the shapes of one layer in the area's system, cut at the box, and the number of rows of the file."""
    import shapely
    from pyproj import Transformer

    section, name = f"[[context]] {shown(entry.name)}", shape_file.shown_name(entry)
    to_area = Transformer.from_crs("EPSG:4326", area.crs, always_xy=True)
    west, south, east, north = to_area.transform_bounds(*lots_box)
    frame_m = (west - MARGIN_M, south - MARGIN_M, east + MARGIN_M, north + MARGIN_M)
    wider = to_area.transform_bounds(*frame_m, direction="INVERSE")
    shapes, labels = [], []
    with shape_file.opened(area.resolve(entry.path), section, entry, wider, problems) as file:
        for piece, texts in file.pieces:
            shapes.append(piece)
            labels.append(np.full(len(piece), "", dtype=object) if texts is None else texts)
            if file.tally.near > MOST_SHAPES:
                break
    if file.tally.near > MOST_SHAPES:
        raise LayerError(f"E-CTX-003 {name}: more than {MOST_SHAPES:,} shapes lie near the lots. Leave out what a map "
                         "of this area need not show.")
    if file.tally.unreadable:
        problems.append(Problem("E-CTX-004", name, rule=f"{file.tally.unreadable:,} shapes cannot be read.",
                                remedy="Export them again as plain lines, areas or points.",
                                action="They are not drawn."))
    geometry = _projected(_joined(shapes), file.crs, area.crs)
    label = np.array([str(text).strip()[:LABEL_CHARACTERS] for text in _joined(labels)], dtype=object)
    broken = ~shapely.is_valid(geometry)
    geometry[broken] = shapely.make_valid(geometry[broken])
    geometry = shapely.clip_by_rect(geometry, *frame_m)
    frame = _single(geometry, label)
    if frame.empty:
        problems.append(Problem("W-CTX-005", name, rule=f"none of its {file.tally.shapes:,} shapes lies near the lots.",
                                remedy=f"Check its coordinate system, here {file.crs.name}, and that it is of the same "
                                "place.", action="Nothing of it is drawn."))
    named = frame.assign(layer=entry.name)[["layer", "kind", "label", "geometry"]]
    return named.set_crs(area.crs), file.tally.shapes


def _joined(parts: Iterable[NDArray[np.object_]]) -> NDArray[np.object_]:
    return np.concatenate([np.empty(0, dtype=object), *parts])


def _projected(shapes: NDArray[np.object_], source: object, target: str) -> NDArray[np.object_]:
    import geopandas as gpd
    import shapely

    moved = gpd.GeoSeries(shapely.force_2d(shapes), crs=source).to_crs(target)
    return np.array(moved.array, dtype=object)


def _single(shapes: NDArray[np.object_], label: NDArray[np.object_]) -> gpd.GeoDataFrame:
    """Return single points, lines and areas of shapes of any kind, with their labels."""
    import geopandas as gpd
    import shapely

    parts, owner = shapely.get_parts(shapes, return_index=True)
    while (shapely.get_type_id(parts) >= _FIRST_COLLECTION).any():
        parts, inner = shapely.get_parts(parts, return_index=True)  # one level of a collection each time
        owner = owner[inner]
    filled = ~shapely.is_empty(parts)
    parts, owner = parts[filled], owner[filled]
    kind = np.array(KINDS, dtype=object)[shapely.get_dimensions(parts)]
    return gpd.GeoDataFrame({"kind": kind, "label": label[owner]}, geometry=parts)


_FIRST_COLLECTION = 4  # of shapely.get_type_id: several points, lines or polygons, or a mixture


def _fitted(frame: gpd.GeoDataFrame, crs: str, room: float, entry: ContextEntry, problems: list[Problem]) \
        -> gpd.GeoDataFrame:
    """Return a layer in degrees, simplified by the finest step that leaves it within `room` bytes, or empty."""
    name = shape_file.shown_name(entry)
    kept = frame
    for tolerance in TOLERANCES_M:
        kept = frame.set_geometry(frame.geometry.simplify(tolerance, preserve_topology=True))
        if tolerance > TOLERANCES_M[0]:  # what is smaller than the step is not seen at this scale
            kept = kept[(kept["kind"] != "area") | (kept.geometry.area >= tolerance**2)]
        if size_bytes(kept) <= room:
            if tolerance > TOLERANCES_M[0]:
                problems.append(Problem("W-CTX-006", name, rule=f"the layer {shown(entry.name)} is large: it is drawn "
                                        f"to {tolerance:g} m.", remedy="Leave out what the map need not show.",
                                        action="It was simplified."))
            return kept.to_crs("EPSG:4326")
    problems.append(Problem("W-CTX-007", name, rule=f"the layer {shown(entry.name)} has {size_bytes(kept) / 1000:,.0f} "
                            f"kB even when drawn to {TOLERANCES_M[-1]:g} m; {max(room, 0) / 1000:,.0f} kB are left.",
                            remedy="Leave out what the map need not show, or name the layer first.",
                            action="It is not drawn."))
    return frame.iloc[:0].to_crs("EPSG:4326")
