"""What a legend says of all lots at once: which classes are there, a histogram, and how wide the ranges are."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

if TYPE_CHECKING:
    from riskmap.outputs.palette import Scale

BAR_MM = (0.5, 1.0, 2.5, 5.0, 10.0, 25.0, 50.0, 100.0)  # widths of a bar to choose from
MOST_BARS = 64
WIDE_CLASSES = 3  # a range over this many classes is worth a sentence: the colour is only its middle


def numbers(values: pd.Series) -> NDArray[np.float64]:
    """Return a column as numbers, NaN where it has none."""
    return pd.to_numeric(values, errors="coerce").to_numpy(dtype=float, na_value=np.nan)


def reached(lots: pd.DataFrame, scale: Scale) -> Scale:
    """Return a layer with the classes that the run shows: see `Scale.reached`."""
    if not scale.always or scale.column not in lots:
        return scale
    values = numbers(lots[scale.column])
    return scale.reached(float(np.nanmax(values, initial=-np.inf)))


def histogram(lots: pd.DataFrame, scale: Scale) -> dict[str, Any] | None:
    """Return how many lots have which value; None for a layer without lengths or without a value.

    Returns
    -------
    dict
        `from_mm`, the lower end of the first bar; `step_mm`, the width of a bar; `lots`, one count per bar. A size
        begins at 0; a bar never crosses a class limit that is a whole multiple of its width.
    """
    if scale.unit != "mm" or not scale.limits_mm or scale.column not in lots:
        return None
    values = numbers(lots[scale.column])
    values = values[np.isfinite(values)]
    if not len(values):
        return None
    low, high = min(float(values.min()), 0.0), float(values.max())
    step = next((width for width in BAR_MM if (high - low) / width < MOST_BARS - 1), BAR_MM[-1])
    bar = np.floor(values / step).astype(np.int64)
    first = int(np.floor(low / step))
    return {"from_mm": first * step, "step_mm": step, "lots": np.bincount(bar - first).tolist()}


def spans(lots: pd.DataFrame, scale: Scale) -> tuple[int, int] | None:
    """Return for how many lots the range spans `WIDE_CLASSES` classes or more, and of how many; None without ranges."""
    ends = [f"{scale.column}_{end}" for end in ("p10", "p90")]
    if scale.unit != "mm" or not all(name in lots for name in ends):
        return None
    low, high = (numbers(lots[name]) for name in ends)
    known = np.isfinite(low) & np.isfinite(high)
    classes = 1 + np.digitize(high[known], scale.limits_mm) - np.digitize(low[known], scale.limits_mm)
    return int((classes >= WIDE_CLASSES).sum()), int(known.sum())
