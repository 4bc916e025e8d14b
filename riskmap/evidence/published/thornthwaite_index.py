"""Monthly water budget and the Thornthwaite moisture index in its three forms."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

SOURCE = ("Thornthwaite 1948; Thornthwaite and Mather 1955; Witczak, NCHRP 1-40D 2006 (from memory); monthly budget as "
          "in Ritter, The Physical Environment, Table 10.3")
STANDING = "seen"  # budget and the 1955 form; the 1948 and 2006 coefficients are from memory
VERIFIED = True  # twelve printed months of the Rockford budget; the annual totals printed there are wrong


@dataclass(frozen=True)
class Budget:
    """Monthly storage, actual evapotranspiration, deficit and surplus, shape (12,). [mm]"""

    storage: Array
    actual: Array
    deficit: Array
    surplus: Array


def water_budget(precipitation_mm: Array, pet_mm: Array, capacity_mm: float) -> Budget:
    """Return the steady yearly budget of a bucket that gives water freely down to zero. [mm]

    Parameters
    ----------
    precipitation_mm, pet_mm : array, shape (12,)
        Monthly normals, January first.
    capacity_mm : float
        Amount of water that the soil can store.

    Notes
    -----
    A year with more rain than demand that begins with a full bucket has a full bucket again in some month; a year with
    less rain that begins with an empty one has an empty bucket again. From there on years repeat, so the second year is
    the steady one.
    """
    rain, demand = np.asarray(precipitation_mm, float), np.asarray(pet_mm, float)
    out = np.zeros((4, 12))
    store = capacity_mm if rain.sum() >= demand.sum() else 0.0
    for _ in range(2):
        for m in range(12):
            before = store
            level = before + rain[m] - demand[m]
            store = min(max(level, 0.0), capacity_mm)
            actual = demand[m] + min(level, 0.0)
            out[:, m] = store, actual, demand[m] - actual, max(level - capacity_mm, 0.0)
    return Budget(*out)


def index_1948(surplus_mm: float, deficit_mm: float, pet_mm: float) -> float:
    """Return Im = (100 S - 60 D) / PE from yearly sums (Thornthwaite 1948, coefficients from memory). [-]"""
    return (100.0 * surplus_mm - 60.0 * deficit_mm) / pet_mm


def index_1955(surplus_mm: float, deficit_mm: float, pet_mm: float) -> float:
    """Return Im = 100 (S - D) / PE from yearly sums (1955 form, seen). [-]"""
    return 100.0 * (surplus_mm - deficit_mm) / pet_mm


def index_2006(precipitation_mm: float, pet_mm: float) -> float:
    """Return TMI = 75 (P / PE - 1) + 10 from yearly sums (NCHRP 1-40D, from memory). [-]"""
    return 75.0 * (precipitation_mm / pet_mm - 1.0) + 10.0
