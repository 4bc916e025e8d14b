"""What a page says where a calibration was given: the calibrated figure first, the model's own in brackets.

The calibrated columns (`tables.CALIBRATED`) stand beside the model's, which never change. `answers.calibration.apply`
makes both the columns and the fact `calibration` of the results, from which the sentences here come.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import TYPE_CHECKING, Any

from riskmap.common import tables, wording

if TYPE_CHECKING:
    from riskmap.common.results import AreaResults

FACT = "calibration"
PREFIX = "calibrated_"
ENDS = ("_p10", "", "_p90")
ORDER = "Rank, band, order and reasons are of the estimate as modelled; the calibrated figures stand beside it."


def has(columns: Iterable[object]) -> bool:
    """Return whether a table has the calibrated columns."""
    return tables.CALIBRATED[0].name in set(columns)


def values_mm(row: Mapping[str, Any], name: str) -> list[float]:
    """Return p10, median and p90 of a number of a lot: calibrated where the row has it, else the model's. [mm]

    Parameters
    ----------
    row : mapping
        A lot, by column.
    name : str
        The number without its unit, such as `long_run`.
    """
    before = PREFIX if f"{PREFIX}{name}_mm" in row else ""
    return [float(row[f"{before}{name}_mm{end}"]) for end in ENDS]


def figure(row: Mapping[str, Any], name: str, shown: Callable[[float], str]) -> str:
    """Return a number of a lot as a page shows it: `1.8 in calibrated (1.4 in as modelled)`, or the model's alone.

    Parameters
    ----------
    row, name
        As of `values_mm`.
    shown : callable
        Millimetres -> text with the unit of the page.
    """
    as_modelled = shown(float(row[f"{name}_mm"]))
    if f"{PREFIX}{name}_mm" not in row:
        return as_modelled
    return f"{shown(float(row[f'{PREFIX}{name}_mm']))} calibrated ({as_modelled} as modelled)"


def standing(results: AreaResults) -> str:
    """Return how far to trust the numbers: of the calibration where there is one, else `wording.STANDING`."""
    return str(results.facts.get(FACT, {}).get("standing", wording.STANDING))
