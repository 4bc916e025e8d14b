"""What one draw of the compiled path is given, by name. The compiler takes named tuples as they are.

It looks up fields by their place, and the compiled code that it keeps is renewed when `kernels.py` changes, not when
this file does: after a change of fields here, save `kernels.py` anew or remove the `__pycache__` beside it.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Whole = NDArray[np.int64]


class Layers(NamedTuple):
    """Soil layers of every profile, arrays of shape (n_profile, n_layer); layers unused have no thickness."""

    top_m: Array
    bottom_m: Array
    low_pct: Array  # extensibility
    middle_pct: Array
    high_pct: Array
    factor: Array  # share of the extensibility that counts


class Units(NamedTuple):
    """Units in the order of the result; arrays of shape (n_unit,), profile ascending, class ascending within it."""

    profile: Whole
    stiffness: Whole
    early: Whole  # pour months, places on the axis
    late: Whole

    def part(self, where: slice) -> Units:
        """Return consecutive units."""
        return Units(self.profile[where], self.stiffness[where], self.early[where], self.late[where])


class StripModel(NamedTuple):
    """The strip that is alike on both sides, stepped month by month; the inputs are multiplied in."""

    decay: Array  # (n_mode,), a month
    early: Array  # (n_mode,), times the driver of the month before
    late: Array  # (n_mode,), times the driver of the month
    steady: Array  # (n_mode,), at month 0
    output: Array  # (n_point, n_z, n_mode)
    initial: Array  # (n_mode, n_z), state from a profile of open ground


class OppositeModel(NamedTuple):
    """The strip whose sides are opposite."""

    decay: Array  # (n_mode,), a month
    steady: Array  # (n_mode,), for a lasting difference of 1 pF
    output: Array  # (n_point, n_z, n_mode)


class GroundModel(NamedTuple):
    """Open ground, stepped month by month; the inputs are multiplied in."""

    decay: Array  # (n_z,), a month
    early: Array
    late: Array
    steady: Array
    output: Array  # (n_z, n_z)
    depth_edges: Array  # (n_z + 1,), in active depths
    share: Array  # (n_z,), times the draw's vertical share of the volume change; 1 on uncracked ground


class Drawn(NamedTuple):
    """The values of one draw."""

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
    sides_pf: float  # right minus left surface suction
    scenario_pf: Array  # (3,), the same of leak, watering and tree


class Axis(NamedTuple):
    """Places on the axis of months."""

    now: int
    normal_first: int
    normal_last: int
    first_calendar: int  # calendar month of place 0, from 0
