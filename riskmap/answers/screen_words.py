"""The screened list in words: the reasons for the long run, and the twelve columns that people read."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd

from riskmap.common import tables, units
from riskmap.outputs import words

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from riskmap.answers.screen import ScreenReport

FACTORS = ("soil", "slab")
LEAST_IN = 0.05  # smaller parts round to nothing on a page in inches
FOUND = {"matched": "found", "unmatched": "not found", "ambiguous": "not certain"}


class Shown(NamedTuple):
    """A column as people read it."""

    label: str
    values: pd.Series
    meaning: str
    decimals: int | None = None  # None: a text


# ---------------------------------------------------------------- reasons
def reasons_of(parts: pd.DataFrame, system: str) -> dict[str, pd.Series]:
    """Return the reasons for the long run: two in words, the larger first, and all of them in a sentence.

    Parameters
    ----------
    parts : DataFrame
        long_run_typical_mm, long_run_part_soil_mm, long_run_part_slab_mm, long_run_part_gaps_mm; missing without an
        estimate. [mm]
    system : str
        `us` or `si`: what the sentence is in.
    """
    different = parts.drop_duplicates().reset_index(drop=True)
    number = parts.merge(different.assign(place=np.arange(len(different))), how="left", on=list(parts.columns))["place"]
    made = [_reasons(row, system) for row in different.to_numpy(float)]  # lots share a few different ones
    names = ("long_run_reason_1", "long_run_reason_2", "long_run_reason_text")
    return {name: pd.Series(np.array([one[k] for one in made] or [""], dtype=object)[number.to_numpy(np.int64)])
            if len(parts) else pd.Series([], dtype=object) for k, name in enumerate(names)}


def _reasons(parts_mm: NDArray[np.float64], system: str) -> tuple[str, str, str]:
    if not np.isfinite(parts_mm).all():
        return "", "", ""
    typical, soil, slab, gaps = parts_mm.tolist()
    least = LEAST_IN * units.MM_PER_INCH if system == "us" else words.LEAST_PART_MM  # what would round to nothing
    parts = sorted(((name, value) for name, value in zip(FACTORS, (soil, slab), strict=True) if abs(value) >= least),
                   key=lambda part: -abs(part[1]))
    first, second = ([words.part(name, value) for name, value in parts] + ["", ""])[:2]
    said = ", ".join(f"{words.part(name, value)} {_signed(value, system)}" for name, value in parts)
    left = f"; gaps in the data {_signed(gaps, system)}" if abs(gaps) >= least else ""
    return first, second, _compared(_size(typical, system)) + (said or "hardly different") + left


def _size(value_mm: float, system: str) -> str:
    return f"{units.mm_to_inch(value_mm):.1f} in" if system == "us" else f"{value_mm:.1f} mm"


def _compared(size: str) -> str:
    return f"Compared with a typical lot here ({size}): "


def _signed(value_mm: float, system: str) -> str:
    return f"{units.mm_to_inch(value_mm):+.1f} in" if system == "us" else f"{value_mm:+.1f} mm"


def typical(done: ScreenReport) -> str:
    """Return the long run of the typical lot with its unit; empty text where typical lots differ or there is none."""
    found = {_size(float(value), done.system) for value in done.ours("long_run_typical_mm").dropna().unique()}
    return found.pop() if len(found) == 1 else ""


# ---------------------------------------------------------------- twelve columns
def summary(done: ScreenReport) -> list[Shown]:
    """Return the twelve columns that people read, rows by rank."""
    from riskmap.answers.screen import in_order

    order = in_order(done)
    unit = "in" if done.system == "us" else "mm"

    def ours(name: str) -> pd.Series:
        return done.ours(name).iloc[order]

    matched = ours("match_status") == "matched"  # of others the state says nothing more
    size = typical(done)
    start = _compared(size) if size else ""  # which need not be said in every row
    other = f", whose long run is {size}" if size else " of the same climate"
    note = ours("match_note")
    for more in (ours("state").map(tables.STATES).fillna(""), ours("state_reason")):
        more = more.where(matched, "")
        note = note + np.where((note != "") & (more != ""), "; ", "") + more
    return [
        Shown("row", pd.Series(done.row[order]), "The row of your list, as a spreadsheet numbers it.", 0),
        Shown(done.label, done.rows[done.label].iloc[order], "From your list."),
        Shown("rank", ours("rank_from"), "1 is the largest long run in this list.", 0),
        Shown("rank to", ours("rank_to"), "The last rank of rows with the same long run; equal to rank where no other "
              "row has it.", 0),
        Shown(f"long run, {unit}", ours(f"long_run_{unit}"), "The largest bending of a slab here in the weather of "
              "1991-2020 or of the normal period that was set, once its middle has stopped rising. The rank is by it.",
              1),
        Shown("low", ours(f"long_run_{unit}_p10"), f"One model run in ten has less, in {unit}.", 1),
        Shown("high", ours(f"long_run_{unit}_p90"), f"One model run in ten has more, in {unit}.", 1),
        Shown("why", ours("long_run_reason_text").str.removeprefix(start), "What makes the long run differ from "
              f"that of a typical lot here{other}: the soil, the slab, and last gaps in the data on this lot."),
        Shown(f"next 12 months, {unit}", ours(f"expected_movement_{unit}"), "The largest bending expected within a "
              "year from the date of the data, counted from a level slab.", 1),
        Shown("now", ours("direction").replace(words.DIRECTION_SHORT), "Which part of the slab is high today."),
        Shown("found", ours("match_status").replace(FOUND), "Whether one lot fits the row."),
        Shown("note", note, "How the row was found, or why it has no estimate."),
    ]
