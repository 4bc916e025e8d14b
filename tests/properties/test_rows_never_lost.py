"""Random lot files with random faults, through the whole job: rows out are rows in, all with an estimate or state."""

from __future__ import annotations

import csv
import dataclasses
import io
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st
from shapely.geometry import GeometryCollection, LineString, MultiPolygon, Point, Polygon

from riskmap import layers, lots
from riskmap.common import inputs, month_numbers, tables
from riskmap.common import settings as area_file
from riskmap.common.errors import LayerError
from riskmap.estimates import table
from riskmap.layers import lots as reader
from riskmap.run import flow

TODAY = month_numbers.parse_month("2025-10")
SCORES = [f"{name}{part}" for name in tables.ESTIMATE.answers for part in ("", "_p10", "_p90")]

hostile = st.one_of(st.sampled_from(["", " ", "NA", "007", "1E5", "=1+1", "{{7*7}}", "a;b", "\u202eabc", "x" * 300]),
                    st.text(st.characters(exclude_categories=("Cs",), exclude_characters="\x00"), max_size=9))
date = st.one_of(st.integers(1940, 2030).map(str), st.sampled_from(["", "1985/1990", "~1987", "31/12/1985", "0",
                                                                     "9999", "1985-02-30", "2026-01"]), hostile)
foundation = st.sampled_from(["", "slab on ground", "slab", "pier and beam", "basement", "vacant", "?"])
basis = st.sampled_from(["", "year built", "permit", "effective year", "plat", "nonsense"])
side = st.one_of(st.sampled_from([np.nan, 0.0, -5.0, np.inf, 1e9, 12.0]), st.floats(3, 60))
FAULTS = ("none", "none", "none", "missing", "empty", "bow tie", "line", "collection", "parts", "far away", "huge",
          "infinite", "point", "height", "same as the row before")
row = st.tuples(hostile, date, basis, foundation, side, side, st.sampled_from(FAULTS), st.integers(0, 1530))
NAMES = ["lot_id", "pour_date", "pour_date_basis", "foundation_type", "slab_width_m", "slab_length_m"]


def faulty(shape: Polygon, fault: str):  # type: ignore[no-untyped-def]
    """Return the lot's shape with one fault."""
    x, y = shape.centroid.coords[0]
    x0, y0, x1, y1 = shape.bounds
    return {
        "missing": None, "empty": Polygon(), "line": LineString([(x0, y0), (x1, y1)]), "point": Point(x, y),
        "bow tie": Polygon([(x0, y0), (x1, y1), (x1, y0), (x0, y1)]),
        "collection": GeometryCollection([shape, Point(x, y)]),
        "parts": MultiPolygon([shape, shapely.affinity.translate(shape, 200.0)]),
        "far away": shapely.affinity.translate(shape, 3e5, 9e5), "huge": shape.buffer(2e5),
        "infinite": Polygon([(x0, y0), (np.inf, y1), (x1, y0)]), "height": shapely.force_3d(shape, 9.0),
    }.get(fault, shape)


@pytest.fixture(scope="module")
def area(example: Path) -> area_file.Area:
    area = area_file.load(example / "area.toml")
    return area.model_copy(update={"movement": area.movement.model_copy(update={"draws": 20})})


@pytest.fixture(scope="module")
def found(area: area_file.Area) -> inputs.Layers:
    return layers.read(area)


def table_of(rows: list[tuple], found: inputs.Layers) -> gpd.GeoDataFrame:
    shapes = found.lots.geometry.to_numpy()
    made: list = []
    for r in rows:
        own = shapes[r[7]] if shapes[r[7]] is not None and not shapes[r[7]].is_empty else shapes[0]
        made.append(made[-1] if r[6] == "same as the row before" and made else faulty(own, r[6]))
    columns = {name: [r[i] for r in rows] for i, name in enumerate(NAMES)}
    raw = gpd.GeoDataFrame(pd.DataFrame(columns), geometry=gpd.GeoSeries(made, crs=found.lots.crs), crs=found.lots.crs)
    raw["source_row"] = np.arange(2, len(raw) + 2)
    return raw


def answered(estimate: gpd.GeoDataFrame, ids: list[str]) -> None:
    """Assert the promise of the whole tool."""
    assert estimate["lot_id"].tolist() == ids
    assert estimate["lot_row"].tolist() == list(range(len(ids)))
    assert set(estimate["state"]) <= {"", *tables.STATES}
    number = estimate[SCORES].apply(np.isfinite).all(axis=1) if len(estimate) else pd.Series([], dtype=bool)
    none = estimate[SCORES].isna().all(axis=1) if len(estimate) else pd.Series([], dtype=bool)
    has_state = estimate["state"] != ""
    assert (number == ~has_state).all()
    assert (none == has_state).all()
    assert ((estimate["state_reason"] != "") == has_state).all()
    tables.check(tables.ESTIMATE, estimate)


