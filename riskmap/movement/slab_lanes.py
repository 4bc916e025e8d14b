"""Sixteen slabs on different ground at once: the same steps as `slab.deflect`, to the last bit.

One slab is a long chain of steps in which each waits for the one before. Sixteen slabs side by side keep a core busy:
the innermost loops below run over the slabs, so that the compiler turns them into vector instructions. For this, the
values of a node lie next to each other in one row, and a step sees the rows of three nodes in one window. Measured:
0.10 us per slab against 0.47 with `slab.deflect` and 0.27 with `slab.settle` from the contact of the month before.
Method: notebooks/method.md, section 7.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from riskmap.movement.compiled import compiled
from riskmap.movement.slab import FORCE, IDLE_SPRING, LATE, MAIN, MOST_ITERATIONS, OFF1, OFF2
from riskmap.movement.slab import SPRING as SPRINGS

Array = NDArray[np.float64]
Whole = NDArray[np.int64]

LANES = 16  # with 8 the compiler unrolls the loops and does not use vectors (measured)
# Where the values of a node begin in its row: ground, shape, spring, two factors, pivot and reduced load.
GROUND, SHAPE, SPRING, FIRST, SECOND, PIVOT, VALUE = (LANES * k for k in range(7))
NODE = 7 * LANES  # values of a node
NEXT, AFTER_NEXT = NODE, 2 * NODE  # the second and the third node of a window
MARGIN = 2  # rows of zeros before the first and after the last node, so that every node has two neighbours


class Queue(NamedTuple):
    """Grounds that wait for their slab, all under the same slab."""

    count: Whole  # (1,), how many wait
    month: Whole  # (n,), month of the history without a pour that a ground belongs to, otherwise -1
    ground: Array  # (n, n_point) [m]
    shape: Array  # (n, n_point), the slab after `solve_waiting` [m]
    work: Array  # ((n_point + 2 MARGIN) NODE,)


@compiled
def new_queue(room: int, n_point: int) -> Queue:
    """Return an empty queue with room for a number of grounds."""
    return Queue(np.zeros(1, np.int64), np.empty(room, np.int64), np.empty((room, n_point)), np.empty((room, n_point)),
                 np.zeros((n_point + 2 * MARGIN) * NODE))


@compiled
def reduce_and_factor(system: Array, work: Array) -> None:
    """Factor the sixteen systems for the springs in `work`, and reduce their loads on the way, as `slab.deflect`."""
    for i in range(system.shape[1]):
        main, off1, off2, force = system[MAIN, i], system[OFF1, i], system[OFF2, i], system[FORCE, i]
        row = work[i * NODE : (i + 1 + MARGIN) * NODE]  # two nodes before and this one
        for j in range(LANES):
            k = row[AFTER_NEXT + SPRING + j]
            d1, l1, f1 = row[NEXT + PIVOT + j], row[NEXT + FIRST + j], row[NEXT + SECOND + j]
            d2, f2 = row[PIVOT + j], row[SECOND + j]
            d = main + k - d1 * l1 * l1 - d2 * f2 * f2
            value = force + k * row[AFTER_NEXT + GROUND + j] - l1 * row[NEXT + VALUE + j] - f2 * row[VALUE + j]
            inverse = 1.0 / d
            row[AFTER_NEXT + PIVOT + j] = d
            row[AFTER_NEXT + FIRST + j] = (off1 - d1 * l1 * f1) * inverse
            row[AFTER_NEXT + SECOND + j] = off2 * inverse
            row[AFTER_NEXT + VALUE + j] = value
            row[AFTER_NEXT + SHAPE + j] = value * inverse


@compiled
def deflect_and_touch(system: Array, work: Array, late: bool) -> int:
    """Fill shapes and the springs that follow from them; return how many springs changed.

    late: True when only lift-offs are accepted, which ends a cycle.
    """
    changed = 0
    for i in range(system.shape[1] - 1, -1, -1):
        spring = system[SPRINGS, i]
        idle = spring * IDLE_SPRING
        row = work[(i + MARGIN) * NODE : (i + 1 + 2 * MARGIN) * NODE]  # this node and the two after it
        for j in range(LANES):
            shape = row[SHAPE + j] - row[FIRST + j] * row[NEXT + SHAPE + j] - row[SECOND + j] * row[AFTER_NEXT + SHAPE
                                                                                                   + j]
            row[SHAPE + j] = shape
            now = spring if shape < row[GROUND + j] else idle
            if late:
                now = min(now, row[SPRING + j])
            changed += now != row[SPRING + j]
            row[SPRING + j] = now
    return changed


@compiled
def deflect_together(grounds: Array, system: Array, work: Array, shapes: Array) -> None:
    """Fill shapes (n, n_point) with the slab on each of up to `LANES` grounds (n, n_point), as `slab.deflect`. [m]"""
    last = grounds.shape[0] - 1
    for i in range(grounds.shape[1]):
        row = work[(i + MARGIN) * NODE : (i + 1 + MARGIN) * NODE]
        for j in range(LANES):
            row[GROUND + j] = grounds[min(j, last), i]  # lanes without a ground repeat the last one
            row[SPRING + j] = system[SPRINGS, i]
    for iteration in range(MOST_ITERATIONS):
        reduce_and_factor(system, work)
        if deflect_and_touch(system, work, iteration > LATE) == 0:
            break
    for i in range(grounds.shape[1]):
        row = work[(i + MARGIN) * NODE : (i + 1 + MARGIN) * NODE]
        for j in range(last + 1):
            shapes[j, i] = row[SHAPE + j]


@compiled
def solve_waiting(system: Array, queue: Queue) -> int:
    """Fill `queue.shape` for all grounds that wait, and return their number; then the queue is empty. [m]"""
    count = queue.count[0]
    queue.count[0] = 0
    for first in range(0, count, LANES):
        stop = min(first + LANES, count)
        deflect_together(queue.ground[first:stop], system, queue.work, queue.shape[first:stop])
    return count
