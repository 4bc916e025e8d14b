"""Computes the model runs of units: the bridge from tables and settings to the compiled path.

A unit is one soil profile with one stiffness and one span of pour months; all units of a call share climate cell and
slab width. Model runs are spread over threads. Each writes its own slice, so the number of threads changes nothing.
Method: notebooks/method.md, section 8.
"""

from __future__ import annotations

import os
from concurrent.futures import Executor, ThreadPoolExecutor
from dataclasses import dataclass
from itertools import pairwise
from types import TracebackType
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from riskmap.common.constants import (
    NARROWEST_RATIO,
    PF_AT_33_KPA,
    SIZE_BASES,
    SIZE_FROM_FOOTPRINT,
    SIZE_GIVEN,
    SIZE_UNKNOWN,
    WIDEST_RATIO,
)
from riskmap.common.settings import MovementSettings
from riskmap.movement import cracked, kernels, kernels_soil, reduced_model
from riskmap.movement.draw_inputs import Axis, Drawn, GroundModel, Layers, OppositeModel, StripModel, Units
from riskmap.movement.draws import Draws
from riskmap.movement.stiffness import Stiffness

if TYPE_CHECKING:
    from riskmap.movement.driver import Driver

Array = NDArray[np.float64]
Whole = NDArray[np.int64]
Single = NDArray[np.float32]

NARROWEST, WIDEST = NARROWEST_RATIO, WIDEST_RATIO


class Threads(ThreadPoolExecutor):
    """Threads for model runs.

    When the block ends by an error or Ctrl-C, runs that have not begun are not waited for.
    """

    def __init__(self, workers: int | None = None) -> None:
        """Use this number of threads; default: the machine's cores."""
        super().__init__(workers or os.cpu_count() or 1)

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None,
                 trace: TracebackType | None) -> None:
        self.shutdown(wait=kind is None, cancel_futures=kind is not None)


def width_spread(basis: str, settings: MovementSettings) -> float:
    """Return the share of itself by which the half width varies to either side.

    Parameters
    ----------
    basis : str
        Where the width comes from, one of `constants.SIZE_BASES`.
    settings : MovementSettings

    Raises
    ------
    ValueError
        For another basis.
    """
    spreads = {SIZE_GIVEN: settings.half_width_spread, SIZE_FROM_FOOTPRINT: settings.half_width_spread_footprint,
               SIZE_UNKNOWN: settings.half_width_spread_unknown}
    if basis not in spreads:
        raise ValueError(f"basis is {basis!r}, not one of {', '.join(SIZE_BASES)}")
    return spreads[basis]


