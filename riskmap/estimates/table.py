"""Stage 7: states, data quality and the estimate table.

In: lots with soil, climate and movement. Out: `tables.ESTIMATE`, one row per lot in lot order, each with an estimate or
a state. A state always takes precedence: missing data are never replaced by something plausible.
Method: notebooks/method.md, section 10.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from riskmap.common import month_numbers, tables
from riskmap.common.constants import SIZE_UNKNOWN
from riskmap.common.weather import RECORD

if TYPE_CHECKING:
    import geopandas as gpd

PUBLISHED = ["volume_change_cole_pct", "as2870_surface_movement_mm", "as2870_class", "van_der_merwe_heave_mm"]
WELL_MAPPED_PCT = 90.0  # judgement: below it too much of the lot lies outside the soil map to call its soil known
KNOWN_BASES = ("date", "month", "year")
# Flags of soil whose linear extensibility, in some part of the lot, is not measured and does not follow from densities.
GUESSED_SOIL = ("lep_missing", "lep_from_clay", "lep_from_clay_cec")


def states(lot: pd.DataFrame, lot_soil: pd.DataFrame, lot_climate: pd.DataFrame) -> pd.DataFrame:
    """Return state and state_reason of every lot, from what is known before any movement is computed.

    The first of `tables.STATES` that applies is the lot's state, whichever stage found it. A lot outside the soil map
    has that state even where no house is known to be on it.

    Parameters
    ----------
    lot, lot_soil, lot_climate : DataFrame
        `tables.LOT`, `tables.LOT_SOIL` with the soil stage's state, `tables.LOT_CLIMATE`, all in lot order.
    """
    no_cell = (lot_climate["cell_id"].fillna("") == "").to_numpy()
    found = [(lot["state"], lot["state_reason"]), (lot_soil["soil_state"], lot_soil["soil_state_reason"]),
             (pd.Series(np.where(no_cell, "outside_coverage", "")),
              pd.Series(np.where(no_cell, "No climate cell covers this lot.", "")))]
    order = {"": len(tables.STATES)} | {name: place for place, name in enumerate(tables.STATES)}
    state, reason = np.full(len(lot), "", dtype=object), np.full(len(lot), "", dtype=object)
    place = np.full(len(lot), order[""])
    for own, why in found:
        own_place = own.fillna("").map(order).to_numpy()
        first = own_place < place
        place[first], state[first] = own_place[first], own.to_numpy(dtype=object)[first]
        reason[first] = why.fillna("").to_numpy(dtype=object)[first]
    return pd.DataFrame({"state": state, "state_reason": reason}, dtype="str")


def _marks(lot: pd.DataFrame, lot_soil: pd.DataFrame, lot_climate: pd.DataFrame) -> pd.DataFrame:
    """Return the four marks of `tables.MARKS` and `data_quality` of every lot."""
    codes, distinct = pd.factorize(lot_soil["soil_flags"].fillna(""))
    guessed = np.array([not set(GUESSED_SOIL).isdisjoint(str(text).split(";")) for text in distinct] or [False])[codes]
    known = np.column_stack([
        (lot_soil["mapped_pct"] >= WELL_MAPPED_PCT).to_numpy(bool) & ~guessed,
        lot["pour_date_basis"].isin(KNOWN_BASES).to_numpy(bool),
        (lot["half_width_basis"] != SIZE_UNKNOWN).to_numpy(bool),
        (lot_climate["driver_level"] == RECORD).to_numpy(bool)])
    combination = known @ (1 << np.arange(known.shape[1]))
    texts = np.array([tables.not_known(bool(number >> k & 1) for k in range(known.shape[1]))
                      for number in range(1 << known.shape[1])], dtype=object)
    return pd.DataFrame({**{name: known[:, k].astype(np.int64) for k, name in enumerate(tables.MARKS)},
                         "data_quality": texts[combination]})


def _month_text(months: pd.Series) -> pd.Series:
    known = {m: month_numbers.month_name(int(m)) for m in months.dropna().unique()}
    return months.map(known).fillna("")


def _one_text(parts: list[pd.Series]) -> pd.Series:
    """Return the flags of several tables as one text per lot; each different combination is joined once."""
    frame = pd.concat([part.fillna("").reset_index(drop=True) for part in parts], axis=1)
    frame.columns = pd.RangeIndex(frame.shape[1])
    number = frame.groupby(list(frame.columns), sort=False).ngroup().to_numpy()
    unique = frame.drop_duplicates()
    joined = np.array([tables.join_flags(row) for row in unique.itertuples(index=False)], dtype=object)
    return pd.Series(joined[number], dtype="str")


def score(lot: gpd.GeoDataFrame, lot_state: pd.DataFrame, lot_soil: pd.DataFrame, lot_climate: pd.DataFrame,
          movement: pd.DataFrame) -> gpd.GeoDataFrame:
    """Return the estimate table.

    Parameters
    ----------
    lot, lot_state, lot_soil, lot_climate : DataFrame
        In lot order; `lot_state` is returned by `states`.
    movement : DataFrame
        Movement columns expanded to lots; rows without movement are missing.

    Returns
    -------
    GeoDataFrame
        `tables.ESTIMATE` with geometry in EPSG:4326.
    """
    import geopandas as gpd

    late = movement["state"].fillna("").to_numpy()
    state = np.where(lot_state["state"] != "", lot_state["state"], late)
    reason = np.where(lot_state["state"] != "", lot_state["state_reason"], movement["state_reason"].fillna(""))
    from_draws = movement.drop(columns=["state", "state_reason", "flags"])
    soil_columns = lot_soil.drop(columns=["lot_row", "soil_flags", "soil_state", "soil_state_reason"])
    frame = pd.concat([
        lot[["lot_row", "lot_id"]].reset_index(drop=True),
        pd.DataFrame({"state": state, "state_reason": reason}, dtype="str"),
        from_draws.reset_index(drop=True),
        pd.DataFrame({
            "pour_from": _month_text(lot["pour_early_month"]),
            "pour_to": _month_text(lot["pour_late_month"]),
            "pour_date_basis": lot["pour_date_basis"], "slab_width_m": 2 * lot["half_width_m"],
            "slab_class": lot["slab_class"], "lot_area_m2": lot["lot_area_m2"],
        }).reset_index(drop=True),
        soil_columns.reset_index(drop=True),
        lot_climate.drop(columns=["lot_row", "climate_flags", "driver_level"]).reset_index(drop=True),
        lot_climate["driver_level"].map(tables.WEATHER_SOURCES).rename("weather_source").reset_index(drop=True),
        _marks(lot, lot_soil, lot_climate),
    ], axis=1)
    frame["flags"] = _one_text([lot["flags"], lot_soil["soil_flags"], lot_climate["climate_flags"], movement["flags"]])
    names = [column.name for column in tables.ESTIMATE.columns]
    for column in tables.ESTIMATE.columns:  # an area in which no lot has an estimate still has every column
        if column.name not in frame:
            frame[column.name] = np.nan if column.kind == "number" else ""
    numbers = [name for name in from_draws if name in names] + PUBLISHED
    frame.loc[frame["state"] != "", numbers] = np.nan
    table = gpd.GeoDataFrame(frame[names], geometry=lot.geometry.reset_index(drop=True), crs=lot.crs)
    for column in tables.ESTIMATE.columns:
        if column.kind == "text":
            table[column.name] = table[column.name].fillna("").astype("str")
    return table.to_crs("EPSG:4326")
