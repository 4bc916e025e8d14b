"""The order of an inspection, and how many lots share an estimate."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray


def inspection_order(lots: pd.DataFrame) -> NDArray[np.int64]:
    """Return the positions of lots with an estimate, the one to inspect first in front.

    Lots are ordered by `expected_movement_mm`, then by `change_next_mm`, the largest first, then by `lot_id` as text
    and by their row. Lots that share everything have the same estimate, and a soil boundary near one of them does not
    break the tie.

    Parameters
    ----------
    lots : DataFrame
        Rows of `tables.ESTIMATE`; those without an estimate are left out.
    """
    expected = lots["expected_movement_mm"].to_numpy(float)
    change = lots["change_next_mm"].to_numpy(float)
    lot_id = lots["lot_id"].astype("str").to_numpy(dtype=object)
    order = np.lexsort((lots["lot_row"].to_numpy(np.int64), np.unique(lot_id, return_inverse=True)[1].ravel(), -change,
                        -expected))  # the last key is the first to sort by; nan stays at the end
    return order[np.isfinite(expected[order])]


def sharing(lot_archetype: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return for every lot how many lots have its archetype, and so exactly its estimate; 0 without an archetype.

    Parameters
    ----------
    lot_archetype : int array, shape (lot,)
        Archetype number of each lot, -1 without one.
    """
    counts = np.bincount(lot_archetype[lot_archetype >= 0], minlength=1)
    return np.where(lot_archetype >= 0, counts[np.maximum(lot_archetype, 0)], 0)
