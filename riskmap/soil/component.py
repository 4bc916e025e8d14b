"""From components to profiles: one profile per distinct column of layers, weights per map unit.

A component without a described profile never counts as zero. It lowers the covered percentage, and the weights are
scaled to 1 over the components that have a profile.
Method: notebooks/method.md, section 2.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from riskmap.common.errors import joined
from riskmap.common.problems import Problem
from riskmap.common.tables import flag_texts, join_flags
from riskmap.soil import shrink_swell
from riskmap.soil.horizon import SOURCES, Cleaned

if TYPE_CHECKING:
    from numpy.typing import NDArray

CM_PER_M = 100.0
SOFT_BEDROCK = ("densic bedrock", "paralithic bedrock")  # clay shale, chalk: may swell itself; the survey gives no LEP


@dataclass(frozen=True)
class Profiles:
    """Distinct profiles in ascending order of mean LEP, and each component's profile (-1 where it has none)."""

    profile: pd.DataFrame  # profile_id, component_name, rock_depth_m, water_table_m, ..., lep_source, flags
    layer: pd.DataFrame  # profile_id, top_m, bottom_m, lep_low_pct, lep_pct, lep_high_pct
    of_component: NDArray[np.int64]


def described(component: pd.DataFrame, cleaned: Cleaned) -> pd.DataFrame:
    """Return per component its mean LEP over 25-100 and 0-150 cm [%] and its rating; nan where it is unrated.

    25-100 cm is counted below an organic surface layer; both windows stop at rock.
    """
    layers, n = cleaned.layers, len(component)
    usable = cleaned.rated[layers.component]
    lep = np.where(usable & ~layers.organic, layers.lep_pct, np.nan)
    surface = _surface_organic_cm(cleaned, n)
    means = {
        name: shrink_swell.window_mean(layers.component, layers.top_cm, layers.bottom_cm, lep, n,
                                       window_top_cm=surface + top, window_bottom_cm=surface + bottom)
        for name, top, bottom in (("lep_25_100_pct", 25.0, 100.0), ("lep_0_150_pct", 0.0, 150.0))
    }
    return pd.DataFrame({**means, "shrink_swell_rating": shrink_swell.rating(means["lep_25_100_pct"])})


def _surface_organic_cm(cleaned: Cleaned, n: int) -> NDArray[np.float64]:
    """Return the depth of the lowest organic layer that reaches the surface with no mineral layer in between."""
    layers = cleaned.layers
    mineral_top = np.full(n, np.inf)
    np.minimum.at(mineral_top, layers.component[~layers.organic], layers.top_cm[~layers.organic])
    return np.where(np.isfinite(mineral_top), mineral_top, 0.0)


def profiles(component: pd.DataFrame, cleaned: Cleaned, mean_lep_pct: NDArray[np.float64]) -> Profiles:
    """Give components with the same layers, rock and water table one profile.

    Parameters
    ----------
    component : DataFrame
        `tables.COMPONENT`.
    cleaned : Cleaned
        Layers of the same components.
    mean_lep_pct : array, shape (n_component,)
        Mean over 0-150 cm. Profiles are numbered in the order of this mean, then of their content. [%]
    """
    layers = cleaned.layers
    inside = cleaned.rated[layers.component]
    owner = layers.component[inside]
    values = np.column_stack([layers.top_cm, layers.bottom_cm, layers.lep_low_pct, layers.lep_pct,
                              layers.lep_high_pct])[inside]
    who = np.flatnonzero(cleaned.rated)
    water = component.get("water_table_all_year_cm", pd.Series(np.nan, component.index))
    depths = np.column_stack([component["rock_depth_cm"], component["water_table_cm"], water]).astype(float)
    depths = np.where(np.isnan(depths), np.inf, depths)
    content = np.column_stack([np.round(np.nan_to_num(mean_lep_pct[who]), 9), depths[who], _wide(owner, values, who)])
    unique, inverse = np.unique(content, axis=0, return_inverse=True)
    of_component = np.full(len(component), -1, np.int64)
    of_component[who] = inverse.ravel()
    first = np.full(len(unique), -1, np.int64)
    first[of_component[who[::-1]]] = who[::-1]  # the component whose layers represent the profile
    chosen = np.isin(owner, first)
    return Profiles(_profile_table(component, cleaned, of_component, depths, first),
                    _layer_table(of_component[owner[chosen]], values[chosen]), of_component)


def _wide(owner: NDArray[np.int64], values: NDArray[np.float64], who: NDArray[np.int64]) -> NDArray[np.float64]:
    """Return one row per component of `who`: its layers side by side, filled with -1."""
    position = np.searchsorted(who, owner)
    start = np.searchsorted(owner, who)
    slot = np.arange(len(owner)) - start[position]
    wide = np.full((len(who), (int(slot.max()) + 1) if len(slot) else 0, values.shape[1]), -1.0)
    wide[position, slot] = values
    return wide.reshape(len(who), wide.shape[1] * wide.shape[2])


