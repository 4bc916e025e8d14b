"""One row of soil per lot: ratings, shares, flags and state."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from riskmap.common.wording import NO_NUMBER

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd
    from numpy.typing import NDArray

    from riskmap.common.inputs import SoilTables
    from riskmap.common.settings import SoilSettings
    from riskmap.soil.component import MapUnits
    from riskmap.soil.overlay import Shares


def lot_soil_table(lot: gpd.GeoDataFrame, soil: SoilTables, settings: SoilSettings, named: pd.DataFrame,
                   units: MapUnits, shares: Shares, position: NDArray[np.int64],
                   line: tuple[NDArray[np.float64], NDArray[np.int64], NDArray[np.float64]]) -> pd.DataFrame:
    """Return `tables.LOT_SOIL`: ratings, shares, flags and state of the soil under each lot."""
    import pandas as pd

    from riskmap.soil import shrink_swell

    n = len(lot)
    unit = position[shares.unit]
    largest = _largest(shares, n)
    main = np.where(largest >= 0, unit[largest] if len(unit) else -1, -1)
    covered = np.bincount(shares.lot, shares.share * units.summary["covered_pct"].to_numpy(float)[unit], n)
    lep = _mixed(shares, units.summary["lep_25_100_pct"].to_numpy(float)[unit], n)
    near, beyond, line_share = line
    far = np.where(beyond >= 0, position[beyond] if len(position) else -1, -1)
    flags = {"soil_scale_unknown": np.isfinite(near) & (soil.scale is None),
             "soil_from_raster": (shares.mapped > 0) & soil.from_raster}
    out = pd.DataFrame({
        "lot_row": lot["lot_row"].to_numpy(np.int64),
        "map_unit_key": _pick(named["mukey"], main), "map_unit_symbol": _pick(named["musym"], main),
        "map_unit_name": _pick(named["muname"], main),
        "map_unit_share": np.where(largest >= 0, shares.share[largest] if len(unit) else np.nan, np.nan),
        "mapped_pct": 100.0 * shares.mapped,
        "covered_pct": np.where(np.isnan(shares.mapped), np.nan, covered),
        "linear_extensibility_pct": lep,
        "shrink_swell_class": shrink_swell.shrink_swell_class(lep),
        "shrink_swell_rating": _mixed(shares, units.summary["shrink_swell_rating"].to_numpy(float)[unit], n),
        "soil_line_distance_m": near, "neighbor_unit_name": _pick(named["muname"], far),
        "neighbor_unit_share": line_share,
        "soil_flags": _flag_texts(shares, unit, units, flags, n),
    })
    return _with_state(out, settings)


def _largest(shares: Shares, n: int) -> NDArray[np.int64]:
    """Return the pair with each lot's largest share, the lower unit if two are equal; -1 where there is none."""
    order = np.lexsort((shares.unit, -shares.share, shares.lot))
    lots, first = np.unique(shares.lot[order], return_index=True)
    largest = np.full(n, -1, np.int64)
    largest[lots] = order[first]
    return largest


def _mixed(shares: Shares, value: NDArray[np.float64], n: int) -> NDArray[np.float64]:
    """Return the share-weighted mean over the map units with a value."""
    share = np.where(np.isfinite(value), shares.share, 0.0)
    total = np.bincount(shares.lot, share, n)
    mean = np.bincount(shares.lot, share * np.nan_to_num(value), n)
    return np.divide(mean, total, out=np.full(n, np.nan), where=total > 0)


def _pick(names: pd.Series, index: NDArray[np.int64]) -> NDArray[np.object_]:
    values = np.append(names.fillna("").to_numpy(dtype=object), "")
    return values[index]


def _flag_texts(shares: Shares, unit: NDArray[np.int64], units: MapUnits, own: dict[str, NDArray[np.bool_]],
                n: int) -> NDArray[np.object_]:
    from riskmap.common.tables import flag_texts
    from riskmap.soil.overlap import DOUBLED, OVERLAP

    masks = {name: np.bincount(shares.lot[mask[unit]], minlength=n) > 0 for name, mask in units.flags.items()}
    partly = (shares.mapped > 0) & (shares.mapped < 1.0 - 1e-6)
    return flag_texts(masks | own | {"soil_partly_unmapped": partly, OVERLAP: shares.overlapping,
                                     DOUBLED: shares.doubled})


def _with_state(lot_soil: pd.DataFrame, settings: SoilSettings) -> pd.DataFrame:
    """Add the soil's own state, and remove the averages of lots with too little described soil to have one."""
    mapped, covered = lot_soil["mapped_pct"], lot_soil["covered_pct"]
    cases = [mapped.isna(), mapped < settings.min_mapped_pct,
             (covered <= 0) | (covered < settings.min_covered_pct)]
    state = np.select(cases, ["not_enough_data", "outside_coverage", "not_enough_data"], "").astype(object)
    before, _, after = NO_NUMBER.partition("{list}")
    described_pct, mapped_pct = (part.map("{:.0f} %".format).astype("str") for part in (covered, mapped))
    described = (before + "a described soil profile (the survey describes " + described_pct + " of "
                 + lot_soil["map_unit_name"].fillna("the soil here").astype("str") + ")" + after)
    reason = np.select(cases, [before + "a shape to look up the soil with" + after,
                               "The soil map covers " + mapped_pct + " of this lot.", described], "")
    averages = ["linear_extensibility_pct", "shrink_swell_rating"]
    known = state == ""
    return lot_soil.assign(
        soil_state=state, soil_state_reason=reason.astype(object),
        shrink_swell_class=np.where(known, lot_soil["shrink_swell_class"], ""),
        **{name: lot_soil[name].where(known) for name in averages})
