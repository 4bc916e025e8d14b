"""The movement stage: tables in, one row per archetype out.

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

from riskmap.common.constants import NARROWEST_RATIO, WIDEST_RATIO
from riskmap.common.settings import ClimateSettings, MovementSettings, SoilSettings
from riskmap.movement.soil_units import depth_caps, layer_arrays, units_of, with_stiffness

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from riskmap.common.weather import ClimateHistory
    from riskmap.movement.driver import Driver


@dataclass(frozen=True)
class Movement:
    """Result of the stage.

    Attributes
    ----------
    archetype : DataFrame
        One row per archetype: the estimate columns, plus `state`, `state_reason` and `flags`, and the past months
        (see `past.split`).
    facts : dict
        Model runs, archetypes, seconds, model runs per second; per cell the named what-if years and the equilibrium
        suction.
    """

    archetype: pd.DataFrame
    facts: dict[str, Any] = field(default_factory=dict)


def simulate(archetypes: pd.DataFrame, archetype_profile: pd.DataFrame, profile: pd.DataFrame, layer: pd.DataFrame,
             history: ClimateHistory, *, movement: MovementSettings, climate: ClimateSettings, soil: SoilSettings,
             workers: int | None = None, progress: Callable[[float], None] | None = None) -> Movement:
    """Compute every model run of every archetype.

    Parameters
    ----------
    archetypes, archetype_profile : DataFrame
        As returned by `archetypes.collapse`.
    profile, layer : DataFrame
        Soil profiles: profile_id, rock_depth_m, water_table_all_year_m; profile_id, top_m, bottom_m, lep_low_pct,
        lep_pct, lep_high_pct.
    history : ClimateHistory
        Climate per cell.
    movement, climate, soil : settings
    workers : int, optional
        Number of threads; the result does not depend on it. Default: the machine's cores.
    progress : callable, optional
        Called with the finished share, 0 to 1.

    Returns
    -------
    Movement
        Rows in the order of `archetypes`.
    """
    from riskmap.movement import draws as random
    from riskmap.movement import driver as weather
    from riskmap.movement import kernels, open_ground, past, reasons, summary, young
    from riskmap.movement.run_draws import Engine, Threads

    began = time.perf_counter()
    profile, layer, reference = reasons.with_reference(profile, layer)
    usual = reasons.reference_stiffness(movement)
    archetypes, stiffnesses = with_stiffness(archetypes, movement, usual)
    engine = Engine(random.make(movement), layer_arrays(profile, layer, soil), depth_caps(profile), stiffnesses,
                    soil.lep_cap_pct, movement)
    draws, middle = engine.draws, replace(engine, draws=random.middle(movement))
    drivers: dict[str, Driver] = {}
    profiles: dict[str, dict[str, float]] = {}
    frames, unit_draws, done = [], 0, 0
    with Threads(workers) as pool:
        for cell, of_cell in archetypes.groupby("cell_id", sort=True):
            cell_id, place = str(cell), history.cells.index(str(cell))
            record = weather.record(history, place, climate)
            driver = drivers[cell_id] = weather.make(history, place, draws, climate, movement, record)
            if driver.state:
                frames.append(pd.DataFrame({"state": "not_enough_data", "state_reason": driver.state, "flags": ""},
                                           index=of_cell.index))
                continue
            of_widths = []
            for key, archetype in of_cell.groupby(["half_width_m", "half_width_basis"], sort=True):
                half_width, basis = cast("tuple[float, str]", key)
                parts = archetype_profile[archetype_profile["archetype_id"].isin(archetype.index)]
                unit, number = units_of(archetype, parts, driver, engine.cap_m)
                before = past.room(driver, unit.profile.size, draws.count, movement.history_months)
                block = engine.run(driver, unit, float(half_width), basis, pool, past=before)
                unit_draws += block.shape[0] * block.shape[1]
                chosen = summary.choose_units(parts["archetype_id"].to_numpy(), number, parts["weight"].to_numpy(),
                                              draws.component)
                frame = summary.summarise(block, chosen, driver.first_month, "frost_not_modelled" in driver.flags,
                                          archetype["plan_factor"].to_numpy(float))
                months = past.medians(before, chosen, movement.history_months, driver.first_month, driver.now,
                                      archetype["plan_factor"].to_numpy(float))
                of_widths.append(pd.concat([frame, months], axis=1).set_axis(archetype.index))
                done += len(archetype)
                if progress:
                    progress(done / len(archetypes))
            table = pd.concat(of_widths).sort_index()
            parts = archetype_profile[archetype_profile["archetype_id"].isin(of_cell.index)]
            quiet = weather.make(history, place, middle.draws, climate, movement, record)
            profiles[cell_id] = open_ground.profile_now(quiet, movement)
            why = reasons.contributions(of_cell, parts, quiet, stiffnesses.index(usual), reference,
                                        partial(reasons.middle_scores, middle=middle, driver=quiet, pool=pool),
                                        table[list(reasons.EXPLAINED)].to_numpy(float),
                                        reasons.reference_score(reference, engine, driver, pool))
            whole = pd.concat([table, why, reasons.ranked(why)], axis=1)
            whole["pour_weather"] = young.pour_weather(
                driver, of_cell["pour_early_month"].to_numpy(np.int64), of_cell["pour_late_month"].to_numpy(np.int64),
                first_year=climate.equilibrium_first_year, last_year=climate.equilibrium_last_year)
            whole.loc[whole["pour_weather"] == "", "edge_high_pct"] = np.nan
            frames.append(whole.assign(reason_text=reasons.sentences(whole), state="", state_reason="",
                                       flags=_flags(of_cell, driver, _beyond_widths(of_cell, parts, engine.cap_m,
                                                                                    movement.active_depth_m))))
    seconds = time.perf_counter() - began
    table = pd.concat(frames).sort_index() if frames else pd.DataFrame(columns=["state", "state_reason", "flags"])
    return Movement(table, {
        "draws": draws.count, "archetypes": len(archetypes), "unit_draws": unit_draws,
        "quantities": len(kernels.QUANTITIES), "seconds": seconds, "unit_draws_per_s": unit_draws / seconds,
        "reference_lot": reasons.REFERENCE_WORDS,
        "cells": {cell: {"whatif_years": list(d.whatif_years), **d.facts, "suction_pf": profiles.get(cell, {})}
                  for cell, d in drivers.items()},
    })


def _beyond_widths(archetype: pd.DataFrame, parts: pd.DataFrame, cap_m: NDArray[np.float64],
                   depth_m: float) -> NDArray[np.bool_]:
    """Return which archetypes are narrower or wider than the model is built for and are computed at its limit.

    Half width over active depth is limited to `NARROWEST_RATIO` and `WIDEST_RATIO`. It is judged at the median active
    depth [m], reduced where a profile limits it.
    """
    half = archetype["half_width_m"].reindex(parts["archetype_id"]).to_numpy(float)
    ratio = half / np.minimum(depth_m, cap_m[parts["profile_id"].to_numpy(np.int64)])
    beyond = parts["archetype_id"].to_numpy()[(ratio < NARROWEST_RATIO) | (ratio > WIDEST_RATIO)]
    return archetype.index.isin(beyond)


def _flags(archetype: pd.DataFrame, driver: Driver, beyond: NDArray[np.bool_]) -> list[str]:
    early = archetype["pour_early_month"].to_numpy() < driver.first_month + driver.record
    own = zip(np.where(early, "pour_before_record", ""), np.where(beyond, "slab_width_beyond_model", ""), strict=True)
    return [";".join(sorted(flag for flag in (*driver.flags, *flags) if flag)) for flags in own]
