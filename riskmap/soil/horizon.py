"""Clean horizons: depths contiguous from the surface down to rock, one ordered LEP triple per layer.

In: horizons in file order. Out: layers sorted by component and depth, and what was wrong per component. Rules: a
non-positive thickness is dropped; overlaps are cut at the upper horizon's bottom; a gap takes the value of the layer
above; a first top below 0 is filled from the first layer; organic surface layers have LEP 0; a missing value is
estimated from bulk density, else from clay and cation exchange capacity, else from clay alone; otherwise the component
stays unrated (or ends there, when only its lowest layers below 1 m lack a value). A missing value never becomes 0.
Method: notebooks/method.md, section 2.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from riskmap.common import tables
from riskmap.soil.pedotransfer import lep_from_clay_and_cec, standard_error
from riskmap.soil.shrink_swell import lep_from_bulk_density, lep_from_clay

if TYPE_CHECKING:
    import pandas as pd

    from riskmap.common.settings import SoilSettings

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

SOURCES = ("lep", "bulk_density", "clay_cec", "clay")
DESCRIBED, BULK_DENSITY, CLAY_CEC, CLAY = range(4)

LOW_FACTOR, HIGH_FACTOR = 0.6, 1.4  # judgement: low and high limits for a value that has none
# Median of (high - low) / 2 / value over 826 survey horizons with LEP >= 3: measured.
BULK_DENSITY_HALF_WIDTH = 0.32
HALF_WIDTH = 6.0**0.5  # a triangle of half-width h has the standard deviation h / sqrt(6), set to a fit's error
CLAY_HALF_WIDTH_PCT = 2.02 * HALF_WIDTH  # error of the line on clay: computed
LARGEST_LEP_PCT = tables.HORIZON.column("lep_pct").high or np.inf  # a value above it counts as missing
LARGE_LEP_PCT = 20.0  # above the largest laboratory value seen, 17.9 (1,572 samples): measured
PEAT_CM = 40.0  # organic soils start at 40 cm (soil taxonomy, from memory): they settle in ways not computed here
DESCRIBED_CM = 100.0  # judgement: the depth that the survey's own shrink-swell rating uses
MIN_ROCK_CM = 30.0  # judgement: where rock is shallower than this, the beams of a slab rest on it

_SPAN_CM = 100_000.0  # more than any depth, to keep components apart in one running maximum


@dataclass(frozen=True)
class SoilLayers:
    """Cleaned layers, sorted by component and depth, contiguous from 0 within a component. Depths in cm."""

    component: NDArray[np.int64]  # row of the component table
    top_cm: Array
    bottom_cm: Array
    lep_low_pct: Array
    lep_pct: Array
    lep_high_pct: Array
    organic: Mask


@dataclass(frozen=True)
class Cleaned:
    """Layers and, per row of the component table, whether they can be used and what was found."""

    layers: SoilLayers
    rated: Mask
    lep_source: NDArray[np.int64]  # index into SOURCES: the least reliable source among the layers
    flags: dict[str, Mask]


def clean(horizon: pd.DataFrame, component: pd.DataFrame, settings: SoilSettings) -> Cleaned:
    """Clean every horizon of a survey.

    Parameters
    ----------
    horizon, component : DataFrame
        `tables.HORIZON` and `tables.COMPONENT`; `horizon_master` and `cec_cmol_kg` are used where the source has them.
    settings : SoilSettings
        Limits for suspicious values.

    Returns
    -------
    Cleaned
        A component is rated when every layer above rock has a value, rock lies deeper than 0.3 m, and the component is
        neither a miscellaneous area nor an organic soil.
    """
    import pandas as pd

    n = len(component)
    owner = pd.Index(component["component_id"]).get_indexer(pd.Index(horizon["component_id"]))
    known = horizon[owner >= 0]
    owner = owner[owner >= 0].astype(np.int64)
    rock = component["rock_depth_cm"].to_numpy(float)
    organic = _organic(known)
    low, value, high, clay, third, dry = (known[c].to_numpy(float) for c in (
        "lep_low_pct", "lep_pct", "lep_high_pct", "clay_pct", "db_third_bar", "db_oven_dry"))
    cec = known["cec_cmol_kg"].to_numpy(float) if "cec_cmol_kg" in known else np.full(len(known), np.nan)
    triple, source, lep_flags = lep_triple(low, value, high, clay, cec, third, dry, organic, settings)
    row, top, bottom, flags = tidy_depths(owner, known["top_cm"].to_numpy(float), known["bottom_cm"].to_numpy(float),
                                          organic, triple[1], np.where(np.isnan(rock), np.inf, rock), n)
    last, flags["lep_missing_below"] = _described_down_to(owner[row], top, bottom, triple[1][row], n)
    row, top, bottom = row[last], top[last], bottom[last]
    layers = SoilLayers(owner[row], top, bottom, triple[0][row], triple[1][row], triple[2][row], organic[row])
    flags |= {name: _any(layers.component[mask[row]], n) for name, mask in lep_flags.items()}
    usable, reasons = _rated(layers, component, n)
    weakest = np.zeros(n, np.int64)
    np.maximum.at(weakest, layers.component, source[row])
    return Cleaned(layers, usable, weakest, flags | reasons)


def _rated(layers: SoilLayers, component: pd.DataFrame, n: int) -> tuple[Mask, dict[str, Mask]]:
    shallow = component["rock_depth_cm"].to_numpy(float) < MIN_ROCK_CM
    miscellaneous = component["component_kind"].fillna("").str.lower().eq("miscellaneous area").to_numpy(bool)
    blank = _any(layers.component[np.isnan(layers.lep_pct)], n)
    described = _any(layers.component, n)
    thickness = np.where(layers.organic, layers.bottom_cm - layers.top_cm, 0.0)
    peat = np.bincount(layers.component, thickness, n) > PEAT_CM
    peat |= described & ~_any(layers.component[~layers.organic], n)
    reasons = {"shallow_rock": shallow & ~miscellaneous & described, "lep_missing": blank & ~miscellaneous,
               "organic_soil": peat & ~miscellaneous}
    return described & ~blank & ~shallow & ~miscellaneous & ~peat, reasons


def _described_down_to(component: NDArray[np.int64], top_cm: Array, bottom_cm: Array, lep_pct: Array,
                       n: int) -> tuple[Mask, Mask]:
    """Return which layers to keep, and which components end where their values end.

    Layers without a value at the bottom are left out if the described part reaches `DESCRIBED_CM`.
    """
    blank = np.isnan(lep_pct)
    reach = np.zeros(n)
    np.maximum.at(reach, component[~blank], bottom_cm[~blank])
    inner = _any(component[blank & (top_cm < reach[component])], n)
    cut = _any(component[blank], n) & ~inner & (reach >= DESCRIBED_CM)
    return ~(blank & cut[component]), cut


def _organic(horizon: pd.DataFrame) -> Mask:
    """Return which horizons are organic surface layers: master O, or a name such as Oi, Oe1, Oa."""
    named = horizon["horizon_name"].fillna("").str.fullmatch(r"\d*O[a-z]*\d*").to_numpy(bool)
    if "horizon_master" not in horizon:
        return named
    return named | horizon["horizon_master"].fillna("").str.strip().eq("O").to_numpy(bool)


def _any(component: NDArray[np.int64], n: int) -> Mask:
    return np.bincount(component, minlength=n) > 0


def _shifted(values: NDArray, before: float) -> NDArray:
    """Return the value one place above each value; `before` for the first."""
    out = np.empty_like(values)
    out[:1] = before
    out[1:] = values[:-1]
    return out


def tidy_depths(owner: NDArray[np.int64], top_cm: Array, bottom_cm: Array, organic: Mask, preference: Array,
                rock_cm: Array, n: int) -> tuple[NDArray[np.int64], Array, Array, dict[str, Mask]]:
    """Sort horizons and make their depths contiguous from 0 down to rock.

    Parameters
    ----------
    owner : array of int, shape (n_horizon,)
        Component of each horizon, 0 to n - 1.
    top_cm, bottom_cm : array, shape (n_horizon,)
        Depths as recorded. [cm]
    organic : array of bool, shape (n_horizon,)
        Organic layers; a gap below one is filled from beneath.
    preference : array, shape (n_horizon,)
        Of two horizons at the same depth (two-part horizons are sometimes recorded twice), the one with the larger
        value is kept.
    rock_cm : array, shape (n,)
        Depth of rock per component, inf where there is none. [cm]

    Returns
    -------
    tuple
        Row of the input for each layer that is kept; its top and bottom [cm]; flags per component.
    """
    top = np.maximum(top_cm, 0.0)
    good = np.isfinite(top) & np.isfinite(bottom_cm) & (bottom_cm > top)
    row = np.flatnonzero(good)
    rank = np.nan_to_num(-preference[row], nan=np.inf)
    row = row[np.lexsort((rank, bottom_cm[row], top[row], owner[row]))]
    c, top, bottom = owner[row], top[row], bottom_cm[row]

    reach = np.maximum.accumulate(bottom + c * _SPAN_CM)
    above = np.maximum(_shifted(reach, -np.inf) - c * _SPAN_CM, 0.0)
    overlap = top < above
    flags = {"horizon_dropped": _any(owner[~good], n), "horizon_overlap": _any(c[overlap], n)}
    top = np.maximum(top, above)
    keep = (bottom > top) & (top < rock_cm[c])
    row, c, top, bottom = row[keep], c[keep], top[keep], np.minimum(bottom[keep], rock_cm[c[keep]])

    first = c != _shifted(c, -1)
    above = np.where(first, 0.0, _shifted(bottom, 0.0))
    gap = top > above
    flags |= {"top_filled": _any(c[gap & first], n), "horizon_gap": _any(c[gap & ~first], n)}
    from_below = gap & (first | _shifted(organic[row], False))
    from_above = np.flatnonzero(gap & ~from_below)
    bottom[from_above - 1] = top[from_above]
    top = np.where(from_below, above, top)
    return row, top, bottom, flags


def lep_triple(low: Array, value: Array, high: Array, clay_pct: Array, cec_cmol_kg: Array, third_bar: Array,
               oven_dry: Array, organic: Mask, settings: SoilSettings) -> tuple[tuple[Array, Array, Array],
                                                                               NDArray[np.int64], dict[str, Mask]]:
    """Return an ordered LEP triple per horizon, where its value comes from, and what was done.

    All arrays have the shape (n_horizon,), LEP and clay in %, exchange capacity in cmol(+)/kg, bulk density in g/cm3;
    missing is nan. A value that nothing supports remains nan.
    """
    triple = np.stack([low, value, high])
    wrong = (triple < 0) | (triple > LARGEST_LEP_PCT)
    low, value, high = np.where(wrong, np.nan, triple)
    middle = np.isnan(value) & np.isfinite(low) & np.isfinite(high)
    value = np.where(middle, (low + high) / 2.0, value)
    density, from_clay = lep_from_bulk_density(third_bar, oven_dry), lep_from_clay(clay_pct)
    from_cec = lep_from_clay_and_cec(clay_pct, cec_cmol_kg)
    use_density = np.isnan(value) & np.isfinite(density) & ~organic
    use_cec = np.isnan(value) & ~use_density & np.isfinite(from_cec) & ~organic
    use_clay = np.isnan(value) & ~use_density & ~use_cec & np.isfinite(from_clay) & ~organic

    low_blank, high_blank = np.isnan(low), np.isnan(high)
    assumed = (low_blank | high_blank) & np.isfinite(value) & ~organic
    low = np.where(low_blank, LOW_FACTOR * value, low)
    high = np.where(high_blank, HIGH_FACTOR * value, high)
    disordered = (low > value) | (value > high)
    low, value, high = np.sort(np.stack([low, value, high]), axis=0)  # nan sorts last: then all three are nan

    for use, estimate, half in ((use_density, density, BULK_DENSITY_HALF_WIDTH * density),
                                (use_cec, from_cec, HALF_WIDTH * standard_error(from_cec)),
                                (use_clay, from_clay, np.full_like(from_clay, CLAY_HALF_WIDTH_PCT))):
        low = np.where(use, np.maximum(estimate - half, 0.0), low)
        value = np.where(use, estimate, value)
        high = np.where(use, estimate + half, high)
    suspicious = (value < settings.suspicious_lep_pct) & (clay_pct > settings.suspicious_clay_pct) & ~organic
    high = np.where(suspicious, np.maximum(high, from_clay), high)

    low, value, high = (np.where(organic, 0.0, v) for v in (low, value, high))
    source = np.select([use_density, use_cec, use_clay], [BULK_DENSITY, CLAY_CEC, CLAY], DESCRIBED).astype(np.int64)
    implausible: Mask = np.logical_or.reduce(wrong)
    flags = {
        "lep_implausible": implausible, "lep_middle_of_limits": middle & ~organic, "lep_limits_assumed": assumed,
        "lep_disordered": disordered & ~organic, "lep_from_bulk_density": use_density,
        "lep_from_clay_cec": use_cec, "lep_from_clay": use_clay, "lep_suspicious": suspicious,
        "lep_above_20": value > LARGE_LEP_PCT,
    }
    return (low, value, high), source, flags
