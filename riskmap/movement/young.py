"""A young slab: what the weather before the pour decides (method.md, section 7).

The pour matters only through the profile that is left under the slab. For seven years it decides the sign of bending:
after a dry pour the edge stands high at times and the dome follows, after a wet pour the edge drops first.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

SETTLED_MONTHS = 84  # after them the pour matters by 3.4 mm at most (computed, even clay, default diffusivity)
POUR_MONTHS = 5  # the edge of a slab follows the running mean of about five months (r .92, computed)
WET, MIDDLE, DRY = 0, 1, 2


def thirds(suction_pf: Array, pours: NDArray[np.int64], years: slice) -> NDArray[np.int64]:
    """Return the third of the months in which each pour falls: 0 wettest, 1 middle, 2 driest, shape (n_pour,).

    Parameters
    ----------
    suction_pf : array, shape (n_month,)
        Surface suction at month ends. [pF]
    pours : array of int, shape (n_pour,)
        Places of the pour months, POUR_MONTHS - 1 or more.
    years : slice
        Places of the months that the thirds are taken over.

    Notes
    -----
    Judged by the mean over the five months that end with the pour, which is as long as the edge remembers.
    """
    sums = np.concatenate([[0.0], np.cumsum(suction_pf)])
    mean = np.full(suction_pf.size, np.nan)
    mean[POUR_MONTHS - 1 :] = (sums[POUR_MONTHS:] - sums[:-POUR_MONTHS]) / POUR_MONTHS
    known = mean[years]
    limits = np.quantile(known[np.isfinite(known)], (1 / 3, 2 / 3))
    return np.searchsorted(limits, mean[pours], side="right").astype(np.int64)
