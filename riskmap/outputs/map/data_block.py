"""The data block of the map: one estimate table as compressed base64 text.

Layout after gzip: a little-endian uint32 with the length of the header, the header (JSON, UTF-8), then the arrays it
lists, one after the other. Every array contains whole numbers as zigzag uint32 in four byte planes (all lowest bytes
first), which compresses far better than the numbers themselves. The page decodes it with the browser's own inflater.

- coordinates: whole steps of a degree, x and y apart, as differences from the previous vertex over the whole file;
- `vertices` per ring (closing vertex left out), `rings` per lot; parts and holes are rings. Shells turn one way and
  holes the other, so that many lots can be filled as one path: overlapping lots are filled, and holes stay open;
- lots that share every value share one row of the `shared` columns: `row` gives it;
- a column with `base` contains what is left after `floor(slope * base + offset + 0.5)`; a missing base
  predicts nothing;
- an id is a head of `texts`, then a number with a given count of digits, including leading zeros, as the difference
  from the last id;
- past months: month by month, differences from the month before; values before `history_first` are not known;
- the ground since the pour: curve by curve, differences from the December before; `growth_curve` gives a lot's curve,
  -1 for none.
"""

from __future__ import annotations

import base64
import gzip
import json
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from riskmap.common import tables
from riskmap.common.errors import visible
from riskmap.outputs import palette, words
from riskmap.outputs.map import below, growth_curves

if TYPE_CHECKING:
    import geopandas as gpd

    from riskmap.common.results import History, Results

DEGREE_STEP = 1e-6
Shapes = tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]  # rings, vertices, xy in steps
MISSING = -(2**30)  # means "no value" in number columns

DROUGHT_STEP = 1e-5  # about 1 m; the weekly map itself is far coarser
INDEX_STEP = 0.1  # one unit of the history strip's index, finer than a bar can show
HISTORY_STEP = 0.1
CHANGE_STEP = 0.1
# Context may add some 300 kB and 1 kB for every 20 lots to a page; a vertex takes about 6 bytes of it (measured).
CONTEXT_VERTICES, VERTICES_PER_LOT = 50_000, 8
CONTEXT_SIMPLER_M = (2.0, 10.0)
METERS_PER_DEGREE = 111_320.0  # of latitude, and at most of longitude

# column -> step of one unit. Movement has 0.1 mm, finer than any screen shows; only columns that the page shows
OWN_STEPS = {"map_unit_share": 0.01, "covered_pct": 1.0, "soil_line_distance_m": 1.0, "neighbor_unit_share": 0.01,
             "linear_extensibility_pct": 0.1}
