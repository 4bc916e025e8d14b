"""What changed between two runs as files: `change.csv`, one row per lot, and `change.json`, counts and notes."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from riskmap import results
from riskmap.outputs.csv_table import guarded
from riskmap.plain import plain

if TYPE_CHECKING:
    import pandas as pd

TABLE, COUNTS = "change.csv", "change.json"
DIGITS = 7  # parts of a lot add up to its change to 1e-6 mm in the file too


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

    columns: dict[str, Any] = {}
    for name in lots:
        values, name = lots[name], str(name)
        if values.dtype.kind in "if":
            columns[name] = pa.array(values.round(DIGITS) if values.dtype.kind == "f" else values, from_pandas=True)
        else:
            columns[name] = pa.array(guarded(values.astype("str")).astype("object"), type=pa.string())
    paths = [folder / TABLE, folder / COUNTS]
    with paths[0].open("wb") as sink:
        sink.write(b"\xef\xbb\xbf")
        csv.write_csv(pa.table(columns), sink, csv.WriteOptions(quoting_style="needed"))
    told = {"standing": results.STANDING, "caution": results.CAUTION, "runs": runs, "counts": counts,
            "notes": list(notes), "weekly_maps": weeks}
    paths[1].write_text(json.dumps(plain(told), indent=1, ensure_ascii=False, allow_nan=False) + "\n",
                        encoding="utf-8", newline="\n")
    return paths
