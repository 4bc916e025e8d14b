"""How far a suction cycle reaches under a sealed cover: exact half-plane form.

An open surface lies next to a sealed one on a half-space. At the surface, at distance x inside the edge, the amplitude
ratio is |erfc(sqrt(x sqrt(i w / alpha)))| (Sommerfeld half-plane solution; method.md, section 5.7; confirmed by finite
differences). Two definitions of the edge distance are in use; name the one meant.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from riskmap.evidence.published.suction_profile import CM2_S_IN_M2_YR

Array = NDArray[np.float64]

SOURCE = "derived; edge distance at 0.1 pF after El-Garhy and Wray (abstract)"
STANDING = "computed"
VERIFIED = False  # exact mathematics, no printed value of a document


def amplitude_ratio(inside_m: Array, diffusivity_cm2_s: float, period_yr: float = 1.0) -> Array:
    """Return the amplitude under the cover divided by the amplitude of the open surface. [-]"""
    from scipy.special import erfc

    wave = np.sqrt(2j * np.pi / (period_yr * diffusivity_cm2_s * CM2_S_IN_M2_YR))
    return np.abs(erfc(np.sqrt(np.asarray(inside_m, float) * wave)))


def edge_distance_m(surface_amplitude_pf: float, diffusivity_cm2_s: float, period_yr: float = 1.0,
                    limit_pf: float = 0.1) -> float:
    """Return the distance at which the AMPLITUDE of suction falls to `limit_pf` (0.05 for the range of 0.1). [m]"""
    from scipy.optimize import brentq

    if surface_amplitude_pf <= limit_pf:
        return 0.0

    def above(inside_m: float) -> float:
        ratio = float(amplitude_ratio(np.asarray(inside_m), diffusivity_cm2_s, period_yr))
        return surface_amplitude_pf * ratio - limit_pf

    return float(brentq(above, 0.0, 100.0))


def step_fraction(time_number: Array) -> Array:
    """Return the share of a lasting change outside that has arrived at distance x; time number = alpha t / x^2. [-]

    It is the inverse Laplace transform of erfc(sqrt(sqrt(s))) / s, by the fixed Talbot contour (Abate and Valko 2004,
    24 points).
    """
    from scipy.special import wofz

    t = np.atleast_1d(np.asarray(time_number, float))[:, None]
    points = 24
    angle = np.arange(1, points) * np.pi / points
    cot = 1 / np.tan(angle)
    scale = 2 * points / (5 * t)
    s = scale * angle * (cot + 1j)
    weight = 1 + 1j * angle * (1 + cot**2) - 1j * cot

    def image(value: NDArray[np.complexfloating]) -> NDArray[np.complex128]:
        root = np.sqrt(np.sqrt(value))
        return np.asarray(np.exp(-(root**2)) * wofz(1j * root) / value)  # erfc(z) = exp(-z^2) w(i z)

    first = 0.5 * np.exp(scale * t) * image(scale + 0j).real
    inner = (np.exp(t * s) * image(s) * weight).real.sum(axis=1, keepdims=True)
    return np.asarray((scale / points * (first + inner))[:, 0])