SHARED_STEPS = {
    **{f"{name}{part}": 0.1
       for name in ("expected_movement_mm", "long_run_mm", "bend_now_mm", "change_next_mm", "edge_gap_now_mm")
       for part in ("", "_p10", "_p90")},
    "rise_next_mm": 0.1, "fall_next_mm": 0.1, "bend_largest_up_mm": 0.1, "bend_largest_down_mm": 0.1,
    "seasonal_range_mm": 0.1,
    "whatif_dry_mm": 0.1, "whatif_average_mm": 0.1, "whatif_wet_mm": 0.1, "phase_probability": 0.001,
    "edge_high_pct": 1.0, "share_beyond_l360": 0.01, "slab_width_m": 0.1, "typical_lot_mm": 0.01,
    **{f"part_{name}_mm": 0.01 for name in (*words.REASONS, "gaps")},
    **{f"tilt_{name}": 0.1 for name in ("now_pct", "leak_pct", "watering_pct", "tree_pct")},
}
# Shares of model runs beyond each mark, of which the page shows the class only: the classes of all marks as one number.
SHARES, SHARE_COLUMNS = "share_classes", tuple(f"share_beyond_{mark:.0f}mm" for mark in palette.MARKS_MM)
GROWTH_STEPS = {"middle_now_mm": 0.1, "edge_now_mm": 0.1}  # shared too, only beside curves: nothing else shows them
# column -> an earlier column it tends to follow: what is left after a straight line needs fewer bits
RELATED = {
    "expected_movement_mm_p10": "expected_movement_mm", "expected_movement_mm_p90": "expected_movement_mm",
    "long_run_mm": "expected_movement_mm",
    "long_run_mm_p10": "long_run_mm",
    "long_run_mm_p90": "long_run_mm",
    "edge_gap_now_mm": "bend_now_mm", "edge_gap_now_mm_p10": "edge_gap_now_mm",
    "edge_gap_now_mm_p90": "edge_gap_now_mm",
    "bend_now_mm_p10": "bend_now_mm", "bend_now_mm_p90": "bend_now_mm",
    "bend_largest_up_mm": "long_run_mm", "bend_largest_down_mm": "bend_now_mm",
    "seasonal_range_mm": "long_run_mm", "whatif_dry_mm": "change_next_mm",
    "whatif_average_mm": "change_next_mm", "whatif_wet_mm": "change_next_mm",
    "change_next_mm_p10": "change_next_mm", "change_next_mm_p90": "change_next_mm", "fall_next_mm": "change_next_mm",
    "part_soil_mm": "expected_movement_mm",
    "tilt_leak_pct": "tilt_now_pct", "tilt_watering_pct": "tilt_leak_pct", "tilt_tree_pct": "tilt_leak_pct",
}
SHARED_TEXTS = ("state", "state_reason", "direction", "bend_largest_up_date", "phase", "pour_weather",
                "pour_from", "pour_to", "pour_date_basis", "slab_class", "map_unit_name",
                "shrink_swell_class", "neighbor_unit_name", "cell_id", "weather_source", "drought_category",
                "drought_valid_date", "data_quality", "flags")


def shared_steps(lots: pd.DataFrame) -> dict[str, float]:
    """Return the steps of the number columns that lots share; calibrated ones and soils where a table has them."""
    return {**SHARED_STEPS, **{column.name: 0.1 for column in tables.CALIBRATED if column.name in lots},
            **({below.COLUMN: 1.0} if below.COLUMN in lots else {})}


@dataclass
class _Block:
    arrays: list[dict[str, Any]] = field(default_factory=list)
    parts: list[bytes] = field(default_factory=list)

    def add(self, name: str, values: NDArray[Any], **about: Any) -> None:
        self.arrays.append({"name": name, "length": int(values.size), **about})
        self.parts.append(byte_planes(values))


def byte_planes(values: NDArray[Any]) -> bytes:
    """Return whole numbers as zigzag uint32, lowest bytes first; OverflowError beyond 31 bits."""
    wide = np.asarray(values, dtype=np.int64)
    if wide.size and (wide.max() >= 2**30 + 1 or wide.min() < -(2**30)):
        raise OverflowError("a value of the map block needs more than 31 bits")
    zigzag = ((wide << 1) ^ (wide >> 63)).astype("<u4")
    return zigzag.view(np.uint8).reshape(-1, 4).T.tobytes()


def _steps(values: pd.Series, step: float) -> NDArray[np.int64]:
    number = pd.to_numeric(values, errors="coerce").to_numpy(dtype=float, na_value=np.nan)
    known = np.isfinite(number)
    return np.where(known, np.rint(np.where(known, number, 0.0) / step), MISSING).astype(np.int64)


def share_classes(lots: pd.DataFrame) -> NDArray[np.float64]:
    """Return the classes of `SHARE_COLUMNS` as digits of one number, the first mark first; NaN without a share.

    The base is the number of classes of `palette.SHARE_LIMITS`. A share falls with the mark, so few numbers occur, and
    one column compresses better than three.
    """
    base, found = len(palette.SHARE_LIMITS) + 1, np.zeros(len(lots))
    for name in SHARE_COLUMNS:
        share = pd.to_numeric(lots[name], errors="coerce").to_numpy(dtype=float, na_value=np.nan)
        found = base * found + np.where(np.isfinite(share), np.digitize(share, palette.SHARE_LIMITS), np.nan)
    return found


