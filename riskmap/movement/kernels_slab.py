"""The compiled path of one slab: the ground under it, its bending and its tilt; pours that share them are solved once.

Method: notebooks/method.md, section 5.6, 6 and 7.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from riskmap.movement.compiled import compiled
from riskmap.movement.slab import deflect, departure, settle
from riskmap.movement.slab_lanes import Queue, solve_waiting

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]


@compiled
def copy_into(source: Array, target: Array) -> None:
    """Copy a row, shape (n,). The compiler needs seconds for `target[:] = source`: it may fail, with a message."""
    for i in range(target.size):
        target[i] = source[i]


@compiled
def copy_rows(source: Array, target: Array) -> None:
    """Copy rows, shape (n_row, n)."""
    for i in range(target.shape[0]):
        copy_into(source[i], target[i])


@compiled
def ground_shape(rows: Array, state: Array) -> Array:
    """Return the ground under half a slab for a modal state: rows (n_mode, n_point) times state (n_mode,). [m]

    Method: method.md, section 6.
    """
    out = np.zeros(rows.shape[1])
    for i in range(state.size):
        for j in range(out.size):
            out[j] += rows[i, j] * state[i]
    return out


@compiled
def tilt_on(ground: Array, sides: Array, system: Array, length: float, contact: Flags) -> float:
    """Return the tilt of the slab, right end above left end over its length. [m/m] (method.md, section 7)

    ground, sides (n_point,): the part of the ground that is alike on both sides and the part that is opposite, from the
    middle to the right edge [m]; system of the whole slab; its length [m]; contact (n_point,): nodes of half the slab
    with which the search for touching nodes begins; the result does not depend on them.
    """
    n = ground.size
    whole, shape, touching = np.empty(2 * n - 1), np.empty(2 * n - 1), np.empty(2 * n - 1, dtype=np.bool_)
    for j in range(n):
        whole[n - 1 + j] = ground[j] + sides[j]
        whole[n - 1 - j] = ground[j] - sides[j]
        touching[n - 1 + j] = touching[n - 1 - j] = contact[j]
    settle(whole, system, touching, False, shape)
    return (shape[-1] - shape[0]) / length


@compiled
def one_side(rows: Array, decay: Array, steady: Array, difference: float, months: int) -> Array:
    """Return the opposite part of the ground after a sustained difference between the sides. [m] (method.md, section 7)

    rows (n_mode, n_point), decay, steady (n_mode,): the antisymmetric model; difference: surface suction right minus
    left [pF], constant for the given number of months, from rest.
    """
    state = np.empty(steady.size)
    for i in range(state.size):
        state[i] = difference / 2 * steady[i] * (1 - decay[i] ** months)
    return ground_shape(rows, state)


@compiled
def bending_weights(half: Array) -> Array:
    """Return weights (n_point,) of the ground under half a slab that give its bending while it touches everywhere.

    Method: method.md, section 7. [-]
    On springs that may pull, the height of the middle above the edge is linear in the ground. It shows which months
    bend the slab most (the dome of the ground itself can peak a month or two earlier, while it is narrow), and the slab
    is solved for those.
    """
    points = half.shape[1]
    out = np.empty(points)
    level = np.zeros(points)
    loaded = departure(deflect(level, half, True), level)[0]
    for j in range(points):
        unit = np.zeros(points)
        unit[j] = 1.0
        out[j] = departure(deflect(unit, half, True), level)[0] - loaded
    return out


@compiled
def ask(ground: Array, queue: Queue) -> int:
    """Let a ground (n_point,) wait for its slab, and return its place. [m] (method.md, section 7)"""
    place = queue.count[0]
    queue.count[0] = place + 1
    queue.month[place] = -1
    copy_into(ground, queue.ground[place])
    return place


@compiled
def ask_shared(t: int | np.int64, states: Array, rows: Array, shared: Array, queue: Queue) -> None:
    """Ask for the always-slabbed slab in a month, which is solved once for all pours.

    shared (n_month, 3): height of the middle above the edge and signed largest departure, both since the slab was
    level, and gap between the edge and the ground below it, negative where the ground is pressed down; nan in months
    that nobody has asked for. [m]
    """
    if np.isnan(shared[t, 0]):
        shared[t, 0] = 0.0  # until it is solved
        queue.month[ask(ground_shape(rows, states[t]), queue)] = t


@compiled
def ask_at(k: int | np.int64, pour: int, reuse: int, states: Array, delta: Array, powers: Array, rows: Array,
           shared: Array, queue: Queue) -> int:
    """Ask for the slab k months after the pour, and return its place; -1 where the shared solutions apply."""
    t = pour + k
    if k >= reuse:
        ask_shared(t, states, rows, shared, queue)
        return -1
    state = states[t].copy()
    for i in range(state.size):
        state[i] += powers[k, i] * delta[i]
    return ask(ground_shape(rows, state), queue)


@compiled
def solve(half: Array, flat: Array, shared: Array, queue: Queue) -> None:
    """Solve everything that was asked for. half: system of half the slab; flat: its shape on level ground. [m]"""
    for place in range(solve_waiting(half, queue)):
        t = queue.month[place]
        if t >= 0:
            shared[t, 0], shared[t, 1] = departure(queue.shape[place], flat)
            shared[t, 2] = queue.shape[place, -1] - queue.ground[place, -1]


@compiled
def slab_at(place: int, t: int | np.int64, flat: Array, shared: Array, queue: Queue) -> tuple[float, float]:
    """Return middle and departure of a slab that was asked for: at a place, or where that is -1, shared in month t."""
    if place < 0:
        return shared[t, 0], shared[t, 1]
    return departure(queue.shape[place], flat)
