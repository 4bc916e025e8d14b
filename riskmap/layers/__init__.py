"""Stage 1: read the layers that an area file names, convert them to our names and units, and report what is wrong.

In: the `[lots]`, `[soil]`, `[climate]`, `[drought]`, `[[index]]`, `[buildings]` and `[[context]]` entries of an area
file.
Out: `Layers`: raw lots, soil tables, monthly climate, weekly categories, index grids, outlines of buildings, what a map
shows under the lots, and the problems found.
Renaming and unit conversion happen here, once. Nothing is computed and nothing is dropped without a `Problem`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from riskmap.common.inputs import Layers

if TYPE_CHECKING:
    from riskmap.common.inputs import LotsInBrief
    from riskmap.common.settings import Area


def read(area: Area, lots: LotsInBrief | None = None) -> Layers:
    """Read every layer of an area; without the lot file when `lots` says what an earlier reading of it found.

    Raises
    ------
    LayerError
        When a layer is missing or cannot be trusted (no coordinate system, a table missing from the download); all such
        findings are collected and reported together.
    """
    from riskmap.layers.catalogue import read_all

    return read_all(area, lots)
