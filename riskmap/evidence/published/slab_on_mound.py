"""Exact answers for a beam on springs: point load (Hetenyi) and full contact with moved ground.

k is the spring per unit of length of a beam, or per m2 for a strip of one metre width.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

SOURCE = "Hetenyi, beams on elastic foundation (textbook form); undulating and parabolic ground derived from it"
STANDING = "computed"
VERIFIED = False  # exact mathematics; no printed example of the book was opened


def characteristic_per_m(stiffness: float, spring: float) -> float:
    """Return beta = (k / 4 EI)^(1/4). [1/m]"""
    return float((spring / (4 * stiffness)) ** 0.25)


def infinite_point_load(load_n: float, stiffness: float, spring: float) -> tuple[float, float]:
    """Return deflection P beta / 2k [m] and moment P / 4 beta [N m] under a point load on an infinite beam."""
    beta = characteristic_per_m(stiffness, spring)
    return load_n * beta / (2 * spring), load_n / (4 * beta)


def finite_central_load(length_m: float, load_n: float, stiffness: float, spring: float) -> tuple[float, float, float]:
    """Return middle and end deflection [m] and middle moment [N m] of a free beam under a central load."""
    beta = characteristic_per_m(stiffness, spring)
    x = beta * length_m
    below = np.sinh(x) + np.sin(x)
    middle = load_n * beta / (2 * spring) * (np.cosh(x) + np.cos(x) + 2) / below
    end = 2 * load_n * beta / spring * np.cosh(x / 2) * np.cos(x / 2) / below
    moment = load_n / (4 * beta) * (np.cosh(x) - np.cos(x)) / below
    return float(middle), float(end), float(moment)


def undulation_transfer(wavelength_m: Array, stiffness: float, spring: float) -> Array:
    """Return slab over ground amplitude of an infinite beam on cosine ground: 1 / (1 + EI (2 pi / l)^4 / k). [-]"""
    return 1.0 / (1.0 + stiffness * (2 * np.pi / np.asarray(wavelength_m, float)) ** 4 / spring)


def parabolic_mound(length_m: float, height_m: float, stiffness: float, spring: float) -> tuple[float, float]:
    """Return middle minus edge and mean level of a free beam in full contact with g = g0 (1 - (2x/L)^2). [m]

    The parabola solves EI y'''' + k (y - g) = 0, so y = g + A cosh bx cos bx + B sinh bx sin bx; A and B follow from
    zero moment and zero shear at the free end (derived here).
    """
    b = characteristic_per_m(stiffness, spring)
    half = length_m / 2
    x = b * half
    ch, sh, c, s = np.cosh(x), np.sinh(x), np.cos(x), np.sin(x)
    # second derivatives over b^2: cosh cos -> -2 sinh sin, sinh sin -> 2 cosh cos; the third over b^3 follow from them
    moment = np.array([-2 * sh * s, 2 * ch * c])
    shear = np.array([-2 * (ch * s + sh * c), 2 * (sh * c - ch * s)])
    a, d = np.linalg.solve(np.array([moment, shear]), np.array([2 * height_m / half**2 / b**2, 0.0]))
    middle, edge = height_m + a, a * ch * c + d * sh * s
    # means of the two homogeneous parts over the beam
    mean_a = (sh * c + ch * s) / (2 * x)
    mean_d = (ch * s - sh * c) / (2 * x)
    return float(middle - edge), float(2 * height_m / 3 + a * mean_a + d * mean_d)