@dataclass(frozen=True)
class Engine:
    """Everything that the units of an estimate share.

    Attributes
    ----------
    draws : Draws
    layers : Layers
    cap_m : array, shape (n_profile,)
        Part of the active depth that rock or lasting water leaves; inf where nothing limits it.
    stiffnesses : list of Stiffness
        The stiffnesses that `Units.stiffness` numbers.
    lep_cap_pct : float
        Sampled extensibility is limited to it.
    settings : MovementSettings
    tilt : bool
        False: the tilt and the scenarios of one-sided water are nan, and the strips that only they need are not built.
    """

    draws: Draws
    layers: Layers
    cap_m: Array
    stiffnesses: list[Stiffness]
    lep_cap_pct: float
    settings: MovementSettings
    tilt: bool = True

    def run(self, driver: Driver, units: Units, half_width_m: float, basis: str, pool: Executor, *,
            now: int | None = None, past: Single | None = None) -> Array:
        """Return the results of all model runs, shape (n_unit, n_draw, n_quantity), lengths in m.

        `basis` is one of `constants.SIZE_BASES`.
        Units must be ordered so that those with the same depth cap follow each other. `now` replaces the present month.
        `past` (n_unit, n_draw, n_past) is filled with the height of the slab's middle above its edge at the ends of the
        months before it. [m]
        """
        if past is None:
            past = np.empty((units.profile.size, self.draws.count, 0), np.float32)
        block = np.empty((units.profile.size, self.draws.count, len(kernels.QUANTITIES)))
        cap = self.cap_m[units.profile]
        edges = np.flatnonzero(np.concatenate([[True], cap[1:] != cap[:-1], [True]]))
        jobs = [pool.submit(self._one, d, driver, units.part(slice(a, b)), float(cap[a]), half_width_m, basis,
                            driver.now if now is None else now, block[a:b], past[a:b])
                for a, b in pairwise(edges.tolist()) for d in range(self.draws.count)]
        for job in jobs:
            job.result()
        if not self.tilt:
            block[:, :, [kernels.TILT, *range(kernels.SCENARIO, kernels.SCENARIO + kernels.SCENARIOS)]] = np.nan
        return block

    def strip(self, d: int, cap_m: float, half_width_m: float, basis: str) -> tuple[float, float, float]:
        """Return active depth [m], and half width and cracked depth, both divided by active depth, of one model run."""
        s = self.settings
        depth = float(min(self.draws.active_depth_m[d], cap_m))
        spread = width_spread(basis, s)
        # the model depends only on half width over active depth; a step of 0.1 moves the edge by less than 0.2 m
        wide = half_width_m * (1 + spread * float(self.draws.half_width[d]))
        ratio = round(min(max(wide / depth, NARROWEST), WIDEST), 1)
        return depth, ratio, cracked.depth_of(s, depth)

    def cells(self, d: int, profile: int, edges_m: Array) -> Array:
        """Return thickness times compression index of each depth cell of a profile in one model run. [m per pF]

        On cracked ground it includes the factor on the vertical share.

        edges_m (n_z + 1,): depths between the cells. Method: method.md, section 6.
        """
        of_profile = Layers(*(values[profile] for values in self.layers))
        index = np.array([of_profile.factor[k] * kernels_soil.compression_index(
            kernels_soil.triangular_one(float(self.draws.extensibility[d]), of_profile.low_pct[k],
                                        of_profile.middle_pct[k], of_profile.high_pct[k]),
            self.lep_cap_pct, self.settings.pf_span_dry - PF_AT_33_KPA) for k in range(of_profile.top_m.size)])
        cells = kernels_soil.cell_strain_index(edges_m, of_profile.top_m, of_profile.bottom_m, index)
        return cells * cracked.times_the_share(self.settings, edges_m)

    def _opposite(self, ratio: float, crack: float, dtau: float, shape: tuple[int, ...]) -> OppositeModel:
        """Return the strip whose two sides are opposite; a mode that does not move where tilt is left out."""
        if not self.tilt:
            return OppositeModel(np.zeros(1), np.zeros(1), np.zeros((*shape, 1)))
        model = reduced_model.cached(ratio, True, crack)
        return OppositeModel(reduced_model.step_factors(model.rates, dtau)[0], model.inputs / model.rates, model.output)

    def _one(self, d: int, driver: Driver, units: Units, cap_m: float, half_width_m: float, basis: str, now: int,
             block: Array, past: Single) -> None:
        s, draws = self.settings, self.draws
        depth, ratio, crack = self.strip(d, cap_m, half_width_m, basis)
        model = reduced_model.cached(ratio, False, crack)
        dtau = float(draws.diffusivity_m2_per_yr[d]) / (12 * depth**2)
        decay, early, late = reduced_model.step_factors(model.rates, dtau)
        g_decay, g_early, g_late = reduced_model.step_factors(model.ground_rates, dtau)
        suction = driver.suction_pf[d] - driver.equilibrium_pf[d]
        mean = float(suction[driver.record :].mean())
        stiffness = np.array([one.drawn(float(draws.stiffness[d])) for one in self.stiffnesses])
        kernels.run_draw(
            d, suction,
            StripModel(decay, early * model.inputs, late * model.inputs, mean * model.inputs / model.rates,
                       model.output, model.initial),
            self._opposite(ratio, crack, dtau, model.output.shape[:2]),
            GroundModel(g_decay, g_early * model.ground_inputs, g_late * model.ground_inputs,
                        mean * model.ground_inputs / model.ground_rates, model.ground_output, model.depth_edges,
                        cracked.times_the_share(s, model.depth_edges * depth)),
            Drawn(active_depth_m=depth, restraint=float(draws.restraint[d]),
                  extensibility=float(draws.extensibility[d]), lep_cap_pct=self.lep_cap_pct,
                  span_pf=s.pf_span_dry - PF_AT_33_KPA, half_width_m=ratio * depth, stiffness=stiffness,
                  spring_n_m3=float(draws.spring_n_m3[d]), load_pa=float(draws.load_pa[d]),
                  edge_load_n_m=float(draws.edge_load_n_m[d]), settlement_m=float(draws.settlement_mm[d]) / 1000,
                  settlement_yr=s.settlement_yr, pour=float(draws.pour[d]), sides_pf=float(draws.sides_pf[d]),
                  scenario_pf=np.array([s.leak_pf, s.watering_pf, s.tree_pf])),
            self.layers, units, Axis(now, *driver.normal, driver.first_month % 12), driver.starts[d], block, past)
