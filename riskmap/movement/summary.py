"""From model runs to the estimate of an archetype: mixture of profiles, quantiles, shares, and widening by frost.

Method: notebooks/method.md, section 9.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from riskmap.common.constants import DEFLECTION_LIMIT_RATIO, NORMAL_P90
from riskmap.common.month_numbers import month_name
from riskmap.common.tables import DEFLECTION_BANDS_MM, PHASES
from riskmap.movement import kernels as k

Array = NDArray[np.float64]

FROST_SHARE = 0.07  # share of the edge range added in quadrature where a month's normal is below freezing (judgement)
TILT_LIMIT_PCT = 1.0  # quoted guideline figure (from memory); drawn as a line, never as pass or fail
CORNER_FACTOR = 1.22  # middle to corner over middle to long edge (computed in three dimensions)
MM = 1000.0
BEYOND_MM = DEFLECTION_BANDS_MM[1:]  # limits for the shares of the expected movement: 10, 20 and 35 mm
WHATIF_YEARS = ("dry", "average", "wet")


def choose_units(archetype: NDArray[np.int64], unit: NDArray[np.int64], weight: Array, component: Array) \
        -> NDArray[np.int64]:
    """Return the unit that each model run of each archetype uses, shape (n_archetype, n_draw). (method.md, section 8)

    Model runs are divided among the profiles of an archetype in proportion to their weight. Model run d uses the
    profile in whose slice of cumulated weight its stratified quantile falls, so shares are exact within one model run.

    Parameters
    ----------
    archetype, unit, weight : arrays, shape (n_part,)
        Parts of the mixtures, ordered by archetype; weights sum to 1 over an archetype.
    component : array, shape (n_draw,)
        Stratified quantiles.
    """
    starts = np.flatnonzero(np.concatenate([[True], np.diff(archetype) > 0]))
    cumulated = np.cumsum(weight)
    base = np.repeat(cumulated[starts] - weight[starts], np.diff(np.append(starts, archetype.size)))
    upper = cumulated - base
    chosen = np.empty((starts.size, component.size), dtype=np.int64)
    # all positions advance together: in each archetype, to the first part whose upper limit exceeds the quantile
    place = np.tile(starts[:, None], (1, component.size))
    last = np.append(starts[1:], archetype.size)[:, None] - 1
    for _ in range(int(np.diff(np.append(starts, archetype.size)).max(initial=1)) - 1):
        place = np.where((upper[place] <= component[None, :]) & (place < last), place + 1, place)
    chosen[:] = unit[place]
    return chosen


def quantiles(ordered: Array, percents: tuple[float, ...]) -> list[Array]:
    """Return percentiles of sorted values (n_archetype, n_draw), linear between order statistics.

    Method: method.md, section 9.
    """
    out = []
    for percent in percents:
        position = percent / 100 * (ordered.shape[1] - 1)
        low = int(position)
        high = min(low + 1, ordered.shape[1] - 1)
        out.append(ordered[:, low] + (position - low) * (ordered[:, high] - ordered[:, low]))
    return out


def _picked(block: Array, place: NDArray[np.int64], quantity: int) -> Array:
    """Return a quantity of every model run, shape (n_archetype, n_draw); place: number of unit and model run."""
    return block[:, :, quantity].take(place)


def _ordered(block: Array, place: NDArray[np.int64], quantity: int) -> Array:
    out = _picked(block, place, quantity)
    out.sort(axis=1)  # NumPy's sort is ten times as fast as that of the compiler
    return out


def _of_replays(block: Array, place: NDArray[np.int64], quantity: int) -> Array:
    """Return a quantity of every model run and replayed year in ascending order, (n_archetype, n_draw * REPLAYS)."""
    return np.sort(np.concatenate([_picked(block, place, quantity + r) for r in range(k.REPLAYS)], axis=1), axis=1)


def _middle_run(values: Array) -> NDArray[np.int64]:
    """Return the model run whose value is the upper median of each row; of equal values, that of a stable sort."""
    half = values.shape[1] // 2
    median = np.partition(values, half, axis=1)[:, half, None]
    before = half - (values < median).sum(axis=1)
    return (np.cumsum(values == median, axis=1) > before[:, None]).argmax(axis=1)


def _widened(low: Array, middle: Array, high: Array, extra: Array) -> tuple[Array, Array]:
    """Return a range widened by `extra`.

    Both limits grow with the median and the given limit, so order is preserved.
    """
    return (middle - np.hypot(middle - low, NORMAL_P90 * extra), middle + np.hypot(high - middle, NORMAL_P90 * extra))


def summarise(block: Array, chosen: NDArray[np.int64], first_month: int, frost: bool, plan_factor: Array) \
        -> pd.DataFrame:
    """Return one row per archetype with the columns of `tables.ESTIMATE` that come from the model runs.

    Method: method.md, section 9.

    Parameters
    ----------
    block : array, shape (n_unit, n_draw, n_quantity)
        Results of the model runs, lengths in m (`kernels.QUANTITIES`).
    chosen : int array, shape (n_archetype, n_draw)
        Unit that each model run uses.
    first_month : int
        Month number of axis position 0.
    frost : bool
        True adds the unmodelled frost movement to the ranges.
    plan_factor : array, shape (n_archetype,)
        Factor for the shape of the plan, on everything that is a difference between middle and edge.
    """
    place = chosen * chosen.shape[1] + np.arange(chosen.shape[1])
    extra = FROST_SHARE * quantiles(_ordered(block, place, k.EDGE_RANGE), (50,))[0] * MM * (1.0 if frost else 0.0)
    out: dict[str, Array | list[str]] = {}

    def with_range(name: str, ordered: Array, floor: float = -np.inf, ceiling: float = np.inf) -> None:
        low, middle, high = (q * MM * plan_factor for q in quantiles(ordered, (10, 50, 90)))
        out[name] = middle
        out[f"{name}_p10"], out[f"{name}_p90"] = (np.clip(limit, floor, ceiling) for limit in
                                                  _widened(low, middle, high, extra))

    replays = _of_replays(block, place, k.REPLAY)
    with_range("expected_movement_mm", replays, floor=0.0)
    with_range("long_run_mm", _ordered(block, place, k.LONG_RUN), floor=0.0)
    with_range("bend_now_mm", _ordered(block, place, k.NOW))
    # percentiles of differences, never differences of percentiles; the widening keeps fall <= change <= rise in each
    with_range("change_next_mm", _of_replays(block, place, k.CHANGE))
    with_range("rise_next_mm", _of_replays(block, place, k.RISE), floor=0.0)
    with_range("fall_next_mm", _of_replays(block, place, k.FALL), ceiling=0.0)
    with_range("edge_gap_now_mm", _ordered(block, place, k.EDGE_GAP), floor=0.0)
    for level in BEYOND_MM:
        out[f"share_beyond_{level:.0f}mm"] = (replays * (MM * plan_factor[:, None]) > level).mean(axis=1)
    now = np.asarray(out["bend_now_mm"])
    level = DEFLECTION_BANDS_MM[0]
    out["direction"] = list(np.select([now >= level, now <= -level], ["center_lift", "edge_lift"], "near_level"))

    largest = _picked(block, place, k.MAX)
    out["bend_largest_up_mm"] = quantiles(np.sort(largest, axis=1), (50,))[0] * MM * plan_factor
    months = _picked(block, place, k.MONTH_MAX)[np.arange(chosen.shape[0]), _middle_run(largest)].astype(np.int64)
    out["bend_largest_up_date"] = [month_name(first_month + m) for m in months.tolist()]
    for name, quantity, factor in (
        ("bend_largest_down_mm", k.MIN, MM * plan_factor), ("soil_differential_now_mm", k.SOIL_NOW, MM * plan_factor),
        ("edge_now_mm", k.EDGE, MM), ("middle_now_mm", k.CENTER, MM), ("seasonal_range_mm", k.SEASONAL, MM),
        ("bend_ratio_now", k.RATIO_NOW, plan_factor),
    ):
        out[name] = quantiles(_ordered(block, place, quantity), (50,))[0] * factor
    out["soil_differential_corner_mm"] = CORNER_FACTOR * np.asarray(out["soil_differential_now_mm"])
    ratios = np.concatenate([_picked(block, place, k.REPLAY_RATIO + r) for r in range(k.REPLAYS)], axis=1)
    ratios *= plan_factor[:, None]
    out["share_beyond_l360"] = (ratios > DEFLECTION_LIMIT_RATIO).mean(axis=1)
    out["settlement_mm"] = quantiles(_ordered(block, place, k.SETTLEMENT), (50,))[0] * MM
    tilt = np.sort(np.abs(_picked(block, place, k.TILT)), axis=1) * 100
    out["tilt_now_pct"], out["tilt_now_pct_p90"] = quantiles(tilt, (50, 90))
    out["share_beyond_1pct_tilt"] = (tilt > TILT_LIMIT_PCT).mean(axis=1)
    for s, name in enumerate(("tilt_leak_pct", "tilt_watering_pct", "tilt_tree_pct")):
        out[name] = quantiles(np.sort(np.abs(_picked(block, place, k.SCENARIO + s)), axis=1), (50,))[0] * 100
    phase = _picked(block, place, k.PHASE)
    shares = np.stack([(phase == code).mean(axis=1) for code in range(len(PHASES))], axis=1)
    likely = shares.argmax(axis=1)
    out["phase"] = [PHASES[code] for code in likely.tolist()]
    out["phase_probability"] = shares[np.arange(likely.size), likely]
    for r, year in enumerate(WHATIF_YEARS):
        with_range(f"whatif_{year}_mm", _ordered(block, place, k.WHATIF + r))
        with_range(f"whatif_{year}_largest_mm", _ordered(block, place, k.WHATIF_LARGEST + r))
    out["edge_high_pct"] = 100 * _picked(block, place, k.EDGE_HIGH).mean(axis=1)
    return pd.DataFrame(out)
