"""The compiled path of the year to come: the bending if a past year were repeated, and the months that are solved.

Method: notebooks/method.md, section 5.6 and 9.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from riskmap.movement.compiled import compiled
from riskmap.movement.kernels_slab import ask, ground_shape
from riskmap.movement.slab import departure
from riskmap.movement.slab_lanes import Queue

Array = NDArray[np.float64]
Months = NDArray[np.int64]

HORIZON = 12
WORST, WORST_DEPARTED, HIGHEST, LOWEST, LAST = 0, 1, 2, 3, 4  # what is stored of a replayed year, in this order
SOLVED = (WORST, HIGHEST, LOWEST, LAST)  # the months that are solved, in this order


@compiled
def replayed(states: Array, bend: Array, row: Array, decay: Array, early: Array, driver: Array, now: int, start: int,
             out: Array) -> None:
    """Fill `out` (12,) with the bending of the next months if the year after month `start` were repeated.

    Method: method.md, section 5.6. [m]
    This is exact for the linear model: c(k) = C(start+k) + decay^k (C(now) - C(start)) + decay^(k-1) early (u(now) -
    u(start)).
    """
    jump = driver[now] - driver[start]
    part = row * (decay * (states[now] - states[start]) + early * jump)
    for k in range(HORIZON):
        total = bend[start + k + 1]
        for i in range(part.size):
            total += part[i]
            part[i] *= decay[i]
        out[k] = total


@compiled
def replayed_state(k: int, start: int, now: int, states: Array, powers: Array, decay: Array, early: Array,
                   jump: float) -> Array:
    """Return the always-slabbed state k + 1 months from now if the year after month `start` were repeated. [pF]

    Method: method.md, section 5.6. states (n_month, n_mode), powers (n_month, n_mode), decay and early (n_mode,);
    jump: driver of the present month minus that of `start`. [pF]
    """
    state = states[start + k + 1].copy()
    for i in range(state.size):
        state[i] += powers[k, i] * (decay[i] * (states[now, i] - states[start, i]) + early[i] * jump)
    return state


@compiled
def changes(today: float, year: Array) -> tuple[float, float, float]:
    """Return change, rise and fall of the bending within a replayed year. [m] (method.md, section 9)

    today: present bending on the branch that the year took; year (5,): bending in the HIGHEST, LOWEST and LAST month.
    fall <= change <= rise, fall <= 0 <= rise.
    """
    change = year[LAST] - today
    return change, max(0.0, year[HIGHEST] - today, change), min(0.0, year[LOWEST] - today, change)


@compiled
def asked_months(bend: Array, asked: Months) -> None:
    """Fill asked (4,) with the months to solve: of the worst, the highest and the lowest bending (12,), and the last.

    Method: method.md, section 9.
    """
    worst, asked[:] = -1.0, 0
    most, least = -np.inf, np.inf
    for k in range(HORIZON):
        if abs(bend[k]) > worst:
            worst, asked[0] = abs(bend[k]), k
        if bend[k] > most:
            most, asked[1] = bend[k], k
        if bend[k] < least:
            least, asked[2] = bend[k], k
    asked[3] = HORIZON - 1


@compiled
def ask_year(asked: Months, start: int, now: int, age: int, states: Array, delta: Array, powers: Array, decay: Array,
             early: Array, jump: float, rows: Array, last: Array, last_added: Array, old: bool, queue: Queue,
             place: Months) -> None:
    """Ask for the slab in the months of a replayed year, each once; place (4,) is filled with their places.

    asked (4,): from `asked_months`; start, now, jump: as in `replayed_state`; last, last_added (n_point,): ground at
    the end of the year without a pour, and what the pour adds to it [m]; old: True when the pour adds nothing.
    """
    for p in range(asked.size):
        place[p] = -1
        for q in range(p):
            if asked[q] == asked[p]:
                place[p] = place[q]
        if place[p] >= 0:
            continue
        if p == LAST - 1 and not old:
            place[p] = ask(last, queue)
            for j in range(last.size):
                queue.ground[place[p], j] += last_added[j]
            continue
        state = replayed_state(asked[p], start, now, states, powers, decay, early, jump)
        if not old:
            for i in range(state.size):
                state[i] += powers[age + 1 + asked[p], i] * delta[i]
        place[p] = ask(ground_shape(rows, state), queue)


@compiled
def read_year(place: Months, flat: Array, queue: Queue, year: Array) -> None:
    """Fill year (5,) with what is stored of a replayed year. [m] place (4,): from `ask_year`."""
    year[WORST], year[WORST_DEPARTED] = departure(queue.shape[place[0]], flat)
    for p in range(1, place.size):
        year[HIGHEST + p - 1] = departure(queue.shape[place[p]], flat)[0]
