"""The phases of a slab's life: early settlement, growth of the dome, rest (method.md, section 9.1).

One home of the limits between them. Both limits are shares of what the model itself reaches in the end, never an age.
Only the second is computed from the ground: early settlement is imposed, so its end follows from an assumed time
constant and is the same for every lot.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from riskmap.common.tables import PHASES
from riskmap.movement.compiled import compiled

Array = NDArray[np.float64]

SETTLING, GROWING, RESTING = range(len(PHASES))  # places in `tables.PHASES`, in the order of a life
# Share of the imposed early settlement at which it counts as over. Common practice for an end that is only approached
# (95 %); no source ties it to houses. With the default time constant of 0.5 years this is 1.5 years (computed).
SETTLED_SHARE = 0.95
# Share of the final rise of the middle from which the middle counts as resting. Common practice as above, no source.
GROWN_SHARE = 0.95
MOST_MONTHS = 12 * 100  # how far is looked ahead (judgement: longer than a house is asked about)


@compiled
def settled(age_months: int, constant_yr: float) -> float:
    """Return the share of the early settlement that is over at an age. (method.md, section 6)"""
    return 1 - np.exp(-age_months / 12 / constant_yr)


@compiled
def whole_rise(row: Array, delta: Array, usual_delta: Array) -> float:
    """Return the final movement of the middle against which growth is measured, without sign. [m]

    row (n_mode,): output weights of the middle; delta, usual_delta (n_mode,): state difference at the pour of this slab
    and in the mean of the normal period. The larger of the two movements counts: a slab that was poured wet has little
    or nothing of its own to rise, and a share of nothing says nothing. Method: method.md, section 9.1.
    """
    own, usual = 0.0, 0.0
    for i in range(row.size):
        own += row[i] * delta[i]
        usual += row[i] * usual_delta[i]
    return max(abs(own), abs(usual))


@compiled
def share_reached(left: float, whole: float) -> float:
    """Return the share of the final movement of the middle that is done, 0 to 1; 1 where there is none. [-]

    left: what the middle has still to move, up or down. [m] whole: from `whole_rise`. [m]
    """
    return max(1 - abs(left) / whole, 0.0) if whole > 0 else 1.0


@compiled
def rests(part: Array, decay: Array, whole: float) -> bool:
    """Return whether the middle is, now and in every later month, within the last 5 % of its final movement.

    Method: method.md, section 9.1.
    part (n_mode,): what is left of the movement of the middle now, by mode [m]; decay (n_mode,): per month; whole: from
    `whole_rise` [m]. Modes of different signs may cancel for some months, so one month alone would not do.
    """
    limit = (1 - GROWN_SHARE) * whole
    left = part.copy()
    for _ in range(MOST_MONTHS):
        total, size = 0.0, 0.0
        for i in range(left.size):
            total += left[i]
            size += abs(left[i])
            left[i] *= decay[i]
        if abs(total) > limit:
            return False
        if size <= limit:
            return True
    return True


@compiled
def phase(settled_share: float, resting: bool) -> int:
    """Return the phase of a slab in one model run as a place in `PHASES`: early settlement, growth, then rest."""
    if settled_share < SETTLED_SHARE:
        return SETTLING
    return RESTING if resting else GROWING


def years_to(share: float, part: Array, decay: Array, whole: Array) -> Array:
    """Return the years from the pour after which the middle stays within the rest of a share, shape (n,). [yr]

    Whole months; nan where a share is not reached within `MOST_MONTHS`, 0 where it is reached at the pour.

    Parameters
    ----------
    share : float
        Of the final movement of the middle, 0 to 1.
    part : array, shape (n, n_mode)
        What the middle has to move at the pour, by mode. [m]
    decay : array, shape (n_mode,)
        Per month.
    whole : array, shape (n,)
        From `whole_rise`. [m]
    """
    left = np.abs(part @ np.power(decay[:, None], np.arange(MOST_MONTHS + 1)))
    outside = left > (1 - share) * np.asarray(whole)[:, None]
    months = np.where(outside.any(axis=1), MOST_MONTHS + 1 - outside[:, ::-1].argmax(axis=1), 0)
    return np.where(months > MOST_MONTHS, np.nan, months / 12)
