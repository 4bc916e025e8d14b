"""The layers of what changed since another run: bending now comes first, with classes that follow from the data."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from riskmap.outputs.palette import BENDING, CHANGE, CHANGE_LAYERS, Scale

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

# layer -> its column, and the estimate of the comparison that it shows
COLUMNS = dict(zip(CHANGE_LAYERS, ("change_of_now_mm", "change_of_expected_mm"), strict=True))
_SHOWS = {"change": "now", "change_expected": "expected"}
_COLORS = {"change": BENDING, "change_expected": CHANGE}  # bending now has a direction, a size does not
_TITLES = {"change": "Change now", "change_expected": "Change of the estimate"}
_SIGNS = {"change": "+ the middle of the slab rose against its edge, − it fell",
          "change_expected": "+ the estimate became larger, − smaller"}
ONE_CAUSE = "Cause: {cause}."
SEVERAL_CAUSES = "Causes: {causes}. The command riskmap compare says how much of the change each made."
NICE_MM = (0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0)  # limits to choose from: the steps of a scale with round numbers
QUANTILES = (0.25, 0.6, 0.95)  # judgement: a quarter is near zero, and the largest twentieth has its own class
MOVED_MM = NICE_MM[0]  # a smaller change of a lot is not counted as one
LEAST_MM = 0.05  # half of the rounding step of the tables


@dataclass(frozen=True)
class ChangeSince:
    """What changed since another run, lot by lot.

    Attributes
    ----------
    lots : DataFrame
        `COLUMNS`, one row per lot in row order, missing unless a lot has an estimate in both runs. [mm]
    before, after : str
        Present months of the other run and of this one, in words.
    causes : tuple of str
        What the runs differ in, in words; empty where this is not known.
    """

    lots: pd.DataFrame
    before: str
    after: str
    causes: tuple[str, ...] = ()

    @classmethod
    def of(cls, changes: pd.DataFrame, before: str, after: str, causes: Iterable[str] = ()) -> ChangeSince:
        """Return the change from a table with the columns `now` and `expected`. [mm]"""
        return cls(changes.rename(columns={_SHOWS[name]: column for name, column in COLUMNS.items()})[
            list(COLUMNS.values())], before, after, tuple(causes))

    def joined_to(self, lots: pd.DataFrame) -> pd.DataFrame:
        """Return a table of lots, in the same order, with the changes as further columns."""
        return lots.assign(**{str(name): values.to_numpy() for name, values in self.lots.items()})

    def scales(self) -> dict[str, Scale]:
        """Return the layers with their classes; title and note say which months are compared."""
        since, between = f"since {self.before}", f"From {self.before} to {self.after}"
        if self.before == self.after:
            since, between = "since the other run", f"Between two runs of {self.after}"
        return {name: Scale(column, f"{_TITLES[name]} {since}", f"{between}: {_SIGNS[name]}", _COLORS[name],
                            limits(self.lots[column].to_numpy(float)), missing="no estimate in one of the runs")
                for name, column in COLUMNS.items()}

    def about(self) -> dict[str, Any]:
        """Return what the page says about the change: of a lot the months, of the area how many lots moved which way.

        `moved` has the numbers of lots whose bending now changed by `MOVED_MM` or more, up and down, and the median
        size of the change over all lots with an estimate in both runs [mm]; it is missing without such a lot.
        """
        now = self.lots["change_of_now_mm"].to_numpy(float)
        now = now[np.isfinite(now)]
        moved = {"up": f"{(now >= MOVED_MM).sum():,}", "down": f"{(now <= -MOVED_MM).sum():,}",
                 "middle": float(np.median(np.abs(now)))} if len(now) else {}
        why = "" if not self.causes else ONE_CAUSE.format(cause=self.causes[0]) if len(self.causes) == 1 else \
            SEVERAL_CAUSES.format(causes="; ".join(self.causes))
        return {"before": self.before, "after": self.after, "why": why, **({"moved": moved} if moved else {})}


def limits(values: NDArray[np.float64]) -> tuple[float, ...]:
    """Return six class limits, symmetric about zero, that follow from the sizes of the changes. [mm]

    They are the `QUANTILES` of the sizes of all changes large enough to be read, each rounded down to one of `NICE_MM`
    and at least one step above the one before. So a month that moves all lots by about 2 mm is not shown in a single
    colour. Without such a change they are the smallest three.
    """
    sizes = np.abs(values[np.isfinite(values)])
    sizes = sizes[sizes >= LEAST_MM]
    if not len(sizes):
        return mirrored(NICE_MM[:3])
    below = np.maximum(np.searchsorted(NICE_MM, np.quantile(sizes, QUANTILES), side="right") - 1, 0)
    last = len(NICE_MM) - 1
    first = min(int(below[0]), last - 2)
    second = min(max(int(below[1]), first + 1), last - 1)
    return mirrored((NICE_MM[first], NICE_MM[second], NICE_MM[max(int(below[2]), second + 1)]))


def mirrored(chosen: tuple[float, ...]) -> tuple[float, ...]:
    """Return limits on both sides of zero, ascending."""
    return (*(-value for value in reversed(chosen)), *chosen)
