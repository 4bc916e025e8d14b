"""An invented `Results` for the tests of products: every state, holes, parts, missing shapes, hostile texts."""

from __future__ import annotations

from copy import deepcopy
from dataclasses import replace
from functools import cache

import geopandas as gpd
import numpy as np
import pandas as pd
from shapely.geometry import LineString, MultiPolygon, Point, Polygon, box

from riskmap.common.problems import Problem
from riskmap.common.results import History, Results
from riskmap.common.tables import ESTIMATE, MARKS, check, not_known
from riskmap.common.weather import ClimateHistory, MovementInputs

HOSTILE = (
    "{{31337*94011}}", "{% for x in y %}", "${document.title=7*7}", "<img src=x onerror=document.title='ran'>",
    "</script><script>document.title='ran'</script>", "`${1+1}`", "\u202egnp.exe\u202c", "=1+1", "'=1+1",
    "+1", "-1", "@x", "\t=1", "000123", "1E5", "NA", 'say "yes", twice', "line\nbreak", "</title><b>", "-->",
    "ünï – 地",
)
# the row of each state in `results`
ROW_OF_STATE = {"not_enough_data": 21, "not_applicable": 22, "outside_coverage": 23, "unmatched": 24, "ambiguous": 25,
                "not_yet_poured": 26, "no_house_known": 32}
NEVER = str(31337 * 94011)  # what a template would make of the first


def estimate(n: int, geometry: list | np.ndarray, seed: int = 1) -> gpd.GeoDataFrame:
    """Return an estimate table of n lots with an estimate, with plausible but invented values."""
    draw = np.random.default_rng(seed)
    middle = draw.gamma(2.0, 9.0, n)
    now = draw.normal(8.0, 20.0, n)
    data: dict[str, object] = {"lot_row": np.arange(n), "lot_id": [f"{k:07d}" for k in range(n)]}
    ranges = {"expected_movement_mm": middle, "long_run_mm": middle * 1.2, "bend_now_mm": now}
    other = np.random.default_rng(seed + 100)  # of its own: the values of the other columns stay
    change = other.normal(1.0, 4.0, n)
    ranges |= {"change_next_mm": change, "rise_next_mm": np.maximum(change, 0) + other.gamma(2.0, 1.0, n),
               **{f"whatif_{year}{part}_mm": change + shift for year, shift in
                  (("dry", 3.0), ("average", 0.0), ("wet", -4.0)) for part in ("", "_largest")}}
    for name, value in ranges.items():
        data |= {name: value, f"{name}_p10": value - 0.4 * abs(value), f"{name}_p90": value + 0.7 * abs(value)}
    fall = np.minimum(change, 0) - other.gamma(2.0, 2.0, n)
    data |= {"fall_next_mm": fall, "fall_next_mm_p10": 1.7 * fall, "fall_next_mm_p90": 0.6 * fall}
    for column in ESTIMATE.columns:
        if column.name in data:
            continue
        if column.kind == "number":
            least = 8.0 if column.name == "slab_width_m" else 0.0
            data[column.name] = least + draw.uniform(0, min(1.0, column.high or 1.0), n)
        elif column.kind == "integer":
            data[column.name] = draw.integers(int(column.low or 0), int(column.high or 3) + 1, n)
        else:
            data[column.name] = [""] * n
    for mark in (10, 20, 35):  # of a triangle over the range: a share that goes with it, as in a run
        low, high = 0.4 * middle, 2.1 * middle
        below = np.where(mark < middle, (mark - low) ** 2 / (high - low) / (middle - low),
                         1 - (high - mark) ** 2 / (high - low) / (high - middle))
        data[f"share_beyond_{mark}mm"] = 1 - np.where(mark <= low, 0.0, np.where(mark >= high, 1.0, below))
    frame = gpd.GeoDataFrame(data, geometry=np.asarray(geometry, dtype=object), crs="EPSG:4326")
    frame["direction"] = np.select([now >= 5, now <= -5], ["center_lift", "edge_lift"], "near_level")
    for name, values in {
        "phase": ["early_settlement", "dome_growing", "edge_seasonal"],
        "shrink_swell_class": ["low", "moderate", "high", "very high"],
        "drought_category": ["none", "D0", "D2", "D4"], "weather_source": ["rain and temperature", "weekly map"],
        "map_unit_name": ["Ombrey clay", "Quellan sand"], "neighbor_unit_name": ["Vassary loam"],
        "pour_date_basis": ["year", "month", "none"], "slab_class": ["unknown", "typical"], "cell_id": ["Z01"],
        "drought_valid_date": ["2025-10-28"], "flags": ["", "slab_size_assumed;pour_date_unknown", "not_in_the_list"],
        "pour_from": ["1990-01"], "pour_to": ["1990-12"], "bend_largest_up_date": ["2011-09"],
        "reason_1": ["more expansive soil"], "reason_2": ["age and pour date"],
        "reason_3": ["a slab that bends less"], "map_unit_key": ["0012"], "map_unit_symbol": ["ObA"],
    }.items():
        frame[name] = draw.choice(np.array(values, dtype=object), n)
    frame["data_quality"] = [not_known(marks) for marks in frame[list(MARKS)].to_numpy(bool)]
    return frame[[c.name for c in ESTIMATE.columns] + ["geometry"]]


