"""The county tier of the map: all lots, however many, in one tile file that a page reads in pieces.

At the top zoom the tiles contain every lot that has a shape, complete. At lower zooms, lots that would be smaller than
about three pixels are shown as a small square with their median class: none is dropped, and none covers the others. The
file also contains what the page needs for one lot at a time: an index of ids in alphabetical order, the lots' own
values, and the value rows that lots share. All of it is compressed in blocks, so a lot costs two small reads.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from riskmap.common import tables
from riskmap.common.version import __version__
from riskmap.outputs import palette
from riskmap.outputs.map import change_layer, data_block, growth_curves, layer_facts, pmtiles
from riskmap.outputs.map.vector_tiles import Polygons, layers

if TYPE_CHECKING:
    from riskmap.common.results import Results
    from riskmap.outputs.map.change_layer import ChangeSince

NAME = "county.pmtiles"
FORMAT = 1
TOP_ZOOM = 14
EXTENT = 8192  # units of a tile side: 0.3 m at the equator at the top zoom
SMALL_PX, CELL_PX, TILE_PX = 3, 4, 256  # as in the one-file map
REACH = EXTENT // TILE_PX  # a tile also contains lots this near to it: one screen pixel of outline
CHUNK_LOTS = 100_000
BLOCK_LOTS, BLOCK_IDS, BLOCK_ROWS, BLOCK_CURVES = 1024, 2048, 512, 256
TAG_NUMBERS = ("expected_movement_mm", "long_run_mm", "bend_now_mm", "change_next_mm")  # whole millimetres
LATITUDE_LIMIT = 85.05

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Outlines:
    """Outlines of the lots that have one, in world units: 0 to 1 from the upper left corner of the map's square.

    Attributes
    ----------
    lot : int array, shape (n,)
        Row in the estimate table, ascending.
    rings, vertices : int arrays
        As in `vector_tiles.Polygons`.
    xy : array, shape (n_vertex, 2)
    box : array, shape (n, 4)
        Left, top, right, bottom.
    """

    lot: Ints
    rings: Ints
    vertices: Ints
    xy: Floats
    box: Floats


def world(lon_lat: Floats) -> Floats:
    """Return longitude and latitude in degrees as world units (spherical Mercator projection, EPSG:3857)."""
    s = np.sin(np.radians(np.clip(lon_lat[:, 1], -LATITUDE_LIMIT, LATITUDE_LIMIT)))
    return np.stack([lon_lat[:, 0] / 360.0 + 0.5, 0.5 - np.log((1 + s) / (1 - s)) / (4 * np.pi)], axis=1)


def shapes(geometry: NDArray[np.object_]) -> Outlines:
    """Return the polygons among geometries in EPSG:4326; points, lines and missing shapes have none."""
    import shapely

    area = np.isin(shapely.get_type_id(geometry), (shapely.GeometryType.POLYGON, shapely.GeometryType.MULTIPOLYGON))
    lot = np.flatnonzero(area & ~shapely.is_empty(geometry))
    if not len(lot):
        none = np.empty(0, np.int64)
        return Outlines(lot, none, none, np.empty((0, 2)), np.empty((0, 4)))
    chunks = [_outlines(geometry[lot[k : k + CHUNK_LOTS]]) for k in range(0, len(lot), CHUNK_LOTS)]
    rings, vertices, xy = (np.concatenate(part) for part in zip(*chunks, strict=True))
    first = (np.cumsum(vertices) - vertices)[np.cumsum(rings) - rings]
    box = np.concatenate([np.minimum.reduceat(xy, first, axis=0), np.maximum.reduceat(xy, first, axis=0)], axis=1)
    return Outlines(lot, rings, vertices, xy, box)


def _outlines(polygons: NDArray[np.object_]) -> tuple[Ints, Ints, Floats]:
    import shapely

    part, lot_of_part = shapely.get_parts(polygons, return_index=True)
    ring, part_of_ring = shapely.get_rings(part, return_index=True)
    shell = np.append(True, part_of_ring[1:] != part_of_ring[:-1])[: len(ring)]
    turned = shapely.is_ccw(ring) == shell  # shells clockwise on the screen
    ring = np.where(turned, shapely.reverse(ring), ring)
    lon_lat, ring_of_vertex = shapely.get_coordinates(ring, return_index=True)
    last = np.append(ring_of_vertex[1:] != ring_of_vertex[:-1], True)[: len(lon_lat)]
    vertices = np.bincount(ring_of_vertex[~last], minlength=len(ring))
    return np.bincount(lot_of_part[part_of_ring], minlength=len(polygons)), vertices, world(lon_lat[~last])


# ---------------------------------------------------------------- classes
def scales(lots: pd.DataFrame, change: ChangeSince | None = None) -> dict[str, palette.Scale]:
    """Return the layers for which the table has values, in the order of the page, including those of a change."""
    known = palette.SCALES | palette.DERIVED_SCALES | (change.scales() if change is not None else {})
    return {name: layer_facts.reached(lots, known[name])
            for name in palette.ORDER if name in known and known[name].column in lots.columns}


def with_age(lots: pd.DataFrame, today: str) -> pd.DataFrame:
    """Return the table with `age_years` from the midpoint of the possible pour dates, missing where none is known."""
    early, late, now = (_months(values) for values in (lots["pour_from"], lots["pour_to"],
                                                       pd.Series([today])))
    age = (now[0] - (early + late) / 2) / 12
    known = (lots["pour_date_basis"] != "none").to_numpy(dtype=bool) & (np.nan_to_num(age, nan=-1.0) >= 0)
    return lots.assign(age_years=np.where(known, age, np.nan))


def _months(dates: pd.Series) -> Floats:
    text = dates.astype("str")
    return 12 * _number(text.str[:4]) + _number(text.str[5:7])


def class_codes(lots: pd.DataFrame, scale: palette.Scale) -> Ints:
    """Return the class of every lot; after the classes come the states in their order, then "no value"."""
    states = {name: k for k, name in enumerate(tables.STATES)}
    other = lots["state"].map(states).fillna(len(states)).to_numpy(np.int64)
    # it says nothing about the lot itself: a lot with a state has the same weather
    if scale.column == "drought_category":
        other[:] = len(states)
    if scale.classes:
        code = lots[scale.column].map(scale.ranks()).to_numpy(float, na_value=np.nan)
    else:
        value = _number(lots[scale.column])
        code = np.where(np.isnan(value), np.nan, np.digitize(value, scale.limits_mm))
    return np.where(np.isnan(code), len(scale.colors) + other, np.nan_to_num(code)).astype(np.int64)


def middle_class(counts: Ints, classes: int) -> Ints:
    """Return the median class of each row of counts, or the commonest state where states outnumber estimates."""
    numbers = counts[:, :classes].sum(axis=1)
    median = (2 * np.cumsum(counts[:, :classes], axis=1) < numbers[:, None]).sum(axis=1)
    return np.where(counts[:, classes:].sum(axis=1) > numbers, classes + counts[:, classes:].argmax(axis=1), median)


def _number(values: pd.Series) -> Floats:
    return pd.to_numeric(values, errors="coerce").to_numpy(dtype=float, na_value=np.nan)


# ---------------------------------------------------------------- tiles
def zooms(outlines: Outlines) -> tuple[int, int]:
    """Return the smallest zoom, with all lots on a few tiles, and the largest, with every lot visible."""
    if not len(outlines.lot):
        return TOP_ZOOM, TOP_ZOOM
    side = float(np.max(outlines.box[:, 2:].max(axis=0) - outlines.box[:, :2].min(axis=0)))
    return int(np.clip(np.floor(-np.log2(max(side, 1e-9))) - 1, 0, TOP_ZOOM)), TOP_ZOOM


def _placed(outlines: Outlines, which: Ints, zoom: int) -> tuple[Ints, Ints, Ints]:
    """Return shape, tile column and tile row of every pair of a shape and a tile that it touches."""
    n = 2**zoom
    reach = REACH / EXTENT
    low = np.clip(np.floor(outlines.box[which, :2] * n - reach), 0, n - 1).astype(np.int64)
    high = np.clip(np.floor(outlines.box[which, 2:] * n + reach), 0, n - 1).astype(np.int64)
    wide, tall = (high - low + 1).T
    times = wide * tall
    k = np.arange(int(times.sum())) - np.repeat(np.cumsum(times) - times, times)
    pair = np.repeat(np.arange(len(which)), times)
    return which[pair], low[pair, 0] + k % wide[pair], low[pair, 1] + k // wide[pair]


def _polygons(outlines: Outlines, shape: Ints, corner: Ints, zoom: int) -> Polygons:
    ring_start = np.cumsum(outlines.rings) - outlines.rings
    vertex_start = np.cumsum(outlines.vertices) - outlines.vertices
    rings = outlines.rings[shape]
    ring = _runs(ring_start[shape], rings)
    vertices = outlines.vertices[ring]
    vertex = _runs(vertex_start[ring], vertices)
    units = np.rint(outlines.xy[vertex] * (2.0**zoom * EXTENT)).astype(np.int64)
    return Polygons(rings, vertices, units - np.repeat(np.repeat(corner, rings, axis=0), vertices, axis=0) * EXTENT)


def _runs(start: Ints, count: Ints) -> Ints:
    return np.arange(int(count.sum())) + np.repeat(start - (np.cumsum(count) - count), count)


@dataclass(frozen=True)
class _Tags:
    """Attributes of every lot of the table."""

    codes: dict[str, Ints]
    kinds: dict[str, int]  # number of classes of a layer
    numbers: dict[str, Ints]
    known: dict[str, NDArray[np.bool_]]

    @classmethod
    def of(cls, lots: pd.DataFrame, chosen: dict[str, palette.Scale]) -> _Tags:
        values = {name: _number(lots[name]) for name in TAG_NUMBERS}
        known = {name: np.isfinite(value) for name, value in values.items()}
        return cls({name: class_codes(lots, scale) for name, scale in chosen.items()},
                   {name: len(scale.colors) for name, scale in chosen.items()},
                   {name: np.rint(np.where(known[name], v, 0.0)).astype(np.int64) for name, v in values.items()}, known)

    def rows(self, lot: Ints) -> tuple[dict[str, Ints], dict[str, NDArray[np.bool_]]]:
        return ({name: v[lot] for name, v in (self.codes | self.numbers).items()},
                {name: v[lot] for name, v in self.known.items()})


def _cells(outlines: Outlines, small: Ints, tags: _Tags, zoom: int) -> tuple[Ints, Ints, dict[str, Ints], Ints]:
    """Return column, row and attributes of every square that contains the centre of a small lot, and the lots in it."""
    across = 2**zoom * TILE_PX // CELL_PX
    middle = (outlines.box[small, :2] + outlines.box[small, 2:]) / 2
    at = np.clip(np.floor(middle * across), 0, across - 1).astype(np.int64)
    key, cell = np.unique(at[:, 1] * across + at[:, 0], return_inverse=True)
    classes = {}
    for name, code in tags.codes.items():
        kinds = tags.kinds[name] + len(tables.STATES) + 1
        counts = np.bincount(cell * kinds + code[outlines.lot[small]], minlength=len(key) * kinds)
        counts = counts.reshape(len(key), kinds)
        classes[name] = middle_class(counts, tags.kinds[name])
    return key % across, key // across, classes, np.bincount(cell, minlength=len(key))


def _cell_tiles(outlines: Outlines, small: Ints, tags: _Tags, zoom: int) -> dict[int, bytes]:
    if not len(small):
        return {}
    column, row, classes, lots = _cells(outlines, small, tags, zoom)
    per_tile, unit = TILE_PX // CELL_PX, EXTENT * CELL_PX // TILE_PX
    tile_id = pmtiles.tile_ids(zoom, column // per_tile, row // per_tile)
    order = np.lexsort((column, row, tile_id))
    ids, tile = np.unique(tile_id[order], return_inverse=True)
    corner = np.stack([column % per_tile, row % per_tile], axis=1)[order] * unit
    square = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], dtype=np.int64) * unit
    n = len(order)
    drawn = Polygons(np.ones(n, np.int64), np.full(n, 4, np.int64), (corner[:, None] + square).reshape(-1, 2))
    tags_of = {name: v[order] for name, v in classes.items()} | {"lots": np.minimum(lots[order], 2**24 - 1)}
    made_layers = layers("cells", tile, len(ids), np.arange(n), tags_of, {}, drawn, EXTENT)
    return dict(zip(ids.tolist(), made_layers, strict=True))


def _lot_tiles(archive: pmtiles.Archive, outlines: Outlines, large: Ints, tags: _Tags, zoom: int,
               cells: dict[int, bytes]) -> None:
    """Write the tiles of one zoom: lots as shapes, and the squares that were made before."""
    shape, column, row = _placed(outlines, large, zoom)
    tile_id = pmtiles.tile_ids(zoom, column, row)
    # lots of a tile keep the order of the table, so that a later row is on top
    order = np.argsort(tile_id, kind="stable")
    shape, column, row, tile_id = shape[order], column[order], row[order], tile_id[order]
    ids = np.unique(np.concatenate([tile_id, np.fromiter(cells, np.int64, len(cells))]))
    ends = np.searchsorted(tile_id, ids, side="right")
    from_tile, done = 0, 0
    while from_tile < len(ids):  # complete tiles, about CHUNK_LOTS lots at a time
        to_tile = max(from_tile + 1, int(np.searchsorted(ends, done + CHUNK_LOTS, side="right")))
        part = slice(done, int(ends[to_tile - 1]))
        lot = outlines.lot[shape[part]]
        values, known = tags.rows(lot)
        tile = np.searchsorted(ids, tile_id[part]) - from_tile
        corner = np.stack([column[part], row[part]], axis=1)
        tiles = layers("lots", tile, to_tile - from_tile, lot, values, known,
                       _polygons(outlines, shape[part], corner, zoom), EXTENT)
        here = ids[from_tile:to_tile]
        archive.tiles(here, (lots + cells.get(k, b"") for lots, k in zip(tiles, here.tolist(), strict=True)))
        from_tile, done = to_tile, part.stop


# ---------------------------------------------------------------- blocks beside the tiles
def pack(numbers: dict[str, NDArray[Any]], texts: dict[str, list[Any]]) -> bytes:
    """Return columns as bytes: length and text of a JSON header with the texts, then the numbers in byte planes."""
    head = json.dumps({"numbers": list(numbers), "n": len(next(iter(numbers.values()))), "texts": texts},
                      ensure_ascii=True, separators=(",", ":")).encode("ascii")
    return b"".join([len(head).to_bytes(4, "little"), head,
                     *(data_block.byte_planes(values) for values in numbers.values())])


def _blocks(archive: pmtiles.Archive, numbers: dict[str, NDArray[Any]], texts: dict[str, NDArray[np.object_]],
            size: int) -> list[list[int]]:
    n = len(next(iter(numbers.values())))
    return [archive.block(pack({name: v[k : k + size] for name, v in numbers.items()},
                               {name: v[k : k + size].tolist() for name, v in texts.items()}))
            for k in range(0, n, size)]


def _steps(values: pd.Series, step: float) -> Ints:
    number = _number(values)
    known = np.isfinite(number)
    return np.where(known, np.rint(np.where(known, number, 0.0) / step), data_block.MISSING).astype(np.int64)


def _shared(lots: pd.DataFrame,
            steps: dict[str, float]) -> tuple[NDArray[Any], dict[str, NDArray[Any]], dict[str, list[str]]]:
    """Return each lot's row in the table of distinct value rows, that table, and the texts that its codes mean."""
    codes = {name: _steps(lots[name], step).astype(np.int32) for name, step in steps.items() if name in lots}
    texts: dict[str, list[str]] = {}
    for name in data_block.SHARED_TEXTS:
        if name in lots:
            code, distinct = pd.factorize(lots[name].astype("str").where(lots[name].notna(), ""), sort=True)
            codes[name], texts[name] = code.astype(np.int32), [str(v) for v in distinct]
    frame = pd.DataFrame(codes)
    row = frame.groupby(list(frame.columns), sort=False).ngroup().to_numpy(np.int64)
    # rows are numbered in the order of their first occurrence
    first = np.flatnonzero(np.diff(np.maximum.accumulate(row), prepend=-1))
    return row, {str(name): values.to_numpy()[first] for name, values in frame.items()}, texts


