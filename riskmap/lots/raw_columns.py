"""Columns of the lot file as text and numbers."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray


def as_text(raw: pd.DataFrame, name: str) -> pd.Series:
    """Return a text column with empty text for missing values, or for all rows when the column does not exist."""
    if name not in raw:
        return pd.Series([""] * len(raw), dtype=str)
    return raw[name].astype("string").fillna("").astype(str).reset_index(drop=True)


def as_number(raw: pd.DataFrame, name: str) -> NDArray[np.float64]:
    """Return a column of numbers, nan where a value is missing, or everywhere when the column does not exist."""
    if name not in raw:
        return np.full(len(raw), np.nan)
    return raw[name].to_numpy(dtype=np.float64, na_value=np.nan)
