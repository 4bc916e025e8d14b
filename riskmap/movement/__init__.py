"""Stage 6: suction, ground movement, slab, Monte Carlo.

In: unique columns, their profiles and layers, the climate history. Out: one row per column with medians, ranges
and shares, and why a cell gives no number. Equations are in grid, reduced_model, surface and slab; `kernels` is the
compiled path that joins them; nothing here opens a file.
Method: notebooks/method.md, section 1 and, step by step, section 4 to section 9.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import partial
from typing import TYPE_CHECKING, Any, cast

import numpy as np
import pandas as pd

from riskmap.constants import NARROWEST_RATIO, WIDEST_RATIO
from riskmap.settings import ClimateSettings, MovementSettings, SoilSettings

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from riskmap.movement.driver import Driver
    from riskmap.movement.engine import Units
    from riskmap.movement_inputs import ClimateHistory

SHALLOWEST_M, CAP_STEP_M = 0.75, 0.25  # active depth cut by rock or a lasting water table: not below, and in steps of
DEEPEST_M = 1000.0


@dataclass(frozen=True)
class Movement:
    """Result of the stage.

    Attributes
    ----------
    column : DataFrame
        One row per column: the estimate columns, plus `state`, `state_reason` and `flags`, and the past months (see
        `past.split`).
    facts : dict
        Draws, columns, seconds, draws per second; per cell the named outlook years and the equilibrium suction.
    """

    column: pd.DataFrame
    facts: dict[str, Any] = field(default_factory=dict)


def layer_arrays(profile: pd.DataFrame, layer: pd.DataFrame, soil: SoilSettings) -> tuple[NDArray[np.float64], ...]:
    """Return the layers of every profile down to any depth as arrays (n_profile, n_layer).

    The deepest horizon is extended to 2 m at most, below it half; nothing counts below rock (method.md, section 2).

    Returns
    -------
    top_m, bottom_m, low, middle, high [%], factor
    """
    part = layer.sort_values(["profile_id", "top_m"], kind="stable").reset_index(drop=True)
    number = part["profile_id"].to_numpy(np.int64)
    last = ~pd.Series(number).duplicated(keep="last").to_numpy()
    extend = soil.extend_to_cm / 100
    part["factor"] = 1.0
    part.loc[last, "bottom_m"] = part.loc[last, "bottom_m"].clip(lower=extend)
    below = part[last].copy()
    below["top_m"], below["bottom_m"], below["factor"] = below["bottom_m"], DEEPEST_M, soil.below_profile_factor
    part = pd.concat([part, below]).sort_values(["profile_id", "top_m"], kind="stable")
    number = part["profile_id"].to_numpy(np.int64)
    rock = profile.set_index("profile_id")["rock_depth_m"].reindex(number).fillna(np.inf).to_numpy()
    for name in ("top_m", "bottom_m"):
        part[name] = np.minimum(part[name].to_numpy(), rock)
    place = part.groupby("profile_id").cumcount().to_numpy()
    shape = (int(profile["profile_id"].max()) + 1, int(place.max()) + 1)
    arrays = []
    for name in ("top_m", "bottom_m", "lep_low_pct", "lep_pct", "lep_high_pct", "factor"):
        out = np.zeros(shape)
        out[number, place] = part[name].to_numpy(float)
        arrays.append(out)
    return tuple(arrays)


def depth_caps(profile: pd.DataFrame) -> NDArray[np.float64]:
    """Return what rock or a water table that lasts all year leaves of the active depth, by profile number. [m]

    The active depth is cut at the water table and at rock (method.md, section 5.4). One of the wet season does not
    count: the ground above its yearly low dries. `inf` where nothing cuts.
    """
    cap = profile["rock_depth_m"].fillna(np.inf).to_numpy(float)
    if "water_table_all_year_m" in profile:
        cap = np.minimum(cap, profile["water_table_all_year_m"].fillna(np.inf).to_numpy(float))
    out = np.full(int(profile["profile_id"].max()) + 1, np.inf)
    steps = np.maximum(cap, SHALLOWEST_M) / CAP_STEP_M
    out[profile["profile_id"].to_numpy(np.int64)] = np.where(np.isfinite(steps), np.round(steps) * CAP_STEP_M, np.inf)
    return out


def units_of(column: pd.DataFrame, parts: pd.DataFrame, classes: list[str], driver: Driver,
           cap_m: NDArray[np.float64]) -> tuple[Units, NDArray[np.int64]]:
    """Return the unique (depth cap, profile, class, pour dates) of a group and the unit of each part."""
    from riskmap.movement import reasons
    from riskmap.movement.engine import Units

    first = reasons.earliest(driver)
    row = column.loc[parts["column_id"]]
    frame = pd.DataFrame({
        "cap_m": cap_m[parts["profile_id"].to_numpy(np.int64)],
        "profile": parts["profile_id"].to_numpy(np.int64),
        "class": row["slab_class"].map(classes.index).to_numpy(np.int64),
        "early": np.clip(row["pour_early_month"].to_numpy(np.int64) - driver.first_month, first, driver.now - 1),
        "late": np.clip(row["pour_late_month"].to_numpy(np.int64) - driver.first_month, first, driver.now - 1),
    })
    unit = frame.drop_duplicates().sort_values(list(frame.columns)).reset_index(drop=True)
    number = frame.merge(unit.reset_index(names="unit"), on=list(frame.columns), how="left")["unit"].to_numpy()
    return Units(*(unit[name].to_numpy() for name in ("profile", "class", "early", "late"))), number


def simulate(columns: pd.DataFrame, column_profile: pd.DataFrame, profile: pd.DataFrame, layer: pd.DataFrame,
             history: ClimateHistory, *, movement: MovementSettings, climate: ClimateSettings, soil: SoilSettings,
             workers: int | None = None, progress: Callable[[float], None] | None = None) -> Movement:
    """Run every draw of every column.

    Parameters
    ----------
    columns, column_profile : DataFrame
        As made by `columns.collapse`.
    profile, layer : DataFrame
        Soil profiles: profile_id, rock_depth_m, water_table_all_year_m; profile_id, top_m, bottom_m, lep_low_pct,
        lep_pct, lep_high_pct.
    history : ClimateHistory
        Climate per cell.
    movement, climate, soil : settings
    workers : int, optional
        Threads; any number gives the same result. Default: the machine's cores.
    progress : callable, optional
        Told the finished share, 0 to 1.

    Returns
    -------
    Movement
        Rows in the order of `columns`.
    """
    from riskmap.movement import draws as random
    from riskmap.movement import driver as weather
    from riskmap.movement import kernels, past, reasons, summary
    from riskmap.movement.engine import Engine, Threads

    began = time.perf_counter()
    profile, layer, reference = reasons.with_reference(profile, layer)
    classes = sorted({*columns["slab_class"], reasons.REFERENCE_CLASS})
    engine = Engine(random.make(movement), layer_arrays(profile, layer, soil), depth_caps(profile), classes,
                    soil.lep_cap_pct, movement)
    draws, middle = engine.draws, replace(engine, draws=random.middle(movement))
    drivers: dict[str, Driver] = {}
    frames, unit_draws, done = [], 0, 0
    with Threads(workers) as pool:
        for cell, of_cell in columns.groupby("cell_id", sort=True):
            cell_id, place = str(cell), history.cells.index(str(cell))
            driver = drivers[cell_id] = weather.make(history, place, draws, climate, movement)
            if driver.state:
                frames.append(pd.DataFrame({"state": "not_enough_data", "state_reason": driver.state, "flags": ""},
                                           index=of_cell.index))
                continue
            of_widths = []
            for key, column in of_cell.groupby(["half_width_m", "half_width_known"], sort=True):
                half_width, known = cast("tuple[float, bool]", key)
                parts = column_profile[column_profile["column_id"].isin(column.index)]
                unit, number = units_of(column, parts, classes, driver, engine.cap_m)
                before = past.room(driver, unit.profile.size, draws.count, movement.history_months)
                block = engine.run(driver, unit, float(half_width), bool(known), pool, past=before)
                unit_draws += block.shape[0] * block.shape[1]
                chosen = summary.choose_units(parts["column_id"].to_numpy(), number, parts["weight"].to_numpy(),
                                              draws.component)
                frame = summary.summarise(block, chosen, driver.first_month, "frost_not_modelled" in driver.flags,
                                          column["plan_factor"].to_numpy(float))
                months = past.medians(before, chosen, movement.history_months, driver.first_month, driver.now,
                                      column["plan_factor"].to_numpy(float))
                of_widths.append(pd.concat([frame, months], axis=1).set_axis(column.index))
                done += len(column)
                if progress:
                    progress(done / len(columns))
            table = pd.concat(of_widths).sort_index()
            parts = column_profile[column_profile["column_id"].isin(of_cell.index)]
            quiet = weather.make(history, place, middle.draws, climate, movement)
            why = reasons.contributions(of_cell, parts, quiet, classes, reference,
                                        partial(reasons.middle_scores, middle=middle, driver=quiet, pool=pool),
                                        table["expected_movement_mm"].to_numpy(),
                                        reasons.reference_score(reference, engine, driver, pool))
            whole = pd.concat([table, why, reasons.ranked(why)], axis=1)
            frames.append(whole.assign(reason=reasons.sentences(whole), state="", state_reason="",
                                       flags=_flags(of_cell, driver, _beyond_widths(of_cell, parts, engine.cap_m,
                                                                                    movement.active_depth_m))))
    seconds = time.perf_counter() - began
    table = pd.concat(frames).sort_index() if frames else pd.DataFrame(columns=["state", "state_reason", "flags"])
    return Movement(table, {
        "draws": draws.count, "columns": len(columns), "unit_draws": unit_draws, "quantities": len(kernels.QUANTITIES),
        "seconds": seconds, "unit_draws_per_s": unit_draws / seconds, "reference_lot": reasons.REFERENCE_WORDS,
        "cells": {cell: {"outlook_years": list(d.outlook_years), **d.facts} for cell, d in drivers.items()},
    })


def _beyond_widths(column: pd.DataFrame, parts: pd.DataFrame, cap_m: NDArray[np.float64],
                   depth_m: float) -> NDArray[np.bool_]:
    """Return which columns are narrower or wider than the model is built for and are computed at its limit.

    Half width over active depth is held between `NARROWEST_RATIO` and `WIDEST_RATIO`. Judged at the middle active depth
    [m], cut where a profile cuts it.
    """
    half = column["half_width_m"].reindex(parts["column_id"]).to_numpy(float)
    ratio = half / np.minimum(depth_m, cap_m[parts["profile_id"].to_numpy(np.int64)])
    beyond = parts["column_id"].to_numpy()[(ratio < NARROWEST_RATIO) | (ratio > WIDEST_RATIO)]
    return column.index.isin(beyond)


def _flags(column: pd.DataFrame, driver: Driver, beyond: NDArray[np.bool_]) -> list[str]:
    early = column["pour_early_month"].to_numpy() < driver.first_month + driver.record
    own = zip(np.where(early, "pour_before_record", ""), np.where(beyond, "slab_width_beyond_model", ""), strict=True)
    return [";".join(sorted(flag for flag in (*driver.flags, *flags) if flag)) for flags in own]