def _curve_blocks(archive: pmtiles.Archive, found: growth_curves.Curves) -> list[list[int]]:
    """Write the curves: for each block pour month, first year and number of Decembers of its curves, then the steps."""
    ends = np.cumsum(found.years)
    blocks = []
    for k in range(0, len(ends), BLOCK_CURVES):
        part, years = slice(k, k + BLOCK_CURVES), found.years[k : k + BLOCK_CURVES]
        steps = slice(int(ends[k] - found.years[k]), int(ends[part][-1]))
        lists: dict[str, list[Any]] = {"pour": found.pour[part].tolist(), "first": found.first[part].tolist(),
                                       "years": years.tolist()}
        blocks.append(archive.block(pack({"middle": growth_curves.differences(found.middle[steps], years),
                                          "edge": growth_curves.differences(found.edge[steps], years)}, lists)))
    return blocks


def search_key(lot_id: pd.Series) -> NDArray[Any]:
    """Return ids as the page compares them: in lower case and as UTF-16, so that their order is the browser's."""
    return lot_id.str.lower().str.encode("utf-16-be", "surrogatepass").to_numpy(dtype=object)


def _side_blocks(archive: pmtiles.Archive, lots: pd.DataFrame, shape: Outlines,
                 found: growth_curves.Curves | None) -> dict[str, Any]:
    own_steps = data_block.OWN_STEPS | dict.fromkeys(change_layer.COLUMNS.values(), data_block.CHANGE_STEP)
    shared_steps = data_block.shared_steps(lots) | (data_block.GROWTH_STEPS if found is not None else {})
    row, rows, texts = _shared(lots, shared_steps)
    middle = np.full((len(lots), 2), data_block.MISSING, dtype=np.int64)
    middle[shape.lot] = np.rint((shape.box[:, :2] + shape.box[:, 2:]) / 2 * 2**29)  # about 0.07 m
    ids = lots["lot_id"].astype("str").where(lots["lot_id"].notna(), "")
    own = {name: _steps(lots[name], step) for name, step in own_steps.items() if name in lots}
    own |= {"row": row, "x": middle[:, 0], "y": middle[:, 1]}
    own |= {} if found is None else {"curve": found.lot}
    keys = search_key(ids)
    order = np.argsort(keys, kind="stable")
    sorted_ids = ids.to_numpy(dtype=object)[order]
    shown = {name: _steps(lots[name], 0.1)[order] for name in TAG_NUMBERS}
    shown["state"] = (lots["state"].map({n: k for k, n in enumerate(tables.STATES)}).fillna(-1)
                      .to_numpy(np.int64)[order])
    return {
        "texts": archive.block(json.dumps(texts, ensure_ascii=True, separators=(",", ":")).encode("ascii")),
        "lots": _blocks(archive, own, {"id": ids.to_numpy(dtype=object)}, BLOCK_LOTS),
        "rows": _blocks(archive, rows, {}, BLOCK_ROWS),
        **({} if found is None else {"curves": _curve_blocks(archive, found), "curve_step": growth_curves.STEP_MM}),
        "ids": _blocks(archive, {"lot": order.astype(np.int64), **shown}, {"id": sorted_ids}, BLOCK_IDS),
        "first_ids": [str(v).lower() for v in sorted_ids[::BLOCK_IDS]],
        "sizes": {"lots": BLOCK_LOTS, "rows": BLOCK_ROWS, "ids": BLOCK_IDS, "curves": BLOCK_CURVES},
        "steps": {**{n: s for n, s in own_steps.items() if n in own},
                  **{n: s for n, s in shared_steps.items() if n in rows}},
    }


