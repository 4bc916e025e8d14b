"""Stage 6: suction, ground movement, slab, Monte Carlo.

In: unique columns, their profiles and layers, the climate history. Out: one row per column with medians, ranges
and shares, and why a cell gives no number. Equations are in grid, reduced_model, surface and slab; `kernels` is the
compiled path that joins them; nothing here opens a file.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, cast

import numpy as np
import pandas as pd

from riskmap.settings import ClimateSettings, MovementSettings, SoilSettings

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from riskmap.climate.history import ClimateHistory
    from riskmap.movement.driver import Driver

NARROWEST, WIDEST = 0.8, 9.0  # half width over active depth: range in which the reduced model is tested
SHALLOWEST_M, CAP_STEP_M = 0.75, 0.25  # active depth cut by rock or a lasting water table: not below, and in steps of
DEEPEST_M = 1000.0


@dataclass(frozen=True)
class Movement:
    """Result of the stage.

    Attributes
    ----------
    column : DataFrame
        One row per column: the estimate columns, plus `state`, `state_reason` and `flags`.
    facts : dict
        Draws, columns, seconds, draws per second; per cell the named outlook years and the equilibrium suction.
    """

    column: pd.DataFrame
    facts: dict[str, Any] = field(default_factory=dict)


def layer_arrays(profile: pd.DataFrame, layer: pd.DataFrame, soil: SoilSettings) -> tuple[NDArray[np.float64], ...]:
    """Return the layers of every profile down to any depth as arrays (n_profile, n_layer).

    The deepest horizon is extended to 2 m at most, below it counts half; nothing counts below rock (decisions page).

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

    The active depth is cut at the water table and at rock (decisions page). A water table of the wet season does not
    count: the ground above its yearly low dries. `inf` where nothing cuts.
    """
    cap = profile["rock_depth_m"].fillna(np.inf)
    if "water_table_all_year_m" in profile:
        cap = np.minimum(cap, profile["water_table_all_year_m"].fillna(np.inf))
    out = np.full(int(profile["profile_id"].max()) + 1, np.inf)
    steps = np.maximum(cap.to_numpy(float), SHALLOWEST_M) / CAP_STEP_M
    out[profile["profile_id"].to_numpy(np.int64)] = np.where(np.isfinite(steps), np.round(steps) * CAP_STEP_M, np.inf)
    return out


def _units(column: pd.DataFrame, parts: pd.DataFrame, classes: list[str], driver: Driver,
           cap_m: NDArray[np.float64]) -> tuple[pd.DataFrame, NDArray[np.int64]]:
    """Return the unique (depth cap, profile, class, pour dates) of a group and the unit of each part."""
    earliest = driver.record - min(driver.record, 12 * 10)
    row = column.loc[parts["column_id"]]
    frame = pd.DataFrame({
        "cap_m": cap_m[parts["profile_id"].to_numpy(np.int64)],
        "profile": parts["profile_id"].to_numpy(np.int64),
        "class": row["slab_class"].map(classes.index).to_numpy(np.int64),
        "early": np.clip(row["pour_early_month"].to_numpy(np.int64) - driver.first_month, earliest, driver.now - 1),
        "late": np.clip(row["pour_late_month"].to_numpy(np.int64) - driver.first_month, earliest, driver.now - 1),
    })
    unit = frame.drop_duplicates().sort_values(list(frame.columns)).reset_index(drop=True)
    number = frame.merge(unit.reset_index(names="unit"), on=list(frame.columns), how="left")["unit"].to_numpy()
    return unit, number


def simulate(columns: pd.DataFrame, column_profile: pd.DataFrame, profile: pd.DataFrame, layer: pd.DataFrame,
             history: ClimateHistory, *, movement: MovementSettings, climate: ClimateSettings, soil: SoilSettings,
             workers: int | None = None, progress: Callable[[float], None] | None = None) -> Movement:
    """Run every draw of every column.

    Parameters
    ----------
    columns, column_profile : DataFrame
        As made by `columns.collapse`.
    profile, layer : DataFrame
        Soil profiles: profile_id, rock_depth_m; profile_id, top_m, bottom_m, lep_low_pct, lep_pct, lep_high_pct.
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
    from riskmap.movement import kernels, summary

    began = time.perf_counter()
    draws = random.make(movement)
    layers = layer_arrays(profile, layer, soil)
    cap_m = depth_caps(profile)
    classes = sorted(columns["slab_class"].unique())
    groups = list(columns.groupby(["cell_id", "half_width_m", "half_width_known"], sort=True))
    drivers: dict[str, Driver] = {}
    frames, unit_draws, done = [], 0, 0
    with ThreadPoolExecutor(workers or os.cpu_count() or 1) as pool:
        for key, column in groups:
            cell_id, half_width, known = cast("tuple[str, float, bool]", key)
            if cell_id not in drivers:
                drivers[cell_id] = weather.make(history, history.cells.index(cell_id), draws, climate, movement)
            driver = drivers[cell_id]
            parts = column_profile[column_profile["column_id"].isin(column.index)]
            if driver.state:
                frame = pd.DataFrame({"state": "not_enough_data", "state_reason": driver.state}, index=column.index)
            else:
                unit, number = _units(column, parts, classes, driver, cap_m)
                block = np.empty((len(unit), draws.count, len(kernels.QUANTITIES)))
                jobs = [pool.submit(_run_draw, d, driver, draws, layers, part, classes, float(half_width), bool(known),
                                    movement, soil, block[part.index[0] : part.index[-1] + 1])
                        for _, part in unit.groupby("cap_m", sort=True) for d in range(draws.count)]
                for job in jobs:
                    job.result()
                unit_draws += len(unit) * draws.count
                chosen = summary.choose_units(parts["column_id"].to_numpy(), number, parts["weight"].to_numpy(),
                                              draws.component)
                frame = summary.summarise(block, chosen, driver.first_month, "frost_not_modelled" in driver.flags)
                frame.index = column.index
                frame["state"], frame["state_reason"] = "", ""
            frame["flags"] = _flags(column, driver)
            frames.append(frame)
            done += len(column)
            if progress:
                progress(done / len(columns))
    seconds = time.perf_counter() - began
    table = pd.concat(frames).sort_index() if frames else pd.DataFrame(columns=["state", "state_reason", "flags"])
    return Movement(table, {
        "draws": draws.count, "columns": len(columns), "unit_draws": unit_draws, "seconds": seconds,
        "unit_draws_per_s": unit_draws / seconds if unit_draws else 0.0,
        "cells": {cell: {"outlook_years": list(d.outlook_years), **d.facts} for cell, d in drivers.items()},
    })