soil_state = st.sampled_from(["", "", "not_enough_data", "outside_coverage"])


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.tuples(row, soil_state, st.sampled_from(["Z01", "Z02", ""])), max_size=15))
def test_cleaning_and_scoring_lose_no_row(area, found, rows):
    """Stages in between are replaced by any state that they may give."""
    raw = table_of([r[0] for r in rows], found)
    clean, _ = lots.clean(raw, area.lot_settings, area.crs, TODAY, "lots.csv")
    n = len(rows)
    assert len(clean) == n
    ground = pd.DataFrame({"lot_row": np.arange(n), "soil_state": [r[1] for r in rows],
                           "soil_state_reason": ["a reason" if r[1] else "" for r in rows], "soil_flags": [""] * n,
                           "covered_pct": 100.0, "mapped_pct": 100.0}).astype({"soil_state": "str", "soil_flags": "str",
                                                                               "soil_state_reason": "str"})
    weather = pd.DataFrame({"lot_row": np.arange(n), "cell_id": pd.Series([r[2] for r in rows], dtype="str"),
                            "climate_flags": pd.Series([""] * n, dtype="str"), "driver_level": 1})
    state = table.states(clean, ground, weather)
    moved = pd.DataFrame({"state": [""] * n, "state_reason": [""] * n, "flags": [""] * n}, dtype="str").assign(
        **{name: 0.0 if name.startswith("fall_") else 7.0 for name in SCORES})  # a fall is never above zero
    estimate = table.score(clean, state, ground, weather, moved)
    answered(estimate, [r[0][0] for r in rows])
    # of what the lot, its soil and its weather say, the first in the order of the states wins
    order = [*tables.STATES, ""]
    for i, (_, soil, cell) in enumerate(rows):
        states = (clean["state"].iloc[i], soil, "" if cell else "outside_coverage")
        assert estimate["state"].iloc[i] == min(states, key=order.index)


@settings(max_examples=8, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(rows=st.lists(row, max_size=10))
def test_the_whole_job_loses_no_row(area, found, rows):
    raw = table_of(rows, found)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(layers, "read", lambda *_: dataclasses.replace(found, lots=raw))
        results, _ = flow.assess(area, workers=1)
    answered(results.lots, [r[0] for r in rows])


def test_every_fault_alone_is_answered_in_the_whole_job(area, found):
    rows = [(f"lot {fault}", "1985", "", "slab on ground", 12.0, 18.0, fault, 400) for fault in FAULTS]
    raw = table_of(rows, found)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(layers, "read", lambda *_: dataclasses.replace(found, lots=raw))
        estimate = flow.assess(area, workers=1)[0].lots
    answered(estimate, [r[0] for r in rows])
    state = dict(zip(FAULTS, estimate["state"], strict=True))
    assert {f for f, s in state.items() if s == ""} == {"none", "bow tie", "collection", "parts", "point", "height",
                                                        "same as the row before"}
    assert state["far away"] == "outside_coverage"
    assert {state[f] for f in ("missing", "empty", "line", "huge", "infinite")} == {"unmatched"}


def damaged(text: str, cuts: list[tuple[float, str]]) -> str:
    for place, put in cuts:
        at = int(place * len(text))
        text = text[:at] + put + text[at + (put == ""):]
    return text


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(rows=st.lists(st.tuples(hostile, date, foundation, st.floats(-99, -97), st.floats(31, 33)), min_size=1,
                     max_size=8),
       cuts=st.lists(st.tuples(st.floats(0, 0.999), st.sampled_from(['"', ",", "\n", "\r", ";", "", "\t", "\ufeff"])),
                     max_size=3))
def test_a_damaged_csv_is_refused_or_read_with_every_line(area, tmp_path, rows, cuts):
    """What the csv module of the standard library counts as records with text in them is what must come out."""
    out = io.StringIO()
    csv.writer(out).writerows([["lot_id", "pour_date", "foundation_type", "lon", "lat"], *rows])
    heading, _, body = out.getvalue().partition("\r\n")
    text = f"{heading}\r\n{damaged(body, cuts)}"
    (tmp_path / "lots.csv").write_bytes(text.encode())
    entry = area.lots.model_copy(update={"path": tmp_path / "lots.csv", "layer": None})
    try:
        raw, _, _ = reader.read(entry, area)
    except LayerError:
        return
    try:
        records = list(csv.reader(io.StringIO(text, newline=""), strict=True))[1:]
    except csv.Error:
        assume(False)
    filled = [r for r in records if any(cell.strip() for cell in r)]  # a row of blanks is told as a blank row
    assert len(raw) == len(filled)
    clean, _ = lots.clean(raw, area.lot_settings, area.crs, TODAY, "lots.csv")
    assert len(clean) == len(raw)
