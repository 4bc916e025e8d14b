"""What changed between two runs, lot by lot, and why: parts that add up to the change.

The estimates are compared in the order of the questions: how the slab bends today, how it moves within a year, how
large the bending gets, and how the lot behaves whatever the weather. `exchanged` separates the causes; `change_words`
writes the sentences.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from riskmap.answers import change_words
from riskmap.answers.compared_weeks import week_line, weekly_maps
from riskmap.answers.exchanged import CAUSES, NUMBERS, Steps, month_of, part_columns, parts, what_differs
from riskmap.common import month_numbers
from riskmap.common.errors import LayerError, visible
from riskmap.outputs.map.change_layer import ChangeSince
from riskmap.run import store

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from riskmap.common.results import Results

__all__ = ["CAUSES", "NUMBERS", "Change", "compare", "part_columns", "since", "week_line", "weekly_maps"]

NOTABLE_MM = 2.0  # a change smaller than what is shown (2 mm, 0.1 in) does not count as moved


@dataclass(frozen=True)
class Change:
    """What changed.

    Attributes
    ----------
    lots : DataFrame
        One row per lot of either run; those of run B come first, in B's order: lot_id, kind (`changed`, `same`, `new`,
        `gone`, `state_changed`), state_before, state_after, for each of `NUMBERS` its column with `_before`, `_after`
        and `_change` (signed) and its parts `<number>_part_<cause>_mm`, which add up to that change; the soil of the
        lot; and `why`, at most two lines. [mm] Only rows with an estimate in both runs have changes and parts.
    counts : dict
        Number of lots by kind, that moved, and that passed a limit; means and ranges of every estimate and cause
        (`change_words.summary`).
    notes : tuple of str
        What limits the split into causes.
    weeks : dict
        Valid dates of weekly maps: `new`, `gone`, `reissued` (same date, other content), `missing_now` (no map seven
        days after another, inside B's span).
    weather : str
        Name of the months that only B has.
    runs : dict
        `before` and `after`: name and month of both runs, where they have folders.
    units : str
        `us` or `si`: the units of `lines`; the table is in mm.
    """

    lots: pd.DataFrame
    counts: dict[str, Any]
    notes: tuple[str, ...]
    weeks: dict[str, list[str]]
    weather: str = "The weather"
    runs: dict[str, str] = field(default_factory=dict)
    units: str = "us"

    @property
    def same(self) -> bool:
        """Whether nothing changed."""
        return bool(self.counts["same"] == len(self.lots))

    @property
    def lead(self) -> str:
        """The one sentence that says most."""
        return change_words.lead(self.lots, self.counts, self.weather, self.units)

    @property
    def lines(self) -> list[str]:
        """Lines for people: what changed, by how much and why, which weekly maps differ, and what limits the split."""
        counts = self.counts
        lines = [self.lead]
        if not self.same:
            lines += [*change_words.number_lines(counts, self.units), *change_words.bars(counts, self.units)]
        lines.append(change_words.lots_line(counts))
        if self.runs:
            lines.append(f"Compared: {self.runs['before']} ({counts['lots_before']:,} lots) with {self.runs['after']} "
                         f"({counts['lots_now']:,} lots).")
        weeks = week_line(self.weeks)
        return [*lines, *([weeks] if weeks else []), *self.notes]


def compare(a: Results, b: Results, cache: store.Store | None = None, workers: int | None = None) -> Change:
    """Compare an earlier run `a` with a later run `b`.

    Parameters
    ----------
    a, b : Results
        As returned by `record.read`.
    cache : Store, optional
        Archetypes that were computed before.
    workers : int, optional

    Raises
    ------
    LayerError
        When the runs are of two areas, a run has no record of its inputs, or `b` ends before `a`.
    """
    _of_one_area(a, b)
    if a.inputs is None or b.inputs is None:
        raise LayerError("E-CMP-001 a run has no record of what it was computed from; run the estimate again.")
    if month_of(b) < month_of(a):
        raise LayerError(f"E-CMP-002 the second run ends in {b.today}, before the first ({a.today}). Name the earlier "
                         "run first.")
    pairs = _pairs(a.lots["lot_id"], b.lots["lot_id"])
    both = pairs[(pairs["a"] >= 0) & (pairs["b"] >= 0)]
    steps = Steps(a, b, both, cache or store.Store(None), workers)
    table = _side_by_side(a, b, pairs)
    with_number = (table["state_before"] == "") & (table["state_after"] == "") & (table["a"] >= 0) & (table["b"] >= 0)
    table = pd.concat([table, parts(steps, table, with_number.to_numpy())], axis=1)
    table["kind"] = _kinds(table, with_number)
    reasons = {side: pd.Series(_taken(run.lots["state_reason"], table[place].to_numpy())).fillna("").astype("str")
               for side, place, run in (("before", "a", a), ("after", "b", b))}
    table["why"] = change_words.why(table, reasons)
    numbers = [name for short, column in NUMBERS.items() for name in (
        f"{column}_before", f"{column}_after", f"{column}_change", *part_columns(short))]
    columns = ["lot_id", "kind", "state_before", "state_after", *numbers, "map_unit_name", "shrink_swell_class", "why",
               "a", "b"]
    table = table[columns].rename(columns={"a": "lot_row_before", "b": "lot_row_after"})
    return Change(table, _counts(table), tuple(steps.notes), weekly_maps(a, b), change_words.new_weather(a, b))


def _of_one_area(a: Results, b: Results) -> None:
    """Refuse runs of two areas: lots with the same identifier would be taken for one lot that changed."""
    if a.area_name != b.area_name:
        raise LayerError(f"E-RUN-045 the runs are of two areas, '{visible(a.area_name)}' and '{visible(b.area_name)}': "
                         "lots with the same identifier are not the same lots, so nothing was compared. Name two runs "
                         "of one area. If the area was only renamed, estimate it once more under its former name.")


def since(now: Results, before: Results) -> ChangeSince:
    """Return what changed since another run, in row order; a lot without an estimate in both has no change. [mm]

    Parameters
    ----------
    now, before : Results
        Where an identifier is repeated, its n-th row is compared with the n-th row.

    Raises
    ------
    LayerError
        When the runs are of two areas.
    """
    _of_one_area(before, now)
    keys = [pd.MultiIndex.from_arrays([ids, ids.groupby(ids).cumcount()])
            for ids in (run.lots["lot_id"].astype("str") for run in (now, before))]
    both = (now.lots["state"] == "").to_numpy() & (
        pd.Series((before.lots["state"] == "").to_numpy(), index=keys[1]).reindex(keys[0], fill_value=False).to_numpy())
    lots = pd.DataFrame(index=now.lots.index)
    for short, column in NUMBERS.items():
        known = pd.Series(before.lots[column].to_numpy(float), index=keys[1]).reindex(keys[0]).to_numpy()
        change = (now.lots[column].to_numpy(float) - known).round(1) + 0.0  # of values that are rounded to 0.1 mm
        lots[short] = np.where(both, change, np.nan)
    causes = [CAUSES[cause] for cause in what_differs(before, now)]
    first, last = (month_numbers.in_words(month_of(run)) for run in (before, now))
    return ChangeSince.of(lots, first, last, causes)


def _pairs(ids_a: pd.Series, ids_b: pd.Series) -> pd.DataFrame:
    """Return positions in A and B, B's rows first, -1 where there is none.

    Where an identifier is repeated, its n-th row is paired with the n-th row of the other run.
    """
    frames = []
    for side, ids in (("a", ids_a), ("b", ids_b)):
        text = ids.astype("str")
        frames.append(pd.DataFrame({"lot_id": text.to_numpy(), "n": text.groupby(text).cumcount().to_numpy(),
                                    side: np.arange(len(text))}))
    merged = frames[1].merge(frames[0], on=["lot_id", "n"], how="outer", sort=False)
    merged = merged.sort_values(["b", "a"], na_position="last", kind="stable").reset_index(drop=True)
    return merged.assign(a=merged["a"].fillna(-1).astype(np.int64), b=merged["b"].fillna(-1).astype(np.int64))


def _taken(values: pd.Series, where: NDArray[np.int64]) -> NDArray[Any]:
    """Return values by position; they are missing where the position is -1."""
    return values.reset_index(drop=True).reindex(where).to_numpy()


def _side_by_side(a: Results, b: Results, pairs: pd.DataFrame) -> pd.DataFrame:
    table = pairs[["lot_id", "a", "b"]].copy()
    for side, place, run in (("before", "a", a), ("after", "b", b)):
        where = pairs[place].to_numpy()
        table[f"state_{side}"] = pd.Series(_taken(run.lots["state"], where)).fillna("").to_numpy()
        for name in NUMBERS.values():
            table[f"{name}_{side}"] = _taken(run.lots[name], where).astype(float)
    for name in ("map_unit_name", "shrink_swell_class"):
        now, then = (pd.Series(_taken(run.lots[name].astype("str").where(run.lots[name].notna(), ""),
                                      pairs[place].to_numpy())) for place, run in (("b", b), ("a", a)))
        table[name] = now.fillna(then).to_numpy()
    return table


def _kinds(table: pd.DataFrame, with_number: pd.Series) -> NDArray[np.object_]:
    moved = table[[f"{name}_change" for name in NUMBERS.values()]].abs().max(axis=1) > 0
    other_state = ~with_number & (table["state_before"] != table["state_after"])
    choices = [table["a"] < 0, table["b"] < 0, other_state, moved]
    kinds: NDArray[np.object_] = np.select(choices, ["new", "gone", "state_changed", "changed"], "same").astype(object)
    return kinds


def _counts(table: pd.DataFrame) -> dict[str, Any]:
    kinds = table["kind"].value_counts()
    change = table[f"{NUMBERS['now']}_change"].to_numpy(float)
    return {
        "lots_before": int((table["lot_row_before"] >= 0).sum()), "lots_now": int((table["lot_row_after"] >= 0).sum()),
        **{kind: int(kinds.get(kind, 0)) for kind in ("same", "changed", "state_changed", "new", "gone")},
        "moved_up": int((change >= NOTABLE_MM).sum()), "moved_down": int((change <= -NOTABLE_MM).sum()),
        "notable_mm": NOTABLE_MM, **change_words.summary(table),
    }
