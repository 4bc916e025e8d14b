"""Linear extensibility from clay and cation exchange capacity, for horizons for which the survey gives nothing better.

    LEP = FACTOR clay^CLAY_POWER cec^CEC_POWER

Zero without clay, never negative, rising with both. NumPy only. Every figure here: computed by
tests/validation/fit_pedotransfer.py (Poisson regression, November 2026) on kssl_kansas_bulk_density.csv, laboratory
samples of Kansas with both bulk densities measured. Of 1,067 samples 1,039 have a cation exchange capacity; the 988 of
these inside the range below, from 46 counties, were fitted. For a comparison with the line on clay see
tests/validation/test_pedotransfer_kansas.py. About 50 combinations of inputs and form were compared with counties held
out. The errors were 1.92 to 2.10 without exchange capacity (the line: 2.05 to 2.07), and 1.74 to 1.90 with clay and
exchange capacity, except for one kind of regression. Four forms with only these two differ by at most 0.08; this one
was chosen because it needs no cut at 0.
Method: notebooks/method.md, section 2.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

FACTOR = 0.02375
CLAY_POWER = 0.8814
CEC_POWER = 0.7469

# Range: 1st to 99th percentile of the 1,039 samples, rounded inwards.
CLAY_RANGE_PCT = (4.9, 65.8)
CEC_RANGE_CMOL_KG = (4.5, 41.0)
# cmol(+)/kg over %: less means another kind of clay, more means mostly organic matter
CEC_PER_CLAY_RANGE = (0.34, 1.21)

# Root mean square error is ERROR_SCALE sqrt(LEP), with each county left out in turn.
ERROR_SCALE = 0.706


def lep_from_clay_and_cec(clay_pct: Array, cec_cmol_kg: Array) -> Array:
    """Return linear extensibility in % from clay and cation exchange capacity; nan outside the range of the samples.

    Method: method.md, section 2.

    Parameters
    ----------
    clay_pct : array, shape (n_horizon,)
        Clay; nan where unknown. [%]
    cec_cmol_kg : array, shape (n_horizon,)
        Cation exchange capacity at pH 7 of the whole fine earth; nan where unknown. [cmol(+)/kg, which is meq/100 g]

    Returns
    -------
    array, shape (n_horizon,)
        Linear extensibility of the fine earth, 33 kPa to oven dry. nan where an input is unknown, or clay, exchange
        capacity or their ratio lies outside `CLAY_RANGE_PCT`, `CEC_RANGE_CMOL_KG` or `CEC_PER_CLAY_RANGE`. [%]

    References
    ----------
    Computed, see the module. With each county left out in turn, the root mean square error is 1.82, and that of a line
    on clay 2.05 (988 samples). This is for Kansas only: on stored values of surveys in other states it is better than
    the line in some and worse in others.
    """
    clay, cec = np.asarray(clay_pct, float), np.asarray(cec_cmol_kg, float)
    usable = within_range(clay, cec)
    clay, cec = np.where(usable, clay, np.nan), np.where(usable, cec, np.nan)
    return FACTOR * clay**CLAY_POWER * cec**CEC_POWER


def within_range(clay_pct: Array, cec_cmol_kg: Array) -> NDArray[np.bool_]:
    """Return where clay [%] and exchange capacity [cmol(+)/kg] are inside the range of the samples; nan is outside."""
    ratio = np.divide(cec_cmol_kg, clay_pct, out=np.full(np.shape(clay_pct), np.nan), where=clay_pct > 0)
    inside = [(low <= value) & (value <= high) for value, (low, high) in (
        (clay_pct, CLAY_RANGE_PCT), (cec_cmol_kg, CEC_RANGE_CMOL_KG), (ratio, CEC_PER_CLAY_RANGE))]
    return np.logical_and.reduce(inside)


def standard_error(lep_pct: Array) -> Array:
    """Return the root mean square error in % of an estimate in %, with each county left out in turn.

    Method: method.md, section 2. [%]
    """
    return ERROR_SCALE * np.sqrt(lep_pct)
