"""The line "if the ground cracks" of lots of a finished run, computed when it is asked for.

A second run of the model for every lot would double the cost of an estimate, so only lots that were named are computed.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

import numpy as np

from riskmap.outputs import lot_text
from riskmap.run import record

if TYPE_CHECKING:
    from riskmap.common.results import Results
    from riskmap.movement.driver import Driver


def sentences(results: Results, positions: Iterable[int], system: str,
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
    found = if_cracked.medians(results.inputs, np.unique(of_lot), record.area_of(results), drivers=drivers)
    expected, swing = (table[name].to_numpy(float) for name in ("expected_movement_mm", "seasonal_range_mm"))
    return {position: lot_text.if_cracked(expected[position], found[number].expected_movement_mm, swing[position],
                                          found[number].seasonal_range_mm, system)
            for position, number in zip(asked, of_lot.tolist(), strict=True)}
