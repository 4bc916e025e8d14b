"""Common random numbers: one stratified set of draws that every archetype of a run shares.

Model run number d uses the same quantile of every parameter for every lot. So neighbours differ because their soil, age
or slab differs and never by chance, and order, parts and workers cannot change a result. Each parameter is stratified
(Latin hypercube): each of `n` equal slices of probability gets one of its values.
Method: notebooks/method.md, section 8.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from riskmap.common.settings import MovementSettings

Array = NDArray[np.float64]

# There is one random stream per parameter, so that a parameter added at the end does not change the draws of the
# others.
NARROWEST_SPAN_PF = 0.05  # keeps the driver defined when both sampled limits reach the guard
PARAMETERS = (
    "component", "extensibility", "diffusivity", "active_depth", "wet_limit", "dry_limit", "equilibrium_common",
    "equilibrium_lot", "restraint", "rain_factor", "bucket", "half_width", "stiffness", "spring", "load", "edge_load",
    "settlement", "pour", "replay_dry", "replay_middle", "replay_wet", "index_noise", "pet_scale", "sides",
    "no_stress_share", "curve_number", "low_filling", "high_filling", "driver",
)


@dataclass(frozen=True)
class Draws:
    """Sampled parameters of the model runs, each an array of shape (n_draw,).

    `component`, `extensibility`, `half_width`, `stiffness`, `pour` and `index_noise` remain quantiles or normal scores,
    because their distribution depends on the lot; the replay streams are ranks 0..n_draw-1.
    """

    component: Array  # uniform 0-1
    extensibility: Array  # uniform 0-1, one for all horizons of a component
    diffusivity_m2_per_yr: Array
    active_depth_m: Array
    wet_limit_pf: Array
    dry_limit_pf: Array
    equilibrium_shift_pf: Array
    restraint: Array
    rain_factor: Array
    bucket_mm: Array
    half_width: Array  # uniform -1 to 1, multiplied by the spread of the lot
    stiffness: Array  # normal score
    spring_n_m3: Array
    load_pa: Array
    edge_load_n_m: Array
    settlement_mm: Array
    pour: Array  # uniform 0-1
    replay_rank: NDArray[np.int64]  # shape (n_draw, 3): one each from the drier, middle and wetter third
    index_noise: Array  # normal score
    pet_scale: Array  # uniform 0-1
    sides_pf: Array  # surface suction right minus left, sustained since the pour
    no_stress_share: Array  # this and the next three belong to the driver by day steps
    curve_number: Array
    low_filling: Array
    high_filling: Array
    driver_rank: NDArray[np.int64]  # 0..n_draw-1; where both drivers are used, odd ranks use the monthly bucket

    @property
    def count(self) -> int:
        """Number of model runs."""
        return self.component.size


def stratified(count: int, seed: int) -> dict[str, Array]:
    """Return one stratified uniform sample per parameter, shape (count,) each, each from its own random stream.

    Method: method.md, section 8.
    """
    out = {}
    for number, name in enumerate(PARAMETERS):
        rng = np.random.default_rng([seed, number])
        out[name] = (rng.permutation(count) + rng.random(count)) / count
    return out


def _between(u: Array, limits: tuple[float, float]) -> Array:
    return limits[0] + (limits[1] - limits[0]) * u


def make(settings: MovementSettings) -> Draws:
    """Return the draws of a run; the same settings give the same draws, bit for bit. (method.md, section 8)"""
    from scipy.special import ndtri

    u = stratified(settings.draws, settings.seed)
    normal = {name: ndtri(value) for name, value in u.items()}
    s = settings
    low, high = s.guard_pf
    one, other = (np.clip(middle + sd * normal[name], low, high) for name, middle, sd in (
        ("wet_limit", s.wet_limit_pf, s.wet_limit_sd_pf), ("dry_limit", s.dry_limit_pf, s.dry_limit_sd_pf)))
    wet, dry = np.minimum(one, other), np.maximum(one, other)  # sampled limits that cross are exchanged
    ranks = np.column_stack([np.argsort(np.argsort(u[name], kind="stable"), kind="stable")
                             for name in ("replay_dry", "replay_middle", "replay_wet")])
    return Draws(
        component=u["component"],
        extensibility=u["extensibility"],
        diffusivity_m2_per_yr=np.clip(
            s.diffusivity_m2_per_yr * np.exp(s.diffusivity_sigma_ln * normal["diffusivity"]), *s.diffusivity_clip),
        active_depth_m=_between(u["active_depth"], s.active_depth_draw_m),
        wet_limit_pf=wet,
        dry_limit_pf=np.maximum(dry, wet + NARROWEST_SPAN_PF),
        equilibrium_shift_pf=(s.equilibrium_common_sd_pf * normal["equilibrium_common"]
                              + s.equilibrium_lot_sd_pf * normal["equilibrium_lot"]),
        restraint=_between(u["restraint"], s.restraint_draw),
        rain_factor=_between(u["rain_factor"], s.rain_factor_draw),
        bucket_mm=_between(u["bucket"], s.bucket_draw_mm),
        half_width=2 * u["half_width"] - 1,
        stiffness=normal["stiffness"],
        spring_n_m3=1e6 * s.spring_mn_m3 * np.exp(s.spring_sigma_ln * normal["spring"]),
        load_pa=1e3 * _between(u["load"], s.load_kpa),
        edge_load_n_m=1e3 * _between(u["edge_load"], s.edge_load_kn_m),
        settlement_mm=_between(u["settlement"], s.settlement_mm),
        pour=u["pour"],
        replay_rank=ranks,
        index_noise=normal["index_noise"],
        pet_scale=u["pet_scale"],
        sides_pf=s.sides_sd_pf * normal["sides"],
        no_stress_share=_between(u["no_stress_share"], s.no_stress_share_draw),
        curve_number=_between(u["curve_number"], s.curve_number_draw),
        low_filling=_between(u["low_filling"], s.low_filling_draw),
        high_filling=_between(u["high_filling"], s.high_filling_draw),
        driver_rank=np.argsort(np.argsort(u["driver"], kind="stable"), kind="stable"),
    )


def middle(settings: MovementSettings) -> Draws:
    """Return a single model run with every parameter at its median, for results that explain and need no range.

    Method: method.md, section 8.
    """
    from dataclasses import fields, replace

    one = make(settings.model_copy(update={"draws": 20}))
    s = settings
    half = np.array([0.5])
    flat = {
        "component": half, "extensibility": half, "diffusivity_m2_per_yr": np.array([s.diffusivity_m2_per_yr]),
        "active_depth_m": np.array([np.mean(s.active_depth_draw_m)]), "wet_limit_pf": np.array([s.wet_limit_pf]),
        "dry_limit_pf": np.array([s.dry_limit_pf]), "restraint": np.array([np.mean(s.restraint_draw)]),
        "rain_factor": np.array([np.mean(s.rain_factor_draw)]), "bucket_mm": np.array([np.mean(s.bucket_draw_mm)]),
        "spring_n_m3": np.array([1e6 * s.spring_mn_m3]), "load_pa": np.array([1e3 * np.mean(s.load_kpa)]),
        "edge_load_n_m": np.array([1e3 * np.mean(s.edge_load_kn_m)]),
        "settlement_mm": np.array([np.mean(s.settlement_mm)]), "pour": half, "pet_scale": half,
        "replay_rank": np.zeros((1, 3), dtype=np.int64),
        "no_stress_share": np.array([np.mean(s.no_stress_share_draw)]),
        "curve_number": np.array([np.mean(s.curve_number_draw)]),
        "low_filling": np.array([np.mean(s.low_filling_draw)]),
        "high_filling": np.array([np.mean(s.high_filling_draw)]),
        "driver_rank": np.zeros(1, dtype=np.int64),  # day steps, unless the settings say the monthly bucket
    }
    zero = {f.name: np.zeros(1) for f in fields(Draws) if f.name not in flat}
    every: dict[str, Any] = {**flat, **zero}
    return replace(one, **every)


def replayed_years(ranks: NDArray[np.int64], count: int, years: int) -> NDArray[np.int64]:
    """Return for each model run three past years, as positions in the list of years ordered from dry to wet.

    Method: method.md, section 8.
    The 3 * count slots cover the ordered list evenly, so every year is used equally often (within one), and each model
    run gets one year from the drier, the middle and the wetter third.

    Parameters
    ----------
    ranks : array, shape (count, 3)
    count, years : int
        Number of model runs and of past years.
    """
    slot = ranks + count * np.arange(3)[None, :]
    return (slot * years) // (3 * count)


def triangular(u: Array, low: Array, middle: Array, high: Array) -> Array:
    """Return quantiles of the triangular distribution, broadcast; the mode where the spread is zero.

    Method: method.md, section 6.
    It is the inverse of the exact distribution function: below the mode low + sqrt(u w (m - l)), above it high -
    sqrt((1 - u) w (h - m)) with w = h - l.
    """
    width = high - low
    left = low + np.sqrt(np.maximum(u * width * (middle - low), 0.0))
    right = high - np.sqrt(np.maximum((1 - u) * width * (high - middle), 0.0))
    return np.where(width <= 0, middle, np.where(u * width < middle - low, left, right))
