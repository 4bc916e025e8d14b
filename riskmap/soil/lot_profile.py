"""Map units and profiles of every lot, with the weights of each."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

    from riskmap.soil.component import MapUnits
    from riskmap.soil.overlay import Shares, SoilPolygons

WEIGHT_DIGITS = 9  # weights that differ only by round-off must not depend on the order of lots


def lot_map_unit_table(row: NDArray[np.int64], shares: Shares, polygons: SoilPolygons) -> pd.DataFrame:
    """Return `tables.LOT_MAP_UNIT`: the share of each map unit in each lot."""
    import pandas as pd

    return pd.DataFrame({"lot_row": row[shares.lot], "mukey": polygons.mukeys[shares.unit], "share": shares.share})


def lot_profile_table(lot_map_unit: pd.DataFrame, units: MapUnits, rows: NDArray[np.int64]) -> pd.DataFrame:
    """Mix map units by area and components by percentage. The weights of a lot sum to 1 over the described ground."""
    import pandas as pd

    pairs = lot_map_unit[lot_map_unit["lot_row"].isin(rows)].merge(units.weight, on="mukey", how="inner")
    pairs["weight"] = pairs["share"] * pairs["weight"]
    mixed = pairs.groupby(["lot_row", "profile_id"], sort=True, as_index=False)["weight"].sum()
    weight = mixed["weight"] / mixed.groupby("lot_row")["weight"].transform("sum")
    return pd.DataFrame({"lot_row": mixed["lot_row"].astype(np.int64),
                         "profile_id": mixed["profile_id"].astype(np.int64), "weight": weight})


def line_weights(shares: Shares, beyond: NDArray[np.int64], share: NDArray[np.float64], row: NDArray[np.int64],
           polygons: SoilPolygons, units: MapUnits) -> pd.DataFrame:
    """Return lot_row, mukey and mixing weight of the described unit beyond the nearest soil boundary, if it counts."""
    import pandas as pd

    from riskmap.soil import lines

    n = len(row)
    known = np.isin(polygons.mukeys, units.weight["mukey"].to_numpy())
    described = np.where(known[shares.unit], shares.share, 0.0)
    is_beyond = shares.unit == beyond[shares.lot]
    overlap, total = np.bincount(shares.lot[is_beyond], described[is_beyond], n), np.bincount(shares.lot, described, n)
    weight = lines.doubt_weight(share, np.divide(overlap, total, out=np.zeros(n), where=total > 0))
    near = np.flatnonzero((weight > 0) & (beyond >= 0))
    near = near[known[beyond[near]]]
    return pd.DataFrame({"lot_row": row[near], "mukey": polygons.mukeys[beyond[near]], "doubt": weight[near]})


def with_line_doubt(lot_profile: pd.DataFrame, doubt: pd.DataFrame, units: MapUnits) -> pd.DataFrame:
    """Mix the profiles of the unit beyond the soil boundary into each lot's own. Weights still sum to 1."""
    import pandas as pd

    doubt = doubt[doubt["lot_row"].isin(lot_profile["lot_row"])]
    added = doubt.merge(units.weight, on="mukey", how="inner")
    added["weight"] = added["doubt"] * added["weight"]
    left = 1.0 - lot_profile["lot_row"].map(doubt.set_index("lot_row")["doubt"]).fillna(0.0)
    own = lot_profile.assign(weight=lot_profile["weight"] * left)
    both = pd.concat([own, added[["lot_row", "profile_id", "weight"]]], ignore_index=True)
    mixed = both.groupby(["lot_row", "profile_id"], sort=True, as_index=False)["weight"].sum()
    weight = mixed["weight"].round(WEIGHT_DIGITS)
    weight = weight / weight.groupby(mixed["lot_row"]).transform("sum")
    return pd.DataFrame(mixed.assign(weight=weight)[weight > 0])
