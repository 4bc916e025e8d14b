"""Which values of a lot are calibrated, and how far to trust them; `telling` has the words for a lot's figures.

The calibrated columns (`tables.CALIBRATED`) are added to the model's, which never change. `answers.calibration.apply`
makes both the columns and the fact `calibration` of the results, from which the caution on every page comes.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

from riskmap.common import tables, wording

if TYPE_CHECKING:
    from riskmap.common.results import AreaResults

FACT = "calibration"
PREFIX = "calibrated_"
ENDS = ("_p10", "", "_p90")
ORDER = "Rank, band, order and reasons are of the estimate as modelled; the calibrated figures are beside it."


def has(columns: Iterable[object]) -> bool:
    """Return whether a table has the calibrated columns."""
    return tables.CALIBRATED[0].name in set(columns)


def values_mm(row: Mapping[str, Any], column: str) -> list[float]:
    """Return p10, median and p90 of a value of a lot: the calibrated one if the row has it, otherwise the model's. [mm]

    Parameters
    ----------
    row : mapping
        A lot, by column.
    column : str
        The model's column of the median, such as `long_run_mm`.
    """
    before = PREFIX if f"{PREFIX}{column}" in row else ""
    return [float(row[f"{before}{column}{end}"]) for end in ENDS]


def standing(results: AreaResults) -> str:
    """Return how far to trust the estimates: the calibration's text if there is one, otherwise `wording.STANDING`."""
    return str(results.facts.get(FACT, {}).get("standing", wording.STANDING))
