"""What surveys of bending, and changes between two dates, can tell about size: the figures of method.md, section 13.

    python tests/calibration_study.py OUTPUTS

OUTPUTS is the folder of a finished run with 200 model runs, such as that of the fixture `calibration_run` (75 lots of
the example). Everything is invented: houses that bend 1.4 times as much as modelled, on the soils and in the weather of
the example; see `trials.of_known_factor`. Some minutes.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from riskmap.answers.calibration import fitting, invented_surveys, physical, predict, trials
from riskmap.common.month_numbers import month_name, parse_month
from riskmap.common.results import Results
from riskmap.movement import draws as random
from riskmap.run import folder, record

FACTOR, SEEDS, NOISE_SEEDS = 1.4, 20, 30
STEP_MONTHS, FARTHEST_MONTHS = 3, 60


def towns(results: Results, pairs: list[tuple[int, int]]) -> tuple[trials.Town, list[trials.Town]]:
    """Return the houses of a run with one survey of their bending, and for each pair of months with one change."""
    assert results.inputs is not None
    area = record.area_of(results)
    draws = random.make(area.movement)
    rows = invented_surveys.rows(results)
    one, change = (rows[rows["kind"] == kind].reset_index(drop=True) for kind in ("single", "change"))
    table = pd.concat([one, *(change.assign(first_month=a, second_month=b) for a, b in pairs)], ignore_index=True)
    expected = predict.smooth(*predict.of_rows(table, results.inputs, area, draws), draws)
    made = []
    for k in range(len(pairs) + 1):
        part = np.arange(k * len(one), (k + 1) * len(one))
        empty = np.zeros((len(one), 0, trials.VARIANTS))
        made.append(trials.Town(table.iloc[part].reset_index(drop=True), draws, draws, expected.rows(part), empty))
    return made[0], made[1:]


def medians(town: trials.Town) -> NDArray[np.float64]:
    """Return the model's medians, shape (n_row,). [mm]"""
    return physical.ranges(town.expected, physical.even(town.draws.count))[0]


def of_pairs(dome: trials.Town, changes: list[trials.Town]) -> pd.DataFrame:
    """Return for each pair of months what it holds: its size, the range of its factor, and how it follows the bending.

    Columns: first, second, months; size_mm, root mean square of the medians; half_range, half of the 80 % range of the
    factor of 60 such houses by reading error and scatter alone; correlation over the model runs of the mean change with
    the factor of the bending.
    """
    modelled = medians(dome)
    of_bending = modelled @ dome.expected.common
    out = []
    for town in changes:
        middle, first, second = medians(town), int(town.table["first_month"][0]), int(town.table["second_month"][0])
        noise = np.hypot(trials.CHANGE_SD_MM, town.expected.scatter)
        per_house = float(((middle / noise) ** 2).mean())
        out.append({"first": month_name(first), "second": month_name(second), "months": second - first,
                    "size_mm": float(np.sqrt((middle**2).mean())),
                    "half_range": 1.2816 / np.sqrt(60 * per_house),
                    "correlation": float(np.corrcoef(town.expected.common.mean(axis=0), of_bending)[0, 1])})
    return pd.DataFrame(out)


def told(name: str, table: pd.DataFrame) -> list[str]:
    """Return a line for each factor of a study."""
    return [f"{name}, {of}: {len(g)} surveys, calibration on in {int(g['on'].sum())}; factor mean "
            f"{g['factor'].mean():.2f}, from {g['factor'].min():.2f} to {g['factor'].max():.2f}; mean range "
            f"{g['low'].mean():.2f} to {g['high'].mean():.2f}; {FACTOR} inside in "
            f"{int(((g['low'] <= FACTOR) & (g['high'] >= FACTOR)).sum())}; calibrated figures "
            f"{g['calibrated'].mean():.2f} times as modelled" for of, g in table.groupby("of")]


def main(outputs: Path) -> None:
    """Print the study."""
    results = record.read(folder.find("latest", outputs))
    now = parse_month(results.today)
    back = range(2, FARTHEST_MONTHS + 1, STEP_MONTHS)
    pairs = [(now - a, now - b) for a in back for b in range(2, a, STEP_MONTHS)]
    dome, changes = towns(results, pairs)
    print("\n".join(told("bending", trials.factor_study(dome, FACTOR, SEEDS))), flush=True)
    held = of_pairs(dome, changes)
    season = held[held["months"] < 12]
    print(held.sort_values("half_range").head(8).round(2).to_string())
    print(f"{len(held)} pairs of months: median half range {held['half_range'].median():.2f}; correlation with the "
          f"bending median {season['correlation'].median():.2f} within a year, "
          f"{held.loc[held['months'] >= 24, 'correlation'].median():.2f} over two years and more, largest "
          f"{held['correlation'].max():.2f}")
    whole_years = held[held["months"] % 12 == 0]
    print(f"same month of the year: median half range {whole_years['half_range'].median():.2f}" if len(whole_years) else
          "no pair of one month of the year among them")
    for name, k in (("within a year", season["half_range"].idxmin()), ("longer", held["half_range"].idxmin()),
                    ("usual", (held["half_range"] - held["half_range"].median()).abs().idxmin())):
        pair = held.loc[k]
        found = trials.factor_study(changes[k], FACTOR, SEEDS, dome.expected)
        print("\n".join(told(f"change {pair['first']} to {pair['second']} ({name})", found)), flush=True)
    for name, town in (("bending", dome), ("change", changes[int(held["half_range"].idxmin())])):
        noise = town.rows(np.zeros(len(town.table))).noise_mm
        values = [np.random.default_rng(seed).normal(size=noise.size) * noise for seed in range(NOISE_SEEDS)]
        on = sum(fitting.fit(replace(town.survey(v)), with_sources=False).physical.on for v in values)
        print(f"noise only, {name}: refused in {NOISE_SEEDS - on} of {NOISE_SEEDS}", flush=True)


if __name__ == "__main__":
    main(Path(sys.argv[1]))
