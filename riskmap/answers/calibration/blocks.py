"""Blocks by place, and splits that keep the neighbours of left-out houses away from the fitted rows.

Houses near to each other have similar errors, so that neighbours already say half of what there is to know about a
single house that is left out. Roberts et al. 2017 (Ecography 40(8)) and Mahoney et al. 2023: leave out blocks at least
as large as the correlation range, with a buffer round them.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Whole = NDArray[np.int64]
Split = tuple[Whole, Whole]  # fitted rows, left-out rows

# judgement: a subdivision on one soil body; it can be set, and is lengthened when the surveys call for more
RANGE_M = 500.0
MOST_FOLDS = 10  # judgement: with more blocks, several share a fold
SEED = 20240501  # of the random split


def by_place(x_m: Array, y_m: Array, size_m: float) -> list[str]:
    """Return for each point the name of its square on a fixed grid, so that other points never change a block."""
    east, north = np.floor(x_m / size_m).astype(np.int64), np.floor(y_m / size_m).astype(np.int64)
    return [f"E{a} N{b}" for a, b in zip(east.tolist(), north.tolist(), strict=True)]


def folds(block: list[str], most: int = MOST_FOLDS) -> Whole:
    """Return a fold number per row. Blocks stay whole; each, the largest first, goes into the smallest fold so far."""
    names, number, counts = np.unique(np.array(block, dtype=object).astype(str), return_inverse=True,
                                      return_counts=True)
    size = np.zeros(min(most, len(names)), dtype=np.int64)
    of_block = np.zeros(len(names), dtype=np.int64)
    for b in np.argsort(-counts, kind="stable").tolist():
        of_block[b] = int(size.argmin())
        size[of_block[b]] += counts[b]
    return of_block[number]


def blocked(block: list[str], house: list[str], x_m: Array, y_m: Array, buffer_m: float) -> Iterator[Split]:
    """Yield splits by block. Fitted rows are of other houses, and at least the buffer away from every left-out row."""
    from scipy.spatial import cKDTree

    fold, names = folds(block), np.array(house, dtype=object)
    xy = np.column_stack([x_m, y_m])
    for f in range(int(fold.max()) + 1):
        out = fold == f
        near = cKDTree(xy[out]).query(xy)[0] < buffer_m
        yield np.flatnonzero(~out & ~near & ~np.isin(names, names[out])), np.flatnonzero(out)


def at_random(count: int, parts: int, seed: int = SEED) -> Iterator[Split]:
    """Yield the naive splits: rows are chosen at random, so neighbours and other rows of a house are on both sides."""
    part = np.random.default_rng(seed).permutation(count) % max(parts, 2)
    for k in range(max(parts, 2)):
        yield np.flatnonzero(part != k), np.flatnonzero(part == k)
