"""What the movement stage computes from: kept with a run, so that any lot can be computed again years later.

`explain`, `brief` and `compare` use it; two runs whose inputs are equal here have equal numbers.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray


@dataclass(frozen=True)
class ClimateHistory:
    """Monthly driver of each climate cell on one common axis of months.

    Attributes
    ----------
    cells : tuple of str
        Cell identifiers, one per row of the arrays.
    first_month : int
        Month number of the first column: the earliest start of any record. The last column is the month of today.
    precipitation_mm, pet_mm : array, shape (n_cell, n_month)
        Monthly amounts; NaN where `source` is not 1.
    z : array, shape (n_cell, n_month)
        Normal score where `source` is 2 or 3, 0 where it is 4, NaN where it is 0 or 1.
    source : array of int8, shape (n_cell, n_month)
        1 rain and temperature, 2 index grid, 3 weekly categories, 4 climatology in a gap, 0 before the record begins.
    flags : tuple of str
        Cautions per cell, separated by semicolons.
    coldest_normal_c : array, shape (n_cell,)
        Lowest calendar-month mean temperature of the normal period (of the whole record where it has none).
    """

    cells: tuple[str, ...]
    first_month: int
    precipitation_mm: NDArray[np.float64]
    pet_mm: NDArray[np.float64]
    z: NDArray[np.float64]
    source: NDArray[np.int8]
    flags: tuple[str, ...]
    coldest_normal_c: NDArray[np.float64]

    def __repr__(self) -> str:
        """Return one line; the arrays are not shown."""
        return f"<Weather of {len(self.cells):,} climate cells, {self.z.shape[1]:,} months>"


def usual_months(source: NDArray[np.int8]) -> NDArray[np.int64]:
    """Return per cell the months up to now that only the usual season fills, since the last rain or index.

    A weekly map now and then between them does not begin the count anew. `source` as in `ClimateHistory`.
    """
    known = (source == 1) | (source == 2)
    after = ~np.logical_or.accumulate(known[:, ::-1], axis=1)[:, ::-1]
    return np.asarray((after & (source == 4)).sum(axis=1), dtype=np.int64)


@dataclass(frozen=True)
class MovementInputs:
    """The archetypes of a run, their soil and their weather.

    Attributes
    ----------
    archetype : DataFrame
        One row per archetype: cell_id, half_width_m, half_width_known, section_mn_m2, stiffness_basis, plan_factor,
        pour_early_month, pour_late_month (see `archetypes.Archetypes`).
    archetype_profile : DataFrame
        archetype_id, profile_id, weight.
    lot_archetype : int array, shape (n_lot,)
        Archetype of each lot; -1 without one.
    profile, layer : DataFrame
        Soil profiles and their layers, as `soil.attach` hands them on.
    history : ClimateHistory
    """

    archetype: pd.DataFrame
    archetype_profile: pd.DataFrame
    lot_archetype: NDArray[np.int64]
    profile: pd.DataFrame
    layer: pd.DataFrame
    history: ClimateHistory

    def __repr__(self) -> str:
        """Return one line; tables are not shown."""
        return (f"<Inputs of {len(self.lot_archetype):,} lots: {len(self.archetype):,} archetypes, "
                f"{len(self.profile):,} soil profiles, {len(self.history.cells):,} climate cells>")
