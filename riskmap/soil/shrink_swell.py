"""Linear extensibility of a profile: depth-weighted means, soil-survey class and rating. NumPy only.

Method: notebooks/method.md, section 2.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

# Classes of linear extensibility: low < 3, moderate 3-6, high 6-9, very high >= 9 %. Published (National Soil Survey
# Handbook, part 618, as quoted by a university help page). The publication gives the lower limit only for 9; here every
# limit belongs to the higher class.
CLASS_LIMITS_PCT = (3.0, 6.0, 9.0)
CLASS_NAMES = ("low", "moderate", "high", "very high")

# Evaluation "18500" of the survey's interpretation rules: a sigmoid between 3 and 6.01 % (published rule
# definitions; 27 of 27 stored ratings are reproduced at 3 decimals).
RATING_FROM_PCT = 3.0
RATING_TO_PCT = 6.01


def window_mean(profile: NDArray[np.int64], top_cm: Array, bottom_cm: Array, lep_pct: Array, n_profile: int, *,
                window_top_cm: Array | float, window_bottom_cm: Array | float) -> Array:
    """Return the thickness-weighted mean of linear extensibility over a depth window. (method.md, section 2)

    Parameters
    ----------
    profile : array of int, shape (n_layer,)
        Profile that each layer belongs to, 0 to `n_profile` - 1.
    top_cm, bottom_cm : array, shape (n_layer,)
        Layer depths below the ground surface, positive down. [cm]
    lep_pct : array, shape (n_layer,)
        Linear extensibility; layers without a value (nan) are left out. [%]
    n_profile : int
        Number of profiles.
    window_top_cm, window_bottom_cm : float or array, shape (n_profile,)
        The window; 25 and 100 for the rating, counted below any organic surface layer. [cm]

    Returns
    -------
    array, shape (n_profile,)
        Mean; nan where no layer with a value reaches into the window. [%]

    References
    ----------
    Rule name "Shrink-Swell (LEP WTD_AVG 25-100cm or Bedrock)" of the soil survey's interpretations.
    """
    upper = np.broadcast_to(np.asarray(window_top_cm, float), (n_profile,))[profile]
    lower = np.broadcast_to(np.asarray(window_bottom_cm, float), (n_profile,))[profile]
    overlap = np.clip(np.minimum(bottom_cm, lower) - np.maximum(top_cm, upper), 0.0, None)
    overlap = np.where(np.isfinite(lep_pct), overlap, 0.0)
    thickness = np.bincount(profile, overlap, n_profile)
    total = np.bincount(profile, overlap * np.nan_to_num(lep_pct), n_profile)
    return np.divide(total, thickness, out=np.full(n_profile, np.nan), where=thickness > 0)


def rating(lep_pct: Array) -> Array:
    """Return the soil-survey rating 0-1 (1 = greatest limitation) of a mean over 25-100 cm. [-] (method.md, section 2)

    With r = (x - 3) / 3.01: 0 for x <= 3, 2 r^2 below the middle 4.505, 1 - 2 (1 - r)^2 above it, 1 from 6.01. nan
    remains nan.
    """
    r = np.clip((np.asarray(lep_pct, float) - RATING_FROM_PCT) / (RATING_TO_PCT - RATING_FROM_PCT), 0.0, 1.0)
    return np.where(r < 0.5, 2.0 * r**2, 1.0 - 2.0 * (1.0 - r) ** 2)


def shrink_swell_class(lep_pct: Array) -> NDArray[np.object_]:
    """Return low, moderate, high or very high; empty text where there is no value. (method.md, section 2)"""
    values = np.asarray(lep_pct, float)
    names = np.array([*CLASS_NAMES, ""], dtype=object)
    index = np.digitize(values, CLASS_LIMITS_PCT)
    return names[np.where(np.isfinite(values), index, len(CLASS_NAMES))]


def lep_from_bulk_density(third_bar: Array, oven_dry: Array) -> Array:
    """Return linear extensibility in % from bulk densities at 33 kPa and oven dry; nan where they do not allow it.

    Method: method.md, section 2. Densities [g/cm3], result [%].
    100 ((oven dry / third bar)^(1/3) - 1). From memory: National Soil Survey Handbook, part 618. Checked on 1,854
    survey horizons: mean absolute difference from the stored value 0.56, r 0.93.
    """
    usable = (third_bar > 0) & (oven_dry >= third_bar)
    ratio = np.divide(oven_dry, third_bar, out=np.full(np.shape(oven_dry), np.nan), where=usable)
    return 100.0 * (np.cbrt(ratio) - 1.0)


def lep_from_clay(clay_pct: Array) -> Array:
    """Return linear extensibility in % from clay: 0.2273 clay - 1.986, not below 0. [%] (method.md, section 2)

    It was fitted on 1,067 laboratory samples of Kansas with both bulk densities measured. The root mean square error is
    2.02; other regions are untested.
    """
    return np.maximum(0.2273 * np.asarray(clay_pct, float) - 1.986, 0.0)
