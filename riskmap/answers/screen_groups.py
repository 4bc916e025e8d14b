"""The self-check of a screened list: how estimates and data are distributed in groups that the user gives."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from riskmap.common import tables

SMALLEST_GROUP = 10


def self_check(group: pd.Series, answer: pd.DataFrame) -> pd.DataFrame:
    """Return how estimates and data quality differ between the user's groups; groups of fewer than ten are not shown.

    Nothing else reads the groups: no group affects an estimate, and none is ranked. Rows are in the order in which the
    groups first appear.

    Parameters
    ----------
    group : Series
        A column of the list.
    answer : DataFrame
        state, data_quality and long_run_mm of the same rows. [mm]
    """
    text = group.astype("str").where(group.astype("str").str.strip() != "", "(empty)").reset_index(drop=True)
    frame = answer.assign(group=text.to_numpy())
    out = []
    for name, part in frame.groupby("group", sort=False):
        entry: dict[str, Any] = {"group": name, "rows": len(part)}
        if len(part) < SMALLEST_GROUP:
            entry["rows"] = None
            entry["note"] = f"fewer than {SMALLEST_GROUP} rows: not shown"
        else:
            value = part["long_run_mm"].dropna().to_numpy(float)
            entry |= {"with_estimate_pct": 100 * float((part["state"] == "").mean()),
                      "all_known_pct": 100 * float((part["data_quality"] == tables.ALL_KNOWN).mean()), "note": ""}
            if len(value) >= SMALLEST_GROUP:
                low, middle, high = np.percentile(value, [10, 50, 90])
                entry |= {"long_run_p10_mm": low, "long_run_p50_mm": middle, "long_run_p90_mm": high}
            else:
                entry["note"] = f"fewer than {SMALLEST_GROUP} rows with an estimate: no percentiles"
        out.append(entry)
    names = ["group", "rows", "with_estimate_pct", "all_known_pct", "long_run_p10_mm", "long_run_p50_mm",
             "long_run_p90_mm", "note"]
    return pd.DataFrame(out).reindex(columns=names).round(1)
