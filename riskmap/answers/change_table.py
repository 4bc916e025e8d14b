"""What changed between two runs as files: `change.csv`, one row per lot, and `change.json`, counts and notes."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from riskmap.answers.exchanged import NUMBERS, part_columns
from riskmap.common import wording
from riskmap.common.json_values import plain
from riskmap.outputs.files.csv_table import guarded_table
from riskmap.outputs.files.rounding import BY_UNIT, PART_DECIMALS

if TYPE_CHECKING:
    import pandas as pd

TABLE, COUNTS = "change.csv", "change.json"
COLUMNS = {
    "_before, _after": "value of the first and of the second run as published, in steps of 0.1 mm: bend_now_mm is what "
                       "is found today, change_next_mm what the next twelve months add, expected_movement_mm the "
                       "estimate, long_run_mm that of the lot in usual weather",
    "_change": "signed: second run minus first, the sum of its parts, in steps of 0.01 mm; from values before "
               "rounding, so that it can differ by 0.1 mm from after minus before",
    "_part_CAUSE_mm": "what one exchange between the first run and the second changed, in the order of these columns: "
                      "now_part_ of bend_now_mm, next_part_ of change_next_mm, expected_part_ of "
                      "expected_movement_mm, long_run_part_ of long_run_mm; the values between exchanges are rounded "
                      "to 0.01 mm, so that the parts add up to the change",
    "calibrated_": "where both runs have the same calibration: the calibrated value with _before, _after and _change "
                   "(after minus before); parts and why are of the values as modelled",
    "kind": "changed, same, new, gone or state_changed; only lots with an estimate in both runs have a change",
    "map_unit_name, shrink_swell_class": "soil of the lot in the second run",
    "why": "how the four estimates changed, and the two causes that changed bending now most",
}


def write(lots: pd.DataFrame, counts: dict[str, Any], notes: tuple[str, ...], weeks: dict[str, list[str]],
          runs: dict[str, str], folder: Path, summary: Sequence[str] = (),
          standing: str = wording.STANDING) -> list[Path]:
    """Write both files into a folder and return their paths.

    Parameters
    ----------
    lots, counts, notes, weeks
        As in `compare.Change`.
    runs : dict
        Name and month of both runs.
    folder : Path
    summary : sequence of str
        Sentences on what changed, in millimetres like the table.
    standing : str
        How far to trust the estimates, as returned by `outputs.calibrated.standing`.
    """
    import pyarrow as pa
    from pyarrow import csv

    lots = rounded(lots)
    if "why" in lots:  # a line break within a cell breaks the import into spreadsheets
        lots["why"] = lots["why"].astype("str").str.replace("\n", "; ")
    columns: dict[str, Any] = {}
    for name, values in guarded_table(lots).items():
        number = values.dtype.kind in "if"
        columns[str(name)] = (pa.array(values, from_pandas=True) if number
                              else pa.array(values.astype("object"), type=pa.string()))
    paths = [folder / TABLE, folder / COUNTS]
    with paths[0].open("wb") as sink:
        sink.write(b"\xef\xbb\xbf")
        csv.write_csv(pa.table(columns), sink, csv.WriteOptions(quoting_style="needed"))
    content = {"standing": standing, "caution": wording.CAUTION, "summary": list(summary), "runs": runs,
               "counts": counts, "notes": list(notes), "weekly_maps": weeks, "columns": COLUMNS}
    paths[1].write_text(json.dumps(plain(content), indent=1, ensure_ascii=False, allow_nan=False) + "\n",
                        encoding="utf-8", newline="\n")
    return paths


def rounded(lots: pd.DataFrame) -> pd.DataFrame:
    """Return the table with the rounding of the other tables, and with parts that still add up to the change.

    The values between the parts are rounded, not the parts, so that neighbouring parts share the rounding error.
    """
    lots = lots.copy()
    parts = {column: [name for name in part_columns(short) if name in lots] for short, column in NUMBERS.items()}
    of_parts = {name for names in parts.values() for name in names}
    for name in lots:
        if lots[name].dtype.kind == "f" and name not in of_parts:
            lots[name] = lots[name].round(BY_UNIT["mm"]) + 0.0  # no minus sign in front of zero
    for column, names in parts.items():
        if not names:
            continue
        reached = lots[names].fillna(0.0).cumsum(axis=1).round(PART_DECIMALS)
        steps = reached.diff(axis=1).fillna(reached).round(PART_DECIMALS) + 0.0
        lots[names] = steps.where(lots[names].notna())
        change = f"{column}_change"
        lots[change] = (reached[names[-1]] + 0.0).where(lots[change].notna())
    return lots
