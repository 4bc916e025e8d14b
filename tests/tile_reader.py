"""A small reader of PMTiles 3 and vector tiles 2.1, written from the two open specifications, for tests only.

It shares no code with the writer: plain loops, one number at a time.
"""

from __future__ import annotations

import gzip
import json
import struct
from collections.abc import Iterator
from dataclasses import dataclass, field


def varint(raw: bytes, at: int) -> tuple[int, int]:
    value = shift = 0
    while True:
        byte = raw[at]
        at += 1
        value |= (byte & 0x7F) << shift
        if byte < 0x80:
            return value, at
        shift += 7


def unzigzag(n: int) -> int:
    return (n >> 1) ^ -(n & 1)


def tile_id(z: int, x: int, y: int) -> int:
    """Hilbert curve as in the specification's text: rotate and count, from the largest square down."""
    d, n = 0, 2**z
    s = n // 2
    while s > 0:
        rx, ry = int((x & s) > 0), int((y & s) > 0)
        d += s * s * ((3 * rx) ^ ry)
        if ry == 0:
            if rx == 1:
                x, y = n - 1 - x, n - 1 - y
            x, y = y, x
        s //= 2
    return sum(4**k for k in range(z)) + d


@dataclass
class Feature:
    id: int
    tags: dict[str, int]
    rings: list[list[tuple[int, int]]]


@dataclass
class Layer:
    name: str = ""
    extent: int = 4096
    version: int = 1
    features: list[Feature] = field(default_factory=list)


class Reader:
    def __init__(self, raw: bytes) -> None:
        self.raw = raw
        assert raw[:7] == b"PMTiles"
        assert raw[7] == 3
        names = ("root", "root_size", "meta", "meta_size", "leaves", "leaves_size", "data", "data_size", "addressed",
                 "entries", "contents")
        self.header = dict(zip(names, struct.unpack_from("<11Q", raw, 8), strict=True))
        self.clustered, self.inner, self.compression, self.kind, self.low, self.high = raw[96:102]
        self.bounds = [v / 1e7 for v in struct.unpack_from("<4i", raw, 102)]
        h = self.header
        self.metadata = json.loads(gzip.decompress(raw[h["meta"] : h["meta"] + h["meta_size"]]))
        self.entries = list(self._entries(h["root"], h["root_size"]))

    def _entries(self, at: int, size: int) -> Iterator[tuple[int, int, int]]:
        directory = gzip.decompress(self.raw[at : at + size])
        n, pos = varint(directory, 0)
        columns = []
        for _ in range(4):
            column = []
            for _ in range(n):
                value, pos = varint(directory, pos)
                column.append(value)
            columns.append(column)
        assert pos == len(directory)
        ids, runs, sizes, offsets = columns
        last = 0
        for k in range(n):
            last += ids[k]
            offsets[k] = offsets[k - 1] + sizes[k - 1] if offsets[k] == 0 else offsets[k] - 1
            if runs[k] == 0:
                yield from self._entries(self.header["leaves"] + offsets[k], sizes[k])
            else:
                yield last, offsets[k], sizes[k]

    def tile(self, id: int) -> list[Layer]:
        for found, at, size in self.entries:
            if found == id:
                start = self.header["data"] + at
                return layers(gzip.decompress(self.raw[start : start + size]))
        return []

    def tiles(self) -> Iterator[tuple[int, list[Layer]]]:
        for found, at, size in self.entries:
            start = self.header["data"] + at
            yield found, layers(gzip.decompress(self.raw[start : start + size]))

    def zoom(self, z: int) -> Iterator[tuple[int, list[Layer]]]:
        first = sum(4**k for k in range(z))
        return (pair for pair in self.tiles() if first <= pair[0] < first + 4**z)


def layers(raw: bytes) -> list[Layer]:
    made, at = [], 0
    while at < len(raw):
        key, at = varint(raw, at)
        assert key == 0x1A
        size, at = varint(raw, at)
        made.append(_layer(raw[at : at + size]))
        at += size
    return made


def _fields(raw: bytes) -> Iterator[tuple[int, int | bytes]]:
    at = 0
    while at < len(raw):
        key, at = varint(raw, at)
        if key & 7 == 0:
            value, at = varint(raw, at)
            yield key >> 3, value
        else:
            assert key & 7 == 2
            size, at = varint(raw, at)
            yield key >> 3, raw[at : at + size]
            at += size
    assert at == len(raw)


def _layer(raw: bytes) -> Layer:
    layer, keys, values, found = Layer(), [], [], []
    for number, value in _fields(raw):
        if number == 1:
            layer.name = value.decode()
        elif number == 2:
            found.append(value)
        elif number == 3:
            keys.append(value.decode())
        elif number == 4:
            ((kind, n),) = _fields(value)
            assert kind == 6
            values.append(unzigzag(n))
        elif number == 5:
            layer.extent = value
        elif number == 15:
            layer.version = value
    layer.features = [_feature(one, keys, values) for one in found]
    return layer


def _numbers(raw: bytes) -> list[int]:
    at, out = 0, []
    while at < len(raw):
        value, at = varint(raw, at)
        out.append(value)
    return out


def _feature(raw: bytes, keys: list[str], values: list[int]) -> Feature:
    parts = dict(_fields(raw))
    assert parts[3] == 3  # polygon
    tags = _numbers(parts.get(2, b""))
    rings, x, y, numbers, at = [], 0, 0, _numbers(parts[4]), 0
    while at < len(numbers):
        command, times = numbers[at] & 7, numbers[at] >> 3
        at += 1
        if command == 7:
            assert times == 1
            continue
        assert command in (1, 2)
        if command == 1:
            assert times == 1
            rings.append([])
        for _ in range(times):
            x, y = x + unzigzag(numbers[at]), y + unzigzag(numbers[at + 1])
            at += 2
            rings[-1].append((x, y))
    return Feature(parts[1], {keys[tags[k]]: values[tags[k + 1]] for k in range(0, len(tags), 2)}, rings)
