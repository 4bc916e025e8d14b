"""Why a lot's estimate differs from the typical lot's: signed contributions that add up.

The typical lot is in the same climate cell: moderate clay (linear extensibility 4.5 % to 1.5 m), a slab poured thirty
years ago, 12 m wide and of typical stiffness, in usual weather (the past year with median ground). Four things can
differ: soil, age, weather up to today, and slab. The estimate is computed with all parameters at their medians for all
sixteen combinations of the lot's and the typical lot's soil, age, weather and slab. Each contribution is the average of
what the thing adds, over every order in which the four could be exchanged (Shapley 1953: it does not depend on the
order, and the parts add up to the difference). The typical lot's own estimate is the median of its model runs, like
that of the lot. In both, that median differs from the run with median parameters. How much more it differs at this lot,
where more is unknown, is the fifth part, gaps. So

    estimate = typical lot + soil + age + weather + slab + gaps        (to rounding; tests/unit, 1e-6)

Gaps are a part, because the sum needs them, but they are not a reason: they come from the width of what is not known.

The long-run bending is explained in the same way. It depends on soil and slab alone (it is that of a grown dome in the
weather of the normal period), so the same runs give its parts, with two factors and four combinations:

    long run = typical lot + soil + slab + gaps

Method: notebooks/method.md, section 11.
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import product
from math import factorial
from typing import TYPE_CHECKING, cast

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from riskmap.common.constants import SIZE_GIVEN

if TYPE_CHECKING:
    from concurrent.futures import Executor

    from riskmap.common.settings import MovementSettings
    from riskmap.movement.driver import Driver
    from riskmap.movement.run_draws import Engine
    from riskmap.movement.stiffness import Stiffness

Array = NDArray[np.float64]

FACTORS = ("soil", "age", "weather", "slab")
LONG_RUN_FACTORS = ("soil", "slab")  # by definition, age and this year's weather do not affect the long run
EXPLAINED = ("expected_movement_mm", "long_run_mm")  # the two columns that are explained, always in this order
REFERENCE_LEP_PCT = 4.5  # midpoint of the soil survey's moderate class, 3-6 %
REFERENCE_DEPTH_M = 1.5
REFERENCE_AGE_YEARS = 30
REFERENCE_HALF_WIDTH_M = 6.0
REFERENCE_MN_M2 = 20.0  # a given rib depth of about half a metre
REFERENCE_WORDS = ("moderate clay (linear extensibility 4.5 % to 1.5 m), poured 30 years ago, slab 12 m wide of "
                   "typical stiffness, usual weather")
WORDS = {  # by sign: the words for the contribution
    "soil": ("more expansive soil", "less expansive soil"),
    "age": ("age and pour date", "age and pour date"),
    "weather": ("weather up to today", "weather up to today"),
    "slab": ("a slab that bends more", "a slab that bends less"),
}
TOLD_MM = 0.5  # smaller contributions round to nothing
UNIT_KEYS = ["usual", "half_width_m", "profile", "stiffness", "early", "late"]


def with_reference(profile: pd.DataFrame, layer: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame, int]:
    """Return the profile tables with the reference soil added, and its number."""
    number = int(profile["profile_id"].max()) + 1 if len(profile) else 0
    one = pd.DataFrame({"profile_id": [number], "rock_depth_m": [np.inf], "water_table_all_year_m": [np.inf]})
    clay = pd.DataFrame({"profile_id": [number], "top_m": [0.0], "bottom_m": [REFERENCE_DEPTH_M],
                         **{name: [REFERENCE_LEP_PCT] for name in ("lep_low_pct", "lep_pct", "lep_high_pct")}})
    return (pd.concat([profile, one], ignore_index=True), pd.concat([layer, clay], ignore_index=True), number)


def middle_scores(unit: pd.DataFrame, middle: Engine, driver: Driver, pool: Executor) -> Array:
    """Return the result of the median model run for each unit, (n_unit, 2), in the order of `EXPLAINED`. [mm]

    The first is the largest bending of the slab if an average year came next, the second the long-run bending.

    unit: columns UNIT_KEYS, unique; `driver` is that of the median model run.
    """
    from riskmap.movement import kernels
    from riskmap.movement.draw_inputs import Units

    out = np.empty((len(unit), len(EXPLAINED)))
    ordered = unit.assign(cap=middle.cap_m[unit["profile"].to_numpy()])
    for key, group in ordered.groupby(["usual", "half_width_m"], sort=True):
        usual, half_width = cast("tuple[bool, float]", key)
        group = group.sort_values(["cap", "profile", "stiffness", "early", "late"])
        units = Units(*(group[name].to_numpy(np.int64, copy=True) for name in Units._fields))
        block = middle.run(driver, units, float(half_width), SIZE_GIVEN, pool, now=driver.usual if usual else None)
        out[group.index.to_numpy()] = block[:, 0, [kernels.NAMED_WORST + 1, kernels.LONG_RUN]] * 1000
    return out


def reference_score(reference: int, engine: Engine, driver: Driver, pool: Executor) -> Array:
    """Return the estimate and the long run of the typical lot of a cell, shape (2,), in the order of `EXPLAINED`. [mm]

    The first is the median over the model runs and their replayed years, the second the median over the model runs.
    """
    from riskmap.movement import kernels
    from riskmap.movement.draw_inputs import Units

    pour = max(driver.usual - 12 * REFERENCE_AGE_YEARS, earliest(driver))
    month = np.array([pour], np.int64)
    unit = Units(profile=np.array([reference], np.int64),
                 stiffness=np.array([engine.stiffnesses.index(reference_stiffness(engine.settings))], np.int64),
                 early=month, late=month)
    block = engine.run(driver, unit, REFERENCE_HALF_WIDTH_M, SIZE_GIVEN, pool, now=driver.usual)
    return 1000 * np.array([np.median(block[0, :, kernels.REPLAY:kernels.REPLAY + kernels.REPLAYS]),
                            np.median(block[0, :, kernels.LONG_RUN])])


def reference_stiffness(settings: MovementSettings) -> Stiffness:
    """Return the stiffness of the typical lot."""
    from riskmap.movement.stiffness import RIB_DEPTH, stiffness_of

    return stiffness_of(RIB_DEPTH, REFERENCE_MN_M2, settings)


def earliest(driver: Driver) -> int:
    """Return the earliest pour position: at most ten repeated years before the record."""
    return driver.record - min(driver.record, 12 * 10)


def shapley_weights(n: int = len(FACTORS)) -> Array:
    """Return weights (n, 2**n): contribution of each of n factors from the values of all combinations of them.

    Method: method.md, section 11.
    The number of a combination has bit f set where factor f is the lot's. For every combination without the factor the
    weight is |S|! (n - |S| - 1)! / n!, minus the same on that combination itself.
    """
    out = np.zeros((n, 2**n))
    for f in range(n):
        for number in range(2**n):
            if not number >> f & 1:
                size = number.bit_count()
                weight = factorial(size) * factorial(n - size - 1) / factorial(n)
                out[f, number | 1 << f] += weight
                out[f, number] -= weight
    return out


def combinations(archetype: pd.DataFrame, parts: pd.DataFrame, driver: Driver, stiffness: int, reference: int) \
        -> pd.DataFrame:
    """Return one row per combination and profile of a cell's archetypes: unit keys, archetype_id, combination, weight.

    Parameters
    ----------
    archetype : DataFrame
        Archetypes of one cell, indexed by archetype_id.
    parts : DataFrame
        archetype_id, profile_id, weight of these archetypes.
    driver : Driver
    stiffness : int
        Position of the typical lot's stiffness among those that the column `stiffness` of the archetypes numbers.
    reference : int
        Profile number of the typical lot's soil.
    """
    first = earliest(driver)
    own = archetype.loc[parts["archetype_id"]].reset_index(drop=True)
    frames = []
    for number, bits in enumerate(product((False, True), repeat=len(FACTORS))):
        slab, weather, age, soil = bits  # first factor is the lowest bit
        base = own if soil else archetype.reset_index(drop=True)
        shift = 0 if weather else driver.now - driver.usual
        now = driver.now - shift
        pour = 12 * REFERENCE_AGE_YEARS
        plan = base["plan_factor"].to_numpy(float) if slab else 1.0
        early = base["pour_early_month"].to_numpy(np.int64) - driver.first_month - shift
        late = base["pour_late_month"].to_numpy(np.int64) - driver.first_month - shift
        frame = pd.DataFrame({
            "usual": not weather,
            "half_width_m": base["half_width_m"].to_numpy() if slab else REFERENCE_HALF_WIDTH_M,
            "profile": parts["profile_id"].to_numpy(np.int64) if soil else reference,
            "stiffness": base["stiffness"].to_numpy(np.int64) if slab else stiffness,
            "early": np.clip(early if age else now - pour, first, now - 1),
            "late": np.clip(late if age else now - pour, first, now - 1),
            "archetype_id": parts["archetype_id"].to_numpy(np.int64) if soil else archetype.index.to_numpy(np.int64),
            "combination": number,
            "weight": (parts["weight"].to_numpy(float) if soil else 1.0) * plan,
        }, index=base.index)
        frames.append(frame)
    return pd.concat(frames, ignore_index=True)


def contributions(archetype: pd.DataFrame, parts: pd.DataFrame, driver: Driver, stiffness: int, reference: int,
                  evaluate: Callable[[pd.DataFrame], Array], score_mm: Array, reference_mm: Array) -> pd.DataFrame:
    """Return the typical lot and the contributions for the archetypes of one cell, in mm.

    Parameters
    ----------
    evaluate : callable
        Takes unique units (columns UNIT_KEYS) and returns the result of the median model run for each, shape (n_unit,
        2), in the order of `EXPLAINED`. [mm]
    score_mm : array, shape (n_archetype, 2)
        What is reported for each archetype, in the order of `EXPLAINED`.
    reference_mm : array, shape (2,)
        Values of the typical lot, from `reference_score`.

    Returns
    -------
    DataFrame
        typical_lot_mm, part_<factor>_mm and part_gaps_mm, whose row sum is the estimate, and long_run_typical_mm,
        long_run_part_<factor>_mm and long_run_part_gaps_mm, whose row sum is the long run; indexed like `archetype`.
    """
    rows = combinations(archetype, parts, driver, stiffness, reference)
    unit = rows[UNIT_KEYS].drop_duplicates().sort_values(UNIT_KEYS).reset_index(drop=True)
    value = evaluate(unit)
    number = rows[UNIT_KEYS].merge(unit.assign(place=np.arange(len(unit))), on=UNIT_KEYS, how="left")["place"]
    place = np.searchsorted(archetype.index.to_numpy(), rows["archetype_id"].to_numpy())
    total = np.zeros((len(archetype), 2 ** len(FACTORS), len(EXPLAINED)))
    np.add.at(total, (place, rows["combination"].to_numpy()),
              value[number.to_numpy()] * rows["weight"].to_numpy()[:, None])
    own = [1 << FACTORS.index(name) for name in LONG_RUN_FACTORS]
    # what is left out of the long run does not change it: only these four of the sixteen combinations can differ
    four = [sum(bit for k, bit in enumerate(own) if c >> k & 1) for c in range(2 ** len(own))]
    return pd.concat([_parts("", "typical_lot_mm", FACTORS, total[:, :, 0], score_mm[:, 0], reference_mm[0]),
                      _parts("long_run_", "long_run_typical_mm", LONG_RUN_FACTORS, total[:, four, 1], score_mm[:, 1],
                             reference_mm[1])], axis=1).set_axis(archetype.index)


def _parts(before: str, typical: str, factors: tuple[str, ...], total: Array, score_mm: Array, reference_mm: float) \
        -> pd.DataFrame:
    """Return the typical lot and the parts of one column, from the values (n_archetype, 2**n) of all combinations."""
    # row by row, so that other rows never change a digit
    parts_mm = (total[:, None, :] * shapley_weights(len(factors))[None]).sum(axis=2)
    out = pd.DataFrame(parts_mm, columns=[f"{before}part_{name}_mm" for name in factors])
    out.insert(0, typical, reference_mm)
    out[f"{before}part_gaps_mm"] = (score_mm - total[:, -1]) - (reference_mm - total[:, 0])
    return out


def sentences(table: pd.DataFrame) -> list[str]:
    """Return one or two plain sentences per archetype in mm, from the numbers of the table as they are rounded there.

    table: expected_movement_mm, its range, direction, typical_lot_mm and reason_1..3 with their millimetres.
    """
    out = []
    names = ["expected_movement_mm", "expected_movement_mm_p10", "expected_movement_mm_p90", "typical_lot_mm",
             *(f"reason_{n}{part}" for n in (1, 2, 3) for part in ("", "_mm"))]
    for middle, low, high, typical, *reasons in table[names].itertuples(index=False):
        largest = [f"{word} {size:+.0f} mm" for word, size in zip(reasons[::2], reasons[1::2], strict=True)
                if abs(size) >= TOLD_MM]
        why = f" Reasons: {', '.join(largest)}." if largest else " It differs little from it."
        out.append(f"Expected movement {middle:.0f} mm, range {low:.0f} to {high:.0f}; the typical lot here has "
                   f"{typical:.0f} mm.{why}")
    return out


def ranked(frame: pd.DataFrame) -> pd.DataFrame:
    """Return reason_1..3 in words and reason_1..3_mm, largest size first; equal sizes keep the order of the factors.

    Gaps are not a reason and are left out.
    """
    values = frame[[f"part_{name}_mm" for name in FACTORS]].to_numpy(float)
    order = np.argsort(-np.abs(values.round(6)), axis=1, kind="stable")[:, :3]
    words = np.array([WORDS[name] for name in FACTORS], dtype=object)
    picked = np.take_along_axis(values, order, axis=1)
    out = {}
    for rank in range(3):
        out[f"reason_{rank + 1}"] = words[order[:, rank], (picked[:, rank] < 0).astype(int)]
        out[f"reason_{rank + 1}_mm"] = picked[:, rank]
    return pd.DataFrame(out, index=frame.index)
