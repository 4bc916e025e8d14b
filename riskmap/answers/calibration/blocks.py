"""Blocks by place, and splits that keep neighbours of the houses left out away from what is fitted.

Errors of houses near to each other are alike, so that a house left out alone is half known from its neighbours. Roberts
et al. 2017 (Ecography 40(8)) and Mahoney et al. 2023: leave out blocks at least as large as the correlation range, with
a buffer round them.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Whole = NDArray[np.int64]
Split = tuple[Whole, Whole]  # rows fitted, rows left out

RANGE_M = 500.0  # judgement: a subdivision on one soil body; settable, lengthened when the surveys ask for more
MOST_FOLDS = 10  # judgement: beyond it blocks share a fold
SEED = 20240501  # of the random split


def by_place(x_m: Array, y_m: Array, size_m: float) -> list[str]:
    """Return the name of the square of each point on a fixed grid, so that company changes no block."""
    east, north = np.floor(x_m / size_m).astype(np.int64), np.floor(y_m / size_m).astype(np.int64)
    return [f"E{a} N{b}" for a, b in zip(east.tolist(), north.tolist(), strict=True)]


def folds(block: list[str], most: int = MOST_FOLDS) -> Whole:
    """Return a fold number per row; whole blocks, the largest first, always into the smallest fold."""
    names, number, counts = np.unique(np.array(block, dtype=object).astype(str), return_inverse=True,
                                      return_counts=True)
    size = np.zeros(min(most, len(names)), dtype=np.int64)
    of_block = np.zeros(len(names), dtype=np.int64)
    for b in np.argsort(-counts, kind="stable").tolist():
        of_block[b] = int(size.argmin())
        size[of_block[b]] += counts[b]
    return of_block[number]


def blocked(block: list[str], house: list[str], x_m: Array, y_m: Array, buffer_m: float) -> Iterator[Split]:
    """Yield splits by block; fitted rows are of other houses and at least the buffer away from every row left out."""
    from scipy.spatial import cKDTree

    fold, names = folds(block), np.array(house, dtype=object)
    xy = np.column_stack([x_m, y_m])
    for f in range(int(fold.max()) + 1):
        out = fold == f
        near = cKDTree(xy[out]).query(xy)[0] < buffer_m
        yield np.flatnonzero(~out & ~near & ~np.isin(names, names[out])), np.flatnonzero(out)


def at_random(count: int, parts: int, seed: int = SEED) -> Iterator[Split]:
    """Yield the naive splits: rows at random, neighbours and other rows of a house on both sides."""
    part = np.random.default_rng(seed).permutation(count) % max(parts, 2)
    for k in range(max(parts, 2)):
        yield np.flatnonzero(part != k), np.flatnonzero(part == k)
