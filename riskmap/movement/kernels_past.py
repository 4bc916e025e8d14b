"""The compiled path of past months: the same slab at the ends of the past months, for one model run.

Like `kernels.run_draw` it is exact for the pour: always-slabbed ground plus a correction that dies away. Each solution
starts from the contact of the month before. None of the run's other results is computed here, so that they do not
depend on the number of months.
Method: notebooks/method.md, section 5.6 and 7.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from riskmap.movement.compiled import compiled
from riskmap.movement.kernels_slab import copy_into
from riskmap.movement.slab import settle

Array = NDArray[np.float64]
Months = NDArray[np.int64]
Single = NDArray[np.float32]

GONE_M = 1e-8  # the part of a mode in the correction is dropped below this


@compiled
def past_grounds(rows: Array, states: Array, now: int, out: Array) -> None:
    """Fill out (n_past, n_point) with the ground under the always-slabbed strip in the past months. [m]

    Method: method.md, section 5.6.
    rows (n_mode, n_point); states (n_month, n_mode).
    """
    out[:] = 0.0
    for m in range(out.shape[0]):
        for i in range(rows.shape[0]):
            for j in range(out.shape[1]):
                out[m, j] += rows[i, j] * states[now - out.shape[0] + m, i]


@compiled
def past_slabs(age: int, poured: int, reuse: int, ground: Array, delta: Array, powers: Array, rows: Array, half: Array,
               flat: Array, shared: Array, out: Single) -> None:
    """Fill out (n_past,) with the height of the slab's middle above its edge in past months, nan before the pour. [m]

    Method: method.md, section 5.6.
    age, poured: months to the present one from the pour, and from the latest pour of any model run; reuse: months from
    the pour after which the correction is left out; ground (n_past, n_point): under the always-slabbed strip [m]; delta
    (n_mode,): the correction at the pour; powers (n_month, n_mode): its decay by number of months; rows (n_mode,
    n_point); shared (n_past,): the slab without correction, nan until it is first needed.
    """
    n_past, n_mode, n_point = out.size, delta.size, rows.shape[1]
    first = max(n_past - poured, 0)
    out[:first] = np.nan
    shape, below = np.empty(n_point), np.empty(n_point)
    old = max(reuse - age + n_past, first)  # first position without a correction
    if first < min(old, n_past):
        left = np.empty(n_mode)
        for i in range(n_mode):
            left[i] = delta[i] * powers[age - n_past + first, i]
        touching, factored = np.ones(n_point, dtype=np.bool_), bool(0)
        active = n_mode
        for m in range(first, min(old, n_past)):
            while active and (abs(rows[active - 1, 0]) + abs(rows[active - 1, -1])) * abs(left[active - 1]) < GONE_M:
                active -= 1
            copy_into(ground[m], below)
            for i in range(active):
                for j in range(n_point):
                    below[j] += rows[i, j] * left[i]
            for i in range(active):
                left[i] *= powers[1, i]
            factored = settle(below, half, touching, factored, shape)
            out[m] = shape[0] - flat[0] - (shape[-1] - flat[-1])
    if old < n_past:
        if np.isnan(shared[0]):
            touching, factored = np.ones(n_point, dtype=np.bool_), bool(0)
            for m in range(n_past):
                factored = settle(ground[m], half, touching, factored, shape)
                shared[m] = shape[0] - flat[0] - (shape[-1] - flat[-1])
        for m in range(old, n_past):
            out[m] = shared[m]
