"""The expected shape across the slab now, for a few archetypes: ground and slab, middle to edge, with ranges.

It is for papers about single lots. Heights are above the edge of the slab. The ground is drawn as the slab leaves it:
pressed down to the slab where the slab rests on it, and free where there is a gap. So the two touch at the crown of a
dome or at the edges of a dish, and the gap of each model run appears at the edge or in the middle, where an inspector
looks for it.

It computes one archetype and one model run at a time through `trace`, with the run's own draws, so that the picture and
the estimates agree. It is far too slow for a whole area.
Method: notebooks/method.md, section 6 and 7.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from riskmap.common.constants import PF_AT_33_KPA
from riskmap.movement import cracked, kernels_soil, reduced_model, slab, summary, trace
from riskmap.movement import draws as random
from riskmap.movement import driver as weather
from riskmap.movement.draw_inputs import Layers
from riskmap.movement.run_draws import NARROWEST, WIDEST, width_spread
from riskmap.movement.stiffness import stiffness_of

if TYPE_CHECKING:
    from riskmap.common.settings import Area
    from riskmap.common.weather import MovementInputs
    from riskmap.movement.draws import Draws
    from riskmap.movement.driver import Driver

Array = NDArray[np.float64]

# of the run's 200 model runs: the median of the picture is within about 1 mm of the estimate's (measured by a test)
DRAWS = 60
PERCENTS = (10.0, 50.0, 90.0)


def across(inputs: MovementInputs, archetype_ids: list[int], area: Area, count: int = DRAWS) -> dict[int, Array]:
    """Return the shape now of some archetypes.

    Parameters
    ----------
    inputs : MovementInputs
    archetype_ids : list of int
    area : Area
        Settings of the run.
    count : int
        Number of model runs to use.

    Returns
    -------
    dict
        archetype -> array (n_point, 7): distance from the middle over half width (0 to 1), then 10th, 50th and 90th
        percentile of the ground as the slab leaves it and of the slab, both above the edge of the slab. [mm]
    """
    return {archetype: summarised(shapes).lines_mm
            for archetype, shapes in of_draws(inputs, archetype_ids, area, count).items()}


@dataclass(frozen=True)
class Shape:
    """The shape now of an archetype over its model runs.

    Attributes
    ----------
    lines_mm : array, shape (n_point, 7)
        As returned by `across`.
    gap_mm : array, shape (n_point, 3)
        10th, 50th and 90th percentile over the model runs of the gap between slab and ground, middle to edge. It is
        not the difference of two medians.
    ground_mm : array, shape (3,)
        Percentiles of the middle of the ground above its edge, as the slab leaves it.
    """

    lines_mm: Array
    gap_mm: Array
    ground_mm: Array


def flat(shape: Shape) -> Array:
    """Return all numbers of a shape, one after the other, as `from_flat` reads them."""
    return np.concatenate([shape.lines_mm.ravel(), shape.gap_mm.ravel(), shape.ground_mm])


def from_flat(values: Array) -> Shape:
    """Return the shape whose numbers are those of `flat`."""
    points = (values.size - 3) // 10  # seven lines and three of the gap
    return Shape(values[:7 * points].reshape(points, 7), values[7 * points:10 * points].reshape(points, 3),
                 values[10 * points:])


def summarised(shapes: Array) -> Shape:
    """Return the ranges of an archetype.

    Parameters
    ----------
    shapes : array, shape (n_draw, 3, n_point)
        One archetype, as returned by `of_draws`. [mm]
    """
    ground, slab = np.percentile(shapes[:, 1], PERCENTS, axis=0), np.percentile(shapes[:, 2], PERCENTS, axis=0)
    gap = np.percentile(shapes[:, 2] - shapes[:, 1], PERCENTS, axis=0)
    return Shape(np.column_stack([np.linspace(0.0, 1.0, shapes.shape[2]), *ground, *slab]), gap.T,
                 np.percentile(shapes[:, 1, 0] - shapes[:, 1, -1], PERCENTS))


def of_draws(inputs: MovementInputs, archetype_ids: list[int], area: Area, count: int = DRAWS,
             drivers: dict[str, Driver] | None = None) -> dict[int, Array]:
    """Return ground and slab of each model run; parameters as in `across`, `drivers` as in `draws_of_lots.groups`.

    Returns
    -------
    dict
        archetype -> array (n_draw, 3, n_point): ground without the slab above its own edge; ground as the slab leaves
        it and slab, above the edge of the slab, as returned by `resting`. [mm]
    """
    from riskmap.movement.soil_units import depth_caps, layer_arrays

    draws = random.make(area.movement)
    layers = layer_arrays(inputs.profile, inputs.layer, area.soil_settings)
    caps = depth_caps(inputs.profile)
    drivers = {} if drivers is None else drivers
    out = {}
    for archetype in archetype_ids:
        row = {str(name): value for name, value in inputs.archetype.loc[archetype].to_dict().items()}
        cell = str(row["cell_id"])
        if cell not in drivers:
            drivers[cell] = weather.make(inputs.history, inputs.history.cells.index(cell), draws,
                                         area.climate_settings, area.movement)
        parts = inputs.archetype_profile[inputs.archetype_profile["archetype_id"] == archetype]
        chosen = summary.choose_units(
            np.zeros(len(parts), dtype=np.int64), parts["profile_id"].to_numpy(np.int64),
            parts["weight"].to_numpy(float), draws.component)[0]
        shapes = np.array([_one(d, row, int(chosen[d]), drivers[cell], draws, layers, caps, area)
                           for d in range(min(count, draws.count))])  # draw, line, point
        out[archetype] = shapes * (1000.0 * float(row["plan_factor"]))
    return out


def _one(d: int, row: dict[str, Any], profile: int, driver: Driver, draws: Draws, layers: Layers,
         caps: Array, area: Area) -> Array:
    """Return the three lines of one model run, shape (3, n_point), with the same steps as `Engine._one`. [m]"""
    s = area.movement
    depth = float(min(draws.active_depth_m[d], caps[profile]))
    spread = width_spread(str(row["half_width_basis"]), s)
    half_width = float(row["half_width_m"]) * (1 + spread * float(draws.half_width[d]))
    ratio = round(min(max(half_width / depth, NARROWEST), WIDEST), 1)
    model = reduced_model.cached(ratio, False, cracked.depth_of(s, depth))
    of_profile = Layers(*(values[profile] for values in layers))
    index = np.array([of_profile.factor[k] * kernels_soil.compression_index(
        kernels_soil.triangular_one(float(draws.extensibility[d]), of_profile.low_pct[k], of_profile.middle_pct[k],
                                    of_profile.high_pct[k]),
        area.soil_settings.lep_cap_pct, s.pf_span_dry - PF_AT_33_KPA) for k in range(of_profile.top_m.size)])
    cells = kernels_soil.cell_strain_index(model.depth_edges * depth, of_profile.top_m, of_profile.bottom_m, index)
    cells *= cracked.times_the_share(s, model.depth_edges * depth)
    first = driver.first_month
    early, late = (int(np.clip(int(row[name]) - first, max(driver.record - 120, 0), driver.now - 1))
                   for name in ("pour_early_month", "pour_late_month"))
    pour = min(early + int(float(draws.pour[d]) * (late - early + 1)), late)
    suction = driver.suction_pf[d] - driver.equilibrium_pf[d]
    ground = trace.last_heave(
        model, suction[: driver.now + 1], pour, diffusivity_m2_per_yr=float(draws.diffusivity_m2_per_yr[d]),
        active_depth_m=depth, restraint=float(draws.restraint[d]), index_cells=cells,
        spin_up_mean_pf=float(suction[driver.record:].mean()))
    stiffness = stiffness_of(str(row["stiffness_basis"]), float(row["section_mn_m2"]), s) \
        .drawn(float(draws.stiffness[d]))
    spacing = ratio * depth / (ground.size - 1)
    given = (spacing, stiffness, float(draws.spring_n_m3[d]), float(draws.load_pa[d]), float(draws.edge_load_n_m[d]),
             True, False)
    bent, level = slab.solve(np.ascontiguousarray(ground), *given), slab.solve(np.zeros(ground.size), *given)
    return np.array([ground - ground[-1], *resting(ground, bent, level)])


def resting(ground: Array, bent: Array, level: Array) -> Array:
    """Return the ground as a slab leaves it, and the slab, both above the edge of the slab.

    Parameters
    ----------
    ground : array, shape (n_point,)
        Heave of the ground without the slab, middle to edge. [m]
    bent, level : array, shape (n_point,)
        Slab on that ground and on level ground, with its weight, from `slab.solve`. [m]

    Returns
    -------
    array, shape (2, n_point)
        The slab's bending by the heave, and the ground: below the slab by the gap, and at its height where the slab
        rests. [m]
    """
    bending = bent - level
    above_edge = bending - bending[-1]
    return np.array([above_edge - np.maximum(bent - ground, 0.0), above_edge])
