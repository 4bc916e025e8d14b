"""How the ground under a slab has moved since the pour, December by December, in the median model run.

This is for the growth curve: the middle of a new slab rises for some years and then rests, while the edge follows the
seasons (how many years: method.md, section 9.1). It is the ground only, without slab, settlement and plan factor, like
`middle_now_mm` and `edge_now_mm`. It is one model run with every parameter at its median, averaged over the soils of a
lot; it is not a median of model runs.
Method: notebooks/method.md, section 5.6 and 9.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, cast

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from riskmap.movement import draws as random
from riskmap.movement import driver as weather
from riskmap.movement import kernels, reduced_model, trace
from riskmap.movement.compiled import compiled
from riskmap.movement.run_draws import Engine
from riskmap.movement.soil_units import depth_caps, layer_arrays, units_of, with_stiffness

if TYPE_CHECKING:
    from riskmap.common.settings import ClimateSettings, MovementSettings, SoilSettings
    from riskmap.common.weather import MovementInputs
    from riskmap.movement.draw_inputs import Units
    from riskmap.movement.driver import Driver

Array = NDArray[np.float64]
Months = NDArray[np.int64]

MOST_DECEMBERS = 60  # of one archetype, the newest (judgement: a curve of 60 years covers all growth of a slab)
MM = 1000.0


def curves(inputs: MovementInputs, movement: MovementSettings, climate: ClimateSettings,
           soil: SoilSettings) -> pd.DataFrame:
    """Return middle and edge of the ground at each December since the pour, of every archetype.

    Parameters
    ----------
    inputs : MovementInputs
    movement, climate, soil : settings

    Returns
    -------
    DataFrame
        archetype, year (of the December), middle_mm, edge_mm: movement since the pour, up positive, to 0.1 mm; sorted
        by archetype and year. There are at most `MOST_DECEMBERS` per archetype, and none before the weather record of
        its cell begins. Archetypes without an estimate have no rows.
    """
    found = [pd.DataFrame({"archetype": np.empty(0, np.int32), "year": np.empty(0, np.int16),
                           "middle_mm": np.empty(0, np.float32), "edge_mm": np.empty(0, np.float32)})]
    if len(inputs.archetype):
        archetypes, stiffnesses = with_stiffness(inputs.archetype, movement)
        engine = Engine(random.middle(movement), layer_arrays(inputs.profile, inputs.layer, soil),
                        depth_caps(inputs.profile), stiffnesses, soil.lep_cap_pct, movement)
        for cell, of_cell in archetypes.groupby("cell_id", sort=True):
            driver = weather.make(inputs.history, inputs.history.cells.index(str(cell)), engine.draws, climate,
                                  movement)
            if driver.state:
                continue
            for key, archetype in of_cell.groupby(["half_width_m", "half_width_basis"], sort=True):
                half_width, basis = cast("tuple[float, str]", key)
                parts = inputs.archetype_profile[inputs.archetype_profile["archetype_id"].isin(archetype.index)]
                units, number = units_of(archetype, parts, driver, engine.cap_m)
                months, moved = _of_units(units, engine, driver, float(half_width), basis)
                found.append(_mixed(archetype.index.to_numpy(np.int64), parts, months[number], moved[number],
                                    driver.first_month))
    table = pd.concat(found, ignore_index=True)
    return table.sort_values(["archetype", "year"], kind="stable", ignore_index=True)


def _of_units(units: Units, engine: Engine, driver: Driver, half_width_m: float, basis: str) -> tuple[Months, Array]:
    """Return the Decembers of each unit, (n_unit, MOST_DECEMBERS), -1 for none, and its ground there, (..., 2). [m]"""
    months = np.full((units.profile.size, MOST_DECEMBERS), -1, np.int64)
    moved = np.full((units.profile.size, MOST_DECEMBERS, 2), np.nan)
    d = engine.draws
    pour = np.minimum(units.early + (d.pour[0] * (units.late - units.early + 1)).astype(np.int64), units.late)
    decembers = np.arange(driver.record + (11 - (driver.first_month + driver.record)) % 12, driver.now + 1, 12)
    decembers = decembers[-MOST_DECEMBERS:]
    if not decembers.size:
        return months, moved
    months[:, :decembers.size] = np.where(decembers[None, :] >= pour[:, None], decembers[None, :], -1)
    cap = engine.cap_m[units.profile]
    suction = driver.suction_pf[0] - driver.equilibrium_pf[0]
    mean = float(suction[driver.record :].mean())
    for one_cap in np.unique(cap):
        depth, ratio, crack = engine.strip(0, float(one_cap), half_width_m, basis)
        model = reduced_model.cached(ratio, False, crack)
        dtau = float(d.diffusivity_m2_per_yr[0]) / (12 * depth**2)
        decay, early, late = reduced_model.step_factors(model.rates, dtau)
        g_decay, g_early, g_late = reduced_model.step_factors(model.ground_rates, dtau)
        states = np.empty((suction.size, model.rates.size))
        kernels.march(suction, mean * model.inputs / model.rates, decay, early * model.inputs, late * model.inputs,
                      states)
        open_ground = np.empty((suction.size, model.ground_rates.size))
        kernels.march(suction, mean * model.ground_inputs / model.ground_rates, g_decay, g_early * model.ground_inputs,
                      g_late * model.ground_inputs, open_ground)
        powers = decay[None, :] ** np.arange(suction.size)[:, None]
        for profile in np.unique(units.profile[cap == one_cap]):
            rows, ground_row = trace.strain_rows(model, engine.cells(0, int(profile), model.depth_edges * depth),
                                                 float(d.restraint[0]))
            here = np.flatnonzero(units.profile == profile)
            out = np.empty((here.size, MOST_DECEMBERS, 2))
            since_pour(pour[here], months[here], states, open_ground, model.initial,
                       np.ascontiguousarray(rows[[0, -1]]), ground_row, powers, out)
            moved[here] = out
    return months, moved


@compiled
def since_pour(pour: Months, months: Months, states: Array, open_ground: Array, initial: Array, rows: Array,
               ground_row: Array, powers: Array, out: Array) -> None:
    """Fill out (n_unit, n_december, 2) with middle and edge of the ground since the pour, nan where no month is given.

    Method: method.md, section 5.6. [m]
    pour (n_unit,), months (n_unit, n_december): positions on the axis, -1 for none; states (n_month, n_mode) of the
    always-slabbed strip; open_ground (n_month, n_z); initial (n_mode, n_z); rows (2, n_mode) of middle and edge;
    ground_row (n_z,); powers (n_month, n_mode): decay by number of months.
    """
    delta = np.empty(states.shape[1])
    for n in range(pour.size):
        p = pour[n]
        datum = 0.0
        for k in range(ground_row.size):
            datum += ground_row[k] * open_ground[p, k]
        for i in range(delta.size):
            delta[i] = -states[p, i]
            for k in range(ground_row.size):
                delta[i] += initial[i, k] * open_ground[p, k]
        for m in range(months.shape[1]):
            t = months[n, m]
            out[n, m, :] = np.nan if t < 0 else -datum
            if t >= 0:
                for i in range(delta.size):
                    state = states[t, i] + powers[t - p, i] * delta[i]
                    out[n, m, 0] += rows[0, i] * state
                    out[n, m, 1] += rows[1, i] * state


def _mixed(archetype: Months, parts: pd.DataFrame, months: Months, moved: Array, first_month: int) -> pd.DataFrame:
    """Return the rows of some archetypes: the mean over the soils of each, by weight. [mm]

    All parts of an archetype were poured in the same month, so they have the same Decembers.
    """
    place = np.searchsorted(archetype, parts["archetype_id"].to_numpy(np.int64))
    mean = np.zeros((archetype.size, *moved.shape[1:]))
    np.add.at(mean, place, parts["weight"].to_numpy(float)[:, None, None] * moved)
    december = np.full((archetype.size, months.shape[1]), -1, np.int64)
    december[place] = months
    row, column = np.nonzero(december >= 0)
    rounded = (np.round(MM * mean[row, column], 1) + 0.0).astype(np.float32)
    return pd.DataFrame({"archetype": archetype[row].astype(np.int32),
                         "year": ((first_month + december[row, column]) // 12).astype(np.int16),
                         "middle_mm": rounded[:, 0], "edge_mm": rounded[:, 1]})