# ---------------------------------------------------------------- the archive
def _box(outlines: Outlines, share: float) -> list[float]:
    """Return west, south, east, north of the central part of the shapes."""
    left, top = np.quantile(outlines.box[:, :2], share, axis=0, method="nearest")
    right, bottom = np.quantile(outlines.box[:, 2:], 1 - share, axis=0, method="nearest")
    lat = [float(np.degrees(2 * np.arctan(np.exp((0.5 - y) * 2 * np.pi)) - np.pi / 2)) for y in (bottom, top)]
    return [float(left - 0.5) * 360, lat[0], float(right - 0.5) * 360, lat[1]]


def write(results: Results, folder: Path, change: ChangeSince | None = None) -> dict[str, Any]:
    """Write `county.pmtiles` into a folder.

    Parameters
    ----------
    results : Results
        `lots` may also have `age_years`, which adds a layer.
    folder : Path
        An existing folder.
    change : ChangeSince, optional
        What changed since another run; adds its layers.

    Returns
    -------
    dict
        What the page must know: `archive` (the name of the content), `lots`, `shapes`, `zooms`, `all` and `core` (west,
        south, east, north of all lots and of the central 98 %; None without a shape), `typical` (longer side of the
        median lot, world units).
    """
    facts: dict[str, Any] = {}
    lots = results.lots if change is None else change.joined_to(results.lots)

    def fill(archive: pmtiles.Archive) -> None:
        shape = shapes(results.lots.geometry.to_numpy())
        tags = _Tags.of(lots, scales(lots, change))
        low, top = zooms(shape)
        size = (shape.box[:, 2:] - shape.box[:, :2]).max(axis=1, initial=0.0)
        for zoom in range(low, top + 1):
            is_small = size * 2**zoom * TILE_PX < SMALL_PX if zoom < top else np.zeros(len(size), dtype=bool)
            cells = _cell_tiles(shape, np.flatnonzero(is_small), tags, zoom)
            _lot_tiles(archive, shape, np.flatnonzero(~is_small), tags, zoom, cells)
        side = _side_blocks(archive, lots, shape, growth_curves.curves(results))
        bounds = _box(shape, 0.0) if len(shape.lot) else None
        facts.update(archive=archive.digest, lots=len(results.lots), shapes=len(shape.lot), zooms=[low, top],
                     all=bounds, core=_box(shape, 0.01) if bounds else None,
                     typical=float(np.median(size)) if bounds else 0.0)
        fields = {name: "Number" for name in (*tags.codes, *TAG_NUMBERS)}
        metadata = {
            "name": f"{results.area_name}: expected movement", "type": "overlay", "generator": f"riskmap {__version__}",
            "vector_layers": [{"id": "lots", "fields": fields, "minzoom": low, "maxzoom": top},
                              {"id": "cells", "fields": {**{name: "Number" for name in tags.codes}, "lots": "Number"},
                               "minzoom": low, "maxzoom": max(low, top - 1)}],
            "riskmap": {"format": FORMAT, **facts, "blocks": side},
        }
        west, south, east, north = bounds or (-180.0, -85.0, 180.0, 85.0)
        archive.close(metadata, (low, top), (west, south, east, north))

    pmtiles.write(folder / NAME, fill)
    return facts
