"""Stage 5: collapse lots to archetypes, and expand archetypes to lots.

In: lots with soil profiles and weights and a climate cell. Out: archetypes (soil mixture, cell, slab width, stiffness,
pour dates), the profiles of each, and each lot's archetype. Lots with the same archetype have the same estimate, so the
physics is computed once for all of them.
Method: notebooks/method.md, section 1.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from riskmap.common.constants import DEEP_RIBS_FROM_MM
from riskmap.movement.stiffness import DEEP_RIBS, RIB_DEPTH, UNKNOWN, stiffness_steps

WEIGHT_DIGITS = 6  # mixtures that agree to a millionth count as one mixture
YOUNG_YEARS = 10  # below this age a known pour month is used, above it only the year (method.md, section 1)


@dataclass(frozen=True)
class Archetypes:
    """What lots share: soil mixture, climate cell, slab width, stiffness and pour dates.

    Attributes
    ----------
    archetype : DataFrame
        One row per archetype: cell_id, half_width_m, half_width_basis, section_mn_m2 (stiffness of the section for the
        given rib depth, in steps; 0 where no depth is given), stiffness_basis (one of `stiffness.BASES`), plan_factor,
        pour_early_month, pour_late_month. It does not contain what the settings make of section and basis.
    archetype_profile : DataFrame
        archetype_id, profile_id, weight (rounded; see `normalised`), ordered by both.
    lot_archetype : int array, shape (n_lot,)
        Archetype of each lot; -1 for a lot without one.
    """

    archetype: pd.DataFrame
    archetype_profile: pd.DataFrame
    lot_archetype: NDArray[np.int64]


def _dense(values: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return the rank of each value among the distinct ones, from 0."""
    return pd.factorize(values, sort=True)[0].astype(np.int64)


def _mixture(lot_profile: pd.DataFrame, lots: int) -> tuple[NDArray[np.int64], pd.DataFrame]:
    """Return a mixture number per lot (-1 without soil) and the profiles and weights of each mixture.

    Mixtures are numbered by content, whichever lots have them.
    """
    part = lot_profile.sort_values(["lot_row", "profile_id"], kind="stable")
    row, profile = part["lot_row"].to_numpy(np.int64), part["profile_id"].to_numpy(np.int64)
    weight = part["weight"].to_numpy(float).round(WEIGHT_DIGITS)
    steps = np.rint(weight * 10**WEIGHT_DIGITS).astype(np.int64)
    pair = _dense(profile * (2 * 10**WEIGHT_DIGITS) + steps)
    pairs = int(pair.max(initial=-1)) + 2
    # the mixture of a lot is the sequence of its (profile, weight) pairs, combined one place at a time into exact
    # numbers
    place = np.arange(row.size) - np.searchsorted(row, row, side="left")
    number = np.zeros(lots, dtype=np.int64)
    for k in range(int(place.max(initial=-1)) + 1):
        here = place == k
        key = np.zeros(lots, dtype=np.int64)
        key[row[here]] = pair[here] + 1
        number = _dense(number * pairs + key)
    number[~np.isin(np.arange(lots), row)] = -1
    used, first = np.unique(number, return_index=True)
    first = first[used >= 0]
    number = np.where(number >= 0, np.searchsorted(used[used >= 0], number), -1)
    member = np.isin(row, first)
    mixtures = pd.DataFrame({"mixture": number[row[member]], "profile_id": profile[member],
                             "weight": weight[member]})  # rounded, so that it is the same whichever lot came first
    return number, mixtures


def collapse(lot: pd.DataFrame, lot_profile: pd.DataFrame, lot_climate: pd.DataFrame, *, today: int) -> Archetypes:
    """Return the archetypes of the lots that have no state, a soil profile and a climate cell.

    Parameters
    ----------
    lot, lot_profile, lot_climate : DataFrame
        `tables.LOT`, `tables.LOT_PROFILE`, `tables.LOT_CLIMATE`.
    today : int
        Number of the present month.
    """
    return _gathered(lot.assign(**_of_slab(lot)), lot_profile, lot_climate, today=today)


