"""Weekly drought maps as one category per climate cell and week, and per month.

Method: notebooks/method.md, section 3.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from riskmap.climate import category as categories
from riskmap.climate import freshness

if TYPE_CHECKING:
    from riskmap.common.inputs import DroughtTables

COVERED_SHARE = 0.5  # judgement: a map is used for a cell when it covers at least half of it


@dataclass(frozen=True)
class WeeklyCategories:
    """Weekly maps over the used cells."""

    weeks: tuple[str, ...]
    month: NDArray[np.int64]  # (n_week,)
    share: NDArray[np.float64]  # (n_week, n_cell, 6), NaN where the map does not cover the cell


# ---------------------------------------------------------------------------------------------- weekly categories
def weekly_categories(shapes: NDArray[Any], drought: DroughtTables | None, crs: str,
                      today: int) -> WeeklyCategories | None:
    """Return the shares of the used cells in every map up to today."""
    if drought is None or len(shapes) == 0:
        return None
    month = freshness.map_months(drought.weeks)
    weeks = tuple(week for week, m in zip(drought.weeks, month, strict=True) if m <= today)
    polygons = drought.polygons[drought.polygons["valid_date"].isin(weeks)]
    position = pd.Index(weeks).get_indexer(pd.Index(polygons["valid_date"]))
    share = categories.shares(shapes, np.asarray(polygons.geometry), polygons["category"].to_numpy(np.int64),
                              position.astype(np.int64), len(weeks), crs=crs)
    share[:, ~_covered(shapes, drought)] = np.nan
    return WeeklyCategories(weeks, month[month <= today], share)


def _covered(shapes: NDArray[Any], drought: DroughtTables) -> NDArray[np.bool_]:
    """Return True for cells of which the maps cover at least `COVERED_SHARE`."""
    import shapely

    if drought.extent is None:
        return np.ones(len(shapes), dtype=bool)
    frame = shapely.union_all(np.asarray(drought.extent.to_crs("EPSG:4326")))
    return shapely.area(shapely.intersection(shapes, frame)) >= COVERED_SHARE * shapely.area(shapes)


def drought_weeks(names: tuple[str, ...], weekly: WeeklyCategories | None) -> pd.DataFrame:
    """Return cell_id, valid_date, category by largest share; no row where a map does not cover the cell."""
    if weekly is None:
        return pd.DataFrame({"cell_id": [], "valid_date": [], "category": []}, dtype=object)
    covered = np.isfinite(weekly.share[..., 0]).T.ravel()
    position = categories.largest(np.nan_to_num(weekly.share)).T.ravel()
    return pd.DataFrame({
        "cell_id": np.repeat(np.array(names, dtype=object), len(weekly.weeks)),
        "valid_date": np.tile(np.array(weekly.weeks, dtype=object), len(names)),
        "category": np.array(categories.PRODUCT_NAMES, dtype=object)[position],
    })[covered].reset_index(drop=True)
