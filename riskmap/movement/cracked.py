"""Cracked ground, a scenario: open ground conducts better above a depth, and its strain is more horizontal there.

Cracks and roots let water into the first metre of open ground 5.4 times as fast as below it; the ground under the slab
does not crack. The ratio is a single number, so the operator still scales with the diffusivity below.
Method: notebooks/method.md, section 5.4.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from riskmap.common.settings import MovementSettings

Array = NDArray[np.float64]

CRACKED_RATIO = 10 / 1.85  # diffusivity in the cracked zone over that below it: 10 and 1.85 m2/yr (judgement)
CRACKED_DEPTH_M = 1.0  # judgement; at the stations on which this is based, no soil is measured that deep
CRACKED_SHARE = 1 / 3  # vertical share of the volume change where cracks take up two thirds (isotropic shrinkage)
SHARE_AT_SURFACE, SHARE_DEPTH_M = 2 / 3, 10.0  # (2 - z/5)/3 = 2/3 (1 - z / 10 m), from memory
UNCRACKED_SHARE = 0.6  # vertical share of uncracked ground for which the shares above apply unchanged (judgement)
ROUNDED_TO = 2  # decimals of the cracked depth over active depth: at most 0.6 % of the range at the edge (computed)


def within(top: Array, bottom: Array, depth: float) -> Array:
    """Return the share of each interval of depth that lies above `depth`. [-] (method.md, section 5.4)

    top, bottom : array, shape (n,), in the same unit as depth, bottom below top.
    """
    return np.clip((depth - top) / (bottom - top), 0.0, 1.0)


def mean_of_cells(cracked: Array, ratio: float) -> Array:
    """Return the diffusivity along a cell, divided by that of uncracked ground. [-] (method.md, section 5.4)

    For two zones side by side, k = 1 + (ratio - 1) cracked.

    Parameters
    ----------
    cracked : array
        Share of the cell that is cracked.
    ratio : float
        Diffusivity of cracked divided by that of uncracked ground.
    """
    return 1.0 + (ratio - 1.0) * cracked


def mean_across(share: Array, conducts: Array | float) -> Array:
    """Return the diffusivity between two places of which a part conducts better. [-] (method.md, section 5.4)

    For two zones one behind the other, 1 / k = (1 - share) + share / conducts. It is exactly 1 where the share is 0.

    Parameters
    ----------
    share : array
        Part of the distance.
    conducts : array or float
        Diffusivity of that part divided by that of the rest.
    """
    return 1.0 / (1.0 - share * (1.0 - 1.0 / np.asarray(conducts)))


def vertical_share(depth_m: Array, cracked_depth_m: float = CRACKED_DEPTH_M) -> Array:
    """Return the vertical share of the volume change at some depths [m] of cracked ground. [-]

    1/3 above the cracked depth, (2 - z/5)/3 below it, z in m (from memory). Method: method.md, section 6.
    """
    return np.where(depth_m < cracked_depth_m, CRACKED_SHARE, SHARE_AT_SURFACE * (1 - depth_m / SHARE_DEPTH_M))


def vertical_share_of_cells(edges_m: Array, cracked_depth_m: float = CRACKED_DEPTH_M) -> Array:
    """Return the mean of `vertical_share` over each depth cell, exactly. [-] (method.md, section 6)

    Parameters
    ----------
    edges_m : array, shape (n_z + 1,)
        Cell limits. [m]
    cracked_depth_m : float

    Returns
    -------
    array, shape (n_z,)
        It is multiplied with the strain index of the cells (`kernels_soil.cell_strain_index`), in place of the constant
        share.
    """
    top, bottom = edges_m[:-1], edges_m[1:]
    cracked = within(top, bottom, cracked_depth_m)
    middle_of_rest = (np.maximum(top, np.minimum(cracked_depth_m, bottom)) + bottom) / 2
    return cracked * CRACKED_SHARE + (1 - cracked) * SHARE_AT_SURFACE * (1 - middle_of_rest / SHARE_DEPTH_M)


def depth_of(settings: MovementSettings, active_depth_m: float) -> float:
    """Return the cracked depth divided by an active depth [m], in steps of 0.01; 0 on uncracked ground. [-]

    All of the active depth is cracked where it is less than the cracked depth. Method: method.md, section 5.4.
    """
    return round(min(CRACKED_DEPTH_M / active_depth_m, 1.0), ROUNDED_TO) if settings.ground == "cracked" else 0.0


def times_the_share(settings: MovementSettings, edges_m: Array) -> Array:
    """Return the factor on the sampled vertical share in each depth cell; 1 on uncracked ground. [-]

    On cracked ground it is the share by depth (`vertical_share_of_cells`) divided by `UNCRACKED_SHARE`: a model run
    whose share for uncracked ground is a tenth above the median has all shares by depth a tenth higher. Method:
    method.md, section 6. edges_m (n_z + 1,): cell limits. [m]
    """
    if settings.ground != "cracked":
        return np.ones(edges_m.size - 1)
    return vertical_share_of_cells(edges_m) / UNCRACKED_SHARE
