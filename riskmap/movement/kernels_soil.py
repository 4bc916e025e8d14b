"""The compiled path of the soil: from layers and one model run's extensibility to strain per depth cell.

Method: notebooks/method.md, section 6.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from riskmap.movement.compiled import compiled

Array = NDArray[np.float64]


@compiled
def cell_strain_index(edges_m: Array, top: Array, bottom: Array, index: Array) -> Array:
    """Return the thickness of each depth cell multiplied by its mean compression index. [m per pF] (method.md, section
    6)

    edges_m (n_z + 1,): cell limits; top, bottom [m] and index [per pF] of the layers.
    """
    out = np.zeros(edges_m.size - 1)
    for z in range(out.size):
        for layer in range(top.size):
            thickness = min(edges_m[z + 1], bottom[layer]) - max(edges_m[z], top[layer])
            if thickness > 0:
                out[z] += thickness * index[layer]
    return out


@compiled
def triangular_one(u: float, low: float, middle: float, high: float) -> float:
    """Return one quantile of the triangular distribution (see draws.triangular). [%] (method.md, section 6)"""
    width = high - low
    if width <= 0:
        return middle
    if u * width < middle - low:
        return low + np.sqrt(u * width * (middle - low))
    return high - np.sqrt((1 - u) * width * (high - middle))


@compiled
def compression_index(lep_pct: float, cap_pct: float, span_pf: float) -> float:
    """Return the volume change per pF for a linear extensibility: ((1 + LEP/100)^3 - 1) / span. [1/pF]

    This is the form of the index based on the soil survey, from memory (method.md, section 6); linear extensibility is
    capped first.
    """
    return ((1 + min(lep_pct, cap_pct) / 100) ** 3 - 1) / span_pf
