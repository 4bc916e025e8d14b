"""Finite-volume grid and operator of the half strip: suction under a sealed slab and in the open ground beside it.

Lengths are divided by the active depth, so the operator depends on a single number, half width over active depth. Cells
grow geometrically away from the slab edge and from the surface: on a uniform grid the square-root singularity at the
edge leaves an error of first order (notebooks/method.md, section 5.5; tests/verification).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from riskmap.movement import cracked

Array = NDArray[np.float64]

FAR_FIELD = 1.5  # width of open ground in active depths: error below 0.18 % of the edge range (computed)


@dataclass(frozen=True)
class GridSize:
    """Number of cells under the slab, outside and in depth, and the ratio of largest to smallest cell along x and z."""

    under: int
    outside: int
    depth: int
    ratio_x: float
    ratio_z: float


STANDARD = GridSize(60, 44, 28, 120.0, 30.0)  # edge within 0.2 % of the fine march's step response (computed)
FINE = GridSize(80, 56, 40, 150.0, 40.0)


@dataclass(frozen=True)
class Operator:
    """Semi-discrete diffusion: capacity dv/dtau = -conductance v + surface u.

    Attributes
    ----------
    x, z : array, shapes (n_x,), (n_z,)
        Cell centres; x from the slab's middle, z downward, in active depths.
    dx, dz : array
        Cell sizes.
    capacity : array, shape (n_x * n_z,)
        Cell areas; cell (i, j) is at i * n_z + j.
    conductance : sparse matrix
        Symmetric, positive definite.
    surface : array, shape (n_x * n_z,)
        Inflow per unit of surface suction outside the slab.
    half_width : float
        Half width of the slab in active depths.
    """

    x: Array
    z: Array
    dx: Array
    dz: Array
    capacity: Array
    conductance: sparse.csc_matrix
    surface: Array
    half_width: float


def geometric_cells(length: float, count: int, ratio: float) -> Array:
    """Return `count` cell sizes that add up to `length`; the last is `ratio` times the first.

    Method: method.md, section 5.5. [-]
    """
    sizes = ratio ** (np.arange(count) / max(count - 1, 1))
    return length * sizes / sizes.sum()


def strip(half_width: float, size: GridSize = STANDARD, *, far_field: float = FAR_FIELD,
          middle: Literal["mirror", "zero"] = "mirror", cracked_depth: float = 0.0,
          cracked_ratio: float = cracked.CRACKED_RATIO) -> Operator:
    """Assemble the operator of the half strip. (method.md, section 5.5)

    Parameters
    ----------
    half_width : float
        Half width of the slab over active depth.
    size : GridSize
    far_field : float
        Width of open ground over active depth; there is no flux at its far side.
    middle : str
        `mirror`: no flux at the slab's middle (both sides alike); `zero`: suction zero there (sides opposite).
    cracked_depth : float
        Depth over active depth to which open ground is cracked; 0 for none.
    cracked_ratio : float
        Diffusivity of cracked ground divided by that of the rest.

    Raises
    ------
    ValueError
        If a length is not positive.
    """
    if half_width <= 0 or far_field <= 0:
        raise ValueError("half width and far field must be positive")
    dx = np.concatenate([geometric_cells(half_width, size.under, size.ratio_x)[::-1],
                         geometric_cells(far_field, size.outside, size.ratio_x)])
    dz = geometric_cells(1.0, size.depth, size.ratio_z)
    x, z = np.cumsum(dx) - dx / 2, np.cumsum(dz) - dz / 2
    n_x, n_z = dx.size, dz.size
    number = np.arange(n_x * n_z).reshape(n_x, n_z)
    open_ground = np.arange(n_x) >= size.under

    in_cells, between = _cracked(dz, cracked_depth, cracked_ratio)
    outside = open_ground[:, None]
    beside = np.where(open_ground[1:], np.where(open_ground[:-1], 1.0, dx[1:] / (dx[1:] + dx[:-1])), 0.0)
    along = np.where(outside[:-1], in_cells, cracked.mean_across(beside[:, None], in_cells))
    across = dz[None, :] / np.diff(x)[:, None] * along
    down = dx[:, None] / np.diff(z)[None, :] * np.where(outside, between[1:-1], 1.0)
    diagonal = np.zeros((n_x, n_z))
    diagonal[:-1] += across
    diagonal[1:] += across
    diagonal[:, :-1] += down
    diagonal[:, 1:] += down
    diagonal[:, -1] += dx / (dz[-1] / 2) * np.where(open_ground, between[-1], 1.0)
    top = np.zeros((n_x, n_z))
    top[open_ground, 0] = dx[open_ground] / (dz[0] / 2) * between[0]
    diagonal += top
    if middle == "zero":
        diagonal[0] += dz / (dx[0] / 2)
    rows = np.concatenate([number[:-1].ravel(), number[:, :-1].ravel()])
    columns = np.concatenate([number[1:].ravel(), number[:, 1:].ravel()])
    values = -np.concatenate([across.ravel(), down.ravel()])
    upper = sparse.coo_matrix((values, (rows, columns)), shape=(n_x * n_z,) * 2)
    conductance = (upper + upper.T + sparse.diags(diagonal.ravel())).tocsc()
    return Operator(x, z, dx, dz, np.outer(dx, dz).ravel(), conductance, top.ravel(), half_width)


def _cracked(dz: Array, depth: float, ratio: float) -> tuple[Array, Array]:
    """Return the diffusivity of open ground in each depth cell (n_z,) and from point to point (n_z + 1,).

    The points are the surface, the cell centres and the active depth.
    """
    bottom = np.cumsum(dz)
    points = np.concatenate([[0.0], bottom - dz / 2, bottom[-1:]])
    return (cracked.mean_of_cells(cracked.within(bottom - dz, bottom, depth), ratio),
            cracked.mean_across(cracked.within(points[:-1], points[1:], depth), ratio))


def column(dz: Array, cracked_depth: float = 0.0,
           cracked_ratio: float = cracked.CRACKED_RATIO) -> tuple[Array, Array, Array]:
    """Return the exact modes of the open ground on the cells `dz`. (method.md, section 5.5)

    Returns
    -------
    rates : array, shape (n_z,)
        Decay rates per unit of dimensionless time, ascending.
    modes : array, shape (n_z, n_z)
        Column k is mode k at the cell centres, orthonormal under the weight dz.
    inputs : array, shape (n_z,)
        Response of each mode to a unit surface value: da/dtau = -rates a + inputs u.
    """
    z = np.cumsum(dz) - dz / 2
    _, between = _cracked(dz, cracked_depth, cracked_ratio)
    gaps = 1.0 / np.diff(z) * between[1:-1]
    diagonal = np.zeros(dz.size)
    diagonal[:-1] += gaps
    diagonal[1:] += gaps
    inflow = np.zeros(dz.size)
    inflow[0] = 2.0 / dz[0] * between[0]
    diagonal += inflow
    diagonal[-1] += 2.0 / dz[-1] * between[-1]
    root = np.sqrt(dz)
    matrix = (np.diag(diagonal) - np.diag(gaps, 1) - np.diag(gaps, -1)) / np.outer(root, root)
    rates, vectors = np.linalg.eigh(matrix)
    modes = vectors / root[:, None]
    modes *= np.where(modes[0] < 0, -1.0, 1.0)
    return rates, modes, inflow @ modes


def rows_at(operator: Operator, positions: Array, *, odd: bool = False) -> sparse.csr_matrix:
    """Return the matrix that interpolates cell columns to positions under the slab. (method.md, section 5.5)

    Parameters
    ----------
    operator : Operator
    positions : array, shape (n_point,)
        Distances from the middle in active depths, 0 to the half width.
    odd : bool
        True where suction is zero at the middle (sides opposite).

    Returns
    -------
    sparse matrix, shape (n_point, n_x)
        It uses straight lines between cell centres, and before the first centre the even parabola through the first
        two, or the straight line to zero.
    """
    x = operator.x
    right = np.clip(np.searchsorted(x, positions), 1, x.size - 1)
    left = right - 1
    weight = (positions - x[left]) / (x[right] - x[left])
    inner = positions < x[0]
    # even parabola v0 + c x^2 through the first two centres
    parabola = (positions**2 - x[0] ** 2) / (x[1] ** 2 - x[0] ** 2)
    weight = np.where(inner, 0.0 if odd else parabola, weight)
    first = np.where(inner, positions / x[0], 1 - weight) if odd else 1 - weight
    n = positions.size
    return sparse.csr_matrix(
        (np.concatenate([first, weight]), (np.tile(np.arange(n), 2), np.concatenate([left, right]))),
        shape=(n, x.size))