def _rings(geometry: NDArray[np.object_], step: float) -> Shapes:
    """Return rings per lot, vertices per ring without the closing one, and coordinates (n, 2) in steps."""
    import shapely

    area = np.isin(shapely.get_type_id(geometry), (shapely.GeometryType.POLYGON, shapely.GeometryType.MULTIPOLYGON))
    only_areas = geometry.copy()
    only_areas[~area] = None
    part, lot_of_part = shapely.get_parts(only_areas, return_index=True)
    ring, part_of_ring = shapely.get_rings(part, return_index=True)
    shell = np.append(True, part_of_ring[1:] != part_of_ring[:-1])[: len(ring)]
    turned = shapely.is_ccw(ring) != shell
    ring = np.where(turned, shapely.reverse(ring), ring)
    xy, ring_of_vertex = shapely.get_coordinates(ring, return_index=True)
    last = np.append(ring_of_vertex[1:] != ring_of_vertex[:-1], True)[: len(xy)]
    vertices = np.bincount(ring_of_vertex[~last], minlength=len(ring))
    rings = np.bincount(lot_of_part[part_of_ring], minlength=len(geometry))
    return rings, vertices, np.rint(xy[~last] / step).astype(np.int64)


def _lines(geometry: NDArray[np.object_], step: float) -> Shapes:
    """Return the same for lines: every part is a separate line."""
    import shapely

    line = shapely.get_parts(geometry)
    line = line[shapely.get_type_id(line) == shapely.GeometryType.LINESTRING]
    xy = np.rint(shapely.get_coordinates(line) / step).astype(np.int64)
    return np.ones(len(line), np.int64), shapely.get_num_coordinates(line).astype(np.int64), xy


def _mixed(geometry: NDArray[np.object_], step: float) -> tuple[Shapes, NDArray[np.int64], NDArray[np.int64]]:
    """Return points, lines and areas, a shape for each of their parts: its kind (0, 1, 2) and its row in `geometry`."""
    import shapely

    part, row = shapely.get_parts(geometry, return_index=True)
    kind = np.array([{shapely.GeometryType.POINT: 0, shapely.GeometryType.POLYGON: 2}.get(number, 1)
                     for number in shapely.get_type_id(part).tolist()], np.int64)
    area = np.flatnonzero(kind == 2)
    ring, of_area = shapely.get_rings(part[area], return_index=True)
    piece = np.concatenate([part[kind != 2], ring])
    owner = np.concatenate([np.flatnonzero(kind != 2), area[of_area]])
    order = np.argsort(owner, kind="stable")
    xy = np.rint(shapely.get_coordinates(piece[order]) / step).astype(np.int64)
    vertices = shapely.get_num_coordinates(piece[order]).astype(np.int64)
    return (np.bincount(owner, minlength=len(part)), vertices, xy), kind, row.astype(np.int64)


def _add_shapes(block: _Block, prefix: str, shapes: Shapes) -> None:
    rings, vertices, xy = shapes
    block.add(prefix + "rings", rings)
    block.add(prefix + "vertices", vertices)
    for name, axis in (("x", 0), ("y", 1)):
        block.add(prefix + name, np.diff(xy[:, axis], prepend=0))


def predicted(base: NDArray[np.int64], slope: float, offset: float) -> NDArray[np.int64]:
    """Return what a straight line predicts from a column of steps; 0 where it is missing."""
    line = np.floor(base * slope + offset + 0.5).astype(np.int64)
    return np.where(base == MISSING, 0, line)