def with_state(frame: gpd.GeoDataFrame, rows: list[int], states: list[str]) -> gpd.GeoDataFrame:
    """Give rows a state in place of every number of the movement."""
    names = [c.name for c in ESTIMATE.columns]
    numbers = [n for n in names[names.index("expected_movement_mm"):names.index("pour_from")]
               if ESTIMATE.column(n).kind == "number"]
    for row, state in zip(rows, states, strict=True):
        frame.loc[row, numbers] = np.nan
        frame.loc[row, ["direction", "phase", "bend_largest_up_date"]] = ""
        frame.loc[row, ["state", "state_reason"]] = [state, f"a reason for {state}"]
    return frame


def square(k: int, columns: int, size: float = 4e-4) -> Polygon:
    """Return lot k of a regular town near 98 west, 32 north. Degrees."""
    x, y = -98.0 + (k % columns) * size, 32.0 + (k // columns) * size
    return box(x, y, x + 0.9 * size, y + 0.9 * size)


def results(n: int = 60) -> Results:
    """Return a small area: lots 0-20 hostile ids, each state, a hole, two parts, no shape, an empty one.

    Each call gives a copy of its own, which may be changed.
    """
    return deepcopy(_results(n))


@cache
def _results(n: int) -> Results:
    shapes: list = [square(k, 10) for k in range(n)]
    hole = square(27, 10)
    shapes[27] = Polygon(hole.exterior.coords, [hole.centroid.buffer(1e-4).exterior.coords])
    part = square(28, 10)
    x0, y0, x1, y1 = part.bounds
    shapes[28] = MultiPolygon([box(x0, y0, x0 + (x1 - x0) / 3, y1), box(x1 - (x1 - x0) / 3, y0, x1, y1)])
    shapes[24], shapes[29] = None, Polygon()
    shapes[31] = shapes[30]  # two rows on one lot
    frame = estimate(n, shapes)
    frame.loc[: len(HOSTILE) - 1, "lot_id"] = list(HOSTILE)
    frame.loc[0, "map_unit_name"] = HOSTILE[3]
    frame.loc[1, "flags"] = HOSTILE[0]
    with_state(frame, list(ROW_OF_STATE.values()), list(ROW_OF_STATE))
    frame.loc[22, "state_reason"] = HOSTILE[4]
    frame = frame.astype({c.name: "str" for c in ESTIMATE.columns if c.kind == "text"})
    check(ESTIMATE, frame)
    return Results(
        lots=frame, area_name="Inventéd <town> {{31337*94011}}", today="2025-10", soil_scale=24000,
        climate=pd.DataFrame({"cell_id": ["Z01"], "month": ["2025-08"], "precipitation_mm": [50.0]}),
        drought_weeks=pd.DataFrame({"cell_id": [], "valid_date": [], "category": []}),
        credits=("Credit of {{31337*94011}} <b>an invented source</b>",),
        problems=[Problem("W-LOT-001", "lots.csv", rule="rule", remedy="remedy", action="kept", row=3, column="lot_id",
                          value=HOSTILE[0])],
        facts={"draws": 200, "reference_lot": "a reference lot {{31337*94011}}", "seed": 7,
               "stage_seconds": {"reading layers": 0.5}, "unit_draws_per_s": 15000.0,
               "cells": {"Z01": {"whatif_years": ["2010-11 to 2011-10", "1994-11 to 1995-10", "2014-11 to 2015-10"],
                                 "mean_filling": float("nan")}}})


def town(n: int, seed: int = 2) -> Results:
    """Return n lots in rotated blocks, about 18 m by 33 m, for measurements of size and speed."""
    draw = np.random.default_rng(seed)
    block, side = np.divmod(np.arange(n), 40)
    blocks = int(np.ceil(np.sqrt(block.max() + 1)))
    angle = draw.uniform(-0.5, 0.5, block.max() + 1)[block]
    u, v = (side % 20 - 10) * 18.0, (side // 20) * 33.0
    corner = np.array([[0, 0], [17, 0], [17.5, 16], [17, 32], [0, 32], [0, 0]])
    x, y = u[:, None] + corner[:, 0], v[:, None] + corner[:, 1]
    c, s = np.cos(angle)[:, None], np.sin(angle)[:, None]
    east, north = 420.0 * (block % blocks)[:, None] + c * x - s * y, 130.0 * (block // blocks)[:, None] + s * x + c * y
    import shapely

    shapes = shapely.polygons(np.stack([-98 + east / 94_000, 32 + north / 111_000], axis=-1))
    frame = estimate(n, shapes, seed)
    known = estimate(max(n // 40, 2), [Point(0, 0)] * max(n // 40, 2), seed)  # lots share the numbers of an archetype
    shared = [c.name for c in ESTIMATE.columns if c.name not in ("lot_row", "lot_id", "lot_area_m2", "map_unit_share",
              "soil_line_distance_m", "neighbor_unit_share", "covered_pct", "linear_extensibility_pct")]
    pick = draw.integers(0, len(known), n)
    for name in shared:
        frame[name] = known[name].to_numpy()[pick]
    small = results()
    return Results(lots=frame, area_name="Invented town", today="2025-10", soil_scale=24000, climate=small.climate,
                   drought_weeks=small.drought_weeks, facts=small.facts)


def with_past(found: Results, n_month: int = 24, weeks: int = 8, seed: int = 3) -> Results:
    """Add past months of lots with an estimate, weekly drought shapes, soil boundaries and the indices of cells."""
    draw = np.random.default_rng(seed)
    lots = found.lots
    months = pd.period_range(end=found.today, periods=n_month, freq="M").strftime("%Y-%m")
    now = lots["bend_now_mm"].to_numpy(float)
    numbered = np.isfinite(now)
    series = np.where(numbered, np.cumsum(numbered) - 1, -1)
    steps = draw.normal(0.0, 3.0, (int(numbered.sum()), n_month))
    deflection = now[numbered][:, None] + np.cumsum(steps[:, ::-1], axis=1)[:, ::-1] - steps[:, -1:]
    deflection[::7, : n_month // 3] = np.nan  # poured since
    west, south, east, north = lots.total_bounds if len(lots) else (-98.0, 32.0, -97.9, 32.1)
    dates = pd.date_range(end=f"{found.today}-28", periods=weeks, freq="7D").strftime("%Y-%m-%d")
    shapes = [(date, category, box(west + (east - west) * (k / 4 + w / (6 * weeks)), south - 0.001,
                                   west + (east - west) * ((k + 1) / 4 + w / (6 * weeks)), north + 0.001))
              for w, date in enumerate(dates) for k, category in enumerate(("D0", "D2", "D4"))]
    x = west + (east - west) * np.linspace(0, 1, 40)
    line = LineString(np.column_stack([x, (south + north) / 2 + (north - south) * 0.2 * np.sin(40 * (x - west) / (
        east - west))]))
    cell_months = pd.period_range(end=found.today, periods=500, freq="M").strftime("%Y-%m")
    climate = pd.DataFrame({"cell_id": "Z01", "month": cell_months, "precipitation_mm": 50.0,
                            "spei_12": np.clip(np.cumsum(draw.normal(0, 0.25, 500)) % 5 - 2.5, -2.5, 2.5)})
    climate.loc[::50, "spei_12"] = np.nan
    weekly = pd.DataFrame({"cell_id": "Z01", "valid_date": pd.date_range(
        end=f"{found.today}-28", periods=150, freq="7D").strftime("%Y-%m-%d")})
    weekly["category"] = draw.choice(np.array(["none", "D0", "D1", "D2", "D3", "D4"], dtype=object), len(weekly))
    return replace(
        found, climate=climate, drought_weeks=weekly,
        history=History(tuple(months), deflection.astype(np.float32), series.astype(np.int64)),
        drought_shapes=gpd.GeoDataFrame({"valid_date": [s[0] for s in shapes], "category": [s[1] for s in shapes]},
                                        geometry=[s[2] for s in shapes], crs="EPSG:4326"),
        soil_lines=gpd.GeoDataFrame({"map_unit_name_left": [HOSTILE[3]], "map_unit_name_right": ["Quellan sand"]},
                                    geometry=[line], crs="EPSG:4326"))


# of the archetypes of `with_growth`: pour year, first December and its last values, middle and edge [mm]
GROWTH = ((1990, 1990, 60.0, -10.0), (1950, 1980, 30.0, 4.0), (1990, 1990, -20.0, 30.0), (2000, 2000, 0.4, 0.2),
          (2025, None, 0.0, 0.0), (1990, 1990, 60.0, -10.0))


def with_growth(found: Results) -> Results:
    """Add the ground since the pour and what it was computed from; the first and the last archetype have one curve."""
    n, k = len(found.lots), len(GROWTH)
    tables = []
    for archetype, (pour, first, middle, edge) in enumerate(GROWTH):
        years = np.arange(first or 0, 2025 if first else 0)
        passed = years - pour + 0.5
        rise = middle * (1 - np.exp(-passed / 4)) / (1 - np.exp(-(2024 - pour + 0.5) / 4))
        swing = edge + 25 * np.sin(1.7 * (2024 - years))
        tables.append(pd.DataFrame({"archetype": np.full(len(years), archetype, np.int32),
                                    "year": years.astype(np.int16), "middle_mm": rise.round(1).astype(np.float32),
                                    "edge_mm": swing.round(1).astype(np.float32)}))
    pours = np.array([12 * pour for pour, *_ in GROWTH], dtype=np.int64)
    archetypes = pd.DataFrame({
        "cell_id": "Z01", "half_width_m": 6.0, "half_width_basis": "given", "section_mn_m2": np.arange(k) * 1.0,
        "stiffness_basis": "rib_depth", "plan_factor": 1.0, "pour_early_month": pours, "pour_late_month": pours + 11})
    layer = {name: [0.5] for name in ("bottom_m", "lep_low_pct", "lep_pct", "lep_high_pct")}
    inputs = MovementInputs(
        archetype=archetypes,
        archetype_profile=pd.DataFrame({"archetype_id": range(k), "profile_id": 0, "weight": 1.0}),
        lot_archetype=np.where(found.lots["state"] == "", np.arange(n) % k, -1),
        profile=pd.DataFrame({"profile_id": [0], "rock_depth_m": [np.inf]}),
        layer=pd.DataFrame({"profile_id": [0], "top_m": [0.0], **layer}),
        history=ClimateHistory(("Z01",), 24000, *[np.zeros((1, 3))] * 3, np.ones((1, 3), np.int8), ("",), np.zeros(1),
                               np.zeros((1, 3)), np.zeros(1)))
    return replace(found, inputs=inputs, growth=pd.concat(tables, ignore_index=True))
