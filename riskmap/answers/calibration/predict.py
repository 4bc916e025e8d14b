"""What each model run expects for each survey row, and the part of it that all lots of a model run share.

A model run has two kinds of parameters. Restraint, equilibrium, diffusivity, stiffness and the factors of the weather
have one value for the whole area. The quantile of the soil's extensibility, the pour month and the slab's width belong
to each lot; lots use the same quantile only so that neighbours can be compared. Other houses can teach only the first
kind. So the expectation of each row is averaged over the soils of the lot and regressed on both kinds. The part that
follows the common parameters is compared with the surveys; the rest is scatter of the lot.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from riskmap.movement import draws_of_lots

if TYPE_CHECKING:
    import pandas as pd

    from riskmap.common.settings import Area
    from riskmap.common.weather import MovementInputs
    from riskmap.movement.draws import Draws

Array = NDArray[np.float64]

FEWEST_DRAWS = 150  # judgement: two and a half times the number of terms in the regression
# units in which the posterior is reported; before a survey is read, all values are judgements or practice
SUMMARISED = {
    "restraint": "1", "equilibrium_shift_pf": "pF", "diffusivity_m2_per_yr": "m2/yr", "stiffness_score": "normal score",
    "wet_limit_pf": "pF", "dry_limit_pf": "pF"}
_OTHERS = ("active_depth_m", "rain_factor", "bucket_mm", "spring_n_m3", "load_pa", "edge_load_n_m", "pet_scale")
# Parameters of one driver only: where both drivers are used, each acts on half of the model runs. Their terms are the
# value, and its difference between the halves; so one set of terms serves every setting of the driver.
_OF_ONE_DRIVER = ("rain_factor", "no_stress_share", "curve_number", "low_filling", "high_filling")
_LOGARITHM = ("diffusivity_m2_per_yr", "spring_n_m3")


@dataclass(frozen=True)
class Expected:
    """Expectations of survey rows or lots.

    Attributes
    ----------
    common : array, shape (n_row, n_draw)
        The part that follows the common parameters. [mm]
    scatter : array, shape (n_row,)
        Standard deviation of the rest: the lot's own soil, width and pour month. [mm]
    """

    common: Array
    scatter: Array

    @property
    def size(self) -> Array:
        """Signed typical size of each row's expectation, shape (n_row,): its root mean square with its sign. [mm]"""
        mean = self.common.mean(axis=1)
        return np.where(mean < 0, -1.0, 1.0) * np.sqrt((self.common**2).mean(axis=1))

    def rows(self, where: NDArray[np.bool_] | NDArray[np.int64]) -> Expected:
        """Return some rows."""
        return Expected(self.common[where], self.scatter[where])


def parameters(draws: Draws) -> dict[str, Array]:
    """Return the common parameters of the model runs by name, (n_draw,) each, in the units of `SUMMARISED`."""
    named = {"stiffness_score": draws.stiffness}
    return {name: named.get(name, getattr(draws, name, draws.stiffness)) for name in (*SUMMARISED, *_OTHERS)}


def _standard(values: Array) -> Array:
    spread = values.std()
    return (values - values.mean()) / spread if spread > 0 else np.zeros_like(values)


def _terms(draws: Draws) -> tuple[Array, Array]:
    """Return regression terms of the common parameters (n_draw, n) and of the lot's own parameters (n_draw, m)."""
    values = parameters(draws)
    z = np.column_stack([_standard(np.log(v) if name in _LOGARITHM else v) for name, v in values.items()])
    main = z[:, : len(SUMMARISED)]
    one, two = np.triu_indices(main.shape[1], 1)
    common = np.column_stack([np.ones(len(z)), z, z**2 - 1, main[:, one] * main[:, two]])
    half = _standard((draws.driver_rank % 2).astype(np.float64))
    single = np.column_stack([_standard(getattr(draws, name)) for name in _OF_ONE_DRIVER])
    common = np.column_stack([common, half, single[:, 1:], half[:, None] * single])
    own = np.column_stack([_standard(v) for v in (draws.extensibility, draws.half_width, draws.pour)])
    return common, np.column_stack([own, own**2 - (own**2).mean(axis=0), own[:, :1] * z[:, :1]])


def projection(draws: Draws) -> Array:
    """Return the matrix (n_draw, n_draw) that projects expectations on the part that common parameters explain.

    It uses least squares with a slight ridge (1e-6 of the number of model runs), so that a parameter with a fixed value
    does no harm.
    """
    common, own = _terms(draws)
    design = np.column_stack([common, own])
    solved = np.linalg.solve(design.T @ design + 1e-6 * len(design) * np.eye(design.shape[1]), design.T)
    return (common @ solved[: common.shape[1]]).T


def smooth(values: Array, variance: Array, draws: Draws) -> Expected:
    """Split expectations into the common part and scatter.

    Parameters
    ----------
    values, variance : array, shape (n_row, n_draw)
        Mean and variance over the soils of each lot. [mm, mm2]
    """
    common = values @ projection(draws)
    terms = sum(part.shape[1] for part in _terms(draws))
    free = max(draws.count - terms, 1) / draws.count
    own = values - common
    own -= own.mean(axis=1, keepdims=True)
    return Expected(common, np.sqrt((own**2).mean(axis=1) / free + variance.mean(axis=1)))


def of_rows(table: pd.DataFrame, inputs: MovementInputs, area: Area, draws: Draws, *, one_soil: bool = False,
            workers: int | None = 1) -> tuple[Array, Array]:
    """Return mean and variance over the soils of each survey row, shape (n_row, n_draw). [mm, mm2]

    Parameters
    ----------
    table : DataFrame
        archetype, kind, first_month, second_month; rows with archetype -1 give nan.
    draws : Draws
        The draws of the run, or others of the same settings.
    one_soil : bool
        Return the value on the one soil that each model run uses, instead of the mean, with zero variance.
    """
    mean = np.full((len(table), draws.count), np.nan)
    variance = np.full_like(mean, np.nan)
    archetype = table["archetype"].to_numpy(np.int64)
    if not (archetype >= 0).any():
        return mean, variance
    first, second = (table[name].to_numpy(np.int64) for name in ("first_month", "second_month"))
    pairs = np.column_stack([first, np.where((table["kind"] == "change").to_numpy(), second, -1)])
    earliest = int(first[archetype >= 0].min())
    for group in draws_of_lots.groups(inputs, np.unique(archetype[archetype >= 0]), area, earliest=earliest,
                                      draws=draws, workers=workers):
        here = np.isin(archetype, group.archetype_ids)
        for one, two in np.unique(pairs[here], axis=0).tolist():
            rows = np.flatnonzero(here & (pairs == (one, two)).all(axis=1))
            values = draws_of_lots.MM * (group.at(one) if two < 0 else group.at(two) - group.at(one))
            place = np.searchsorted(group.archetype_ids, archetype[rows])
            if one_soil:
                mean[rows], variance[rows] = draws_of_lots.picked(group, values)[place], 0.0
                continue
            of_archetype = draws_of_lots.mixed(group, values)
            mean[rows], variance[rows] = of_archetype[0][place], of_archetype[1][place]
    return mean, variance
