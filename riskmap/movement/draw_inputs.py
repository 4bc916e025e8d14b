"""The inputs of one model run of the compiled path, by name. The compiler accepts named tuples directly.

It finds fields by their position, and its stored code is renewed when `kernels.py` changes but not when this file does.
After a change of fields here, save `kernels.py` again or remove the `__pycache__` next to it.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Whole = NDArray[np.int64]


class Layers(NamedTuple):
    """Soil layers of every profile, arrays of shape (n_profile, n_layer). Unused layers have zero thickness."""

    top_m: Array
    bottom_m: Array
    low_pct: Array  # extensibility
    middle_pct: Array
    high_pct: Array
    factor: Array  # share of the extensibility that is used


class Units(NamedTuple):
    """Units in the order of the result; arrays of shape (n_unit,).

    Profiles ascend, and classes ascend within a profile.
    """

    profile: Whole
    stiffness: Whole
    early: Whole  # pour months, as positions on the axis
    late: Whole

    def part(self, where: slice) -> Units:
        """Return consecutive units."""
        return Units(self.profile[where], self.stiffness[where], self.early[where], self.late[where])


class StripModel(NamedTuple):
    """The strip whose two sides are alike, stepped month by month; the inputs are already multiplied in."""

    decay: Array  # (n_mode,), per month
    early: Array  # (n_mode,), factor on the driver of the month before
    late: Array  # (n_mode,), factor on the driver of the month
    steady: Array  # (n_mode,), at month 0
    output: Array  # (n_point, n_z, n_mode)
    initial: Array  # (n_mode, n_z), state from a profile of open ground


class OppositeModel(NamedTuple):
    """The strip whose two sides are opposite."""

    decay: Array  # (n_mode,), per month
    steady: Array  # (n_mode,), for a lasting difference of 1 pF
    output: Array  # (n_point, n_z, n_mode)


class GroundModel(NamedTuple):
    """Open ground, stepped month by month; the inputs are already multiplied in."""

    decay: Array  # (n_z,), per month
    early: Array
    late: Array
    steady: Array
    output: Array  # (n_z, n_z)
    depth_edges: Array  # (n_z + 1,), in active depths
    share: Array  # (n_z,), factor on the vertical share of the volume change in the model run; 1 on uncracked ground


class Drawn(NamedTuple):
    """The parameter values of one model run."""

    active_depth_m: float
    restraint: float
    extensibility: float  # quantile
    lep_cap_pct: float
    span_pf: float
    half_width_m: float
    stiffness: Array  # (n_class,), N m2/m
    spring_n_m3: float
    load_pa: float
    edge_load_n_m: float
    settlement_m: float
    settlement_yr: float
    pour: float  # quantile
    sides_pf: float  # surface suction on the right minus that on the left
    scenario_pf: Array  # (3,), the same for leak, watering and tree


class Axis(NamedTuple):
    """Positions on the axis of months."""

    now: int
    normal_first: int
    normal_last: int
    first_calendar: int  # calendar month of position 0, from 0
