"""The data block of the map has every lot and value to the stated step; decoded here by a second implementation."""

from __future__ import annotations

import base64
import gzip
import itertools
import json
from dataclasses import replace
from typing import Any

import geopandas as gpd
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from invented_results import NEVER, results, with_past

from riskmap.outputs.map import data_block


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
        if "base" in entry:
            arrays[entry["name"]] = unpredicted(arrays[entry["name"]], arrays[entry["base"]], entry, head["missing"])
    assert at == len(raw)
    for name in ("row", "id_head", "id_number"):
        arrays[name] = np.cumsum(arrays[name])
    return head, arrays


def unpredicted(left: np.ndarray, base: np.ndarray, entry: dict[str, Any], missing: int) -> np.ndarray:
    known = (left != missing) & (base != missing)
    line = np.array([int(np.floor(b * entry["slope"] + entry["offset"] + 0.5)) for b in base], dtype=np.int64)
    return np.where(known, left + line, left)


def ids_of(head: dict[str, Any], arrays: dict[str, np.ndarray]) -> list[str]:
    return [head["heads"][h] + (f"{n:0{d}d}" if d else "")
            for h, d, n in zip(arrays["id_head"], arrays["id_digits"], arrays["id_number"], strict=True)]


@given(st.lists(st.integers(-(2**30), 2**30), max_size=50))
def test_byte_planes_hold_any_number(values: list[int]) -> None:
    planes = data_block.byte_planes(np.array(values, dtype=np.int64))
    raw = np.frombuffer(planes, np.uint8).reshape(4, -1).astype(np.int64)
    zigzag = (raw * np.array([1, 256, 65536, 16777216])[:, None]).sum(axis=0)
    assert [int(-(z + 1) // 2 if z % 2 else z // 2) for z in zigzag] == values


def test_a_number_too_large_is_refused() -> None:
    with pytest.raises(OverflowError, match="31 bits"):
        data_block.byte_planes(np.array([2**31]))


def test_values_come_back_to_their_step() -> None:
    lots = results().lots
    head, arrays = decoded(data_block.block(lots, {}))
    lots = lots.assign(**{data_block.SHARES: data_block.share_classes(lots)})
    steps = {entry["name"]: entry["step"] for entry in head["arrays"] if entry.get("step")}
    for name, step in steps.items():
        shared = name in data_block.SHARED_STEPS
        codes = arrays[name][arrays["row"]] if shared else arrays[name]
        back = np.where(codes == head["missing"], np.nan, codes * step)
        np.testing.assert_allclose(back, lots[name].to_numpy(float), atol=0.5 * step + 1e-9)
    for name in data_block.SHARED_TEXTS:
        texts = [head["texts"][name][k] for k in arrays[name][arrays["row"]]]
        assert texts == [str(v) for v in lots[name]]
    assert any("base" in entry for entry in head["arrays"])
    assert ids_of(head, arrays) == list(lots["lot_id"])


def shapes_of(head: dict[str, Any], arrays: dict[str, np.ndarray]) -> list[list[np.ndarray]]:
    xy = np.column_stack([np.cumsum(arrays["x"]), np.cumsum(arrays["y"])]) * head["degree_step"]
    rings = np.split(xy, np.cumsum(arrays["vertices"])[:-1])
    ends = np.concatenate([[0], np.cumsum(arrays["rings"])])
    return [rings[a:b] for a, b in itertools.pairwise(ends)]


def test_shapes_come_back_with_holes_and_parts() -> None:
    lots = results().lots
    head, arrays = decoded(data_block.block(lots, {}))
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
    head, arrays = decoded(data_block.block(lots, {}))
    last = shapes_of(head, arrays)[-1][0]
    want = shapely.get_coordinates(lots.geometry.iloc[-1])
    assert np.abs(last - want[:-1]).max() <= 0.5 * data_block.DEGREE_STEP + 1e-12


@pytest.mark.parametrize("turn", [False, True])
def test_shells_and_holes_turn_opposite_ways_whatever_the_input(turn: bool) -> None:
    lots = results().lots
    turned = lots.set_geometry(lots.geometry.reverse()) if turn else lots
    assert data_block.block(lots.iloc[:24], {}) == data_block.block(lots.iloc[:24], {})
    head, arrays = decoded(data_block.block(turned, {}))
    shell, hole = shapes_of(head, arrays)[27]
    areas = [0.5 * np.sum(r[:, 0] * np.roll(r[:, 1], -1) - np.roll(r[:, 0], -1) * r[:, 1]) for r in (shell, hole)]
    assert areas[0] > 0 > areas[1]


def test_lots_with_the_same_numbers_share_a_row() -> None:
    lots = results().lots
    same = gpd.pd.concat([lots.iloc[[40]]] * 30, ignore_index=True)
    _, arrays = decoded(data_block.block(same, {}))
    assert len(arrays["expected_movement_mm"]) == 1
    assert (arrays["row"] == 0).all()


def test_no_lot_at_all() -> None:
    head, arrays = decoded(data_block.block(results().lots.iloc[:0], {}))
    assert head["lots"] == 0
    assert arrays["x"].size == 0


def test_the_same_table_gives_the_same_text() -> None:
    assert data_block.block(results().lots, {"a": 1}) == data_block.block(results().lots, {"a": 1})


def test_the_block_is_base64_only() -> None:
    block = data_block.block(results().lots, {"area": "</script>"})
    assert set(block) <= set("ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/=")
    assert NEVER.encode() not in gzip.decompress(base64.b64decode(block))


CLASSES = ("none", "D0", "D1", "D2", "D3", "D4")


def test_past_months_come_back_and_nothing_before_the_pour() -> None:
    found = with_past(results())
    assert found.history is not None
    head, arrays = decoded(data_block.block(found.lots, {}, past=found, classes=CLASSES))
    about = head["past"]["history"]
    assert tuple(about["months"]) == found.history.months
    steps = np.cumsum(arrays["history_steps"].reshape(len(about["months"]), about["series"]), axis=0).T
    known = np.arange(len(about["months"])) >= arrays["history_first"][:, None]
    back = np.where(known, steps * about["step"], np.nan)
    np.testing.assert_allclose(back, found.history.deflection_mm, atol=0.051)
    assert np.isnan(back[0, 0])
    assert np.cumsum(arrays["history_series"]).tolist() == found.history.series.tolist()


def test_a_gap_in_the_past_hides_what_lies_before_it() -> None:
    found = with_past(results())
    assert found.history is not None
    values = found.history.deflection_mm.copy()
    values[1, 5] = np.nan
    values[2, :] = np.nan
    _, arrays = decoded(data_block.block(found.lots, {}, classes=CLASSES,
                                     past=replace(found, history=replace(found.history, deflection_mm=values))))
    assert arrays["history_first"][1:3].tolist() == [6, values.shape[1]]


def test_drought_shapes_soil_lines_and_indices_come_back() -> None:
    found = with_past(results())
    assert found.drought_shapes is not None
    assert found.soil_lines is not None
    head, arrays = decoded(data_block.block(found.lots, {}, past=found, classes=CLASSES))
    past = head["past"]
    dates = [past["drought"]["weeks"][k] for k in arrays["drought_week"]]
    assert dates == list(found.drought_shapes["valid_date"])
    assert [CLASSES[k] for k in arrays["drought_class"]] == list(found.drought_shapes["category"])
    xy = np.column_stack([np.cumsum(arrays["drought_x"]), np.cumsum(arrays["drought_y"])]) * 1e-5
    np.testing.assert_allclose(xy.min(axis=0), found.drought_shapes.total_bounds[:2], atol=1e-5)
    line = np.column_stack([np.cumsum(arrays["line_x"]), np.cumsum(arrays["line_y"])]) * 1e-6
    np.testing.assert_allclose(line, shapely.get_coordinates(found.soil_lines.geometry.iloc[0]), atol=6e-7)
    assert arrays["line_vertices"].tolist() == [40]
    index = found.climate[found.climate["month"] >= "1990-01"]["spei_12"].to_numpy()
    codes = arrays["index_steps"]
    np.testing.assert_allclose(np.where(codes == head["missing"], np.nan, codes * 0.1), index, atol=0.051)
    assert past["index"]["first"] == "1990-01"
    assert [CLASSES[k] for k in arrays["week_classes"]] == list(found.drought_weeks["category"])


def test_nothing_past_is_said_to_be_missing_and_not_made_up() -> None:
    head, _ = decoded(data_block.block(results().lots, {}, past=results(), classes=CLASSES))
    assert head["past"] == dict.fromkeys(("history", "growth", "drought", "lines", "context", "index",
                                              "weeks"))
    empty = with_past(results())
    assert empty.drought_shapes is not None
    assert empty.soil_lines is not None
    head, _ = decoded(data_block.block(empty.lots, {}, classes=CLASSES, past=replace(
        empty, drought_shapes=empty.drought_shapes.iloc[:0], soil_lines=empty.soil_lines.iloc[:0])))
    assert head["past"]["drought"] is None
    assert head["past"]["lines"] is None


def test_change_is_one_value_a_row() -> None:
    lots = results().lots
    values = np.linspace(-40, 40, len(lots))
    change = gpd.pd.DataFrame({"change_of_now_mm": values, "change_of_expected_mm": values / 2})
    change.loc[3] = np.nan
    head, arrays = decoded(data_block.block(lots, {}, change=change))
    for name, wanted in change.items():
        codes = arrays[name]
        np.testing.assert_allclose(np.where(codes == head["missing"], np.nan, codes * 0.1), wanted, atol=0.051)
    with pytest.raises(ValueError, match="59 values for 60 lots"):
        data_block.block(lots, {}, change=change.iloc[1:])


IDS = ("7", "007", "a7", "a-0012", "", "x", "1234567890123", "\n5\n", "٣", "5٣7")


@settings(max_examples=25)
@given(st.lists(st.sampled_from(IDS), max_size=9))
def test_ids_come_back_whatever_they_are(ids: list[str]) -> None:
    lots = results().lots.iloc[: len(ids)].assign(lot_id=ids)
    head, arrays = decoded(data_block.block(lots, {}))
    assert ids_of(head, arrays) == ids


@settings(max_examples=25)
@given(st.lists(st.tuples(st.integers(-10**6, 10**6), st.integers(-10**6, 10**6)), min_size=2, max_size=40))
def test_prediction_loses_nothing(pairs: list[tuple[int, int]]) -> None:
    values = {"bend_now_mm": [a / 10 for a, _ in pairs], "bend_now_mm_p10": [b / 10 for _, b in pairs]}
    lots = results(60).lots.iloc[: len(pairs)].assign(**values)
    _, arrays = decoded(data_block.block(lots, {}))
    for name, wanted in values.items():
        np.testing.assert_allclose(arrays[name][arrays["row"]] * 0.1, wanted, atol=1e-6)
