"""What changed between two runs as files: `change.csv`, one row per lot, and `change.json`, counts and notes."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from riskmap.common import wording
from riskmap.common.json_values import plain
from riskmap.outputs.files.csv_table import guarded_table
from riskmap.outputs.files.rounding import BY_UNIT, PART_DECIMALS

if TYPE_CHECKING:
    import pandas as pd

TABLE, COUNTS = "change.csv", "change.json"
CHANGE = "expected_movement_mm_change"
COLUMNS = {
    "_a, _b": "value of the first and of the second run as published, in steps of 0.1 mm",
    "expected_movement_mm_change": "sum of the parts, in steps of 0.01 mm; from values before rounding, so that it can "
                                   "differ by 0.1 mm from b minus a",
    "_part_mm": "one step from the first run to the second in the order of these columns; the values between steps are "
                "rounded to 0.01 mm, so that the parts add up to the change",
    "why": "what moved, and the largest parts",
}


def write(lots: pd.DataFrame, counts: dict[str, Any], notes: tuple[str, ...], weeks: dict[str, list[str]],
          runs: dict[str, str], folder: Path) -> list[Path]:
    """Write both files into a folder and return their paths.

    Parameters
    ----------
    lots, counts, notes, weeks
        Of `comparing.Change`.
    runs : dict
        Name and month of both runs.
    folder : Path
    """
    import pyarrow as pa
    from pyarrow import csv

    lots = rounded(lots)
    if "why" in lots:  # a line end within a cell breaks the import of spreadsheets
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
    content = {"standing": wording.STANDING, "caution": wording.CAUTION, "runs": runs, "counts": counts,
               "notes": list(notes), "weekly_maps": weeks,
               "columns": COLUMNS}
    paths[1].write_text(json.dumps(plain(content), indent=1, ensure_ascii=False, allow_nan=False) + "\n",
                        encoding="utf-8", newline="\n")
    return paths


def rounded(lots: pd.DataFrame) -> pd.DataFrame:
    """Return the table in the steps of other tables, with parts that still add up to the change.

    Not the parts are rounded but the values between them, so that neighbouring parts share what is cut off.
    """
    lots = lots.copy()
    parts = [str(name) for name in lots if str(name).endswith("_part_mm")]
    for name in lots:
        if lots[name].dtype.kind == "f" and name not in parts:
            lots[name] = lots[name].round(BY_UNIT["mm"]) + 0.0  # no minus before zero
    reached = lots[parts].fillna(0.0).cumsum(axis=1).round(PART_DECIMALS)
    steps = reached.diff(axis=1).fillna(reached).round(PART_DECIMALS) + 0.0
    lots[parts] = steps.where(lots[parts].notna())
    lots[CHANGE] = (reached[parts[-1]] + 0.0).where(lots[CHANGE].notna())
    return lots
