"""Exact solutions against which the numerical core is checked: arrays in and out, and no shortcut shared with the core.

Method: notebooks/method.md, section 5.7 and section 7.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def periodic_amplitude(depth_m: Array, *, diffusivity_m2_per_yr: float, active_depth_m: float,
                       cycles_per_yr: float = 1.0) -> tuple[Array, Array]:
    """Return amplitude ratio and lag of suction below a surface that varies as a cosine.

    Method: method.md, section 5.7. [-, months]
    The ground has constant suction at the active depth. This was checked by substitution: v = Re(sinh(k (Zm - z)) /
    sinh(k Zm) exp(i w t)) with k = sqrt(i w / alpha) satisfies the diffusion equation and both boundaries.

    Parameters
    ----------
    depth_m : array
    diffusivity_m2_per_yr, active_depth_m, cycles_per_yr : float

    Returns
    -------
    ratio, lag_months : arrays of the shape of `depth_m`
    """
    k = np.sqrt(2j * np.pi * cycles_per_yr / diffusivity_m2_per_yr)
    value = np.sinh(k * (active_depth_m - depth_m)) / np.sinh(k * active_depth_m)
    return np.abs(value), -np.angle(value) / (2 * np.pi * cycles_per_yr) * 12


def open_ground_range(*, strain_per_pf: float, amplitude_pf: float, diffusivity_m2_per_yr: float,
                      active_depth_m: float) -> float:
    """Return the yearly movement range of open ground with one strain index over the active depth. [m]

    Method: method.md, section 5.7.
    It is 2 A g |(cosh kZm - 1) / (k sinh kZm)|, the depth integral of `periodic_amplitude` (from it by integration).
    """
    k = np.sqrt(2j * np.pi / diffusivity_m2_per_yr)
    x = k * active_depth_m
    return float(2 * amplitude_pf * strain_per_pf * abs((np.cosh(x) - 1) / (k * np.sinh(x))))


# share of the first harmonic that a driver linear between month ends keeps: 0.9774
LINEAR_DRIVER_GAIN = float(np.sinc(1 / 12) ** 2)


def sealed_column(depth: Array, tau: float, terms: int = 200) -> Array:
    """Return a sealed column relaxing from 1 to a base fixed at 0; depths in active depths, 0 at the sealed surface.

    Method: method.md, section 5.7. [-]
    Series of Carslaw and Jaeger: sum 2 (-1)^m / mu exp(-mu^2 tau) cos(mu z), mu = (m + 1/2) pi.
    """
    m = np.arange(terms)
    mu = (m + 0.5) * np.pi
    return np.asarray((2 * (-1.0) ** m / mu * np.exp(-(mu**2) * tau) * np.cos(np.outer(depth, mu))).sum(axis=1))


def steady_beneath_edge(inside: Array, depth: Array) -> Array:
    """Return steady suction beneath a half-infinite slab, surface 1 outside, base 0; lengths in active depths.

    v = (2/pi) Re arcsin(exp(pi (-d + i z) / 2)), from a conformal map of the strip to the half plane (method.md,
    section 5.7, test 3; the boundary values are checked in tests/verification). [-]
    """
    return np.asarray(2 / np.pi * np.arcsin(np.exp(np.pi * (-inside + 1j * depth) / 2)).real)


def finite_beam_end_loads(*, length_m: float, stiffness: float, spring: float, load_n_m: float) \
        -> tuple[float, float]:
    """Return end and middle deflection of a beam on two-way springs under equal line loads at both ends. [m]

    Method: method.md, section 7.
    Hetenyi: b^4 = k / (4 EI); end -(2 P b / k)(cosh bl + cos bl) / (sinh bl + sin bl),
    middle -(4 P b / k) cosh(bl/2) cos(bl/2) / (sinh bl + sin bl).
    """
    b = (spring / (4 * stiffness)) ** 0.25
    x = b * length_m
    below = np.sinh(x) + np.sin(x)
    end = -(2 * load_n_m * b / spring) * (np.cosh(x) + np.cos(x)) / below
    middle = -(4 * load_n_m * b / spring) * np.cosh(x / 2) * np.cos(x / 2) / below
    return float(end), float(middle)


def semi_infinite_beam_end(*, stiffness: float, spring: float, load_n_m: float) -> float:
    """Return the end deflection of a half-infinite beam on springs under an end load: -2 P b / k (Hetenyi). [m]"""
    b = (spring / (4 * stiffness)) ** 0.25
    return -2 * load_n_m * b / spring


def infinite_beam_centre(*, stiffness: float, spring: float, load_n_m: float) -> float:
    """Return the deflection under a line load on an infinite beam on springs: P b / (2 k) (Hetenyi), downward. [m]"""
    b = (spring / (4 * stiffness)) ** 0.25
    return load_n_m * b / (2 * spring)


def rigid_slab_on_parabola(*, length_m: float, height_m: float, load_pa: float, spring: float) -> tuple[float, float]:
    """Return half width of contact and level of a rigid slab on a parabolic mound under a uniform load. [m]

    Method: method.md, section 7.
    The contact is a = (3 q L^3 / (16 k ym))^(1/3), the level ym (1 - (2 a / L)^2), from vertical balance.
    """
    contact = (3 * load_pa * length_m**3 / (16 * spring * height_m)) ** (1 / 3)
    return contact, height_m * (1 - (2 * contact / length_m) ** 2)
