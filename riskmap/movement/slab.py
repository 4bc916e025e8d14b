"""The slab: a free beam of one metre width on springs that cannot pull, solved by an active set.

EI w'''' = k max(0, y - w) - q with end line loads P (method.md, section 7). The discrete energy is convex, so the
contact set that is consistent with its own solution is the right one. A symmetric mound is solved on half of the beam:
the middle then acts as a mirror, which halves the work and gives the same results (tests/verification).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from riskmap.movement.compiled import compiled

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

IDLE_SPRING = 1e-9  # share of the spring that remains where the slab has lifted off, so that the system stays regular
MOST_ITERATIONS = 30
STIFFEST = 1e10  # N m2 per m; beyond it the solution loses digits (computed)


# Rows of a system: bending diagonals, load, full springs, and room for one factorisation.
MAIN, OFF1, OFF2, FORCE, SPRING, PIVOT, WORK1, WORK2 = 0, 1, 2, 3, 4, 5, 6, 7


@compiled
def assemble(n: int, spacing: float, stiffness: float, spring: float, load: float, edge_load: float,
             mirror: bool) -> Array:
    """Return the system of a slab, shape (8, n), for any ground under the same slab. (method.md, section 7)

    n : int
        Number of nodes.
    spacing : float
        Distance between nodes. [m]
    stiffness, spring, load, edge_load : float
        Bending stiffness [N m2/m], subgrade spring [N/m3], uniform load [Pa], line load at a free end [N/m].
    mirror : bool
        True when the first node is the middle of a symmetric slab; False when it is a free end.
    """
    out = np.zeros((8, n))
    bend = min(stiffness, STIFFEST) / spacing**3
    for i in range(1, n - 1):
        out[MAIN, i - 1] += bend
        out[MAIN, i] += 4 * bend
        out[MAIN, i + 1] += bend
        out[OFF1, i - 1] -= 2 * bend
        out[OFF1, i] -= 2 * bend
        out[OFF2, i - 1] += bend
    for i in range(n):
        tributary = spacing * (0.5 if i == 0 or i == n - 1 else 1.0)
        out[FORCE, i] = -load * tributary
        out[SPRING, i] = spring * tributary
    out[FORCE, n - 1] -= edge_load
    if mirror:
        out[MAIN, 0] += 2 * bend
        out[MAIN, 1] += 2 * bend
        out[OFF1, 0] -= 2 * bend
    else:
        out[FORCE, 0] -= edge_load
    return out


@compiled
def deflect(ground: Array, system: Array, tension: bool) -> Array:
    """Return the shape of the slab on the ground. [m] (method.md, section 7)

    ground (n,): height of the ground [m]; system (8, n) from `assemble`, whose last rows are used as working space;
    tension: True for springs that can pull (only to check against exact solutions).
    """
    n = ground.size
    touching = np.ones(n, dtype=np.bool_)
    shape = np.empty(n)
    main0, off10, off20, force, springs = system[MAIN], system[OFF1], system[OFF2], system[FORCE], system[SPRING]
    pivot, low1, low2 = system[PIVOT], system[WORK1], system[WORK2]
    for iteration in range(MOST_ITERATIONS):
        # LDL^T of the pentadiagonal system; the right-hand side is reduced on the way
        d1 = d2 = l1 = 0.0  # pivots of the two rows before, first factor of the last
        f1 = f2 = 0.0
        s1 = s2 = 0.0
        for i in range(n):
            k = springs[i] if touching[i] else springs[i] * IDLE_SPRING
            d = main0[i] + k - d1 * l1 * l1 - d2 * f2 * f2
            value = force[i] + k * ground[i] - l1 * s1 - f2 * s2
            inverse = 1.0 / d
            # the row before is coupled to this row by l1 and to the next by f1
            first = (off10[i] - d1 * l1 * f1) * inverse
            second = off20[i] * inverse
            pivot[i], low1[i], low2[i], shape[i] = inverse, first, second, value
            d2, f2, s2 = d1, f1, s1
            d1, l1, f1, s1 = d, first, second, value
        for i in range(n - 1, -1, -1):
            value = shape[i] * pivot[i]
            if i + 1 < n:
                value -= low1[i] * shape[i + 1]
            if i + 2 < n:
                value -= low2[i] * shape[i + 2]
            shape[i] = value
        if tension:
            break
        changed = False
        for i in range(n):
            now = shape[i] < ground[i]
            if now != touching[i]:
                # late in a cycle only lift-offs are accepted, which ends the cycle
                if iteration > 20 and now:
                    continue
                touching[i] = now
                changed = True
        if not changed:
            break
    return shape


@compiled
def settle(ground: Array, system: Array, touching: Flags, factored: bool, shape: Array) -> bool:
    """Fill shape (n,) with what `deflect` returns, starting from the contact of the ground before. [m]

    Method: method.md, section 7.
    The result does not depend on the start. From month to month the contact hardly changes, so most months need one
    step and no new factors.

    Parameters
    ----------
    ground, system : array
        As in `deflect`.
    touching : bool array, shape (n,)
        Nodes that are assumed to touch; they are replaced by those that do.
    factored : bool
        True when `system` still contains the factors for `touching`, as the call before returned it.
    """
    n = ground.size
    main0, off10, off20, force, springs = system[MAIN], system[OFF1], system[OFF2], system[FORCE], system[SPRING]
    pivot, low1, low2 = system[PIVOT], system[WORK1], system[WORK2]
    for iteration in range(MOST_ITERATIONS):
        if not factored:
            d1 = d2 = l1 = f1 = f2 = 0.0  # as in `deflect`
            for i in range(n):
                k = springs[i] if touching[i] else springs[i] * IDLE_SPRING
                d = main0[i] + k - d1 * l1 * l1 - d2 * f2 * f2
                inverse = 1.0 / d
                first, second = (off10[i] - d1 * l1 * f1) * inverse, off20[i] * inverse
                pivot[i], low1[i], low2[i] = inverse, first, second
                d2, f2, d1, l1, f1 = d1, f1, d, first, second
            factored = True
        s1 = s2 = l1 = f1 = f2 = 0.0
        for i in range(n):
            k = springs[i] if touching[i] else springs[i] * IDLE_SPRING
            value = force[i] + k * ground[i] - l1 * s1 - f2 * s2
            shape[i] = value * pivot[i]
            f2, s2, l1, f1, s1 = f1, s1, low1[i], low2[i], value
        after = beyond = 0.0
        for i in range(n - 1, -1, -1):
            value = shape[i] - low1[i] * after - low2[i] * beyond
            shape[i], after, beyond = value, value, after
        for i in range(n):
            now = shape[i] < ground[i]
            if now != touching[i] and not (iteration > 20 and now):
                touching[i] = now
                factored = False
        if factored:
            break
    return factored


@compiled
def solve(ground: Array, spacing: float, stiffness: float, spring: float, load: float, edge_load: float, mirror: bool,
          tension: bool) -> Array:
    """Return the deflected shape of the slab, for one ground. [m] Parameters as in `assemble` and `deflect`."""
    return deflect(ground, assemble(ground.size, spacing, stiffness, spring, load, edge_load, mirror), tension)


@compiled
def departure(shape: Array, flat: Array) -> tuple[float, float]:
    """Return the height of the middle of a half slab above its edge, and the signed largest departure from the chord.

    Method: method.md, section 7. [m]
    `shape` less `flat` is taken, from the middle (first) to the edge (last); for a symmetric slab the chord is level.
    """
    edge = shape[-1] - flat[-1]
    largest = 0.0
    for j in range(shape.size):
        above_edge = shape[j] - flat[j] - edge
        if abs(above_edge) > abs(largest):
            largest = above_edge
    return shape[0] - flat[0] - edge, largest


def section_stiffness(depth_m: float, *, rib_spacing_m: float = 3.66, rib_width_m: float = 0.25,
                      slab_depth_m: float = 0.10, modulus_pa: float = 10.3e9) -> float:
    """Return the bending stiffness of a ribbed slab per metre of width. [N m2/m]

    It is the T section of one rib and its strip of slab, with total depth `depth_m` and the long-term modulus 1.5e6 psi
    (from memory). Check values: 0.40/0.50/0.60/0.75/0.90 m give 9.4/18/32/61/105 MN m2/m (computed; method.md, section
    7).
    """
    rib_depth = depth_m - slab_depth_m
    flange, web = rib_spacing_m * slab_depth_m, rib_width_m * rib_depth
    middle = (flange * slab_depth_m / 2 + web * (slab_depth_m + rib_depth / 2)) / (flange + web)
    inertia = (rib_spacing_m * slab_depth_m**3 / 12 + flange * (middle - slab_depth_m / 2) ** 2
               + rib_width_m * rib_depth**3 / 12 + web * (slab_depth_m + rib_depth / 2 - middle) ** 2)
    return modulus_pa * inertia / rib_spacing_m
