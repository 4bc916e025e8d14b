"""The result of comparing a measured series: lines for people, and the files in which it is written."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from riskmap.answers.measured.comparing import AGREES, CANNOT, DAMPING, DISAGREES, LEVEL, SIZE, Row
from riskmap.common.json_values import plain
from riskmap.common.problems import Problem
from riskmap.common.problems import lines as lines_of
from riskmap.outputs.files.csv_table import text_of

COMPARISONS, MONTHS, SUMMARY = "comparisons.csv", "months.csv", "summary.json"
COLUMNS = {"depth_m": "depth_m", "driver": "driver", "what": "comparison", "months": "month_ends",
           "measured": "measured", "ours": "ours", "unit": "unit", "rms": "rms_error", "tolerance": "tolerance",
           "outcome": "outcome", "meaning": "meaning"}
NOTHING_FITTED = ("Nothing was fitted to your values, and no estimate changes. One place says nothing certain about "
                  "another.")
ORDER = {AGREES: 0, DISAGREES: 1, CANNOT: 2}


@dataclass(frozen=True)
class MeasuredReport:
    """What a measured series says about the driver of a run.

    Attributes
    ----------
    rows : list of Row
        Every comparison.
    months : DataFrame
        Month ends that both series have: month, depth_m, driver, measured, ours.
    summary : dict
        The content of summary.json: file, kind, cell, lot, area, today, counts, what it means, ends, problems.
    problems : list of Problem
    """

    rows: list[Row]
    months: pd.DataFrame
    summary: dict[str, Any]
    problems: list[Problem]

    @property
    def table(self) -> pd.DataFrame:
        """The comparisons as a table, in the order of `rows`."""
        return pd.DataFrame([{name: getattr(row, field) for field, name in COLUMNS.items()} for row in self.rows],
                            columns=list(COLUMNS.values()))

    @property
    def counts(self) -> dict[str, int]:
        """How many comparisons have each outcome."""
        return {outcome: sum(row.outcome == outcome for row in self.rows) for outcome in ORDER}

    @property
    def sound(self) -> bool:
        """Whether every row could be used and at least one comparison was decided."""
        decided = self.counts[AGREES] + self.counts[DISAGREES]
        return decided > 0 and not any(problem.code.startswith("E-") for problem in self.problems)

    @property
    def lines(self) -> list[str]:
        """The answer as lines for people."""
        said = self.summary
        counts = self.counts
        out = [f"{said['file']}: {said['kind_words']}, beside climate cell {said['cell']} of {said['area']}"
               + (f", soil of lot {said['lot']}" if said["lot"] else "") + f". {counts[AGREES]} comparisons agree, "
               f"{counts[DISAGREES]} disagree, {counts[CANNOT]} cannot say.",
               "What it means for the estimate:", *(f"  {text}" for text in self.meanings), NOTHING_FITTED]
        out += [said["ends"]] if said["ends"] else []
        for depth in sorted({row.depth_m for row in self.rows}):
            own = [row for row in self.rows if row.depth_m == depth]
            for driver in dict.fromkeys(row.driver for row in own):
                out.append(f"Depth {depth:g} m, {driver}{said['drivers'][driver]}:")
                out += [f"  {line(row)}" for row in own if row.driver == driver]
        return out + [f"  {text}" for text in lines_of(self.problems)]

    @property
    def meanings(self) -> list[str]:
        """What each comparison means: each sentence once, with the place where it was found when that differs."""
        said: dict[str, list[Row]] = {}
        for row in sorted((row for row in self.rows if row.outcome != CANNOT), key=lambda row: ORDER[row.outcome]):
            said.setdefault(row.meaning, []).append(row)
        if not said:
            return ["Nothing can be said yet."]
        drivers = list(dict.fromkeys(row.driver for row in self.rows))
        return [f"{text} ({where(rows, drivers)})" for text, rows in said.items()]


def where(rows: list[Row], drivers: list[str]) -> str:
    """Return the depths of rows, and the driver where not all drivers have them; `drivers` are those of the answer."""
    depths = {driver: sorted({row.depth_m for row in rows if row.driver == driver}) for driver in drivers}
    of_all = list(depths.values())
    if all(own == of_all[0] for own in of_all):
        return f"at {_depths(of_all[0])}"
    return "; ".join(f"{driver} at {_depths(own)}" for driver, own in depths.items() if own)


def _depths(depths: list[float]) -> str:
    *before, last = [f"{depth:g}" for depth in depths]
    return (", ".join(before) + " and " if before else "") + last + " m"


def line(row: Row) -> str:
    """Return one comparison as a line."""
    if row.outcome == CANNOT:
        return f"{row.what}: {CANNOT}. {row.meaning}"
    ours, seen = figure(row, row.ours), figure(row, row.measured)
    if row.unit == "r":
        figures = f"r {ours} over {row.months} month ends"
    else:
        figures = f"measured {seen}, ours {ours}"
        figures += f", rms error {row.rms:.2f}" if row.what == LEVEL else ""
    return f"{row.what}: {row.outcome}. {figures} (fair: {row.tolerance})"


def figure(row: Row, value: float) -> str:
    """Return a value with its unit as the lines show it."""
    if not np.isfinite(value):
        return "-"
    if row.what == SIZE:
        return f"{value:.0f} mm"
    return f"{value:.2f}" if row.unit in ("r", "share") or row.what == DAMPING else f"{value:.1f} {row.unit}"


def write(report: MeasuredReport, folder: Path) -> None:
    """Write the comparisons, the month ends and the summary."""
    months = report.months.drop(columns="month_number").round({"measured": 4, "ours": 4})
    for name, table in ((COMPARISONS, report.table.round({"measured": 4, "ours": 4, "rms_error": 4})),
                        (MONTHS, months)):
        (folder / name).write_text("\ufeff" + text_of(table), encoding="utf-8", errors="surrogatepass", newline="")
    (folder / SUMMARY).write_text(json.dumps(plain(report.summary), ensure_ascii=False, indent=1, allow_nan=False)
                                  + "\n", encoding="utf-8", errors="backslashreplace", newline="\n")
