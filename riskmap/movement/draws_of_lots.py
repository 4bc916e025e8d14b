"""Every model run of a few archetypes, now and in past months: what a calibration compares with surveys.

It uses the same engine and the same draws as `simulate`, so that model run d is the same here as in the estimate.
Method: notebooks/method.md, section 13.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, cast

import numpy as np
from numpy.typing import NDArray

from riskmap.movement import draws as random
from riskmap.movement import driver as weather
from riskmap.movement import kernels, summary
from riskmap.movement.run_draws import Engine, Threads
from riskmap.movement.soil_units import depth_caps, layer_arrays, units_of, with_stiffness

if TYPE_CHECKING:
    from riskmap.common.settings import Area
    from riskmap.common.weather import MovementInputs
    from riskmap.movement.draws import Draws
    from riskmap.movement.driver import Driver

Array = NDArray[np.float64]
Whole = NDArray[np.int64]

MM = 1000.0


@dataclass(frozen=True)
class Group:
    """Archetypes of one climate cell and slab width, with every model run on the soils under them.

    Attributes
    ----------
    archetype_ids : int array, shape (n_archetype,)
    plan_factor : array, shape (n_archetype,)
    part_archetype, part_unit : int arrays, shape (n_part,)
        Position in `archetype_ids` and unit of each part of a mixture.
    part_weight : array, shape (n_part,)
        Weights sum to 1 over an archetype.
    chosen : int array, shape (n_archetype, n_draw)
        Unit that each model run uses, as in the estimate.
    block : array, shape (n_unit, n_draw, n_quantity)
        `kernels.QUANTITIES`; lengths in m.
    past : float32 array, shape (n_unit, n_draw, n_past)
        Height of the slab's middle above its edge at the ends of the past months, nan before the pour. [m]
    now : int
        Number of the present month.
    """

    archetype_ids: Whole
    plan_factor: Array
    part_archetype: Whole
    part_unit: Whole
    part_weight: Array
    chosen: Whole
    block: Array
    past: NDArray[np.float32]
    now: int

    def at(self, month: int) -> Array:
        """Return the slab's middle above its edge at a month's end, shape (n_unit, n_draw); nan if unknown. [m]"""
        if month == self.now:
            return self.block[:, :, kernels.NOW]
        place = self.past.shape[2] - (self.now - month)
        if not 0 <= place < self.past.shape[2]:
            return np.full(self.block.shape[:2], np.nan)
        return self.past[:, :, place].astype(np.float64)


def groups(inputs: MovementInputs, archetype_ids: Whole, area: Area, *, earliest: int | None = None,
           draws: Draws | None = None, drivers: dict[str, Driver] | None = None, tilt: bool = True,
           workers: int | None = 1) -> Iterator[Group]:
    """Compute archetypes again with every model run, one group of equal cell and width at a time.

    Parameters
    ----------
    inputs : MovementInputs
    archetype_ids : int array, shape (n_archetype,)
        Archetypes to compute, without repeats.
    area : Area
        Settings of the run.
    earliest : int, optional
        Month number of the first past month to return; if it is not given, no past months.
    draws : Draws, optional
        Default: those of the run.
    drivers : dict, optional
        cell -> driver of these draws, as far as they were made before; those of further cells are added.
    tilt : bool
        As in `run_draws.Engine`.
    workers : int, optional
        Number of threads; the result does not depend on it.

    Yields
    ------
    Group
        Archetypes whose cell gives no estimate are left out.
    """
    drawn = random.make(area.movement) if draws is None else draws
    wanted = inputs.archetype.loc[np.unique(archetype_ids)]
    wanted, stiffnesses = with_stiffness(wanted, area.movement)
    engine = Engine(drawn, layer_arrays(inputs.profile, inputs.layer, area.soil_settings), depth_caps(inputs.profile),
                    stiffnesses, area.soil_settings.lep_cap_pct, area.movement, tilt)
    drivers = {} if drivers is None else drivers
    with Threads(workers) as pool:
        for key, archetype in wanted.groupby(["cell_id", "half_width_m", "half_width_basis"], sort=True):
            cell, half_width, basis = cast("tuple[str, float, str]", key)
            if cell not in drivers:
                drivers[cell] = weather.make(inputs.history, inputs.history.cells.index(cell), drawn,
                                             area.climate_settings, area.movement)
            driver = drivers[cell]
            if driver.state:
                continue
            parts = inputs.archetype_profile[inputs.archetype_profile["archetype_id"].isin(archetype.index)]
            units, number = units_of(archetype, parts, driver, engine.cap_m)
            now = driver.first_month + driver.now
            back = 0 if earliest is None else min(max(now - earliest, 0), driver.now - driver.record)
            past = np.empty((units.profile.size, drawn.count, back), np.float32)
            block = engine.run(driver, units, float(half_width), basis, pool, past=past)
            of_part = parts["archetype_id"].to_numpy(np.int64)
            ids = archetype.index.to_numpy(np.int64)
            weight = parts["weight"].to_numpy(float)
            yield Group(ids, archetype["plan_factor"].to_numpy(float), np.searchsorted(ids, of_part), number, weight,
                        summary.choose_units(of_part, number, weight, drawn.component), block, past, now)


def mixed(group: Group, values: Array) -> tuple[Array, Array]:
    """Return mean and variance over the soils of each archetype, both of shape (n_archetype, n_draw).

    Method: method.md, section 13.
    values (n_unit, n_draw): one quantity. The results have its unit and its square, multiplied by the plan factor.
    """
    mean = np.zeros((group.archetype_ids.size, values.shape[1]))
    square = np.zeros_like(mean)
    part = values[group.part_unit]
    np.add.at(mean, group.part_archetype, group.part_weight[:, None] * part)
    np.add.at(square, group.part_archetype, group.part_weight[:, None] * (part - mean[group.part_archetype]) ** 2)
    factor = group.plan_factor[:, None]
    return mean * factor, square * factor**2


def picked(group: Group, values: Array) -> Array:
    """Return the value of each model run on the soil it uses in each archetype, shape (n_archetype, n_draw).

    Method: method.md, section 13.
    """
    return values[group.chosen, np.arange(values.shape[1])[None, :]] * group.plan_factor[:, None]
