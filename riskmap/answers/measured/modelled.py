"""The driver of a run for the months and depths of a measured series, with default settings and no varied inputs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from riskmap.common.constants import PF_AT_33_KPA
from riskmap.common.weather import RECORD
from riskmap.movement import driver, kernels_soil, open_ground
from riskmap.movement.soil_units import depth_caps, layer_arrays

if TYPE_CHECKING:
    from riskmap.common.settings import Area
    from riskmap.common.weather import ClimateHistory, MovementInputs
    from riskmap.movement.draw_inputs import Layers

Array = NDArray[np.float64]
NAMES = {"day": "day steps", "month": "monthly bucket"}
ONE_CLAY_PCT = 6.0  # used where no lot is named: any value gives the same timing


@dataclass(frozen=True)
class Soil:
    """Soil of a lot as the run has it: profiles with their weights, or one clay where no lot is named."""

    layers: Layers
    weights: dict[int, float]
    cap_m: dict[int, float]  # share of the active depth that rock or a lasting water table leaves
    known: bool

    @classmethod
    def of_archetype(cls, inputs: MovementInputs, archetype: int, area: Area) -> Soil:
        """Return the soil that an archetype's lots share."""
        part = inputs.archetype_profile[inputs.archetype_profile["archetype_id"] == archetype]
        caps = depth_caps(inputs.profile)
        weights = {int(k): float(w) for k, w in zip(part["profile_id"], part["weight"], strict=True)}
        return cls(layer_arrays(inputs.profile, inputs.layer, area.soil_settings), weights,
                   {k: float(caps[k]) for k in weights}, True)

    @classmethod
    def one_clay(cls, area: Area) -> Soil:
        """Return one uniform clay, for the timing of a level where no lot is named."""
        profile = pd.DataFrame({"profile_id": [0], "rock_depth_m": [np.inf]})
        layer = pd.DataFrame({"profile_id": [0], "top_m": [0.0], "bottom_m": [2.0], "lep_low_pct": [ONE_CLAY_PCT],
                              "lep_pct": [ONE_CLAY_PCT], "lep_high_pct": [ONE_CLAY_PCT]})
        return cls(layer_arrays(profile, layer, area.soil_settings), {0: 1.0}, {0: np.inf}, False)


@dataclass(frozen=True)
class Modelled:
    """The driver of one climate cell, by day steps or by months.

    Attributes
    ----------
    by : str
        `day` or `month`.
    months : int array, shape (n_month,)
    measured_weather : bool array, shape (n_month,)
        Months with rain and temperature; only these are compared.
    surface_pf : array, shape (n_month,)
    equilibrium_pf : float
    area : Area
    """

    by: str
    months: NDArray[np.int64]
    measured_weather: NDArray[np.bool_]
    surface_pf: Array
    equilibrium_pf: float
    area: Area

    @property
    def name(self) -> str:
        """Name of the driver."""
        return NAMES[self.by]

    def _ground(self, active_depth_m: float) -> tuple[Array, Array]:
        movement = self.area.movement
        return open_ground.depth_edges_m(active_depth_m), open_ground.suction(
            self.surface_pf, self.equilibrium_pf, diffusivity_m2_per_yr=movement.diffusivity_m2_per_yr,
            active_depth_m=active_depth_m)

    def wetness(self, depth_m: float) -> pd.Series:
        """Return relative wetness at month ends: 0 at the dry limit of suction, 1 at the wet one.

        At depth 0 it is the wetness of the surface, at greater depths that of open ground.
        """
        movement = self.area.movement
        suction = self.surface_pf
        if depth_m > 0:
            edges, cells = self._ground(movement.active_depth_m)
            middle = np.concatenate([[0.0], (edges[1:] + edges[:-1]) / 2, [edges[-1]]])
            held = np.full(len(cells), self.equilibrium_pf)
            profile = np.column_stack([self.surface_pf, cells, held])
            place = int(np.clip(np.searchsorted(middle, depth_m), 1, middle.size - 1))
            share = min((depth_m - middle[place - 1]) / (middle[place] - middle[place - 1]), 1.0)
            suction = (1 - share) * profile[:, place - 1] + share * profile[:, place]
        return self._series((movement.dry_limit_pf - suction) / (movement.dry_limit_pf - movement.wet_limit_pf))

    def level_mm(self, depth_m: float, soil: Soil) -> pd.Series:
        """Return the level of open ground at a depth, relative to its mean, averaged over the lot's profiles. [mm]"""
        movement, total = self.area.movement, np.zeros(self.months.size)
        for number, weight in soil.weights.items():
            active = min(movement.active_depth_m, soil.cap_m[number])
            edges, suction = self._ground(active)
            top, bottom, _, lep, _, factor = (values[number] for values in soil.layers)
            index = factor * np.array([kernels_soil.compression_index(float(one), self.area.soil_settings.lep_cap_pct,
                                                                      movement.pf_span_dry - PF_AT_33_KPA)
                                       for one in lep])
            below = np.clip(edges[1:] - np.maximum(edges[:-1], depth_m), 0, None) / np.diff(edges)
            cells = kernels_soil.cell_strain_index(edges, top, bottom, index) * below
            total -= weight * 1000 * float(np.mean(movement.restraint_draw)) * (suction @ cells)
        return self._series(total - total[self.measured_weather].mean())

    def _series(self, values: Array) -> pd.Series:
        return pd.Series(values[self.measured_weather], index=self.months[self.measured_weather])


def of_cell(history: ClimateHistory, cell: int, area: Area) -> list[Modelled]:
    """Return the drivers that the model runs of a cell use, day steps first."""
    climate, movement = area.climate_settings, area.movement
    record = driver.record(history, cell, climate)
    real = slice(record.start, None)
    months = record.first_month + np.arange(record.source.size)
    out = []
    for by in ("day", "month"):
        if climate.driver in (by, "both"):
            suction = driver.without_draw(record, by, climate, movement)
            out.append(Modelled(by, months, np.arange(months.size) >= record.start, suction,
                                driver.covered_equilibrium(record, suction, climate), area))
            out[-1].measured_weather[real] &= record.source[real] == RECORD
    return out
