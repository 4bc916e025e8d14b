"""The bands in which the long run of a screened list is shown. Their limits are the same for every row."""

from __future__ import annotations

import tomllib
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from riskmap.common import tables
from riskmap.common.errors import SettingsError, joined, shown

if TYPE_CHECKING:
    from numpy.typing import NDArray


def bands(path: Path | None) -> tuple[float, ...]:
    """Return the limits of the bands [mm]: ours, or those of a TOML file with the single key `movement_mm`.

    Raises
    ------
    SettingsError
        If the file contains anything else: limits that depend on an area, a postcode, a soil or a group are refused.
    """
    if path is None:
        return tables.DEFLECTION_BANDS_MM
    try:
        content = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except (OSError, ValueError, RecursionError) as error:  # not UTF-8, not TOML, too many digits, too many brackets
        raise SettingsError(f"E-SCR-020 {path.name}: cannot be read: {shown(error)}.") from None
    others = sorted(set(content) - {"movement_mm"})
    if others:
        raise SettingsError(f"E-SCR-021 {path.name}: {joined(others)} is not accepted. The bands are the same for "
                            "every row: limits that differ by area, postcode, soil or group are refused. Keep only "
                            "movement_mm.")
    limits = content.get("movement_mm") or []
    good = isinstance(limits, list) and 1 <= len(limits) <= 10 and all(
        isinstance(v, int | float) and not isinstance(v, bool) and 0 < v <= 500 for v in limits)
    if not good or sorted(set(limits)) != limits:
        raise SettingsError(f"E-SCR-022 {path.name}: movement_mm must be 1 to 10 rising numbers above 0, in mm, such "
                            "as [5, 10, 20, 35].")
    return tuple(float(v) for v in limits)


def band_of(value: NDArray[np.float64], limits: tuple[float, ...]) -> NDArray[np.object_]:
    """Return the band of the long run as `10-20 mm`; empty without an estimate."""
    edges = [f"under {limits[0]:g} mm", *(f"{a:g}-{b:g} mm" for a, b in pairwise(limits)),
             f"{limits[-1]:g} mm and more"]
    names = np.array([*edges, ""], dtype=object)
    return names[np.where(np.isfinite(value), np.searchsorted(limits, value, side="right"), len(edges))]
