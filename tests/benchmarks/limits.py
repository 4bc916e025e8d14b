"""How far a run is from what the machine could do at best: bytes against memory bandwidth, sums against one core.

    python tests/benchmarks/limits.py

Both limits are measured here, in this process. The sums of a model run are counted from the loops of the compiled path.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np
from numba import njit

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]


def bandwidth_gb_s(megabytes: int = 512) -> float:
    """Return gigabytes a second that one core reads and writes: the best of five copies of a large array."""
    source = np.ones(megabytes * 2**17)
    target = np.empty_like(source)
    best = np.inf
    for _ in range(5):
        began = time.perf_counter()
        np.copyto(target, source)
        best = min(best, time.perf_counter() - began)
    return 2 * source.nbytes / best / 1e9


@njit(fastmath=True)
def _sums(x: np.ndarray, times: int) -> float:
    total = 0.0
    for k in range(times):
        for i in range(x.size):
            x[i] = x[i] * 0.999999 + 1e-9 * k
        total += x[0]
    return total


def gflops() -> float:
    """Return billions of multiplications and additions a second of one core on numbers in its nearest cache."""
    x = np.ones(1024)
    _sums(x, 10)
    best = np.inf
    for _ in range(5):
        began = time.perf_counter()
        _sums(x, 100_000)
        best = min(best, time.perf_counter() - began)
    return 2 * x.size * 100_000 / best / 1e9


def flops_a_draw(months: int, pours: int, points: int = 21, modes: int = 27, depths: int = 30, solves: int = 10,
                 past: int = 23) -> float:
    """Return multiplications and additions of one model run of one archetype.

    Counted from `movement/kernels.py`: what a soil needs once (rows, two histories, past ground) is shared by its pour
    dates; a slab solve is about 40 operations a node and contact step, three steps each; a past month about one step.
    """
    soil = 2 * points * depths * modes + 2 * 2 * months * modes + 2 * past * points * modes + 6 * 12 * 3 * modes
    pour = 2 * depths * modes + 12 * months / 2 + solves * (2 * points * modes + 3 * 40 * points) + past * 40 * points
    return soil / pours + pour


def main() -> None:
    """Print both limits and the distance of the compiled path from them."""
    from benchmarks.test_movement_ratio import MONTHS, POURS, history, ours

    rate = ours(history.__wrapped__())  # type: ignore[attr-defined]
    peak, width, work = gflops(), bandwidth_gb_s(), flops_a_draw(MONTHS, POURS)
    print(f"one core: {peak:.1f} billion operations a second, {width:.1f} GB a second copied (measured here)")
    print(f"movement: {rate:,.0f} draws a second x about {work:,.0f} operations = {rate * work / 1e9:.2f} billion, "
          f"{rate * work / 1e9 / peak:.0%} of one core's peak")


if __name__ == "__main__":
    main()
