"""The only place that converts units. Everything inside is SI: m, mm for movement, degrees Celsius, pF.

All factors are exact by definition (international inch 25.4 mm, international foot 0.3048 m).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

Values = TypeVar("Values", float, NDArray[np.float64])

MM_PER_INCH = 25.4
M_PER_FOOT = 0.3048
M2_PER_HECTARE = 10_000.0


def fahrenheit_to_celsius(value: Values) -> Values:
    """Return degrees Celsius for degrees Fahrenheit."""
    return (value - 32.0) / 1.8


def inch_to_mm(value: Values) -> Values:
    """Return millimetres for inches."""
    return value * MM_PER_INCH


def mm_to_inch(value: Values) -> Values:
    """Return inches for millimetres."""
    return value / MM_PER_INCH


def foot_to_m(value: Values) -> Values:
    """Return metres for international feet."""
    return value * M_PER_FOOT


def m_to_foot(value: Values) -> Values:
    """Return international feet for metres."""
    return value / M_PER_FOOT


def _same(value: Values) -> Values:
    return value


# The unit is the last part of a column name: `precip_in` is inches, `temperature_c` Celsius.
# Each entry: suffix -> (suffix of the SI column, conversion).
BY_SUFFIX: dict[str, tuple[str, Callable]] = {
    "in": ("mm", inch_to_mm),
    "mm": ("mm", _same),
    "f": ("c", fahrenheit_to_celsius),
    "c": ("c", _same),
    "ft": ("m", foot_to_m),
    "m": ("m", _same),
}