def _add_number(block: _Block, name: str, values: NDArray[np.int64], codes: pd.DataFrame, **about: Any) -> None:
    """Add a column of steps, minus what its related column predicts if that makes it smaller."""
    related = RELATED.get(name)
    base = codes[related].to_numpy() if related else values
    known = (values != MISSING) & (base != MISSING)
    if related and known.sum() > 1 and np.ptp(base[known]) > 0:
        slope, offset = (round(float(v), 4) for v in np.polyfit(base[known], values[known], 1))
        left = np.where(values == MISSING, MISSING, values - predicted(base, slope, offset))
        if np.log2(1 + np.abs(left[known])).sum() < np.log2(1 + np.abs(values[known])).sum():
            block.add(name, left, base=related, slope=slope, offset=offset, **about)
            return
    block.add(name, values, **about)


def _add_ids(block: _Block, ids: pd.Series) -> list[str]:
    """Add the numbers at the end of the ids; return the texts before them, each once."""
    parts = ids.astype("str").astype(object).str.extract(r"^((?s:.)*?)([0-9]{0,9})\Z")
    head, heads = pd.factorize(parts[0])
    number = pd.to_numeric(parts[1].where(parts[1] != "", "0")).to_numpy(dtype=np.int64)
    block.add("id_head", np.diff(head.astype(np.int64), prepend=0))
    block.add("id_digits", parts[1].str.len().to_numpy(dtype=np.int64))
    block.add("id_number", np.diff(number, prepend=0))
    return [str(text) for text in heads]


def _add_history(block: _Block, history: History) -> dict[str, Any]:
    values = np.asarray(history.deflection_mm, dtype=float)
    n_series, n_month = values.shape
    unknown = ~np.isfinite(values)
    # nothing is shown up to the last gap: only months that are known without a break until today
    first = np.where(unknown.any(axis=1), n_month - np.argmax(unknown[:, ::-1], axis=1), 0)
    at = np.minimum(first, n_month - 1)
    steps = np.rint(np.where(unknown, 0.0, values) / HISTORY_STEP).astype(np.int64)
    start = steps[np.arange(n_series), at] if n_month else np.zeros(0, np.int64)
    steps = np.where(np.arange(n_month) < first[:, None], start[:, None], steps)
    block.add("history_series", np.diff(np.asarray(history.series, dtype=np.int64), prepend=0))
    block.add("history_first", first)
    block.add("history_steps", np.diff(steps, axis=1, prepend=0).T.ravel())
    return {"months": list(history.months), "series": n_series, "step": HISTORY_STEP}


def _add_drought(block: _Block, shapes: gpd.GeoDataFrame, weeks: list[str], classes: tuple[str, ...]) -> None:
    shown = shapes[shapes["category"].isin(classes)]
    place = {week: k for k, week in enumerate(weeks)}
    block.add("drought_week", shown["valid_date"].astype("str").map(place).to_numpy(dtype=np.int64))
    block.add("drought_class", shown["category"].map({c: k for k, c in enumerate(classes)}).to_numpy(dtype=np.int64))
    _add_shapes(block, "drought_", _rings(shown.geometry.to_numpy(), DROUGHT_STEP))


def _add_index(block: _Block, climate: pd.DataFrame, cells: list[str], since: str) -> dict[str, Any] | None:
    if "spei_12" not in climate or not cells:
        return None
    used = climate[climate["cell_id"].isin(cells) & (climate["month"].astype("str") >= since)]
    if used["spei_12"].notna().sum() == 0:
        return None
    table = used.pivot_table(index="cell_id", columns="month", values="spei_12", aggfunc="first", dropna=False)
    months = pd.period_range(str(table.columns.min()), str(table.columns.max()), freq="M").strftime("%Y-%m")
    table = table.reindex(index=cells, columns=months)
    block.add("index_steps", _steps(pd.Series(table.to_numpy(dtype=float).ravel()), INDEX_STEP))
    return {"first": str(months[0]), "months": len(months), "cells": cells, "step": INDEX_STEP}


