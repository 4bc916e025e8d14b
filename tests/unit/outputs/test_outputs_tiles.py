"""The tile file: read back with a reader of its own, with GDAL and with a library; no lot is dropped."""

from __future__ import annotations

import gzip
import json
from dataclasses import replace
from pathlib import Path

import mapbox_vector_tile
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from invented_results import HOSTILE, results, town
from shapely.geometry import Point, Polygon, box
from tile_reader import Reader, layers, tile_id, varint

from riskmap.common import tables
from riskmap.common.results import Results
from riskmap.outputs import palette
from riskmap.outputs.map import pmtiles, tiles, vector_tiles


def made(found: Results, folder: Path) -> Reader:
    tiles.write(found, folder)
    return Reader((folder / tiles.NAME).read_bytes())


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Reader:
    return made(results(), tmp_path_factory.mktemp("tiles"))


@pytest.fixture(scope="module")
def blocks(tmp_path_factory: pytest.TempPathFactory) -> tuple[Results, Path]:
    folder, found = tmp_path_factory.mktemp("tiles"), town(6000)
    tiles.write(found, folder)
    return found, folder / tiles.NAME


def with_shape(found: Results) -> set[int]:
    return {k for k, shape in enumerate(found.lots.geometry) if shape is not None and not shape.is_empty}


def ids_at(reader: Reader, zoom: int) -> list[int]:
    return [f.id for _, found in reader.zoom(zoom) for layer in found if layer.name == "lots" for f in layer.features]


def block(reader: Reader, place: list[int]) -> dict:
    """Decode a block beside the tiles: JSON header, then zigzag numbers in four byte planes."""
    raw = gzip.decompress(reader.raw[place[0] : place[0] + place[1]])
    size = int.from_bytes(raw[:4], "little")
    head, at = json.loads(raw[4 : 4 + size]), 4 + size
    out, n = dict(head["texts"]), head["n"]
    for name in head["numbers"]:
        planes = [raw[at + k * n : at + (k + 1) * n] for k in range(4)]
        codes = [sum(planes[k][i] << (8 * k) for k in range(4)) for i in range(n)]
        out[name] = [(z >> 1) ^ -(z & 1) for z in codes]
        at += 4 * n
    assert at == len(raw)
    return out


# ---------------------------------------------------------------- nothing dropped
def test_every_lot_with_a_shape_is_at_the_top_zoom(small: Reader) -> None:
    expected = with_shape(results())
    assert len(expected) == 58
    assert set(ids_at(small, small.high)) == expected


def test_every_lot_of_a_town_is_at_the_top_zoom(blocks: tuple[Results, Path]) -> None:
    reader = Reader(blocks[1].read_bytes())
    assert set(ids_at(reader, tiles.TOP_ZOOM)) == set(range(6000))


def test_below_the_top_zoom_every_lot_is_a_shape_or_counted_once(blocks: tuple[Results, Path]) -> None:
    reader = Reader(blocks[1].read_bytes())
    for zoom in range(reader.low, tiles.TOP_ZOOM):
        drawn = set(ids_at(reader, zoom))
        counted = sum(f.tags["lots"] for _, found in reader.zoom(zoom) for layer in found if layer.name == "cells"
                      for f in layer.features)
        assert len(drawn) + counted == 6000, zoom


@settings(max_examples=25, deadline=None)
@given(st.lists(st.tuples(st.floats(-0.4, 0.4), st.floats(-0.4, 0.4), st.floats(1e-7, 0.05), st.floats(1e-7, 0.05)),
                min_size=1, max_size=25), st.floats(-179.4, 179.4), st.floats(-80, 80))
def test_no_lot_is_dropped_whatever_its_place_and_size(lots: list, lon: float, lat: float) -> None:
    squares = [box(lon + x, lat + y, lon + x + w, lat + y + h) for x, y, w, h in lots]
    shape = tiles.shapes(np.array(squares, dtype=object))
    for zoom in range(tiles.zooms(shape)[0], tiles.TOP_ZOOM + 1):
        found, column, row = tiles._placed(shape, np.arange(len(lots)), zoom)
        assert set(found.tolist()) == set(range(len(lots)))
        assert column.min() >= 0
        assert row.min() >= 0
        assert max(column.max(), row.max()) < 2**zoom


# ---------------------------------------------------------------- shapes and attributes
def placed(reader: Reader, lot: int) -> list[tuple[tuple[int, int], list]]:
    n, found = 2**reader.high, []
    corners = {tile_id(reader.high, x, y): (x, y) for x in range(*columns(reader, n)) for y in range(*rows(reader, n))}
    for id, inside in reader.zoom(reader.high):
        found += [(corners[id], f.rings) for layer in inside for f in layer.features if f.id == lot]
    return found


