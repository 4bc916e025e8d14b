"""What a few archetypes would do on cracked ground: the scenario's two figures, to compare with those of the run.

It uses the engine and the draws of the run and changes a single setting, so that any difference comes from the cracks.
Method: notebooks/method.md, section 5.4.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from riskmap.movement import draws_of_lots, summary

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from riskmap.common.settings import Area
    from riskmap.common.weather import MovementInputs
    from riskmap.movement.driver import Driver


@dataclass(frozen=True)
class IfCracked:
    """Medians over the model runs on cracked ground, named like the columns for the ground of the run. [mm]"""

    expected_movement_mm: float
    seasonal_range_mm: float


def medians(inputs: MovementInputs, archetype_ids: NDArray[np.int64], area: Area, *,
            drivers: dict[str, Driver] | None = None, workers: int | None = None) -> dict[int, IfCracked]:
    """Compute archetypes again with `ground = "cracked"`, with every model run.

    Parameters
    ----------
    inputs : MovementInputs
        Inputs of the run.
    archetype_ids : int array, shape (n_archetype,)
        Archetypes to compute, without repeats.
    area : Area
        Settings of the run.
    drivers : dict, optional
        As in `draws_of_lots.groups`: cracks do not change the weather at the surface.
    workers : int, optional
        Number of threads; the result does not depend on it. Default: the machine's cores.

    Returns
    -------
    dict
        archetype -> IfCracked; archetypes whose cell gives no estimate are left out.
    """
    cracked = area.model_copy(update={"movement": area.movement.model_copy(update={"ground": "cracked"})})
    out = {}
    for group in draws_of_lots.groups(inputs, archetype_ids, cracked, drivers=drivers, tilt=False, workers=workers):
        # dates and the widening by frost do not affect these two
        table = summary.summarise(group.block, group.chosen, 0, False, group.plan_factor)
        for number, expected, swing in zip(group.archetype_ids.tolist(), table["expected_movement_mm"],
                                           table["seasonal_range_mm"], strict=True):
            out[number] = IfCracked(float(expected), float(swing))
    return out
