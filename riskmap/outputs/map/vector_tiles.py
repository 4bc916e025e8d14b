"""Vector tiles as bytes: many features at once, written from the open Mapbox Vector Tile specification 2.1.

A tile is a protocol buffer, and everything in a feature is a variable-length whole number ("varint"): field keys,
lengths, ids, tags, geometry commands. So all features of a zoom are laid out as one array of numbers, whose byte
lengths give the length fields, and are then converted to bytes in one step. Shapes are not clipped: a lot that touches
several tiles is complete in each of them, which keeps its outline exact and needs no geometry engine.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

_MOVE, _LINE, _CLOSE = 1, 2, 7  # command ids, section 4.3.1 of the specification
_FEATURE, _KEY, _VALUE = 0x12, 0x1A, 0x22  # fields 2, 3 and 4 of a layer, length-delimited
_POLYGON = 3
_VALUE_OFFSET = 2**24  # tag values lie within +- this

Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Polygons:
    """Rings of many polygons: shells clockwise on the screen, holes the other way, without the closing vertex.

    Attributes
    ----------
    rings : int array, shape (n,)
        Number of rings of each polygon.
    vertices : int array, shape (n_ring,)
        Number of vertices of each ring.
    xy : int array, shape (n_vertex, 2)
        Whole tile units from the upper left corner of the feature's tile, y down.
    """

    rings: Ints
    vertices: Ints
    xy: Ints


def zigzag(values: Ints) -> Ints:
    """Return signed whole numbers as unsigned ones, small for small sizes (protocol buffers, `sint64`)."""
    return (values << 1) ^ (values >> 63)


def lengths(values: Ints) -> Ints:
    """Return the number of bytes of each whole number as a varint."""
    size = np.ones(values.shape, dtype=np.int64)
    for bits in range(7, 63, 7):
        more = values >= (1 << bits)
        if not more.any():
            break
        size += more
    return size


def varints(values: Ints) -> bytes:
    """Return whole numbers >= 0 as varints, with seven bits per byte, lowest first."""
    size = lengths(values)
    at = np.cumsum(size) - size
    out = np.zeros(int(size.sum()), dtype=np.uint8)
    for k in range(int(size.max(initial=0))):
        has = size > k
        out[at[has] + k] = ((values[has] >> (7 * k)) & 0x7F) | np.where(size[has] > k + 1, 0x80, 0)
    return out.tobytes()


def layers(name: str, tile: Ints, n_tiles: int, ids: Ints, tags: dict[str, Ints], known: dict[str, NDArray[np.bool_]],
           shapes: Polygons, extent: int) -> list[bytes]:
    """Return one layer per tile, empty bytes for a tile without a feature.

    Parameters
    ----------
    name : str
        Name of the layer.
    tile : int array, shape (n,)
        Number of each feature's tile, ascending, below `n_tiles`.
    ids : int array, shape (n,)
        Feature ids, >= 0.
    tags : dict of int array, shape (n,)
        Attributes; every value within 2**24 of zero.
    known : dict of bool array
        Where an attribute has a value; attributes that are not listed have one everywhere. Without a value there is no
        tag.
    shapes : Polygons
        One per feature, in the same order.
    extent : int
        Tile units along a side.
    """
    n = len(tile)
    if n == 0:
        return [b""] * n_tiles
    value, local = _values(tile, tags, known)
    heads, shown = _heads(ids, tags, known, local)
    geometry = _geometry(shapes)
    body, bounds = _features(tile, n_tiles, heads, shown, geometry)
    value_bytes, value_bounds = value.cut(n_tiles)
    start = _text(0x0A, name) + b"\x78\x02"
    end = b"".join(_text(_KEY, key) for key in tags) + b"\x28" + varints(np.array([extent]))
    encoded = []
    for k in range(n_tiles):
        features = body[bounds[k] : bounds[k + 1]]
        if not features:
            encoded.append(b"")
            continue
        layer = start + features + value_bytes[value_bounds[k] : value_bounds[k + 1]] + end
        encoded.append(b"\x1a" + varints(np.array([len(layer)])) + layer)
    return encoded


def _text(field: int, text: str) -> bytes:
    raw = text.encode("utf-8")
    return bytes([field]) + varints(np.array([len(raw)])) + raw


@dataclass(frozen=True)
class _ValueTable:
    tile: Ints
    value: Ints

    def cut(self, n_tiles: int) -> tuple[bytes, Ints]:
        number = zigzag(self.value)
        inner = 1 + lengths(number)
        tokens = np.stack([np.full_like(number, _VALUE), inner, np.full_like(number, 0x30), number], axis=1)
        size = 2 + inner  # the length of a value needs one byte itself
        count = np.bincount(self.tile, weights=size, minlength=n_tiles).astype(np.int64)
        return varints(tokens.ravel()), np.append(0, np.cumsum(count))


def _values(tile: Ints, tags: dict[str, Ints], known: dict[str, NDArray[np.bool_]]) -> tuple[_ValueTable, Ints]:
    """Return each tile's distinct values and, per feature and tag, the value's position in its tile's table."""
    matrix = np.stack(list(tags.values()), axis=1)
    for k, name in enumerate(tags):
        if name in known:
            matrix[~known[name], k] = 0
    if matrix.size and (matrix.max() >= _VALUE_OFFSET or matrix.min() <= -_VALUE_OFFSET):
        raise OverflowError("a tag value lies beyond 2**24")
    key = tile[:, None] * (2 * _VALUE_OFFSET) + (matrix + _VALUE_OFFSET)
    distinct, place = np.unique(key.ravel(), return_inverse=True)
    of_tile = distinct // (2 * _VALUE_OFFSET)
    first = np.searchsorted(of_tile, tile)
    local = place.reshape(matrix.shape) - first[:, None]
    return _ValueTable(of_tile, distinct % (2 * _VALUE_OFFSET) - _VALUE_OFFSET), local