def _add_weeks(block: _Block, weekly: pd.DataFrame, cells: list[str],
               classes: tuple[str, ...]) -> dict[str, Any] | None:
    used = weekly[weekly["cell_id"].isin(cells)] if len(weekly) else weekly
    if not len(used):
        return None
    code = used.assign(code=used["category"].map({c: k for k, c in enumerate(classes)}))
    table = code.pivot_table(index="cell_id", columns="valid_date", values="code", aggfunc="first", dropna=False)
    table = table.reindex(index=cells)
    block.add("week_classes", np.where(table.isna(), -1, table.fillna(-1)).astype(np.int64).ravel())
    return {"dates": [str(date) for date in table.columns], "cells": cells}


def _add_growth(block: _Block, found: growth_curves.Curves) -> dict[str, Any]:
    block.add("growth_curve", np.diff(found.lot, prepend=0))
    block.add("growth_pour", found.pour)
    block.add("growth_first", found.first)
    block.add("growth_years", found.years)
    block.add("growth_middle", growth_curves.differences(found.middle, found.years))
    block.add("growth_edge", growth_curves.differences(found.edge, found.years))
    return {"step": growth_curves.STEP_MM}


def context_shown(context: gpd.GeoDataFrame | None, lots: int) -> tuple[gpd.GeoDataFrame | None, str]:
    """Return the shapes of context that a map with this many lots has room for, and what was left out, in words.

    Beyond `CONTEXT_VERTICES` and `VERTICES_PER_LOT` for every lot, shapes are simplified by up to `CONTEXT_SIMPLER_M`;
    where that is not enough they are left out.
    """
    if context is None or context.empty:
        return None, ""
    import shapely

    most = CONTEXT_VERTICES + VERTICES_PER_LOT * lots
    shape = context.geometry.to_numpy()
    for meters in (0.0, *CONTEXT_SIMPLER_M):
        plain = shapely.simplify(shape, meters / METERS_PER_DEGREE) if meters else shape
        if shapely.get_num_coordinates(plain).sum() <= most:
            shown = context.set_geometry(plain)
            return shown, f"Roads and other context are drawn to within {meters:g} m." if meters else ""
    return None, "Roads and other context are not in this file: they have too many vertices."


def _add_context(block: _Block, context: gpd.GeoDataFrame) -> dict[str, Any]:
    shapes, kind, row = _mixed(context.geometry.to_numpy(), DEGREE_STEP)
    found: dict[str, Any] = {"degree_step": DEGREE_STEP}
    for name, column in (("layers", "layer"), ("labels", "label")):
        code, values = pd.factorize(context[column].astype("str").where(context[column].notna(), "").to_numpy()[row])
        block.add(f"context_{name}", code.astype(np.int64))
        found[name] = [visible(str(value)) for value in values]
    block.add("context_kind", kind)
    _add_shapes(block, "context_", shapes)
    return found


def _add_past(block: _Block, results: Results, classes: tuple[str, ...],
              found: growth_curves.Curves | None) -> dict[str, Any]:
    """Add what was before today and what lies beneath; return its names for the header, None where there is none."""
    past: dict[str, Any] = dict.fromkeys(("history", "growth", "drought", "lines", "context", "index",
                                                   "weeks"))
    if results.history is not None and len(results.history.months) and len(results.history.series) == len(results.lots):
        past["history"] = _add_history(block, results.history)
    if found is not None:
        past["growth"] = _add_growth(block, found)
    if results.drought_shapes is not None and len(results.drought_shapes):
        weeks = sorted(str(date) for date in results.drought_shapes["valid_date"].unique())
        _add_drought(block, results.drought_shapes, weeks, classes)
        past["drought"] = {"weeks": weeks, "classes": list(classes), "degree_step": DROUGHT_STEP}
    if results.soil_lines is not None and len(results.soil_lines):
        _add_shapes(block, "line_", _lines(results.soil_lines.geometry.to_numpy(), DEGREE_STEP))
        past["lines"] = {"degree_step": DEGREE_STEP}
    context, _ = context_shown(results.context, len(results.lots))
    if context is not None:
        past["context"] = _add_context(block, context)
    cells = sorted({str(cell) for cell in results.lots["cell_id"].dropna().unique() if cell})
    pours = [str(month) for month in results.lots["pour_from"].dropna().unique() if month]
    past["index"] = _add_index(block, results.climate, cells, min(pours, default=results.today))
    past["weeks"] = _add_weeks(block, results.drought_weeks, cells, classes)
    return past


