"""The screened list in words: the reasons for the long run, and the twelve columns that people read."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from riskmap.answers import matching
from riskmap.common import tables
from riskmap.outputs import calibrated, telling, waterfall, words
from riskmap.outputs.files import csv_table
from riskmap.outputs.files.sheets import Shown

if TYPE_CHECKING:
    from riskmap.answers.screen import ScreenReport

# What the columns mean that screening adds to those of a run.
MEANINGS = {
    "match_status": "whether one lot fits the row: matched, unmatched or ambiguous",
    "match_note": "how the row was found, or what about it is not certain",
    "matched_by": "what found the lot, such as its id or its place",
    "matched_lot_id": "id of the lot that was found",
    "matched_label": "label of the lot in the run, such as its address; not for publication",
    "rank": "the same as rank_from",
    "rank_from": "1 + the number of rows of this list with a larger long run, to 0.1 mm",
    "rank_to": "last rank of the rows with the same long run",
    "long_run_reason_1": "largest reason why the long run differs from that of the typical lot",
    "long_run_reason_2": "second largest reason",
    "long_run_reason_text": "what makes the long run differ from that of the typical lot, in a sentence",
    "band": "class of the long run",
}
_DECLARED = {column.name for column in (*tables.ESTIMATE.columns, *tables.CALIBRATED)} | MEANINGS.keys()
# One name for each state, in the counts, in the rows and in the terminal: those of the run, and the two of a list.
STATE_NAMES = matching.NAMES
CHOSEN = {**STATE_NAMES, "matched": "your choice"}  # of rows that the user can decide
FOUND = {"matched": "found", "unmatched": STATE_NAMES["unmatched"], "ambiguous": STATE_NAMES["ambiguous"]}


# ---------------------------------------------------------------- reasons
def reasons_of(parts: pd.DataFrame, system: str) -> dict[str, pd.Series]:
    """Return the reasons for the long run: the two largest in words, the larger first, and all of them in a sentence.

    Parameters
    ----------
    parts : DataFrame
        long_run_mm and `waterfall.LONG_RUN_LINE`; missing for a lot without an estimate. [mm]
    system : str
        `us` or `si`: the units of the sentence.
    """
    different = parts.drop_duplicates().reset_index(drop=True)
    number = parts.merge(different.assign(place=np.arange(len(different))), how="left", on=list(parts.columns))["place"]
    made = [_reasons({str(name): value for name, value in row.items()}, system)
            for row in different.to_dict("records")]  # many lots share a few different sentences
    names = ("long_run_reason_1", "long_run_reason_2", "long_run_reason_text")
    return {name: pd.Series(np.array([one[k] for one in made] or [""], dtype=object)[number.to_numpy(np.int64)])
            if len(parts) else pd.Series([], dtype=object) for k, name in enumerate(names)}


def _reasons(row: dict[str, float], system: str) -> tuple[str, str, str]:
    if not all(np.isfinite(value) for value in row.values()):
        return "", "", ""
    named = [step.label for step in waterfall.long_run_steps(row) if step.kind == "reason"]
    first, second = [*named, "", ""][:2]
    return first, second, _compared(row["long_run_typical_mm"], system) + waterfall.long_run_differences(row, system)


def _compared(typical_mm: float, system: str) -> str:
    said = waterfall.compared_long_run(typical_mm, system)
    return f"{said[:1].upper()}{said[1:]}: "


def _one_typical(done: ScreenReport) -> float:
    """Return the long run of the typical lot; nan where typical lots differ as shown, or there is none. [mm]"""
    found = {telling.shown(float(value), done.system): float(value)
             for value in done.ours("long_run_typical_mm").dropna().unique()}
    return next(iter(found.values())) if len(found) == 1 else np.nan


def typical(done: ScreenReport) -> str:
    """Return the long run of the typical lot with its unit; empty text where typical lots differ or there is none."""
    value = _one_typical(done)
    return telling.shown(value, done.system) if np.isfinite(value) else ""


# ---------------------------------------------------------------- all columns, twelve columns
def fields(done: ScreenReport) -> list[dict[str, Any]]:
    """Return name, meaning, unit, kind and codes of each column that riskmap added, as columns.json describes it."""
    out = []
    for name, values in done.rows.items():
        if name in done.own:
            continue
        ours = str(name).removesuffix("_riskmap")
        of_run = ours if ours in _DECLARED else ours.replace("_in", "_mm")
        field = csv_table.dictionary([of_run])["fields"][0] | {"name": str(name)}
        if of_run != ours:
            field["unit"] = "in"
        if ours in MEANINGS:
            field |= {"description": MEANINGS[ours], "type": "integer" if values.dtype.kind in "iu" else "string"}
        out.append(field)
    return out


def summary(done: ScreenReport) -> list[Shown]:
    """Return the twelve columns that people read, rows by rank; more with a calibration, and with labels of the run."""
    from riskmap.answers.screen import in_order

    order = in_order(done)
    unit, spelt = ("in", "inches") if done.system == "us" else ("mm", "mm")

    def ours(name: str) -> pd.Series:
        return done.ours(name).iloc[order]

    matched = ours("match_status") == "matched"  # for other states the state says everything
    size = typical(done)
    start = _compared(_one_typical(done), done.system) if size else ""  # which need not be repeated in every row
    other = f", whose long run is {size}" if size else " of the same climate"
    put = calibrated.PREFIX if done.calibrated else ""
    which = ", of the calibrated figures" if put else ""
    note = ours("match_note")
    for more in (ours("state").map(tables.STATES).fillna(""), ours("state_reason")):
        more = more.where(matched, "")
        note = note + np.where((note != "") & (more != ""), "; ", "") + more
    return [
        Shown("row", pd.Series(done.row[order]), "The row of your list, as a spreadsheet numbers it.", 0),
        Shown(done.label, done.rows[done.label].iloc[order], "From your list."),
        *([Shown("label", ours("matched_label"), "What the run knows the lot by, such as its address. Not for "
                 "publication.", None, "matched_label")] if done.labelled else []),
        Shown("rank", ours("rank_from"), "1 is the largest long run in this list.", 0, "rank_from"),
        Shown("rank to", ours("rank_to"), "The last rank of rows with the same long run; equal to rank where no other "
              "row has it.", 0, "rank_to"),
        *_number(done, f"long run, {unit}", ours, f"long_run_{unit}", "The largest bending of a slab here in the "
                 "weather of 1991-2020 or of the normal period that was set, once its middle has stopped rising. The "
                 "rank is by it.", bar=True),
        Shown("low", ours(f"{put}long_run_{unit}_p10"), f"One model run in ten has less, in {spelt}{which}.", 1,
              f"{put}long_run_{unit}_p10"),
        Shown("high", ours(f"{put}long_run_{unit}_p90"), f"One model run in ten has more, in {spelt}{which}.", 1,
              f"{put}long_run_{unit}_p90"),
        Shown("why", ours("long_run_reason_text").str.removeprefix(start), "What makes the long run differ from "
              f"that of the typical lot here{other}: the soil, the slab, and last gaps in the data on this lot.", None,
              "long_run_reason_text"),
        *_number(done, f"{telling.name_in_text('expected', done.today)}, {unit}", ours, f"expected_movement_{unit}",
                 "The largest bending expected within a year from the date of the data, counted from a level slab."),
        Shown("now", ours("direction").replace(words.DIRECTION_SHORT), "Which part of the slab is high today.",
              None, "direction"),
        Shown("found", ours("match_status").replace(FOUND), "Whether one lot fits the row.", None,
              "match_status"),
        Shown("note", note, "How the row was found, or why it has no estimate."),
    ]


def _number(done: ScreenReport, label: str, ours: Callable[[str], pd.Series], name: str, meaning: str,
            *, bar: bool = False) -> list[Shown]:
    """Return an estimate as a column; with a calibration, the calibrated figure followed by the model's own."""
    if not done.calibrated:
        return [Shown(label, ours(name), meaning, 1, name, bar)]
    return [Shown(f"{label}, calibrated", ours(f"{calibrated.PREFIX}{name}"), f"{meaning} Calibrated on surveys of "
                  "houses; rank and reasons are of the figure as modelled.", 1, f"{calibrated.PREFIX}{name}", bar),
            Shown(f"(as modelled, {label.rsplit(', ', 1)[1]})", ours(name), "The same as modelled, not calibrated.", 1,
                  name)]
