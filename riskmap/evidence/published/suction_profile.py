"""Suction beneath open ground with a yearly cycle (Mitchell's linear diffusion in pF); PTI diffusion formula."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

SOURCE = "Mitchell 1979 (linear diffusion in pF; method described in Aubeny and Lytton 2003); PTI alpha from memory"
STANDING = "computed"  # exact solution of the stated equation; the diffusion formula is from memory
VERIFIED = False

CM2_S_IN_M2_YR = 1e-4 * 86400 * 365.25  # 1e-3 cm2/s is 3.156 m2/yr


def damping_depth_m(diffusivity_cm2_s: Array, period_yr: float = 1.0) -> Array:
    """Return d = sqrt(alpha period / pi). [m]"""
    return np.sqrt(np.asarray(diffusivity_cm2_s, float) * CM2_S_IN_M2_YR * period_yr / np.pi)


def periodic_pf(depth_m: Array, time_yr: Array, *, mean_pf: float, amplitude_pf: float,
                diffusivity_cm2_s: float) -> Array:
    """Return U = Ue + U0 exp(-z/d) cos(2 pi t - z/d) of a half-space, driest at the surface at t = 0. [pF]"""
    x = np.asarray(depth_m, float) / damping_depth_m(np.asarray(diffusivity_cm2_s))
    return np.asarray(mean_pf + amplitude_pf * np.exp(-x) * np.cos(2 * np.pi * np.asarray(time_yr, float) - x))


def open_ground_range_m(*, vertical_share: float, compression_index: float, amplitude_pf: float,
                        diffusivity_cm2_s: float) -> float:
    """Return the yearly movement range f gamma_h 2 U0 d / sqrt(2), the integral of `periodic_pf`. [m]"""
    depth = float(damping_depth_m(np.asarray(diffusivity_cm2_s)))
    return vertical_share * compression_index * 2 * amplitude_pf * depth / float(np.sqrt(2.0))


def strain_integral_m(*, vertical_share: float, compression_index: float, surface_change_pf: float, depth_m: float,
                      shape: str) -> float:
    """Return f gamma_h integral of the suction change: `exponential` with decay depth, `triangle` to a depth. [m]"""
    share = {"exponential": 1.0, "triangle": 0.5}[shape]
    return vertical_share * compression_index * surface_change_pf * depth_m * share


def pti_diffusivity_cm2_s(liquid_limit: Array, plasticity_index: Array, fines_pct: Array, compression_index: Array) \
        -> Array:
    """Return alpha = 0.0029 - 0.000162 Ss - 0.0122 gamma_h; Ss = -20.29 + 0.155 LL - 0.117 PI + 0.068 F. [cm2/s]"""
    slope = (-20.29 + 0.155 * np.asarray(liquid_limit, float) - 0.117 * np.asarray(plasticity_index, float)
             + 0.068 * np.asarray(fines_pct, float))
    return 0.0029 - 0.000162 * slope - 0.0122 * np.asarray(compression_index, float)
