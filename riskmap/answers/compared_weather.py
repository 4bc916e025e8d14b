"""The weather of two compared runs: what the first run knew, in the form that the second run's driver needs."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from riskmap.common.errors import LayerError

if TYPE_CHECKING:
    from riskmap.common.weather import ClimateHistory

_DRIVERS = {"both": "day steps and monthly bucket by halves", "day": "day steps", "month": "the monthly bucket"}
# below it a month's evapotranspiration counts as not revised, because a longer record shifts it a little
_PET_STEADY = 0.01


def of_first(old: ClimateHistory, new: ClimateHistory, before: str, after: str) -> tuple[ClimateHistory, list[str]]:
    """Return A's weather, and notes. A run without recorded temperature takes B's where B's driver needs it.

    Parameters
    ----------
    old, new : ClimateHistory
        Of A and of B.
    before, after : str
        Drivers of both.

    Raises
    ------
    LayerError
        When B does not have all the months.
    """
    notes: list[str] = []
    if before != after:
        notes.append(f"The runs have different drivers of suction, {_DRIVERS[before]} and {_DRIVERS[after]}: "
                     "that is listed as other settings.")
    if bool(old.days) != bool(new.days):
        notes.append("Only one of the runs has a daily weather record: that is listed as weather revised.")
    measured = old.source == 1
    if after == "month" or not np.isnan(old.temperature_c[measured]).any():
        return old, notes
    warmth = np.full(old.z.shape, np.nan)
    latitude = np.full(len(old.cells), np.nan)
    skip = old.first_month - new.first_month
    for place, cell in enumerate(old.cells):
        if cell in new.cells:
            there = new.cells.index(cell)
            month = skip + np.arange(old.z.shape[1])
            inside = (month >= 0) & (month < new.z.shape[1])
            warmth[place, inside] = new.temperature_c[there, month[inside]]
            latitude[place] = new.latitude_deg[there]
    if np.isnan(warmth[measured]).any():
        raise LayerError("E-CMP-003 the first run keeps no temperature, which the driver of the second needs, and "
                         "the second lacks some of its months. Run the estimate of the first again, or the second "
                         "with driver = \"month\" in [climate_settings].")
    notes.append("The first run keeps no temperature; that of the second is used for its months.")
    return replace(old, temperature_c=np.where(measured, warmth, np.nan), latitude_deg=latitude), notes


def known(old: ClimateHistory, new: ClimateHistory, later: int) -> ClimateHistory:
    """Return B's weather up to the last month of A, which is `later` months before B's.

    Thornthwaite's evapotranspiration is computed with the means of the whole record, so that every new month shifts all
    months a little. Where nothing else differs, A's values are used, because that shift is an effect of the new months.
    The evapotranspiration that the day steps compute does not depend on other months.
    """
    last = new.z.shape[1] - later
    pet = new.pet_mm[:, :last].copy()
    skip = max(old.first_month - new.first_month, 0)  # months that only B has, before A begins
    ahead = max(new.first_month - old.first_month, 0)
    for place, cell in enumerate(new.cells):
        if cell not in old.cells:
            continue
        of_a = old.cells.index(cell)
        here, there = slice(skip, last), slice(ahead, None)
        same = old.source[of_a, there] == new.source[place, here]
        for name in ("precipitation_mm", "z", "temperature_c"):
            before, after = getattr(old, name)[of_a, there], getattr(new, name)[place, here]
            none = np.isnan(before), np.isnan(after)
            lacking = none[0] | none[1] if name == "temperature_c" else none[0] & none[1]
            same &= (before == after) | lacking  # a run made before temperature was recorded has none
        shift = np.abs(old.pet_mm[of_a, there] - pet[place, here])
        same &= shift <= _PET_STEADY * pet[place, here]
        pet[place, here] = np.where(same, old.pet_mm[of_a, there], pet[place, here])
    return replace(new.until(last), pet_mm=pet)