def columns(reader: Reader, n: int) -> tuple[int, int]:
    west, _, east, _ = reader.bounds
    return int((west / 360 + 0.5) * n) - 1, int((east / 360 + 0.5) * n) + 2


def rows(reader: Reader, n: int) -> tuple[int, int]:
    _, south, _, north = reader.bounds
    y = [0.5 - np.arctanh(np.sin(np.radians(v))) / (2 * np.pi) for v in (north, south)]
    return int(y[0] * n) - 1, int(y[1] * n) + 2


def to_degrees(corner: tuple[int, int], ring: list, zoom: int) -> list[tuple[float, float]]:
    n = 2**zoom
    world = [((corner[0] + x / tiles.EXTENT) / n, (corner[1] + y / tiles.EXTENT) / n) for x, y in ring]
    return [((u - 0.5) * 360, np.degrees(np.arctan(np.sinh(np.pi * (1 - 2 * v))))) for u, v in world]


@pytest.mark.parametrize("lot", [0, 27, 28, 40, 59])
def test_outlines_come_back_to_a_quarter_of_a_metre(small: Reader, lot: int) -> None:
    wanted = results().lots.geometry.iloc[lot]
    copies = placed(small, lot)
    assert copies
    for corner, rings in copies:
        back = [Polygon(to_degrees(corner, ring, small.high)) for ring in rings]
        drawn = back[0]
        for other in back[1:]:
            drawn = drawn.symmetric_difference(other)
        assert drawn.hausdorff_distance(wanted) < 0.25 / 90_000  # degrees, at least 90 km each here


def test_shells_turn_clockwise_on_the_screen_and_holes_the_other_way(small: Reader) -> None:
    def area(ring: list) -> float:  # surveyor's formula in tile units, y down, as in section 4.3.4.4
        return sum(x0 * y1 - x1 * y0 for (x0, y0), (x1, y1) in zip(ring, ring[1:] + ring[:1], strict=True)) / 2

    (_, rings), *_ = placed(small, 27)
    assert [area(ring) > 0 for ring in rings] == [True, False]
    (_, rings), *_ = placed(small, 28)
    assert [area(ring) > 0 for ring in rings] == [True, True]
    for _, found in small.tiles():
        for layer in found:
            assert layer.version == 2
            assert layer.extent == tiles.EXTENT
            assert all(area(f.rings[0]) > 0 for f in layer.features)


def test_attributes_are_the_classes_and_whole_millimetres(small: Reader) -> None:
    lots = results().lots
    seen = {f.id: f.tags for _, found in small.zoom(small.high) for layer in found for f in layer.features}
    states, shown = list(tables.STATES), tiles.scales(lots)  # with the classes of a size that a lot reaches
    for lot, tags in seen.items():
        row = lots.iloc[lot]
        if row["state"]:
            for name in ("expected", "now", "long_run"):
                assert tags[name] == len(shown[name].colors) + states.index(row["state"])
            assert not set(tiles.TAG_NUMBERS) & set(tags)  # no value, no tag: never a zero
        else:
            assert tags["expected"] == np.digitize(row["expected_movement_mm"], palette.SIZE_LIMITS_MM)
            assert all(tags[name] == round(row[name]) for name in tiles.TAG_NUMBERS)


def test_middle_class_of_a_square() -> None:
    counts = np.array([[0, 3, 1, 0, 0], [1, 0, 1, 0, 0], [1, 0, 0, 0, 2], [0, 0, 2, 2, 0], [0, 0, 0, 5, 6]])
    assert tiles.middle_class(counts, 3).tolist() == [1, 0, 4, 2, 4]


def test_age_is_known_only_with_a_date() -> None:
    lots = results().lots.iloc[:4].copy()
    lots["pour_from"] = ["1990-01", "1990-01-15", "", "2026-01"]
    lots["pour_to"] = ["1990-12", "1990-01-15", "", "2026-01"]
    lots["pour_date_basis"] = ["year", "none", "none", "month"]
    age = tiles.with_age(lots, "2025-10")["age_years"]
    assert age.iloc[0] == pytest.approx((12 * 2025 + 10 - (12 * 1990 + 6.5)) / 12)
    assert age.iloc[1:].isna().all()


# ---------------------------------------------------------------- blocks beside the tiles
def test_search_index_is_sorted_and_leads_to_every_row(small: Reader) -> None:
    told = small.metadata["riskmap"]["blocks"]
    found = [block(small, place) for place in told["ids"]]
    ids = [v for one in found for v in one["id"]]
    lot = [v for one in found for v in one["lot"]]
    lots = results().lots
    assert sorted(lot) == list(range(60))
    assert [lots["lot_id"].iloc[k] for k in lot] == ids
    keys = [v.lower().encode("utf-16-be") for v in ids]
    assert keys == sorted(keys)
    assert told["first_ids"] == [ids[0].lower()]
    assert set(HOSTILE) <= set(ids)