def _flags(column: pd.DataFrame, driver: Driver) -> list[str]:
    early = column["pour_early_month"].to_numpy() < driver.first_month + driver.record
    common = list(driver.flags)
    return [";".join(sorted([*common, "pour_before_record"] if old else common)) for old in early]


def _run_draw(d: int, driver: Driver, draws: Any, layers: tuple[NDArray[np.float64], ...], unit: pd.DataFrame,
              classes: list[str], half_width: float, known: bool, movement: MovementSettings, soil: SoilSettings,
              block: NDArray[np.float64]) -> None:
    from riskmap.constants import PF_AT_33_KPA
    from riskmap.movement import kernels, reduced_model
    from riskmap.movement.slab import CLASS_STIFFNESS_MN_M2

    depth = float(min(draws.active_depth_m[d], unit["cap_m"].iloc[0]))
    spread = movement.half_width_spread if known else movement.half_width_spread_unknown
    # the model depends on half width over active depth only; a step of 0.1 moves the edge by less than 0.2 m
    ratio = round(min(max(half_width * (1 + spread * draws.half_width[d]) / depth, NARROWEST), WIDEST), 1)
    model = reduced_model.cached(ratio)
    dtau = float(draws.diffusivity_m2_per_yr[d]) / (12 * depth**2)
    decay, early, late = reduced_model.step_factors(model.rates, dtau)
    g_decay, g_early, g_late = reduced_model.step_factors(model.ground_rates, dtau)
    suction = driver.suction_pf[d] - driver.equilibrium_pf[d]
    mean = float(suction[driver.record:].mean())
    sigma = {name: movement.stiffness_sigma_ln if name == "unknown" else movement.stiffness_sigma_ln_known
             for name in classes}
    stiffness = np.array([1e6 * CLASS_STIFFNESS_MN_M2[name] * np.exp(sigma[name] * draws.stiffness[d])
                          for name in classes])
    opposite = reduced_model.cached(ratio, antisymmetric=True)
    o_decay = reduced_model.step_factors(opposite.rates, dtau)[0]
    kernels.run_draw(
        d, suction,
        (decay, early * model.inputs, late * model.inputs, mean * model.inputs / model.rates, model.output,
         model.initial),
        (o_decay, opposite.inputs / opposite.rates, opposite.output),
        (g_decay, g_early * model.ground_inputs, g_late * model.ground_inputs,
         mean * model.ground_inputs / model.ground_rates, model.ground_output, model.depth_edges),
        (depth, float(draws.restraint[d]), float(draws.extensibility[d]), soil.lep_cap_pct,
         movement.pf_span_dry - PF_AT_33_KPA, ratio * depth, stiffness, float(draws.spring_n_m3[d]),
         float(draws.load_pa[d]), float(draws.edge_load_n_m[d]), float(draws.settlement_mm[d]) / 1000,
         movement.settlement_yr, float(draws.pour[d]), float(draws.sides_pf[d]),
         np.array([movement.leak_pf, movement.watering_pf, movement.tree_pf])),
        layers,
        (unit["profile"].to_numpy(), unit["class"].to_numpy(), unit["early"].to_numpy(), unit["late"].to_numpy()),
        (driver.now, *driver.normal, driver.first_month % 12),
        driver.starts[d], block)