def _profile_table(component: pd.DataFrame, cleaned: Cleaned, of_component: NDArray[np.int64],
                   depths_cm: NDArray[np.float64], first: NDArray[np.int64]) -> pd.DataFrame:
    flags = flag_texts(all_flags(component, cleaned))
    rows = pd.DataFrame({"profile_id": of_component, "name": component["component_name"].to_numpy(),
                         "source": cleaned.lep_source, "flags": flags})[of_component >= 0]
    grouped = rows.groupby("profile_id", sort=True)
    return pd.DataFrame({
        "profile_id": np.arange(len(first), dtype=np.int64),
        "component_name": grouped["name"].agg(lambda n: ", ".join(sorted(set(n)))).to_numpy(dtype=object),
        "rock_depth_m": depths_cm[first, 0] / CM_PER_M,
        "water_table_m": depths_cm[first, 1] / CM_PER_M,
        "water_table_all_year_m": depths_cm[first, 2] / CM_PER_M,
        "lep_source": np.array(SOURCES, dtype=object)[grouped["source"].max().to_numpy(dtype=np.int64)],
        "flags": grouped["flags"].agg(join_flags).to_numpy(dtype=object),
    })


def _layer_table(profile_id: NDArray[np.int64], values: NDArray[np.float64]) -> pd.DataFrame:
    order = np.lexsort((values[:, 0], profile_id))
    top, bottom, low, mid, high = values[order].T
    return pd.DataFrame({"profile_id": profile_id[order], "top_m": top / CM_PER_M, "bottom_m": bottom / CM_PER_M,
                         "lep_low_pct": low, "lep_pct": mid, "lep_high_pct": high})


def all_flags(component: pd.DataFrame, cleaned: Cleaned) -> dict[str, NDArray[np.bool_]]:
    """Return every caution as a mask over components."""
    kind = component["rock_kind"].str.lower() if "rock_kind" in component else pd.Series("", component.index)
    return cleaned.flags | {"soft_bedrock_may_swell": kind.isin(SOFT_BEDROCK).to_numpy(bool) & cleaned.rated}


@dataclass(frozen=True)
class MapUnits:
    """Per map unit: summary, profile weights (sum 1 where there is any) and cautions."""

    summary: pd.DataFrame  # mukey, lep_25_100_pct, lep_0_150_pct, shrink_swell_rating, shrink_swell_class, covered_pct
    weight: pd.DataFrame  # mukey, profile_id, weight
    flags: dict[str, NDArray[np.bool_]]  # name -> mask over `summary`


def map_units(map_unit: pd.DataFrame, component: pd.DataFrame, cleaned: Cleaned, means: pd.DataFrame,
              of_component: NDArray[np.int64], problems: list[Problem]) -> MapUnits:
    """Mix components into map units by their representative percentage.

    Percentages that add up to more than 100 are scaled down. What is missing to 100 is unknown ground and lowers
    `covered_pct`. Means are over the components that have a value.
    """
    keys = pd.Index(map_unit["mukey"])
    unit = keys.get_indexer(pd.Index(component["mukey"]))
    pct = np.where(unit >= 0, component["component_pct"].clip(lower=0).fillna(0.0).to_numpy(float), 0.0)
    unit = np.maximum(unit, 0).astype(np.int64)
    n = len(keys)
    total = np.bincount(unit, pct, n)
    odd = np.abs(total - 100.0) > 1e-6
    if odd.any():
        problems.append(Problem("W-SOIL-030", "soil survey, table component", rule=f"percentages of {int(odd.sum())} "
                                f"map units do not sum to 100 ({joined(keys[odd], 4)}).",
                                remedy="See the survey's notes.", action="Sums above 100 are scaled, what is missing "
                                "counts as unknown.", column="comppct_r"))
    pct = pct * 100.0 / np.maximum(total, 100.0)[unit]
    covered = np.bincount(unit, np.where(cleaned.rated, pct, 0.0), n).astype(np.float64)
    summary = pd.DataFrame({"mukey": keys, **{
        name: _mean(unit, np.where(cleaned.rated, pct, 0.0), means[name].to_numpy(float), n)
        for name in ("lep_25_100_pct", "lep_0_150_pct", "shrink_swell_rating")}})
    summary["shrink_swell_class"] = shrink_swell.shrink_swell_class(summary["lep_25_100_pct"].to_numpy(float))
    summary["covered_pct"] = covered
    flags = {name: np.bincount(unit[mask & (pct > 0)], minlength=n) > 0
             for name, mask in all_flags(component, cleaned).items()}
    return MapUnits(summary, _weights(keys, unit, pct, of_component, covered), flags | {"component_pct_not_100": odd})


def _mean(group: NDArray[np.int64], weight: NDArray[np.float64], value: NDArray[np.float64],
          n: int) -> NDArray[np.float64]:
    weight = np.where(np.isfinite(value), weight, 0.0)
    total = np.bincount(group, weight, n)
    mean = np.bincount(group, weight * np.nan_to_num(value), n)
    return np.divide(mean, total, out=np.full(n, np.nan), where=total > 0)


def _weights(keys: pd.Index, unit: NDArray[np.int64], pct: NDArray[np.float64], of_component: NDArray[np.int64],
             covered: NDArray[np.float64]) -> pd.DataFrame:
    inside = (of_component >= 0) & (pct > 0)
    frame = pd.DataFrame({"unit": unit[inside], "profile_id": of_component[inside],
                          "weight": pct[inside] / covered[unit[inside]]})
    mixed = frame.groupby(["unit", "profile_id"], sort=True)["weight"].sum().reset_index()
    return pd.DataFrame({"mukey": keys.to_numpy()[mixed["unit"]], "profile_id": mixed["profile_id"],
                         "weight": mixed["weight"]})