def _of_slab(lot: pd.DataFrame) -> dict[str, NDArray[Any]]:
    """Return section_mn_m2 and stiffness_basis of lots; each different depth is computed once."""
    codes, depths = pd.factorize(lot["beam_depth_mm"].to_numpy(float))
    section = np.append(stiffness_steps(np.asarray(depths, dtype=float)), 0.0)[codes]  # code -1 means no depth
    deep = (lot["beam_depth_mm"].to_numpy(float) >= DEEP_RIBS_FROM_MM) & ~lot["post_tensioned"].to_numpy(bool)
    return {"section_mn_m2": section,
            "stiffness_basis": np.select([codes < 0, deep], [UNKNOWN, DEEP_RIBS], RIB_DEPTH).astype(object)}


def _gathered(lot: pd.DataFrame, lot_profile: pd.DataFrame, lot_climate: pd.DataFrame, *, today: int) -> Archetypes:
    """Return what `collapse` does, for lots that have section_mn_m2 and stiffness_basis."""
    mixture, mixtures = _mixture(lot_profile, len(lot))
    early = lot["pour_early_month"].fillna(-1).to_numpy(np.int64)
    late = lot["pour_late_month"].fillna(-1).to_numpy(np.int64)
    old = late < today - 12 * YOUNG_YEARS
    early = np.where(old, early // 12 * 12, early)
    late = np.where(old, late // 12 * 12 + 11, late)
    usable = ((lot["state"] == "") & (lot_climate["cell_id"].to_numpy() != "")).to_numpy() & (mixture >= 0)
    keys = pd.DataFrame({
        "mixture": mixture, "cell_id": lot_climate["cell_id"].to_numpy(),
        "half_width_m": lot["half_width_m"].to_numpy(float), "half_width_basis": lot["half_width_basis"].to_numpy(),
        "section_mn_m2": lot["section_mn_m2"].to_numpy(float), "stiffness_basis": lot["stiffness_basis"].to_numpy(),
        "plan_factor": lot["plan_factor"].to_numpy(float),
        "pour_early_month": early, "pour_late_month": late,
    })[usable]
    names = list(keys.columns)
    number = keys.groupby(names, sort=True, observed=True).ngroup().to_numpy()
    archetype = keys.drop_duplicates().sort_values(names).reset_index(drop=True)
    lot_archetype = np.full(len(lot), -1, dtype=np.int64)
    lot_archetype[usable] = number
    numbered = archetype.reset_index(names="archetype_id")[["archetype_id", "mixture"]]
    archetype_profile = (numbered.merge(mixtures, on="mixture")
                         .sort_values(["archetype_id", "profile_id"], kind="stable").reset_index(drop=True))
    return Archetypes(archetype.drop(columns="mixture"), archetype_profile[["archetype_id", "profile_id", "weight"]],
                      lot_archetype)


def merged(parts: Sequence[Archetypes], *, today: int) -> tuple[Archetypes, list[NDArray[np.int64]]]:
    """Return the archetypes of several parts as `collapse` returns them for all lots at once, but without lots.

    Returns
    -------
    Archetypes, list of int array
        `lot_archetype` is empty; one array per part with the new number of each of its archetypes.
    """
    starts = np.cumsum([0, *(len(part.archetype) for part in parts)])
    archetype = pd.concat([part.archetype for part in parts], ignore_index=True)
    mixture = pd.concat([part.archetype_profile.assign(lot_row=part.archetype_profile["archetype_id"] + start)
                         for part, start in zip(parts, starts[:-1], strict=True)], ignore_index=True)
    whole = _gathered(archetype.assign(state=""), mixture[["lot_row", "profile_id", "weight"]], archetype[["cell_id"]],
                     today=today)
    numbers = [whole.lot_archetype[start:end] for start, end in pairwise(starts)]
    return replace(whole, lot_archetype=np.empty(0, np.int64)), numbers


def normalised(archetype_profile: pd.DataFrame) -> pd.DataFrame:
    """Return the profiles of archetypes with weights that sum to 1 in each."""
    total = archetype_profile.groupby("archetype_id")["weight"].transform("sum")
    return archetype_profile.assign(weight=archetype_profile["weight"] / total)


def expand(values: pd.DataFrame, lot_archetype: NDArray[np.int64]) -> pd.DataFrame:
    """Return one row per lot in lot order, with missing values where a lot has no archetype."""
    return values.reindex(pd.Index(lot_archetype)).reset_index(drop=True)
