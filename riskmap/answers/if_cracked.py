"""The line "if the ground cracks" of lots of a finished run, computed when it is asked for.

A second run of the model for every lot would double the cost of an estimate, so only lots that were named are computed.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from riskmap.outputs import lot_text
from riskmap.run import record, reuse
from riskmap.run.store import Store

if TYPE_CHECKING:
    from riskmap.common.results import Results
    from riskmap.movement.driver import Driver

NO_STORE = Store(None)


def sentences(results: Results, positions: Iterable[int], system: str, store: Store = NO_STORE,
              drivers: dict[str, Driver] | None = None) -> dict[int, str]:
    """Return what cracked ground would mean for some lots of a run, without the words "if the ground cracks".

    Parameters
    ----------
    results : Results
        With `inputs`; where the run has none, the sentence says so.
    positions : iterable of int
        Positions in `results.lots`.
    system : str
        `us` or `si`.
    store : Store
        Where the figures of earlier calls are found.
    drivers : dict, optional
        As in `movement.draws_of_lots.groups`.

    Returns
    -------
    dict
        position -> text, for lots with an estimate; empty where the run itself assumes cracked ground.

    Raises
    ------
    SettingsError
        When the settings of the run are not those of this version.
    """
    from riskmap.movement import if_cracked

    table = results.lots
    state = table["state"].to_numpy()
    asked = [position for position in dict.fromkeys(positions) if not state[position]]
    if lot_text.ground_cracked(results) or not asked:
        return {}
    if results.inputs is None:
        return dict.fromkeys(asked, "not computed: the run does not keep what it was computed from")
    of_lot = results.inputs.lot_archetype[table["lot_row"].to_numpy(np.int64)[asked]]
    inputs, area = results.inputs, record.area_of(results)

    def compute(ids: list[int]) -> dict[int, NDArray[np.float64]]:
        found = if_cracked.medians(inputs, np.array(ids, dtype=np.int64), area, drivers=drivers)
        return {number: np.array([one.expected_movement_mm, one.seasonal_range_mm]) for number, one in found.items()}

    found = reuse.of_archetypes(store, "cracked", inputs, of_lot.tolist(), area, compute)
    expected, swing = (table[name].to_numpy(float) for name in ("expected_movement_mm", "seasonal_range_mm"))
    return {position: lot_text.if_cracked(expected[position], float(found[number][0]), swing[position],
                                          float(found[number][1]), system)
            for position, number in zip(asked, of_lot.tolist(), strict=True)}
