"""Potential evapotranspiration from monthly mean temperature (Thornthwaite 1948), and a guard for declared values.

Thornthwaite, C.W. (1948), Geographical Review 38, 55-94. The form used here has no branch for months above 26.5 degC.
The monthly bucket was measured with this evapotranspiration (settings.ClimateSettings.rain_factor), and the drought
indices use it; the day steps have their own from temperature (`movement.oudin`). The evapotranspiration of a reference
grass surface is about 1.7 times larger and would keep the monthly bucket dry.
Method: notebooks/method.md, section 3.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

DAYS = np.array([31, 28.25, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])
MID_MONTH_DAY = np.cumsum(DAYS) - DAYS / 2

# Declared values above this multiple of Thornthwaite are taken to be reference-surface values. Judgement: it lies
# between 1.0 (Thornthwaite with any treatment of hot months stays within 1.1) and about 1.7 (grass reference,
# measured).
REFERENCE_RATIO = 1.35


def daylight_hours(latitude_deg: Array) -> Array:
    """Return mean daylight at the middle of each calendar month, shape (n_cell, 12). [h]

    Day length from the sunset hour angle; declination 0.409 sin(2 pi J / 365.25 - 1.39) after Allen et al. (1998), FAO
    Irrigation and Drainage Paper 56, eq. 24, 25 and 34 with the mean year. Beyond the polar circles a day can have 0 or
    24 hours.
    """
    declination = 0.409 * np.sin(2 * np.pi * MID_MONTH_DAY / 365.25 - 1.39)
    cosine = -np.tan(np.radians(latitude_deg))[:, None] * np.tan(declination)[None, :]
    return 24 / np.pi * np.arccos(np.clip(cosine, -1, 1))


def calendar_means(monthly: Array, first_calendar_month: int) -> Array:
    """Return calendar-month means over the record, (n_cell, 12), January first; NaN without data. [of `monthly`]"""
    month = (first_calendar_month - 1 + np.arange(monthly.shape[1])) % 12
    member = (month[:, None] == np.arange(12)).astype(float)
    known = np.isfinite(monthly)
    count = known.astype(float) @ member
    return np.where(known, monthly, 0.0) @ member / np.where(count > 0, count, np.nan)


def thornthwaite(temperature_c: Array, latitude_deg: Array, *, first_calendar_month: int) -> Array:
    """Return monthly potential evapotranspiration. [mm] (method.md, section 3)

    Parameters
    ----------
    temperature_c : array, shape (n_cell, n_month)
        Mean air temperature of consecutive months, NaN where unknown. [degC]
    latitude_deg : array, shape (n_cell,)
        Latitude, north positive. [deg]
    first_calendar_month : int
        Calendar month of the first column, 1-12.

    Returns
    -------
    array, shape (n_cell, n_month)
        Potential evapotranspiration, 0 at or below 0 degC; NaN where temperature is unknown, and for a whole cell
        when one of its calendar months has no temperature at all. [mm]

    References
    ----------
    Thornthwaite (1948): I = sum (T_i / 5)^1.514 over the calendar-month means of the whole record,
    PET = 16 (N / 12) (days / 30) (10 T / I)^a.
    """
    warm_normal = np.maximum(calendar_means(temperature_c, first_calendar_month), 0.0)
    heat_index = ((warm_normal / 5) ** 1.514).sum(axis=1)[:, None]
    exponent = 6.75e-7 * heat_index**3 - 7.71e-5 * heat_index**2 + 1.792e-2 * heat_index + 0.49239
    month = (first_calendar_month - 1 + np.arange(temperature_c.shape[1])) % 12
    length = daylight_hours(latitude_deg) / 12 * DAYS / 30
    warm = np.maximum(temperature_c, 0.0)
    # a cell that is never above freezing has no heat index and no evapotranspiration
    base = np.where(heat_index > 0, 10 * warm / np.where(heat_index > 0, heat_index, 1.0), 0.0 * warm)
    return np.where(np.isnan(heat_index), np.nan, 16 * length[:, month] * base**exponent)


def ratio_to_thornthwaite(declared_mm: Array, thornthwaite_mm: Array) -> Array:
    """Return declared over Thornthwaite totals of the months that have both, shape (n_cell,); NaN without any.

    Method: method.md, section 3. [-]
    Above `REFERENCE_RATIO` the declared values look like the evapotranspiration of a reference surface.
    """
    both = np.isfinite(declared_mm) & np.isfinite(thornthwaite_mm)
    own = np.where(both, thornthwaite_mm, 0.0).sum(axis=1)
    declared = np.where(both, declared_mm, 0.0).sum(axis=1)
    return np.where(own > 0, declared / np.where(own > 0, own, 1.0), np.nan)