def _shared(lots: pd.DataFrame, steps: dict[str, float]) -> tuple[pd.DataFrame, dict[str, list[str]]]:
    codes: dict[str, NDArray[np.int64]] = {name: _steps(lots[name], step) for name, step in steps.items()}
    texts: dict[str, list[str]] = {}
    for name in SHARED_TEXTS:
        code, values = pd.factorize(lots[name].astype("str").where(lots[name].notna(), ""), sort=True)
        codes[name], texts[name] = code.astype(np.int64), [str(v) for v in values]
    return pd.DataFrame(codes), texts


def block(lots: gpd.GeoDataFrame, about: dict[str, Any], *, change: pd.DataFrame | None = None,
          past: Results | None = None, classes: tuple[str, ...] = ()) -> str:
    """Return the data block of an estimate table as base64 text.

    Parameters
    ----------
    lots : GeoDataFrame
        `tables.ESTIMATE` in EPSG:4326. Rows keep their order; rows without a polygon have no ring.
    about : dict
        Plain values for the page: names, words, classes, cautions. They go into the header unchanged.
    change : DataFrame, optional
        What changed since another run, one row per lot in row order, in mm; each column is added under its name.
        ValueError when it has another length.
    past : Results, optional
        Run whose past months, growth curves, drought shapes, soil boundaries and indices are added; with None, none of
        them.
    classes : tuple of str
        Weekly drought categories in the order of their numbers.

    Raises
    ------
    OverflowError
        When a value does not fit the block (no lot on Earth does this).
    """
    if change is not None and len(change) != len(lots):
        raise ValueError(f"the change has {len(change)} values for {len(lots)} lots")
    arrays = _Block()
    _add_shapes(arrays, "", _rings(lots.geometry.to_numpy(), DEGREE_STEP))
    heads = _add_ids(arrays, lots["lot_id"])
    found = growth_curves.curves(past) if past is not None else None
    steps = shared_steps(lots) | {SHARES: 1.0} | (GROWTH_STEPS if found is not None else {})
    codes, texts = _shared(lots.assign(**{SHARES: share_classes(lots)}), steps)
    names = list(codes.columns)
    row = codes.groupby(names, sort=False).ngroup().to_numpy()
    arrays.add("row", np.diff(row, prepend=0))
    rows = codes.drop_duplicates()
    for name, values in rows.items():
        _add_number(arrays, str(name), values.to_numpy(), rows, shared=True, step=steps.get(str(name), 0))
    for name, step in OWN_STEPS.items():
        arrays.add(name, _steps(lots[name], step), step=step)
    if change is not None:
        for name, values in change.items():
            arrays.add(str(name), _steps(values, CHANGE_STEP), step=CHANGE_STEP)
    header = {"lots": len(lots), "heads": heads, "texts": texts, "missing": MISSING, "degree_step": DEGREE_STEP,
              "past": _add_past(arrays, past, classes, found) if past is not None else {}, "arrays": arrays.arrays,
              "about": about}
    head = json.dumps(header, ensure_ascii=False, separators=(",", ":"), allow_nan=False).encode("utf-8",
                                                                                                 "backslashreplace")
    raw = b"".join([len(head).to_bytes(4, "little"), head, *arrays.parts])
    return base64.b64encode(gzip.compress(raw, compresslevel=8, mtime=0)).decode("ascii")
