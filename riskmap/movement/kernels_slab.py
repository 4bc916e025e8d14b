"""The compiled path of one slab: the ground under it, its bending and its tilt; pours that share them are solved once.

Method: notebooks/method.md, section 5.6, 6 and 7.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from riskmap.movement.compiled import compiled
from riskmap.movement.slab import deflect, departure, settle

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
def slab_on(rows: Array, state: Array, half: Array, flat: Array) -> tuple[float, float, float]:
    """Return the height of the middle above the edge and the signed largest departure, both since the slab was level,
    and the gap between the edge and the ground below it, negative where the ground is pressed down. [m]
    (method.md, section 7)

    half: system of half the slab (`slab.assemble`); flat: its shape on level ground.
    """
    ground = ground_shape(rows, state)
    shape = deflect(ground, half, False)
    middle, departed = departure(shape, flat)
    return middle, departed, shape[-1] - ground[-1]


@compiled
def settled_slab(ground: Array, own: Array, flat: Array, touching: Flags, factored: bool,
                 shape: Array) -> tuple[float, float, bool]:
    """Return what `slab_on` returns, and whether `own` contains the factors for `touching`. [m] (method.md, section 7)

    It starts from the contact of the solution before, which hardly changes; the result does not depend on it. ground
    (n_point,): under half a slab [m]; own, touching, factored, shape: as in `slab.settle`.
    """
    factored = settle(ground, own, touching, factored, shape)
    middle, departed = departure(shape, flat)
    return middle, departed, factored


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
    settle(whole, system, touching, bool(0), shape)  # bool(0): see `kernels`
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
def shared_slab(t: int | np.int64, states: Array, rows: Array, half: Array, flat: Array,
                shared: Array) -> tuple[float, float]:
    """Return middle and departure of the always-slabbed slab in a month, which is solved once for all pours.

    shared (n_month, 3): middle, departure and gap of the months solved so far, else nan. [m]
    """
    if np.isnan(shared[t, 0]):
        shared[t, 0], shared[t, 1], shared[t, 2] = slab_on(rows, states[t], half, flat)
    return shared[t, 0], shared[t, 1]


@compiled
def slab_at(k: int | np.int64, pour: int, reuse: int, states: Array, delta: Array, powers: Array, rows: Array,
            half: Array, flat: Array, shared: Array, own: Array, touching: Flags, factored: bool,
            shape: Array) -> tuple[float, float, bool]:
    """Return middle and departure of the slab k months after the pour, from the shared solutions where they apply.

    The last value says whether `own` contains the factors for `touching` (`settled_slab`).
    """
    t = pour + k
    if k >= reuse:
        middle, departed = shared_slab(t, states, rows, half, flat, shared)
        return middle, departed, factored
    state = states[t].copy()
    for i in range(state.size):
        state[i] += powers[k, i] * delta[i]
    return settled_slab(ground_shape(rows, state), own, flat, touching, factored, shape)
