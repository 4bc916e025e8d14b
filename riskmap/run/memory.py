"""Memory: a shortage is reported before the work starts, so that the system does not end the program halfway."""

from __future__ import annotations

import os
import sys
from contextlib import suppress
from pathlib import Path

from riskmap.common.errors import LayerError

# Measured with lots over real soil, all products, two threads: 0.97 GB at 100,000 lots, 1.40 GB at 200,000.
BASE_BYTES, BYTES_A_LOT = 540_000_000, 4_300
# The same in parts, measured with two workers: 2.1-2.7 GB at 1,000,000 lots. While lots are read and cleaned all of
# them are in memory, later only what is reported of each.
PARTS_BASE_BYTES, PARTS_BYTES_A_LOT = 1_200_000_000, 1_500
# Less than this is not looked for: the next part uses the room again, and looking takes a tenth of a second (measured
# at 50 lots: a fifth of the time of a part).
WORTH_RELEASING_BYTES = 50_000_000
SPARE = 1.15  # room for another machine's libraries
_MEMINFO = Path("/proc/meminfo")


def needed_bytes(lots: int, whole: bool = True) -> int:
    """Return about how much memory an estimate of this many lots takes at its peak, as one table or in parts."""
    base, each = (BASE_BYTES, BYTES_A_LOT) if whole else (PARTS_BASE_BYTES, PARTS_BYTES_A_LOT)
    return int(SPARE * (base + each * lots))


def available_bytes() -> int | None:
    """Return how much memory is available now; None where the system does not say."""
    try:
        for line in _MEMINFO.read_text(encoding="ascii").splitlines():
            if line.startswith("MemAvailable:"):
                return int(line.split()[1]) * 1024
    except (OSError, ValueError, IndexError):
        pass
    try:
        return os.sysconf("SC_AVPHYS_PAGES") * os.sysconf("SC_PAGE_SIZE")
    except (AttributeError, ValueError, OSError):
        return None


def check(lots: int, whole: bool = True) -> None:
    """Refuse an estimate that would not fit.

    Raises
    ------
    LayerError
        The error names both amounts. If the system does not report its memory, nothing is refused.
    """
    available, needed = available_bytes(), needed_bytes(lots, whole)
    if available is not None and needed > available:
        base, each = (BASE_BYTES, BYTES_A_LOT) if whole else (PARTS_BASE_BYTES, PARTS_BYTES_A_LOT)
        most = max(int((available / SPARE - base) / each), 0)
        raise LayerError(
            f"E-RUN-020 {lots:,} lots need about {needed / 1e9:.1f} GB of memory, {available / 1e9:.1f} GB are free. "
            f"Close other programs, take a larger machine, or split the lot file into areas of at most {most:,} lots.")


def release(lots: int) -> None:
    """Give memory that tables of this many lots no longer use back to the system, where its library can do so.

    A million shapes leave holes. What a small table leaves is not worth the time.
    """
    if lots * BYTES_A_LOT < WORTH_RELEASING_BYTES:
        return
    import ctypes
    import gc

    gc.collect()
    if "pyarrow" in sys.modules:
        sys.modules["pyarrow"].default_memory_pool().release_unused()
    with suppress(OSError, AttributeError, TypeError):
        ctypes.CDLL(None).malloc_trim(0)
