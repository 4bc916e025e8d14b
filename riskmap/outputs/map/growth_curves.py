"""The ground since the pour for the map: each distinct curve once, and which lot has which.

`record/growth.parquet` has one model run with every parameter at its median for each archetype: the ground alone,
without the slab. Archetypes that differ by the slab only have one curve. A lot whose pour date is not known has none:
the run had to assume a date somewhere in many years, and the curve would show that assumption.
The words are defined only in `SENTENCES`; the page fills them in its own unit (`assets/shared/growth.js`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from riskmap.common.results import Results

MOST_ARCHETYPES = 5000  # of a run whose map contains curves (judgement: some 240 kB, at 48 bytes a curve)
STEP_MM = 0.1  # as in the record, so that nothing is lost
POUR_SHARE = 0.5  # that model run takes the pour in the middle of its window; kept equal to `movement.draws` by a test

SENTENCES = {
    "heading": "Ground (not the slab) since the pour", "middle": "middle", "edge": "edge", "today": "today",
    "us": "Inches above the pour", "si": "Millimetres above the pour",
    "rose": "From the pour to December {year} the middle of the ground rose {size}; it had reached 90 % of that by "
            "December {by}.",
    "rose_before": "From the pour to December {year} the middle of the ground rose {size}; it had reached 90 % of that "
                   "by December {by} or earlier.",
    "fell": "From the pour to December {year} the middle of the ground fell {size}.",
    "level": "In December {year} the middle of the ground was as high as at the pour.",
    "edge_then": "In December {year} the edge was {height}, compared with the pour.",
    "higher": "{size} higher", "lower": "{size} lower", "as_high": "at the same height",
    "now": "Compared with the pour, the middle is now {middle} and the edge {edge} (circles: the median of all model "
           "runs).",
    "method": "The lines are one model run with every unknown at its median, each December, for the ground "
              "alone, without the slab. One run is not the median of all runs: it shows when the ground moved better "
              "than how much.",
    "taken": "The run takes {month} as the month of the pour.",
    "begins": "The lines begin in December {year}; this run does not contain earlier years.",
    "no_estimate": "No curve is drawn, because this lot has no estimate.",
    "not_yet_poured": "No curve is drawn, because the slab is not poured yet.",
    "pour_unknown": "No curve is drawn, because the pour date is not known.",
    "no_december": "No curve is drawn yet, because no December has passed since the pour.",
    "not_in_run": "No curve is drawn, because an earlier version of riskmap made this run without it. Estimate the "
                  "area again.",
    "too_many": "No curve is drawn: this run has {count} combinations of soil, slab, weather and pour date, and a map "
                "contains curves for at most {most}.",
}

Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Curves:
    """The distinct curves of a run, in the order of its archetypes.

    Attributes
    ----------
    lot : int array, shape (n_lot,)
        Curve of each lot, -1 for none.
    pour : int array, shape (n_curve,)
        Month that the run takes as that of the pour, 12 * year + month - 1.
    first, years : int arrays, shape (n_curve,)
        Year of the first December, and number of Decembers.
    middle, edge : int arrays, shape (sum of years,)
        Curve by curve: movement of the ground since the pour, up positive, in steps of `STEP_MM`.
    """

    lot: Ints
    pour: Ints
    first: Ints
    years: Ints
    middle: Ints
    edge: Ints


def absent(results: Results) -> str:
    """Return why a map of this run has no curves, as a sentence; empty when it has them."""
    if results.growth is None or results.inputs is None:
        return SENTENCES["not_in_run"]
    count = results.growth["archetype"].nunique()
    if count > MOST_ARCHETYPES:
        return SENTENCES["too_many"].format(count=f"{count:,}", most=f"{MOST_ARCHETYPES:,}")
    return ""


def curves(results: Results) -> Curves | None:
    """Return the curves of the lots that have an estimate and a known pour date; None where the map has none.

    Raises
    ------
    ValueError
        When the run's archetypes are of another number of lots, or the Decembers of an archetype have a gap.
    """
    if results.growth is None or results.inputs is None or absent(results):
        return None
    archetype = np.asarray(results.inputs.lot_archetype, np.int64)
    if len(archetype) != len(results.lots):
        raise ValueError(f"the run has archetypes of {len(archetype)} lots, and {len(results.lots)} lots")
    shown = (archetype >= 0) & (results.lots["state"] == "").to_numpy(bool)
    shown &= (results.lots["pour_date_basis"] != "none").to_numpy(bool)
    table = results.growth[results.growth["archetype"].isin(archetype[shown])].sort_values(["archetype", "year"])
    owner, start, years = np.unique(table["archetype"].to_numpy(np.int64), return_index=True, return_counts=True)
    place = np.arange(len(table)) - np.repeat(start, years)
    year = table["year"].to_numpy(np.int64)
    if (year != np.repeat(year[start], years) + place).any():
        raise ValueError("the Decembers of an archetype have a gap")
    row = np.repeat(np.arange(len(owner)), years)
    steps = np.zeros((len(owner), 2, int(years.max(initial=0))), np.int64)
    for k, column in enumerate(("middle_mm", "edge_mm")):
        steps[row, k, place] = np.rint(table[column].to_numpy(float) / STEP_MM)
    given = results.inputs.archetype
    early, late = (given[name].to_numpy(np.int64)[owner] for name in ("pour_early_month", "pour_late_month"))
    pour = np.minimum(early + (POUR_SHARE * (late - early + 1)).astype(np.int64), late)
    every = np.column_stack([pour, year[start], years, steps[:, 0], steps[:, 1]])
    _, kept, same = np.unique(every, axis=0, return_index=True, return_inverse=True)
    order = np.argsort(kept)  # as the archetypes come, of which neighbours are alike
    number = np.empty_like(order)
    number[order] = np.arange(len(order))
    kept = kept[order]
    of_archetype = np.full(len(given) + 1, -1, np.int64)  # the last answers for -1
    of_archetype[owner] = number[same.reshape(-1)]
    present = np.arange(steps.shape[2]) < years[kept, None]
    return Curves(np.where(shown, of_archetype[archetype], -1), pour[kept], year[start][kept], years[kept],
                  steps[kept, 0][present], steps[kept, 1][present])


def differences(values: Ints, years: Ints) -> Ints:
    """Return each value less the one before it in its curve; the first of a curve as it is."""
    first = np.cumsum(years) - years
    made = np.diff(values, prepend=0)
    made[first] = values[first]
    return made
