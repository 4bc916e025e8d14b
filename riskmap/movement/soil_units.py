"""Layers of the profiles as arrays, and the soil units that the kernels compute.

Method: notebooks/method.md, section 4.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from riskmap.common.settings import MovementSettings, SoilSettings
from riskmap.movement.draw_inputs import Layers, Units

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from riskmap.movement.driver import Driver
    from riskmap.movement.stiffness import Stiffness

# active depth that rock or a lasting water table limits: its lower limit, and its step
SHALLOWEST_M, CAP_STEP_M = 0.75, 0.25
DEEPEST_M = 1000.0


def layer_arrays(profile: pd.DataFrame, layer: pd.DataFrame, soil: SoilSettings) -> Layers:
    """Return the layers of every profile down to any depth as arrays (n_profile, n_layer).

    The deepest horizon is extended down to at most 2 m, and below that with half its value; nothing counts below rock
    (method.md, section 2).
    """
    part = layer.sort_values(["profile_id", "top_m"], kind="stable").reset_index(drop=True)
    number = part["profile_id"].to_numpy(np.int64)
    last = ~pd.Series(number).duplicated(keep="last").to_numpy()
    extend = soil.extend_to_cm / 100
    part["factor"] = 1.0
    part.loc[last, "bottom_m"] = part.loc[last, "bottom_m"].clip(lower=extend)
    below = part[last].copy()
    below["top_m"], below["bottom_m"], below["factor"] = below["bottom_m"], DEEPEST_M, soil.below_profile_factor
    part = pd.concat([part, below]).sort_values(["profile_id", "top_m"], kind="stable")
    number = part["profile_id"].to_numpy(np.int64)
    rock = profile.set_index("profile_id")["rock_depth_m"].reindex(number).fillna(np.inf).to_numpy()
    for name in ("top_m", "bottom_m"):
        part[name] = np.minimum(part[name].to_numpy(), rock)
    place = part.groupby("profile_id").cumcount().to_numpy()
    shape = (int(profile["profile_id"].max()) + 1, int(place.max()) + 1)
    arrays = []
    for name in ("top_m", "bottom_m", "lep_low_pct", "lep_pct", "lep_high_pct", "factor"):
        out = np.zeros(shape)
        out[number, place] = part[name].to_numpy(float)
        arrays.append(out)
    return Layers(*arrays)


def depth_caps(profile: pd.DataFrame) -> NDArray[np.float64]:
    """Return how much of the active depth rock or a lasting water table leaves, by profile number. [m]

    The active depth is cut at the water table and at rock (method.md, section 5.4). A water table that exists only in
    the wet season does not count, because the ground above its yearly low dries. The result is `inf` where nothing
    limits the depth.
    """
    cap = profile["rock_depth_m"].fillna(np.inf).to_numpy(float)
    if "water_table_all_year_m" in profile:
        cap = np.minimum(cap, profile["water_table_all_year_m"].fillna(np.inf).to_numpy(float))
    out = np.full(int(profile["profile_id"].max()) + 1, np.inf)
    steps = np.maximum(cap, SHALLOWEST_M) / CAP_STEP_M
    out[profile["profile_id"].to_numpy(np.int64)] = np.where(np.isfinite(steps), np.round(steps) * CAP_STEP_M, np.inf)
    return out


def with_stiffness(archetype: pd.DataFrame, settings: MovementSettings, *others: Stiffness) \
        -> tuple[pd.DataFrame, list[Stiffness]]:
    """Return archetypes with a column `stiffness`, and the stiffnesses that it numbers: all different ones, sorted."""
    from riskmap.movement.stiffness import stiffness_of

    pairs = archetype[["stiffness_basis", "section_mn_m2"]]
    of_pair = {(basis, section): stiffness_of(basis, section, settings)
               for basis, section in pairs.drop_duplicates().itertuples(index=False)}
    ordered = sorted({*of_pair.values(), *others})
    place = {pair: ordered.index(found) for pair, found in of_pair.items()}
    numbers = np.array([place[pair] for pair in pairs.itertuples(index=False, name=None)], dtype=np.int64)
    return archetype.assign(stiffness=numbers), ordered


def units_of(archetype: pd.DataFrame, parts: pd.DataFrame, driver: Driver,
             cap_m: NDArray[np.float64]) -> tuple[Units, NDArray[np.int64]]:
    """Return the unique (depth cap, profile, stiffness, pour dates) of a group and the unit of each part."""
    from riskmap.movement import reasons

    first = reasons.earliest(driver)
    row = archetype.index.get_indexer(parts["archetype_id"])
    early, late = (np.clip(archetype[name].to_numpy(np.int64)[row] - driver.first_month, first, driver.now - 1)
                   for name in ("pour_early_month", "pour_late_month"))
    profile = parts["profile_id"].to_numpy(np.int64)
    columns = {"cap_m": cap_m[profile], "profile": profile, "stiffness": archetype["stiffness"].to_numpy(np.int64)[row],
               "early": early, "late": late}
    order = np.lexsort(list(columns.values())[::-1])  # units of one depth cap follow each other
    begins = np.ones(len(order), dtype=bool)
    begins[1:] = np.any([values[order[1:]] != values[order[:-1]] for values in columns.values()], axis=0)
    number = np.empty(len(order), np.int64)
    number[order] = np.cumsum(begins) - 1
    return Units(*(columns[name][order[begins]] for name in Units._fields)), number
