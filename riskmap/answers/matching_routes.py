"""The result of one way of finding a lot, and the small tools that all ways share."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from riskmap.common import units

FAR_M = 10_000.0  # judgement: for longer distances nobody counts metres or feet
FEET_PER_MILE = 5280
Pairs = tuple[NDArray[np.int64], NDArray[np.int64]]  # position of the request, position in the lots
NO_PAIRS: Pairs = (np.empty(0, dtype=np.int64), np.empty(0, dtype=np.int64))


@dataclass
class Route:
    """What one way of matching found.

    Attributes
    ----------
    by : str
        The way in words, such as `parcel id`.
    filled : bool array, shape (n_request,)
        Requests that give something for this way.
    pairs : Pairs
    note : object array of str, shape (n_request,)
    doubtful : bool array, optional
        Requests that this way must not decide.
    exact : bool array, shape (n_request,)
        Requests whose parcel id is that of a lot, apart from case, blanks and dashes, or whose address is one of a lot.
    outside : bool array, optional
        Requests whose point lies in no lot, even if a lot near it was accepted.
    """

    by: str
    filled: NDArray[np.bool_]
    pairs: Pairs
    note: NDArray[np.object_]
    doubtful: NDArray[np.bool_] | None = None
    exact: NDArray[np.bool_] = field(default_factory=lambda: np.empty(0, dtype=bool))
    outside: NDArray[np.bool_] | None = None

    def without(self, rows: NDArray[np.bool_]) -> None:
        """Remove the requests that are marked: they are not to be found in this way."""
        self.filled = self.filled & ~rows
        left = ~rows[self.pairs[0]]
        self.pairs = self.pairs[0][left], self.pairs[1][left]


def put_together(pairs: list[Pairs]) -> Pairs:
    """Return several lists of pairs as one."""
    return np.concatenate([pair[0] for pair in pairs]), np.concatenate([pair[1] for pair in pairs])


def both(left: NDArray[np.object_], right: NDArray[np.object_], mark: str) -> NDArray[np.object_]:
    """Return two notes per request as one, with the separator between them where neither is empty."""
    out: NDArray[np.object_] = np.where((left == "") | (right == ""), left + right, left + mark + right)
    return out


def texts(frame: pd.DataFrame, name: str) -> pd.Series:
    """Return a column as texts; empty text where the column or a value is missing."""
    if name not in frame:
        return pd.Series([""] * len(frame), dtype=str)
    return frame[name].astype("string").fillna("").astype(str).reset_index(drop=True)


def distances(away: NDArray[np.float64], system: str) -> pd.Series:
    """Return distances [m] with their unit; from 10 km on in kilometres or miles. `system`: `us` or `si`."""
    return pd.Series(away).map(_distance_us if system == "us" else _distance_si)


def _distance_si(metres: float) -> str:
    if metres >= FAR_M:
        return f"{metres / 1000:,.0f} km"
    return f"{metres:.0f} m" if metres >= 10 else f"{metres:.1f}".removesuffix(".0") + " m"


def _distance_us(metres: float) -> str:
    feet = metres / units.M_PER_FOOT
    return f"{feet / FEET_PER_MILE:,.0f} mi" if metres >= FAR_M else f"{feet:,.0f} ft"