def _heads(ids: Ints, tags: dict[str, Ints], known: dict[str, NDArray[np.bool_]], local: Ints,
           ) -> tuple[Ints, NDArray[np.bool_]]:
    """Return the numbers before the geometry, one row per feature, and which of them are written."""
    n, k = local.shape
    head = np.zeros((n, 10 + 2 * k), dtype=np.int64)
    shown = np.ones(head.shape, dtype=bool)
    head[:, 0], head[:, 2], head[:, 3], head[:, 4] = _FEATURE, 0x08, ids, 0x12
    head[:, 6 : 6 + 2 * k : 2] = np.arange(k)
    head[:, 7 : 7 + 2 * k : 2] = local
    for place, name in enumerate(tags):
        if name in known:
            shown[:, 6 + 2 * place : 8 + 2 * place] = known[name][:, None]
    tag_sizes = np.where(shown, lengths(head), 0)[:, 6 : 6 + 2 * k]
    head[:, 5] = tag_sizes.sum(axis=1)
    head[:, -4:-1] = 0x18, _POLYGON, 0x22
    return head, shown


def _geometry(shapes: Polygons) -> tuple[Ints, Ints]:
    """Return the geometry numbers of all features one after the other, and how many each feature has."""
    count = shapes.vertices
    delta = np.diff(shapes.xy, axis=0, prepend=0)
    ring_start = np.cumsum(count) - count
    ring_of_shape = np.append(0, np.cumsum(shapes.rings))[:-1]
    first = ring_start[ring_of_shape]
    delta[first] = shapes.xy[first]  # the cursor starts again in each feature
    delta = zigzag(delta)
    size = 2 * count + 3
    at = np.cumsum(size) - size
    out = np.empty(int(size.sum()), dtype=np.int64)
    out[at], out[at + 3], out[at + size - 1] = _MOVE | 1 << 3, _LINE | (count - 1) << 3, _CLOSE | 1 << 3
    within = np.arange(len(delta)) - np.repeat(ring_start, count)
    place = np.repeat(at, count) + 1 + 2 * within + (within > 0)
    out[place], out[place + 1] = delta[:, 0], delta[:, 1]
    ring_end = np.append(0, np.cumsum(size))
    shape_end = np.append(0, np.cumsum(shapes.rings))
    return out, ring_end[shape_end[1:]] - ring_end[shape_end[:-1]]


def _features(tile: Ints, n_tiles: int, head: Ints, shown: NDArray[np.bool_], geometry: tuple[Ints, Ints],
              ) -> tuple[bytes, Ints]:
    """Return all features as bytes, and the position where each tile's features begin."""
    numbers, n_numbers = geometry
    size = lengths(numbers)
    ends = np.append(0, np.cumsum(n_numbers))
    bytes_before = np.append(0, np.cumsum(size))
    head[:, -1] = bytes_before[ends[1:]] - bytes_before[ends[:-1]]
    inner = np.where(shown, lengths(head), 0)
    head[:, 1] = inner[:, 2:].sum(axis=1) + head[:, -1]
    whole = 1 + lengths(head[:, 1]) + head[:, 1]
    n_head = shown.sum(axis=1)
    start = np.append(0, np.cumsum(n_head + n_numbers))[:-1]
    out = np.empty(int((n_head + n_numbers).sum()), dtype=np.int64)
    out[_spread(start, n_head)] = head[shown]
    out[_spread(start + n_head, n_numbers)] = numbers
    count = np.bincount(tile, weights=whole, minlength=n_tiles).astype(np.int64)
    return varints(out), np.append(0, np.cumsum(count))


def _spread(start: Ints, count: Ints) -> Ints:
    """Return start[i], start[i] + 1, ... for each i, count[i] of them."""
    return np.arange(int(count.sum())) + np.repeat(start - (np.cumsum(count) - count), count)
