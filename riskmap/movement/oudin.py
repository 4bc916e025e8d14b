"""Potential evapotranspiration of a day from its mean temperature and the latitude (Oudin and others 2005).

The driver by day steps uses it; the monthly bucket uses Thornthwaite (`climate.evapotranspiration`).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

SOLAR_CONSTANT = 0.0820  # MJ/m2/min, FAO-56, eq. 21
ENERGY_PER_MM = 2.45  # MJ/m2 that evaporate 1 mm of water, FAO-56, eq. 20
COLDEST_C, DEGREES = 5.0, 100.0  # Oudin and others (2005): their K2 and K1


def extraterrestrial_radiation(latitude_deg: float, day_of_year: NDArray[np.int64]) -> Array:
    """Return the radiation that reaches the top of the atmosphere in a day. [MJ/m2/day]

    Parameters
    ----------
    latitude_deg : float
        North positive. Beyond the polar circles the sun can stay up or down all day.
    day_of_year : int array, shape (n_day,)
        1 for 1 January to 366; the year always counts as 365 days long, as in the document.

    Returns
    -------
    array, shape (n_day,)

    References
    ----------
    Allen and others (1998), FAO Irrigation and Drainage Paper 56, equations 21 to 25.
    """
    angle = 2 * np.pi * day_of_year / 365
    distance = 1 + 0.033 * np.cos(angle)  # eq. 23, inverse and relative
    declination = 0.409 * np.sin(angle - 1.39)  # eq. 24
    latitude = np.radians(latitude_deg)  # eq. 22
    sunset = np.arccos(np.clip(-np.tan(latitude) * np.tan(declination), -1, 1))  # eq. 25
    up = sunset * np.sin(latitude) * np.sin(declination) + np.cos(latitude) * np.cos(declination) * np.sin(sunset)
    return np.asarray(24 * 60 / np.pi * SOLAR_CONSTANT * distance * up)  # eq. 21


def evapotranspiration(temperature_c: Array, radiation: Array) -> Array:
    """Return potential evapotranspiration of each day; 0 at or below -5 degC. [mm/day]

    Parameters
    ----------
    temperature_c : array, shape (n_day,)
        Mean air temperature of the day; nan where it is not known; the result is nan there too.
    radiation : array, shape (n_day,)
        Extraterrestrial radiation. [MJ/m2/day]

    Returns
    -------
    array, shape (n_day,)

    References
    ----------
    Oudin and others (2005), Journal of Hydrology 303, 290-306: PET = Ra (T + 5) / (2.45 x 100).
    """
    return radiation * np.maximum(temperature_c + COLDEST_C, 0.0) / (ENERGY_PER_MM * DEGREES)
