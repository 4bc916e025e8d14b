"""The result of a survey and the files in which it is written: tables, summary, drawings, contours."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from riskmap.answers.survey import drawing, sheet
from riskmap.answers.survey import levels as reducing
from riskmap.answers.survey.levels import Levels
from riskmap.common.json_values import plain
from riskmap.common.problems import Problem
from riskmap.common.problems import lines as lines_of
from riskmap.common.units import M_PER_FOOT, MM_PER_INCH
from riskmap.outputs.files.csv_table import text_of

NO_PLACE = ("Contours are in the drawing's own x and y, which have no place on the earth: CSV, SVG and PDF. Give "
            "--origin and --bearing for GeoJSON.")


@dataclass(frozen=True)
class SurveyReport:
    """What one survey of a house says.

    Attributes
    ----------
    levels : Levels
        Levels, zeros, plane and doubts on the first survey.
    tables : dict of DataFrame
        `levels`, `residuals`, `contours`; `lines` and `change` where they were asked for. Lengths in m, levels in mm.
    summary : dict
        The content of summary.json; `expected` is the comparison with a run, `change` that with a second survey.
    problems : list of Problem
    """

    levels: Levels
    tables: dict[str, pd.DataFrame]
    summary: dict[str, Any]
    problems: list[Problem]

    @property
    def sound(self) -> bool:
        """Whether every reading could be used and nothing contradicts."""
        return not any(problem.code.startswith("E-") for problem in self.problems)

    @property
    def lines(self) -> list[str]:
        """The answer, the findings, when to survey again, and the cautions, as lines for people."""
        answer = self.summary.get("expected")
        return [*([f"{answer['answer']}: {answer['why']}"] if answer else []),
                *([self.summary["no_contours"]] if "no_contours" in self.summary else []),
                *(f"  {line}" for line in lines_of(self.problems)),
                *([self.summary["two_seasons"]] if "two_seasons" in self.summary else []),
                self.summary["next_survey"], *self.summary["cautions"]]


def of_levels(levels: Levels, file: str, worst: pd.DataFrame) -> dict[str, Any]:
    """Return what the summary says of the levels alone."""
    points = levels.points
    summary: dict[str, Any] = {
        "readings": file, "datum": levels.datum, "reading_sd_mm": levels.sigma_mm, "zeros_mm": levels.zeros,
        "coverings_mm": levels.coverings, "worst_line": worst.to_dict("records"), "yardsticks": reducing.YARDSTICKS,
        "excluded": points.loc[points["exclude"] != "", ["point", "exclude"]].to_dict("records")}
    if levels.plane:
        summary["plane"] = {"tilt_mm_per_m": levels.plane.tilt_mm_per_m,
                            "tilt_in_per_ft": levels.plane.tilt_mm_per_m * 0.012,
                            "tilt_pct": levels.plane.tilt_mm_per_m / 10,
                            "falls_toward_deg": levels.plane.falls_toward_deg}
    return summary


def of_contours(traced: pd.DataFrame, placed: bool, gap_m: float) -> dict[str, str]:
    """Return what the summary says of the contours: whether they have a place on the earth, and if there are any."""
    none = ("No contour: level differences below one interval, or gaps between points wider than "
            f"{gap_m:g} m (--gap).")
    return ({} if placed else {"contours": NO_PLACE}) | ({"no_contours": none} if traced.empty else {})


def csv_of(frame: pd.DataFrame, us: bool, cautions: tuple[str, ...]) -> str:
    """Return CSV with inches or feet next to every column in mm or m (us), and the cautions in the last column."""
    out = frame.copy()
    for name in list(frame.columns):
        if us and name.endswith("_mm"):
            out.insert(list(out.columns).index(name) + 1, name[:-3] + "_in", frame[name].astype(float) / MM_PER_INCH)
        elif us and name.endswith("_m") and not name.endswith("per_m"):
            out.insert(list(out.columns).index(name) + 1, name[:-2] + "_ft", frame[name].astype(float) / M_PER_FOOT)
    out = out.reindex(range(max(len(out), 1)))
    out["caution"] = [" ".join(cautions)] + [""] * (len(out) - 1)
    return text_of(out, float_format="%.3f")


def write(report: SurveyReport, worst: pd.DataFrame, folder: Path, *, units: str, origin: tuple[float, float] | None,
          bearing: float | None, gap: float) -> None:
    """Write the tables as CSV, summary.json, the sheet (levels.pdf; levels.svg and, with a second survey, change.svg)
    and, with an origin, contours.geojson.

    Parameters
    ----------
    worst : DataFrame
        As returned by `levels.worst`: the line that is drawn.
    origin : (longitude, latitude), optional
        Place of the drawing's 0,0. [degree]
    bearing : float, optional
        Direction of the drawing's +y, clockwise from north. Without it the sheet has no arrow to the north, and
        contours with an origin take +y for north. [degree]
    gap : float
        Nothing is drawn across a wider gap between points. [m]
    """
    cautions, traced = tuple(report.summary["cautions"]), report.tables["contours"]
    made = sheet.sheet(report.levels, report.tables, report.summary, worst, system=units, bearing_deg=bearing,
                       gap_m=gap)
    contents = {"levels.pdf": sheet.pdf(made, units, report.summary["surveys"][0]["date"]), **sheet.svgs(made)}
    if origin is not None:
        placed = drawing.geojson(traced, *origin, bearing or 0.0, cautions)
        contents["contours.geojson"] = json.dumps(placed, ensure_ascii=False, allow_nan=False).encode()
    contents |= {f"{name}.csv": csv_of(table, units == "us", cautions).encode(errors="backslashreplace")
                 for name, table in report.tables.items()}
    contents["summary.json"] = (json.dumps(plain(report.summary), ensure_ascii=False, indent=1,
                                           allow_nan=False) + "\n").encode(errors="backslashreplace")
    for name in sorted(contents):
        (folder / name).write_bytes(contents[name])
