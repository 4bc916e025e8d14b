"""What 64, 128 and 200 model runs cost in accuracy, with today's draws and with Sobol points: a study, not a test.

    python tests/draws_study.py [SEEDS]

Twelve invented archetypes (soil from sandy to heavy clay, age from half a year to 40 years, a mixture, rock at 1.5 m,
known and unknown slabs) are computed for every reported quantity with each kind of draws, each number of model runs
and each seed. An error is the root mean square, over seeds and archetypes, of the difference from the reference: the
mean of several large sets of today's draws. The product draws as `riskmap.movement.draws.stratified` says; only this
study exchanges it. Some minutes; figures in notebooks/speed.md.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from itertools import product
from unittest import mock

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.stats import qmc

from riskmap.common.constants import SIZE_GIVEN, SIZE_UNKNOWN
from riskmap.common.settings import ClimateSettings, MovementSettings, SoilSettings
from riskmap.common.weather import ClimateHistory
from riskmap.movement import draws, simulation
from riskmap.movement.stiffness import RIB_DEPTH, UNKNOWN

Array = NDArray[np.float64]
Sample = Callable[[int, int], dict[str, Array]]

COUNTS, SEEDS = (64, 128, 200), 40
LARGE, LARGE_SETS = 2000, 8  # the reference: 80 times as many model runs as 200, so about a ninth of their error
FIRST_SEED = 1000  # other seeds than those of the large sets
YEARS = 60
TODAY = 12 * 2025 + 9
TOLD = {  # heading -> columns, unit of the error
    "expected movement, mm": ("expected_movement_mm_p10", "expected_movement_mm", "expected_movement_mm_p90"),
    "bending now, mm": ("bend_now_mm_p10", "bend_now_mm", "bend_now_mm_p90"),
    "long run, mm": ("long_run_mm_p10", "long_run_mm", "long_run_mm_p90"),
    "change in the next year, mm": ("change_next_mm_p10", "change_next_mm", "change_next_mm_p90"),
    "rise in the next year, mm": ("rise_next_mm_p10", "rise_next_mm", "rise_next_mm_p90"),
    "fall in the next year, mm": ("fall_next_mm_p10", "fall_next_mm", "fall_next_mm_p90"),
    "edge gap now, mm": ("edge_gap_now_mm_p10", "edge_gap_now_mm", "edge_gap_now_mm_p90"),
    "a dry year, mm": ("whatif_dry_mm_p10", "whatif_dry_mm", "whatif_dry_mm_p90"),
    "an average year, mm": ("whatif_average_mm_p10", "whatif_average_mm", "whatif_average_mm_p90"),
    "a wet year, mm": ("whatif_wet_mm_p10", "whatif_wet_mm", "whatif_wet_mm_p90"),
    "medians, mm": ("seasonal_range_mm", "bend_largest_up_mm", "bend_largest_down_mm", "soil_differential_now_mm",
                    "edge_now_mm", "middle_now_mm", "settlement_mm"),
    "tilt, % (median, 90th percentile; leak, watering, tree)":
        ("tilt_now_pct", "tilt_now_pct_p90", "tilt_leak_pct", "tilt_watering_pct", "tilt_tree_pct"),
    "shares of model runs, 0 to 1": ("share_beyond_10mm", "share_beyond_20mm", "share_beyond_35mm", "share_beyond_l360",
                                     "share_beyond_1pct_tilt", "phase_probability"),
}


def sobol(count: int, seed: int) -> dict[str, Array]:
    """Return scrambled Sobol points, each moved to the middle of its slice of probability, as `draws.stratified`."""
    points = qmc.Sobol(len(draws.PARAMETERS), scramble=True, rng=np.random.default_rng(seed)).random(count)
    return middles(points)


def middles(points: Array) -> dict[str, Array]:
    """Return the middles of the slices of probability in the order of some points (n, n_parameter)."""
    ranks = points.argsort(axis=0, kind="stable").argsort(axis=0, kind="stable")
    return dict(zip(draws.PARAMETERS, ((ranks + 0.5) / len(points)).T.copy(), strict=True))


def latin_middles(count: int, seed: int) -> dict[str, Array]:
    """Return today's draws, each moved to the middle of its slice: what the middles alone change."""
    return middles(np.column_stack(list(TODAYS(count, seed).values())))


TODAYS = draws.stratified
KINDS: dict[str, Sample] = {"today": TODAYS, "today at middles": latin_middles, "Sobol at middles": sobol}