def test_panel_values_are_those_of_the_table(blocks: tuple[Results, Path]) -> None:
    found, path = blocks
    reader = Reader(path.read_bytes())
    told = reader.metadata["riskmap"]["blocks"]
    size, texts = told["sizes"], json.loads(gzip.decompress(reader.raw[told["texts"][0] : sum(told["texts"])]))
    for lot in (0, 1023, 1024, 2047, 5999):
        own, k = block(reader, told["lots"][lot // size["lots"]]), lot % size["lots"]
        row = own["row"][k]
        shared = block(reader, told["rows"][row // size["rows"]])
        wanted = found.lots.iloc[lot]
        assert own["id"][k] == wanted["lot_id"]
        for name in ("expected_movement_mm", "bend_now_mm_p90", "part_slab_mm", "rise_next_mm", "change_next_mm_p10"):
            assert shared[name][row % size["rows"]] * told["steps"][name] == pytest.approx(wanted[name], abs=0.051)
        for name in ("map_unit_name", "phase", "flags"):
            assert texts[name][shared[name][row % size["rows"]]] == wanted[name]
        middle = wanted.geometry.envelope.centroid
        assert own["x"][k] / 2**29 == pytest.approx(middle.x / 360 + 0.5, abs=1e-8)


def test_the_page_needs_few_bytes_to_begin(blocks: tuple[Results, Path]) -> None:
    reader = Reader(blocks[1].read_bytes())
    assert reader.header["root"] + reader.header["root_size"] <= 16384
    assert (reader.inner, reader.compression, reader.kind, reader.clustered) == (2, 2, 1, 1)


def test_same_results_same_bytes_other_results_other_name(tmp_path: Path) -> None:
    first, second = tmp_path / "a", tmp_path / "b"
    first.mkdir()
    second.mkdir()
    told = tiles.write(results(), first)
    assert tiles.write(results(), second) == told
    assert (first / tiles.NAME).read_bytes() == (second / tiles.NAME).read_bytes()
    other = results()
    other.lots.loc[40, "expected_movement_mm"] += 1.0
    assert tiles.write(other, second)["archive"] != told["archive"]
    assert sorted(p.name for p in second.iterdir()) == [tiles.NAME]


# ---------------------------------------------------------------- other readers
def test_gdal_reads_the_same_lots(blocks: tuple[Results, Path]) -> None:
    import pyogrio

    found, path = blocks
    frame = pyogrio.read_dataframe(path, layer="lots").to_crs("EPSG:4326")
    assert set(frame["mvt_id"].astype(int)) == set(range(6000))
    one = frame.drop_duplicates("mvt_id").set_index("mvt_id")
    whole = one.geometry.reindex(range(6000)).to_numpy()
    # GDAL cuts lots at the edge of a tile: compare those that it gives whole
    distance = shapely.hausdorff_distance(whole, found.lots.geometry.to_numpy())
    assert (distance < 0.5 / 90_000).mean() > 0.95


def test_another_decoder_agrees(blocks: tuple[Results, Path]) -> None:
    reader = Reader(blocks[1].read_bytes())
    id, at, size = max(reader.entries, key=lambda entry: entry[2])
    raw = gzip.decompress(reader.raw[reader.header["data"] + at :][:size])
    theirs = mapbox_vector_tile.decode(raw, default_options={"y_coord_down": True})["lots"]["features"]
    ours = next(layer for layer in reader.tile(id) if layer.name == "lots").features
    assert [f["id"] for f in theirs] == [f.id for f in ours]
    assert [f["properties"] for f in theirs] == [f.tags for f in ours]
    for one, other in zip(theirs, ours, strict=True):
        assert one["geometry"]["type"] == "Polygon"
        assert [tuple(p) for p in one["geometry"]["coordinates"][0][:-1]] == other.rings[0]


# ---------------------------------------------------------------- numbers and directories
@given(st.lists(st.integers(0, 2**60), min_size=1, max_size=50))
def test_varints_read_back(values: list[int]) -> None:
    raw, at, back = vector_tiles.varints(np.array(values)), 0, []
    while at < len(raw):
        value, at = varint(raw, at)
        back.append(value)
    assert back == values
    assert vector_tiles.lengths(np.array(values)).sum() == len(raw)


@given(st.integers(0, 26), st.data())
def test_tile_ids_follow_the_curve(zoom: int, data: st.DataObject) -> None:
    x, y = (data.draw(st.integers(0, 2**zoom - 1)) for _ in range(2))
    assert pmtiles.tile_ids(zoom, np.array([x]), np.array([y]))[0] == tile_id(zoom, x, y)


def test_tile_ids_of_the_specification() -> None:
    # examples of the specification: 0/0/0, 1/0/0, 1/0/1, 1/1/1, 1/1/0, 2/0/0, 12/3423/1763
    got = [int(pmtiles.tile_ids(z, np.array([x]), np.array([y]))[0])
           for z, x, y in ((0, 0, 0), (1, 0, 0), (1, 0, 1), (1, 1, 1), (1, 1, 0), (2, 0, 0), (12, 3423, 1763))]
    assert got == [0, 1, 2, 3, 4, 5, 19078479]


def test_a_large_directory_has_leaves(tmp_path: Path) -> None:
    n, draw = 60_000, np.random.default_rng(4)
    ids = np.cumsum(draw.integers(1, 5000, n))
    contents = [bytes(draw.integers(0, 256, 3).tolist()) for _ in range(n)]

    def fill(archive: pmtiles.Archive) -> None:
        archive.tiles(ids, contents)
        archive.close({}, (0, 14), (-1, -1, 1, 1))

    path = tmp_path / "many.pmtiles"
    pmtiles.write(path, fill)
    reader = Reader(path.read_bytes())
    assert reader.header["leaves_size"] > 0
    assert reader.header["root_size"] <= 16384 - 127
    assert [e[0] for e in reader.entries] == ids.tolist()
    for k in (0, 4095, 4096, n - 1):
        _, at, size = reader.entries[k]
        assert gzip.decompress(reader.raw[reader.header["data"] + at :][:size]) == contents[k]


def test_a_failed_write_leaves_nothing(tmp_path: Path) -> None:
    def fill(archive: pmtiles.Archive) -> None:
        archive.tiles(np.array([5, 3]), [b"a", b"b"])
        archive.close({}, (0, 1), (0, 0, 1, 1))

    with pytest.raises(ValueError, match="ascending"):
        pmtiles.write(tmp_path / "x.pmtiles", fill)
    assert list(tmp_path.iterdir()) == []


def test_a_tag_too_large_is_refused() -> None:
    square = vector_tiles.Polygons(np.array([1]), np.array([4]), np.array([[0, 0], [1, 0], [1, 1], [0, 1]]))
    with pytest.raises(OverflowError):
        vector_tiles.layers("lots", np.array([0]), 1, np.array([0]), {"a": np.array([2**24])}, {}, square, 4096)


def test_several_tiles_in_one_go_read_back() -> None:
    square = np.array([[0, 0], [5, 0], [5, 5], [0, 5]])
    corners = np.concatenate([square, square + 700, square - 9])
    shape = vector_tiles.Polygons(np.ones(3, np.int64), np.full(3, 4), corners)
    known = {"b": np.array([True, False, True])}
    got = vector_tiles.layers("lots", np.array([0, 0, 2]), 3, np.array([7, 300, 70_000]),
                              {"a": np.array([-5, 3, 3]), "b": np.array([9, 9, -300])}, known, shape, 4096)
    assert got[1] == b""
    first, last = layers(got[0])[0], layers(got[2])[0]
    assert [(f.id, f.tags) for f in first.features] == [(7, {"a": -5, "b": 9}), (300, {"a": 3})]
    assert [(f.id, f.tags) for f in last.features] == [(70_000, {"a": 3, "b": -300})]
    assert first.features[1].rings == [[tuple(p) for p in (square + 700).tolist()]]
    assert last.features[0].rings == [[tuple(p) for p in (square - 9).tolist()]]


# ---------------------------------------------------------------- little or nothing to draw
@pytest.mark.parametrize("case", ["none", "no shape", "one", "points only"])
def test_little_to_draw_still_makes_a_whole_archive(case: str, tmp_path: Path) -> None:
    found = results()
    lots = {"none": found.lots.iloc[:0], "one": found.lots.iloc[40:41].reset_index(drop=True),
            "no shape": found.lots.set_geometry([None] * 60, crs="EPSG:4326"),
            "points only": found.lots.set_geometry([Point(-98, 32)] * 60, crs="EPSG:4326")}[case]
    reader = made(replace(found, lots=lots), tmp_path)
    told = reader.metadata["riskmap"]
    assert told["lots"] == len(lots)
    assert told["shapes"] == int(case == "one")
    assert set(ids_at(reader, reader.high)) == ({0} if case == "one" else set())
    assert (told["core"] is None) == (case != "one")


def test_a_lot_over_many_tiles_stands_in_each(tmp_path: Path) -> None:
    found = results()
    wide = box(-98.0, 32.0, -97.9, 32.05)
    lots = found.lots.iloc[40:41].reset_index(drop=True).set_geometry([wide], crs="EPSG:4326")
    reader = made(replace(found, lots=lots), tmp_path)
    assert set(ids_at(reader, reader.high)) == {0}
    across = int(np.floor(-97.9 / 360 * 2**14) - np.floor(-98 / 360 * 2**14)) + 1
    assert len(ids_at(reader, reader.high)) >= 3 * across
