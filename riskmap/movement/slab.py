"""The slab: a free beam of one metre width on springs that cannot pull, solved by an active set.

EI w'''' = k max(0, y - w) - q with end line loads P (physics notes section 6). The discrete energy is convex, so the
contact set that satisfies itself is the answer. A symmetric mound is solved on half of the beam: the middle is then a
mirror, which halves the work and gives the same numbers (tests/verification).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from riskmap.movement.compiled import compiled

Array = NDArray[np.float64]

IDLE_SPRING = 1e-9  # share of the spring kept where the slab has lifted off, so that the system stays regular
MOST_ITERATIONS = 30
STIFFEST = 1e10  # N m2 per m; beyond it the solution loses digits (physics notes)


@compiled
def solve(ground: Array, spacing: float, stiffness: float, spring: float, load: float, edge_load: float, mirror: bool,
          tension: bool) -> Array:
    """Return the deflected shape of the slab.

    Parameters
    ----------
    ground : array, shape (n,)
        Height of the ground. [m]
    spacing : float
        Distance between nodes. [m]
    stiffness, spring, load, edge_load : float
        Bending stiffness [N m2/m], subgrade spring [N/m3], uniform load [Pa], line load at a free end [N/m].
    mirror : bool
        True when the first node is the middle of a symmetric slab; False when it is a free end.
    tension : bool
        True for springs that can pull (only to check against closed forms).

    Returns
    -------
    array, shape (n,)
        Height of the slab. [m]
    """
    n = ground.size
    stiffness = min(stiffness, 1e10)
    main0, off10, off20 = np.zeros(n), np.zeros(n), np.zeros(n)
    bend = stiffness / spacing**3
    for i in range(1, n - 1):
        main0[i - 1] += bend
        main0[i] += 4 * bend
        main0[i + 1] += bend
        off10[i - 1] -= 2 * bend
        off10[i] -= 2 * bend
        off20[i - 1] += bend
    force0 = np.full(n, -load * spacing)
    force0[0] *= 0.5
    force0[n - 1] *= 0.5
    force0[n - 1] -= edge_load
    if mirror:
        main0[0] += 2 * bend
        main0[1] += 2 * bend
        off10[0] -= 2 * bend
    else:
        force0[0] -= edge_load
    touching = np.ones(n, dtype=np.bool_)
    main, off1, off2, shape = np.empty(n), np.empty(n), np.empty(n), np.zeros(n)
    for iteration in range(MOST_ITERATIONS):
        for i in range(n):
            tributary = spacing * (0.5 if i == 0 or i == n - 1 else 1.0)
            k = spring * tributary * (1.0 if touching[i] else IDLE_SPRING)
            main[i] = main0[i] + k
            off1[i] = off10[i]
            off2[i] = off20[i]
            shape[i] = force0[i] + k * ground[i]
        # LDL^T of the pentadiagonal system, then forward and back substitution in place
        for i in range(n):
            if i + 1 < n:
                factor = off1[i] / main[i]
                main[i + 1] -= factor * off1[i]
                if i + 2 < n:
                    off1[i + 1] -= factor * off2[i]
                shape[i + 1] -= factor * shape[i]
                off1[i] = factor
            if i + 2 < n:
                factor = off2[i] / main[i]
                main[i + 2] -= factor * off2[i]
                shape[i + 2] -= factor * shape[i]
                off2[i] = factor
        for i in range(n - 1, -1, -1):
            value = shape[i] / main[i]
            if i + 1 < n:
                value -= off1[i] * shape[i + 1]
            if i + 2 < n:
                value -= off2[i] * shape[i + 2]
            shape[i] = value
        if tension:
            break
        changed = False
        for i in range(n):
            now = shape[i] < ground[i]
            if now != touching[i]:
                # late in a cycle only lift-offs are accepted, which ends it
                if iteration > 20 and now:
                    continue
                touching[i] = now
                changed = True
        if not changed:
            break
    return shape


@compiled
def departure(shape: Array) -> tuple[float, float]:
    """Return the middle of a half slab above its edge and the signed largest departure from the chord.

    `shape` runs from the middle (first) to the edge (last); for a symmetric slab the chord is level.
    """
    edge = shape[-1]
    largest = 0.0
    for value in shape:
        if abs(value - edge) > abs(largest):
            largest = value - edge
    return shape[0] - edge, largest


def section_stiffness(depth_m: float, *, rib_spacing_m: float = 3.66, rib_width_m: float = 0.25,
                      slab_depth_m: float = 0.10, modulus_pa: float = 10.3e9) -> float:
    """Return the bending stiffness of a ribbed slab per metre of width. [N m2/m]

    T section of one rib and its strip of slab, total depth `depth_m`; long-term modulus 1.5e6 psi (from memory).
    Check values: 0.40/0.50/0.60/0.75/0.90 m give 9.4/18/32/61/105 MN m2/m (physics notes section 6, computed).
    """
    rib_depth = depth_m - slab_depth_m
    flange, web = rib_spacing_m * slab_depth_m, rib_width_m * rib_depth
    middle = (flange * slab_depth_m / 2 + web * (slab_depth_m + rib_depth / 2)) / (flange + web)
    inertia = (rib_spacing_m * slab_depth_m**3 / 12 + flange * (middle - slab_depth_m / 2) ** 2
               + rib_width_m * rib_depth**3 / 12 + web * (slab_depth_m + rib_depth / 2 - middle) ** 2)
    return modulus_pa * inertia / rib_spacing_m


# Median stiffness by class, MN m2/m: the section formula at 0.40 m (shallow) and 0.75 m (deep) total depth; typical and
# unknown share the default of the decisions page, unknown with the wider spread.
CLASS_STIFFNESS_MN_M2 = {"unknown": 20.0, "shallow": 9.4, "typical": 20.0, "deep": 61.0}