def weather() -> ClimateHistory:
    """Return an invented climate with dry summers, from which a part of the months is dry or wet by chance."""
    rng, months = np.random.default_rng(2), 12 * YEARS
    month = (TODAY - np.arange(months)[::-1]) % 12
    rain = np.maximum(0, 75 + 18 * np.cos((month - 4) * np.pi / 6) + rng.gamma(2, 25, months) - 50)
    temperature = 18 - 11 * np.cos((month - 0.5) * np.pi / 6)
    return ClimateHistory(("a",), TODAY - months + 1, rain[None], (70 - 62 * np.cos((month - 0.5) * np.pi / 6))[None],
                          np.full((1, months), np.nan), np.ones((1, months), np.int8), ("",), np.array([5.0]),
                          temperature[None], np.array([32.0]))


def ground() -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Return twelve archetypes and their profiles, the profiles and their layers."""
    lep = np.array([2.0, 4.5, 7.5, 12.0, 7.5])
    profile = pd.DataFrame({"profile_id": range(5), "rock_depth_m": [np.inf, np.inf, np.inf, np.inf, 1.5],
                            "water_table_all_year_m": np.inf})
    layer = pd.concat([pd.DataFrame({"profile_id": range(5), "top_m": top, "bottom_m": bottom,
                                     "lep_low_pct": 0.6 * share * lep, "lep_pct": share * lep,
                                     "lep_high_pct": 1.4 * share * lep})
                       for top, bottom, share in ((0.0, 0.3, 0.6), (0.3, 0.9, 1.0), (0.9, 1.6, 0.8))])
    ages, rows, parts = (6, 36, 120, 480), [], []
    for number, (soil, age) in enumerate([*product((1, 2, 3), ages[:2]), *product((0, 2, 3), ages[3:]), (2, ages[2]),
                                          (4, ages[3]), (3, ages[2])]):
        known = number % 2 == 0
        rows.append({"cell_id": "a", "half_width_m": 6.0 if number % 3 else 5.0,
                     "half_width_basis": SIZE_GIVEN if known else SIZE_UNKNOWN,
                     "section_mn_m2": 18.0 if known else 0.0, "stiffness_basis": RIB_DEPTH if known else UNKNOWN,
                     "plan_factor": 1.0, "pour_early_month": TODAY - age - (0 if known else 5),
                     "pour_late_month": TODAY - age})
        shares = ((soil, 0.6), (1, 0.4)) if number == 11 else ((soil, 1.0),)
        parts += [{"archetype_id": number, "profile_id": one, "weight": weight} for one, weight in sorted(shares)]
    return pd.DataFrame(rows), pd.DataFrame(parts), profile, layer


def computed(sample: Sample, count: int, seed: int) -> Array:
    """Return every quantity of every archetype, shape (n_archetype, n_quantity)."""
    settings = MovementSettings(draws=count, seed=seed)
    with mock.patch.object(draws, "stratified", sample):
        found = simulation.simulate(*ground(), weather(), movement=settings, climate=ClimateSettings(),
                                    soil=SoilSettings(), workers=1)
    return found.archetype[[name for names in TOLD.values() for name in names]].to_numpy(float)


def errors(seeds: int) -> dict[tuple[str, int], Array]:
    """Return the error of every quantity by kind of draws and number of model runs."""
    truth = np.mean([computed(TODAYS, LARGE, seed) for seed in range(LARGE_SETS)], axis=0)
    out = {}
    for (kind, sample), count in product(KINDS.items(), COUNTS):
        found = np.array([computed(sample, count, FIRST_SEED + seed) for seed in range(seeds)])
        out[kind, count] = np.sqrt(np.square(found - truth).mean(axis=(0, 1)))
        sys.stderr.write(f"{kind}, {count} model runs: done\n")
    return out


def main(seeds: int) -> None:
    """Print the table."""
    found = errors(seeds)
    heads = [f"{kind}, {count}" for kind, count in found]
    print(f"| {seeds} seeds | " + " | ".join(heads) + " |")
    print("|---" * (len(heads) + 1) + "|")
    place = 0
    for heading, names in TOLD.items():
        digits = 2 if heading.endswith("mm") else 4
        print(f"| **{heading}** |" + " |" * len(heads))
        for name in names:
            print(f"| `{name}` | " + " | ".join(f"{error[place]:.{digits}f}" for error in found.values()) + " |")
            place += 1
    usual = found["today", COUNTS[-1]]
    told = usual > 0  # a quantity without any error in today's draws is zero in all of these archetypes
    for (kind, count), error in found.items():
        ratio = error[told] / usual[told]
        print(f"{kind}, {count}: error over that of today's {COUNTS[-1]}: median {np.median(ratio):.2f}, largest "
              f"{ratio.max():.2f}; larger in {(ratio > 1).sum()} of {told.sum()} quantities")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else SEEDS)
