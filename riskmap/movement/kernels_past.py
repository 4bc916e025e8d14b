"""The compiled path of past months: the same slab at the ends of the past months, for one model run.

Like `kernels.run_draw` it is exact for the pour: always-slabbed ground plus a correction that dies away. None of the
run's other results is computed here, so that they do not depend on the number of months.
Method: notebooks/method.md, section 5.6 and 7.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from riskmap.movement.compiled import compiled
from riskmap.movement.kernels_slab import ask, ask_shared, copy_into, slab_at
from riskmap.movement.slab_lanes import Queue

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
def ask_past(age: int, first: int, reuse: int, now: int, ground: Array, delta: Array, powers: Array, states: Array,
             rows: Array, shared: Array, queue: Queue) -> tuple[int, int]:
    """Ask for the slab in past months; return the place of the first one, and the first that needs no correction.

    Method: method.md, section 5.6.
    age: months from the pour to the present one; first: first past month after the pours of all model runs; reuse:
    months from the pour after which the correction is left out; ground (n_past, n_point): under the always-slabbed
    strip [m]; delta (n_mode,): the correction at the pour; powers (n_month, n_mode): its decay by number of months; rows
    (n_mode, n_point).
    """
    n_past, n_mode = ground.shape[0], delta.size
    old = max(reuse - age + n_past, first)
    place = queue.count[0]
    if first < min(old, n_past):
        left, below = np.empty(n_mode), np.empty(rows.shape[1])
        for i in range(n_mode):
            left[i] = delta[i] * powers[age - n_past + first, i]
        active = n_mode
        for m in range(first, min(old, n_past)):
            while active and (abs(rows[active - 1, 0]) + abs(rows[active - 1, -1])) * abs(left[active - 1]) < GONE_M:
                active -= 1
            copy_into(ground[m], below)
            for i in range(active):
                for j in range(below.size):
                    below[j] += rows[i, j] * left[i]
            for i in range(active):
                left[i] *= powers[1, i]
            ask(below, queue)
    for m in range(old, n_past):
        ask_shared(now - n_past + m, states, rows, shared, queue)
    return place, old


@compiled
def read_past(place: int, first: int, old: int, now: int, flat: Array, shared: Array, queue: Queue,
              out: Single) -> None:
    """Fill out (n_past,) with the height of the slab's middle above its edge, nan before month `first`. [m]"""
    out[:first] = np.nan
    for m in range(first, out.size):
        out[m] = slab_at(place + m - first if m < old else -1, now - out.size + m, flat, shared, queue)[0]
