"""The strip's suction as a few decaying modes: one small model per half width over active depth.

A rational-Krylov Galerkin projection preserves the responses of the operator at a set of rates. The projected operator
is symmetric and positive definite, so every mode decays: the model cannot become unstable. Its error against a finer
march is measured in tests/verification (at most 1 % of the edge range for diffusivity 0.3-10 m2/yr).
Method: notebooks/method.md, section 5.5.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import lru_cache
from threading import Lock
from typing import Protocol

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import get_lapack_funcs, solveh_banded
from scipy.sparse import sparray, spmatrix

from riskmap.movement import cracked, grid

Array = NDArray[np.float64]

# Rates at which the responses are matched: eleven give at most 0.5 % of the edge range up to a ratio of 3.5 (computed).
SHIFTS = (0.0, 1.0, 3.0, 10.0, 30.0, 100.0, 300.0, 1e3, 3e3, 1e4, 3e4)
PROFILE_MODES = 8  # open-ground modes whose initial profile is reproduced exactly
RELATIVE_DROP = 1e-9
# 41-42 modes; 1e-9 would keep 58 and change no case by as much as 0.03 % of the edge range (computed)
CRACKED_DROP = 1e-6
BLOCK = 64  # columns per step of LAPACK's factorisation: its usual size, a matter of speed only
PROFILE_POINTS = 21  # from the middle to the edge; by mirroring, the slab has 41 nodes


@dataclass(frozen=True)
class ReducedModel:
    """Modes of one strip.

    Attributes
    ----------
    ratio : float
        Half width over active depth.
    rates, inputs : array, shape (n_mode,)
        dc/dtau = -rates c + inputs u, with tau = diffusivity * time / active depth squared.
    output : array, shape (n_point, n_z, n_mode)
        Suction of each depth cell at each point from the middle (first) to the edge (last), multiplied by the cell
        size.
    initial : array, shape (n_mode, n_z)
        Modes of the strip from modes of the open ground: c = initial a.
    ground_rates, ground_inputs : array, shape (n_z,)
    ground_output : array, shape (n_z, n_z)
        Suction of each depth cell (first axis) from open-ground modes, multiplied by the cell size.
    depth_edges : array, shape (n_z + 1,)
        Cell limits in active depths.
    """

    ratio: float
    rates: Array
    inputs: Array
    output: Array
    initial: Array
    ground_rates: Array
    ground_inputs: Array
    ground_output: Array
    depth_edges: Array


def _basis(operator: grid.Operator, ground_modes: Array, count: int, shifts: Sequence[float], drop: float) -> Array:
    """Return orthonormal directions that span the responses at the shifts, shape (n_cell, n_direction)."""
    root = np.sqrt(operator.capacity)
    flat = np.tile(ground_modes[:, :count], (operator.x.size, 1)) * root[:, None]
    start = np.asfortranarray(np.column_stack([operator.surface / root, flat]) if count else
                              (operator.surface / root)[:, None])
    band = _band(operator.conductance, 1 / root, operator.z.size)
    blocks = [flat] if count else []
    blocks += [_solved(band, shift, start) for shift in shifts]
    vectors = np.concatenate([(block / np.linalg.norm(block, axis=0)).T for block in blocks]).T  # columns in memory
    return _directions(vectors, drop)


def _directions(vectors: Array, drop: float) -> Array:
    """Return the left singular vectors whose singular value is above `drop` of the largest.

    The triangle of a QR factorisation has the same singular values, and only the columns that stay are turned back.
    That takes about half as long as the singular value decomposition of all cells.
    """
    factor, turn = get_lapack_funcs(("geqrf", "ormqr"), (vectors,))
    count = vectors.shape[1]
    reflected, scales, _, _ = factor(vectors, lwork=BLOCK * count, overwrite_a=True)
    left, singular, _ = np.linalg.svd(np.triu(reflected[:count]))
    stays = singular > drop * singular[0]
    out = np.zeros((vectors.shape[0], int(stays.sum())), order="F")
    out[:count] = left[:, stays]
    turned: Array = turn("L", "N", reflected, scales, out, lwork=BLOCK * count, overwrite_c=True)[0]
    return turned


def _band(matrix: sparray | spmatrix, scale: Array, last: int) -> Array:
    """Return diagonals 0 to `last` of scale * matrix * scale in the upper form of LAPACK, shape (last + 1, n).

    The matrix is symmetric. Its upper form is solved faster than its lower one.
    """
    band = np.zeros((last + 1, matrix.shape[0]), order="F")
    for k in (0, 1, last):  # a cell touches the one below it and the one beside it
        band[last - k, k:] = matrix.diagonal(k) * scale[k:] * scale[:scale.size - k]
    return band


def _solved(band: Array, shift: float, right: Array) -> Array:
    """Return (matrix + shift) \\ right; the matrix is positive definite. Twice as fast as a sparse factorisation."""
    shifted = band.copy(order="F")
    shifted[-1] += shift
    solution: Array = solveh_banded(shifted, right, overwrite_ab=True, check_finite=False)
    return solution


def build(ratio: float, size: grid.GridSize = grid.STANDARD, *, far_field: float = grid.FAR_FIELD,
          antisymmetric: bool = False, cracked_depth: float = 0.0, cracked_ratio: float = cracked.CRACKED_RATIO,
          shifts: Sequence[float] = SHIFTS, positions: Array | None = None, drop: float | None = None) -> ReducedModel:
    """Build the reduced model of a strip. (method.md, section 5.5)

    Parameters
    ----------
    ratio : float
        Half width over active depth; accuracy is tested from 0.8 to 3.5.
    size : GridSize
    far_field : float
    antisymmetric : bool
        True for the part of the motion that is opposite on the two sides, which starts from zero at the pour.
    cracked_depth, cracked_ratio : float
        Cracked depth over active depth (scenario; 0 for none) and the diffusivity there divided by that of the rest.
    shifts : sequence of float
        Rates at which responses are matched.
    positions : array, optional
        Points of the output from the middle to the edge in active depths; default `PROFILE_POINTS` evenly spaced.
    drop : float, optional
        Directions of the responses below this share of the strongest are left out; default `RELATIVE_DROP`, in cracked
        ground `CRACKED_DROP`.

    Raises
    ------
    ValueError
        If the ratio is not positive.
    """
    operator = grid.strip(ratio, size, far_field=far_field, middle="zero" if antisymmetric else "mirror",
                          cracked_depth=cracked_depth, cracked_ratio=cracked_ratio)
    ground_rates, ground_modes, ground_inputs = grid.column(operator.dz, cracked_depth, cracked_ratio)
    basis = _basis(operator, ground_modes, 0 if antisymmetric else PROFILE_MODES, shifts,
                   drop or (CRACKED_DROP if cracked_depth else RELATIVE_DROP))
    root = np.sqrt(operator.capacity)
    unscaled = basis / root[:, None]
    rates, turn = np.linalg.eigh(unscaled.T @ (operator.conductance @ unscaled))
    modes = basis @ turn
    shape = (operator.x.size, operator.z.size, rates.size)
    suction = (modes / root[:, None]).reshape(shape)
    places = ratio * np.linspace(0.0, 1.0, PROFILE_POINTS) if positions is None else positions
    points = grid.rows_at(operator, places, odd=antisymmetric)
    flat = points @ suction.reshape(shape[0], -1)
    output = flat.reshape(places.size, *shape[1:]) * operator.dz[None, :, None]
    uniform = np.tile(ground_modes, (operator.x.size, 1)) * root[:, None]
    return ReducedModel(
        ratio=ratio,
        rates=rates,
        inputs=modes.T @ (operator.surface / root),
        output=output,
        initial=modes.T @ uniform,
        ground_rates=ground_rates,
        ground_inputs=ground_inputs,
        ground_output=ground_modes * operator.dz[:, None],
        depth_edges=np.concatenate([[0.0], np.cumsum(operator.dz)]),
    )


class Shelf(Protocol):
    """A place where models may be stored between processes.

    A model from it equals the one that was put there, bit by bit.
    """

    def take(self, name: str) -> ReducedModel | None:
        """Return a model, or None."""

    def put(self, name: str, model: ReducedModel) -> None:
        """Store a model."""


_shelf: list[Shelf] = []  # at most one
_building: defaultdict[str, Lock] = defaultdict(Lock)


@contextmanager
def kept_on(shelf: Shelf) -> Iterator[None]:
    """Within the block, take models from a shelf and put new ones there."""
    before = _shelf[:]
    _shelf[:] = [shelf]
    try:
        yield
    finally:
        _shelf[:] = before


@lru_cache(maxsize=512)
def cached(ratio: float, antisymmetric: bool = False, cracked_depth: float = 0.0) -> ReducedModel:
    """Return the standard model for a ratio. It is built once per process, or taken from the shelf.

    Method: method.md, section 5.5.
    """
    name = f"{ratio!r}-{antisymmetric:d}" + (f"-cracked-{cracked_depth!r}" if cracked_depth else "")
    with _building[name]:  # so that two threads that need the same model do not build it twice
        model = _shelf[0].take(name) if _shelf else None
        if model is None:
            model = build(ratio, antisymmetric=antisymmetric, cracked_depth=cracked_depth)
            if _shelf:
                _shelf[0].put(name, model)
    return model


def step_factors(rates: Array, dtau: float) -> tuple[Array, Array, Array]:
    """Return the factors of the exact monthly step for a driver that is linear between month ends.

    Method: method.md, section 5.5. [-]
    c(j+1) = decay c(j) + inputs (early u(j) + late u(j+1)).

    Parameters
    ----------
    rates : array, shape (n_mode,)
    dtau : float
        Dimensionless time of a month, diffusivity / (12 active depth squared).

    Returns
    -------
    decay, early, late : array, shape (n_mode,)
        They follow from the variation-of-constants formula; below x = 1e-4 its series is used (checked in
        tests/verification).
    """
    x = rates * dtau
    small = x < 1e-4
    safe = np.where(small, 1.0, x)
    mean = np.where(small, 1 - x / 2 + x**2 / 6, -np.expm1(-safe) / safe)
    late = np.where(small, 0.5 - x / 6 + x**2 / 24, (1 - mean) / safe)
    return np.exp(-x), dtau * (mean - late), dtau * late
