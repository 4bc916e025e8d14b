"""Values as they are published: every number column is rounded once, to a step finer than its accuracy.

The same rounded table goes to every product, including the map, so that a lot is in the same band everywhere. Rounding
preserves order, so that a range still contains its median. The parts of an estimate have one decimal more than the
estimate, so that they add up to it within 0.1 mm.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from riskmap.common import tables

if TYPE_CHECKING:
    import geopandas as gpd

    from riskmap.common.results import Results

# decimals by unit; movement to 0.1 mm, far finer than what a survey can read
BY_UNIT = {"mm": 1, "m": 2, "m2": 1, "%": 2, "fraction": 4, "m/m": 7, "": 4, "deg": 7}
PARTS, PART_DECIMALS = ("part_", "reason_", "typical_lot", "long_run_part_", "long_run_typical"), 2
SHARES, SHARE_DECIMALS = "share_beyond_", 2  # from at most 600 model runs, a share is no more precise


def decimals(column: tables.Column) -> int | None:
    """Return the decimals of a number column, None for other columns."""
    if column.kind != "number":
        return None
    if column.name.startswith(SHARES):
        return SHARE_DECIMALS
    return PART_DECIMALS if column.name.startswith(PARTS) and column.unit == "mm" else BY_UNIT[column.unit]


def rounded(results: Results) -> Results:
    """Return the results with every number of the estimate table rounded; missing values remain missing."""
    return replace(results, lots=rounded_lots(results.lots))


def rounded_lots(lots: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Return some rows of the estimate table with every number rounded."""
    lots = lots.copy()
    for column in (*tables.ESTIMATE.columns, *tables.CALIBRATED):
        digits = decimals(column)
        if digits is not None and column.name in lots:
            values = np.round(lots[column.name].to_numpy(dtype=float, na_value=np.nan), digits)
            lots[column.name] = values + 0.0  # no minus sign in front of zero
    return lots
