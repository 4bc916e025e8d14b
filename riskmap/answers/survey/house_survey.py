"""One survey of one house: it is read and reduced, then compared with an earlier one and with what a run expects."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd

from riskmap.answers.survey import contradictions, expected, readings, table_file
from riskmap.answers.survey import levels as reducing
from riskmap.answers.survey.levels import Levels
from riskmap.common.errors import LayerError, joined, shown
from riskmap.common.problems import Problem, kept_by_refusal
from riskmap.common.results import Results

AS_BUILT_SOURCE = "Walsh, Bashford & Mason 2001, J. Perf. Constr. Fac. 15(4), abstract"


@dataclass(frozen=True)
class HouseSurvey:
    """One survey.

    Attributes
    ----------
    readings : DataFrame
        `readings.COLUMNS`, one row per usable reading.
    levels : Levels
    problems : list of Problem
    day : date or None
        Day of the last reading; None without dates, or when the dates are wrong.
    doubts : tuple of str
        Why the dates allow no comparison.
    file, lot, instrument : str
        Name of the file, and its columns lot_id and instrument as the sheet shows them; empty where it has none.
    """

    readings: pd.DataFrame
    levels: Levels
    problems: list[Problem]
    day: date | None
    doubts: tuple[str, ...]
    file: str = ""
    lot: str = ""
    instrument: str = ""

    def about(self) -> dict[str, str]:
        """Return file, lot, day and instrument as the summary and the title block have them."""
        return {"file": self.file, "lot": self.lot, "date": self.day.isoformat() if self.day else "",
                "instrument": self.instrument}


def read(path: Path, *, house: str | None, reference: str | None, lot: str | None, latest: date) -> HouseSurvey:
    """Read a file of readings and reduce it; `latest` is the last day on which a reading can have been made.

    Raises
    ------
    LayerError
        As in `table_file.read`, `readings.from_table` and `levels.reduce`.
    """
    cells = table_file.read(path)
    table, problems = readings.from_table(cells, path.name, house, lot)
    with kept_by_refusal(problems):
        levels = reducing.reduce(table, path.name, reference=reference)
    wrong = contradictions.of_dates(table, path.name, latest)
    days = [] if wrong else sorted(day for day in table["date"] if day)
    return HouseSurvey(table, levels, [*problems, *levels.problems, *wrong],
                       date.fromisoformat(days[-1]) if days else None,
                       tuple(dict.fromkeys(problem.rule for problem in wrong)), path.name,
                       lot or _texts(cells, "lot_id"), _texts(cells, "instrument"))


def _texts(cells: pd.DataFrame, column: str) -> str:
    """Return the different texts of a column, for the title block of the sheet; empty where it is missing."""
    for name in cells.columns:
        if str(name).strip().lower() == column:
            said = dict.fromkeys(str(cell).strip() for cell in cells[name] if cell is not None)
            return joined((text for text in said if text), 3)
    return ""


def change(first: HouseSurvey, later: HouseSurvey, *, within_m: float | None, reference: str | None, file: str) \
        -> tuple[pd.DataFrame, list[Problem]]:
    """Return the change between two surveys as `expected.change` does; `file` is the name of the later one.

    Raises
    ------
    LayerError
        When the later one has an earlier date, or one of them contradicts itself; also as in `expected.change`.
    """
    if first.day and later.day and later.day < first.day:
        raise LayerError(f"E-SVY-044 {file}: the survey given by --second is of {later.day}, before the first one of "
                         f"{first.day}. Exchange the two files, or correct the dates.")
    for which, one in (("first", first), ("second", later)):
        if one.doubts:
            raise LayerError(f"E-SVY-043 {file}: the {which} survey contradicts itself, so no change can be given. "
                             + " ".join(one.doubts))
    return expected.change(first.levels, later.levels, within_m=within_m, reference=reference, file=file)


def row_of(results: Results, lot: str) -> int:
    """Return the row of the lot with which a survey is compared; LayerError when there is not exactly one."""
    rows = [row for row, name in enumerate(results.lots["lot_id"]) if str(name) == lot]
    if len(rows) != 1:
        raise LayerError(f"E-SVY-050: {len(rows)} rows of the run have lot_id '{shown(lot)}'; there must be one.")
    return rows[0]


def against_lot(survey: HouseSurvey, results: Results, row: int, file: str,
                system: str = "si") -> tuple[dict[str, Any], list[Problem]]:
    """Return as plain values what a run expects of a lot and what was measured, and findings on both together.

    The sentence `why` is in the unit of the page, `us` or `si`; the numbers are in mm.
    """
    lot = results.lots.iloc[row].to_dict()
    early = contradictions.before_pour(survey.readings, lot, file)
    answer = expected.against(survey.levels, lot, file, (*survey.doubts, *(problem.rule for problem in early)),
                              system=system)
    beside = {"run": results.area_name, "today": results.today, "lot": str(lot["lot_id"]), "answer": answer.answer,
              "why": answer.why, **answer.numbers, "as_built_source": AS_BUILT_SOURCE}
    return beside | ({"note": results.note} if results.note else {}), [*early, *answer.problems]
