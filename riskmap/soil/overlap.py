"""Lots on which soil polygons overlap, and how they are reported.

`overlay.shares` decides which soils such a lot gets. Overlaps arise where survey areas share a border, where a survey
is given in two versions, and where polygons were drawn over others.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from riskmap.common.errors import counted
from riskmap.common.problems import Problem

if TYPE_CHECKING:
    from collections.abc import Callable

    import pandas as pd
    from numpy.typing import NDArray

OVERLAP, DOUBLED = "soil_polygons_overlap", "soil_polygons_doubled"  # flags of lots
FIRST_ROWS = 5  # number of lots that a finding names


def touched(lot_soil: pd.DataFrame) -> dict[str, NDArray[np.int64]]:
    """Return the positions of the lots on which soil polygons overlap, by flag (`OVERLAP`, `DOUBLED`)."""
    flags = lot_soil["soil_flags"]
    return {flag: np.flatnonzero(flags.str.contains(flag, regex=False).to_numpy(bool)) for flag in (OVERLAP, DOUBLED)}


def findings(lots: dict[str, NDArray[np.int64]], row_of: Callable[[int], int | None]) -> list[Problem]:
    """Return one finding per kind of overlap, with the lots concerned and the rule of `overlay.shares`.

    Parameters
    ----------
    lots : dict
        Positions of lots among all lots of the run, by flag.
    row_of : callable
        Returns the row of a lot file, as an editor numbers it, for a position.
    """
    said = {
        OVERLAP: ("polygons of different map units overlap", "Ask the publisher which one is right.",
                  "Each unit counts by its area on the lot, scaled to what the map covers: all of them stay in the "
                  "range of these lots, which are flagged."),
        DOUBLED: ("polygons of the same map unit overlap", "Name each survey once.", "Their ground counts once."),
    }
    out = []
    for flag, (what, remedy, action) in said.items():
        places = np.sort(lots.get(flag, np.empty(0, np.int64)))
        rows = [row for row in (row_of(int(k)) for k in places[:FIRST_ROWS]) if row is not None]
        if len(places):
            listed = ", ".join(map(str, rows)) + (", ..." if len(places) > len(rows) else "")
            out.append(Problem("W-SOIL-075" if flag == OVERLAP else "W-SOIL-074", "soil survey, map-unit polygons",
                               rule=f"{what} on {counted(len(places), 'lot')} (rows {listed} of the lots).",
                               remedy=remedy, action=action))
    return out
