"""Memory: told before the work starts, not by the system that ends the program in the middle of it."""

from __future__ import annotations

import os
from pathlib import Path

from riskmap.errors import LayerError

# Measured with lots over real soil, all products, two threads: 0.97 GB at 100,000 lots, 1.40 GB at 200,000.
BASE_BYTES, BYTES_A_LOT = 540_000_000, 4_300
SPARE = 1.15  # room for another machine's libraries
_MEMINFO = Path("/proc/meminfo")


def needed_bytes(lots: int) -> int:
    """Return about how much memory an estimate of so many lots takes at its peak."""
    return int(SPARE * (BASE_BYTES + BYTES_A_LOT * lots))


def available_bytes() -> int | None:
    """Return how much memory can be had now; None where the system does not tell."""
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


def check(lots: int) -> None:
    """Refuse an estimate that would not fit.

    Raises
    ------
    LayerError
        With both numbers. A system that does not tell its memory refuses nothing.
    """
    available, needed = available_bytes(), needed_bytes(lots)
    if available is not None and needed > available:
        most = max(int((available / SPARE - BASE_BYTES) / BYTES_A_LOT), 0)
        raise LayerError(
            f"E-RUN-020 {lots:,} lots need about {needed / 1e9:.1f} GB of memory, {available / 1e9:.1f} GB are free. "
            f"Close other programs, take a larger machine, or split the lot file into areas of at most {most:,} lots.")
