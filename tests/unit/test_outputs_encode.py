"""The data block of the map holds every lot and value to the stated step; decoded here by a second implementation."""

from __future__ import annotations

import base64
import gzip
import itertools
import json
from typing import Any

import geopandas as gpd
import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from invented_results import HOSTILE, NEVER, results

from riskmap.outputs import encode


def decoded(block: str) -> tuple[dict[str, Any], dict[str, np.ndarray]]:
    raw = gzip.decompress(base64.b64decode(block))
    length = int.from_bytes(raw[:4], "little")
    head = json.loads(raw[4 : 4 + length])
    at, arrays = 4 + length, {}
    for entry in head["arrays"]:
        n = entry["length"]
        planes = np.frombuffer(raw, np.uint8, 4 * n, at).reshape(4, n).astype(np.int64)
        zigzag = (planes * np.array([1, 256, 65536, 16777216])[:, None]).sum(axis=0)
        arrays[entry["name"]] = np.where(zigzag % 2, -(zigzag + 1) // 2, zigzag // 2)
        at += 4 * n
    assert at == len(raw)
    return head, arrays


@given(st.lists(st.integers(-(2**30), 2**30), max_size=50))
def test_byte_planes_hold_any_number(values: list[int]) -> None:
    raw = np.frombuffer(encode.byte_planes(np.array(values, dtype=np.int64)), np.uint8).reshape(4, -1).astype(np.int64)
    zigzag = (raw * np.array([1, 256, 65536, 16777216])[:, None]).sum(axis=0)
    assert [int(-(z + 1) // 2 if z % 2 else z // 2) for z in zigzag] == values


def test_a_number_too_large_is_refused() -> None:
    with pytest.raises(OverflowError, match="31 bits"):
        encode.byte_planes(np.array([2**31]))


def test_values_come_back_to_their_step() -> None:
    lots = results().lots
    head, arrays = decoded(encode.block(lots, {}))
    steps = {entry["name"]: entry["step"] for entry in head["arrays"] if entry.get("step")}
    for name, step in steps.items():
        shared = name in encode.SHARED_STEPS
        codes = arrays[name][arrays["row"]] if shared else arrays[name]
        back = np.where(codes == head["missing"], np.nan, codes * step)
        np.testing.assert_allclose(back, lots[name].to_numpy(float), atol=0.5 * step + 1e-9)
    for name in encode.SHARED_TEXTS:
        texts = [head["texts"][name][k] for k in arrays[name][arrays["row"]]]
        assert texts == [str(v) for v in lots[name]]
    assert head["ids"] == list(lots["lot_id"])
    assert head["ids"][: len(HOSTILE)] == list(HOSTILE)


def shapes_of(head: dict[str, Any], arrays: dict[str, np.ndarray]) -> list[list[np.ndarray]]:
    xy = np.column_stack([np.cumsum(arrays["x"]), np.cumsum(arrays["y"])]) * head["degree_step"]
    rings = np.split(xy, np.cumsum(arrays["vertices"])[:-1])
    ends = np.concatenate([[0], np.cumsum(arrays["rings"])])
    return [rings[a:b] for a, b in itertools.pairwise(ends)]


def test_shapes_come_back_with_holes_and_parts() -> None:
    lots = results().lots
    head, arrays = decoded(encode.block(lots, {}))
    shapes = shapes_of(head, arrays)
    assert len(shapes) == len(lots)
    for geometry, rings in zip(lots.geometry, shapes, strict=True):
        if geometry is None or geometry.is_empty:
            assert rings == []
            continue
        signed = [0.5 * np.sum(r[:, 0] * np.roll(r[:, 1], -1) - np.roll(r[:, 0], -1) * r[:, 1]) for r in rings]
        assert sum(signed) == pytest.approx(geometry.area, rel=1e-2)  # holes turn the other way and take their area off
        assert sum(len(r) for r in rings) == len(shapely.get_coordinates(geometry)) - len(rings)
    assert len(shapes[27]) == 2  # a hole
    assert len(shapes[28]) == 2  # two parts


def test_rounding_of_coordinates_does_not_add_up() -> None:
    lots = results(400).lots
    head, arrays = decoded(encode.block(lots, {}))
    last = shapes_of(head, arrays)[-1][0]
    want = shapely.get_coordinates(lots.geometry.iloc[-1])
    assert np.abs(last - want[:-1]).max() <= 0.5 * encode.DEGREE_STEP + 1e-12


@pytest.mark.parametrize("turn", [False, True])
def test_shells_and_holes_turn_opposite_ways_whatever_the_input(turn: bool) -> None:
    lots = results().lots
    turned = lots.set_geometry(lots.geometry.reverse()) if turn else lots
    assert encode.block(lots.iloc[:24], {}) == encode.block(lots.iloc[:24], {})
    head, arrays = decoded(encode.block(turned, {}))
    shell, hole = shapes_of(head, arrays)[27]
    areas = [0.5 * np.sum(r[:, 0] * np.roll(r[:, 1], -1) - np.roll(r[:, 0], -1) * r[:, 1]) for r in (shell, hole)]
    assert areas[0] > 0 > areas[1]


def test_lots_with_the_same_numbers_share_a_row() -> None:
    lots = results().lots
    same = gpd.pd.concat([lots.iloc[[40]]] * 30, ignore_index=True)
    _, arrays = decoded(encode.block(same, {}))
    assert len(arrays["expected_movement_mm"]) == 1
    assert (arrays["row"] == 0).all()


def test_no_lot_at_all() -> None:
    head, arrays = decoded(encode.block(results().lots.iloc[:0], {}))
    assert head["lots"] == 0
    assert arrays["x"].size == 0


def test_the_same_table_gives_the_same_text() -> None:
    assert encode.block(results().lots, {"a": 1}) == encode.block(results().lots, {"a": 1})


def test_the_block_is_base64_only() -> None:
    block = encode.block(results().lots, {"area": "</script>"})
    assert set(block) <= set("ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/=")
    assert NEVER.encode() not in gzip.decompress(base64.b64decode(block))
