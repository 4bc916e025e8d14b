"""`riskmap survey`: elevation readings of one house."""

from __future__ import annotations

import csv
import io
import json
import sys
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from riskmap.cli.exit_codes import Exit
from riskmap.cli.numbers import Finite
from riskmap.cli.runs import UNVERIFIED, say_note

if TYPE_CHECKING:
    import pandas as pd

    from riskmap.answers.survey.levels import Levels
    from riskmap.common.problems import Problem

MOST_BYTES = 20 * 1024**2  # judgement: readings of one house are kilobytes
MOST_ROWS = 5000


def _table(path: Path) -> pd.DataFrame:
    """Read CSV or XLSX cells as they stand, with the row number of the user's editor."""
    import pandas as pd

    from riskmap.common.errors import LayerError

    name = path.name
    if not path.is_file():
        raise LayerError(f"E-SVY-000 {name}: there is no such file. Name a CSV or XLSX file of readings.")
    if path.stat().st_size > MOST_BYTES:
        raise LayerError(f"E-SVY-006 {name}: more than {MOST_BYTES:,} bytes; readings of a house are far less.")
    rows = _sheet(path) if path.suffix.lower() == ".xlsx" else _lines(path)
    rows = [(number, cells) for number, cells in rows if any(c not in (None, "") for c in cells)]
    if len(rows) < 2:
        raise LayerError(f"E-SVY-003 {name}: there is no row below the header.")
    if len(rows) > MOST_ROWS:
        raise LayerError(f"E-SVY-006 {name}: more than {MOST_ROWS:,} rows. Give one house at a time.")
    header = [str(cell).strip() if cell is not None else "" for cell in rows[0][1]]
    while header and not header[-1]:
        header.pop()
    width = len(header)
    for number, cells in rows[1:]:
        if any(c not in (None, "") for c in cells[width:]):
            raise LayerError(f"E-SVY-007 {name} row {number}: more cells than the header has. Put text with commas in "
                             "double quotes; the decimal mark is a point.")
    frame = pd.DataFrame([list(cells[:width]) + [None] * (width - len(cells)) for _, cells in rows[1:]],
                         columns=header, dtype=object)
    frame["row"] = [number for number, _ in rows[1:]]
    return frame


def _lines(path: Path) -> list[tuple[int, list[Any]]]:
    from riskmap.common.errors import LayerError

    try:
        text = path.read_bytes().decode("utf-8-sig")
        reader = csv.reader(io.StringIO(text, newline=""), strict=False)
        return [(reader.line_num, list(cells)) for cells in reader]
    except (UnicodeDecodeError, csv.Error) as error:
        raise LayerError(f"E-SVY-008 {path.name}: not a readable CSV in UTF-8 ({error}). Save it as such.") from None


def _sheet(path: Path) -> list[tuple[int, list[Any]]]:
    import openpyxl

    from riskmap.common.errors import LayerError, joined
    from riskmap.layers import archive

    archive.entries(path, path.name, unreadable="E-SVY-008", unsafe="E-SVY-009")
    try:
        book = openpyxl.load_workbook(path, read_only=True, data_only=False)
        sheet = book.worksheets[0]
        rows = [(k, list(cells)) for k, cells in
                enumerate(sheet.iter_rows(max_row=MOST_ROWS + 2, max_col=500, values_only=True), 1)]
        kinds = [cell.coordinate for cells in sheet.iter_rows(max_row=MOST_ROWS + 2, max_col=500) for cell in cells
                 if getattr(cell, "data_type", "") == "f"]
        book.close()
    except Exception as error:  # the reader raises many kinds on a damaged file
        raise LayerError(f"E-SVY-008 {path.name}: not a readable XLSX ({type(error).__name__}). "
                         "Save it again.") from None
    if kinds:
        raise LayerError(f"E-SVY-009 {path.name}: cells with formulas: {joined(kinds)}. Paste them as values.")
    return rows


@dataclass(frozen=True)
class _Survey:
    """One survey: readings, levels, findings, the last day (None when the dates are wrong), doubts from the dates."""

    found: pd.DataFrame
    levels: Levels
    problems: list[Problem]
    day: date | None
    doubts: tuple[str, ...]


def _read(path: Path, house: str | None, reference: str | None, lot: str | None, latest: date) -> _Survey:
    from riskmap.answers.survey import contradictions, levels, readings

    found, problems = readings.from_table(_table(path), path.name, house, lot)
    made = levels.reduce(found, path.name, reference=reference)
    wrong = contradictions.of_dates(found, path.name, latest)
    days = [] if wrong else sorted(day for day in found["date"] if day)
    return _Survey(found, made, [*problems, *made.problems, *wrong], date.fromisoformat(days[-1]) if days else None,
                   tuple(dict.fromkeys(problem.rule for problem in wrong)))


def _csv(frame: pd.DataFrame, us: bool, cautions: tuple[str, ...]) -> str:
    """Return CSV with inches or feet beside every column in mm or m (us); cautions in the last column."""
    from riskmap.outputs.files.csv_table import text_of

    out = frame.copy()
    for name in list(frame.columns):
        if us and name.endswith("_mm"):
            out.insert(list(out.columns).index(name) + 1, name[:-3] + "_in", frame[name].astype(float) / 25.4)
        elif us and name.endswith("_m") and not name.endswith("per_m"):
            out.insert(list(out.columns).index(name) + 1, name[:-2] + "_ft", frame[name].astype(float) / 0.3048)
    out = out.reindex(range(max(len(out), 1)))
    out["caution"] = [" ".join(cautions)] + [""] * (len(out) - 1)
    return text_of(out, float_format="%.3f")


@click.command()
@click.argument("readings", type=click.Path(path_type=Path))
@click.option("--second", type=click.Path(path_type=Path), default=None, help="A later survey of the same house.")
@click.option("--within", "within_m", type=Finite(min=0.01, max=5), default=None, metavar="METRES",
              help="Match points of the two surveys by place, not by name.")
@click.option("--run", default=None, help="Run folder, or latest: compare with what is expected of --lot.")
@click.option("--lot", default=None, help="lot_id in the run.")
@click.option("--outputs", type=click.Path(path_type=Path), default=Path("outputs"), show_default=True,
              help="Where runs are.")
@click.option("--line", "lines", multiple=True, metavar="A,B", help="Deflection along the line from point A to B.")
@click.option("--lines", "lines_file", type=click.Path(path_type=Path), default=None,
              help="CSV with columns from and to.")
@click.option("--reference", default=None, help="Point whose level is 0. Default: the mean of all points.")
@click.option("--house", default=None, help="Row to use in a file with one row per house.")
@click.option("--interval", type=Finite(min=0.05, max=100), default=None,
              help="Contour interval in in (us; default 0.2) or mm (si; default 5).")
@click.option("--gap", type=Finite(min=0.5, max=50), default=6.0, show_default=True, metavar="METRES",
              help="No contour across a wider gap between points.")
@click.option("--origin", type=(Finite(-180, 180), Finite(-85, 85)), default=None, metavar="LON LAT",
              help="Degrees of the drawing's 0,0: adds GeoJSON.")
@click.option("--bearing", type=Finite(-360, 360), default=0.0, show_default=True,
              help="Degrees of +y clockwise from north.")
@click.option("--units", type=click.Choice(["us", "si"]), default="us", show_default=True)
@click.option("--into", "folder", type=click.Path(path_type=Path), default=Path("survey"), show_default=True,
              help="New or empty folder that receives the files.")
@UNVERIFIED
def survey(readings: Path, second: Path | None, within_m: float | None, run: str | None, lot: str | None, outputs: Path,
           lines: tuple[str, ...], lines_file: Path | None, reference: str | None, house: str | None,
           interval: float | None, gap: float, origin: tuple[float, float] | None, bearing: float, units: str,
           folder: Path, unverified: bool) -> None:
    """Turn elevation readings of a house into levels, tilt, deflection, contours and change.

    Columns: point, x_ft or x_m, y_ft or y_m, elevation_in (or _mm, _m, _ft); if wanted zero, floor, floor_offset_in,
    exclude, date, unit, lot_id. Readings that contradict each other, the column's unit, the dates or the run are
    listed; what they put in doubt is not compared. Exit 1 when a reading could not be used or the survey contradicts
    itself. """
    from riskmap.answers import survey as words
    from riskmap.answers.survey import contradictions, drawing, expected
    from riskmap.answers.survey import levels as reducing
    from riskmap.common.json_values import plain
    from riskmap.common.problems import lines as as_lines
    from riskmap.run import folder as run_folder

    if (run is None) != (lot is None):
        raise click.UsageError("give --run and --lot together")
    us = units == "us"
    expecting = None if run is None else _Expecting(run, str(lot), outputs, unverified)
    latest = contradictions.latest_day(None if expecting is None else expecting.results.today)
    first = _read(readings, house, reference, lot, latest)
    made, problems, day = first.levels, first.problems, first.day
    cautions = words.CAUTIONS if run is None else words.CAUTIONS_RUN
    pairs = [_pair(text) for text in lines] + (_pairs(lines_file) if lines_file else [])
    step = (interval or 0.2) * 25.4 if us else (interval or 5.0)
    worst = reducing.worst(made)
    traced = drawing.contours(made, step, gap)
    summary: dict[str, Any] = {
        "readings": readings.name, "datum": made.datum, "reading_sd_mm": made.sigma_mm, "zeros_mm": made.zeros,
        "coverings_mm": made.coverings, "worst_line": worst.to_dict("records"), "yardsticks": reducing.YARDSTICKS,
        "excluded": made.points.loc[made.points["exclude"] != "", ["point", "exclude"]].to_dict("records")}
    if made.plane:
        summary["plane"] = {"tilt_mm_per_m": made.plane.tilt_mm_per_m,
                            "tilt_in_per_ft": made.plane.tilt_mm_per_m * 0.012,
                            "tilt_pct": made.plane.tilt_mm_per_m / 10, "falls_toward_deg": made.plane.falls_toward_deg}
    files: dict[str, bytes] = {}
    title = f"Elevation readings, {readings.name}"
    for kind in ("svg", "pdf"):
        files[f"levels.{kind}"] = drawing.draw(made, traced, worst, units, title, cautions, kind)
    tables = {"levels": made.points, "residuals": made.residuals, "contours": traced}
    if pairs:
        tables["lines"] = reducing.along(made, pairs)
    if second is not None:
        later = _read(second, house, reference, lot, latest)
        moved, unmatched = _change(first, later, within_m, reference, second.name)
        problems += later.problems + unmatched
        tables["change"] = moved
        day = later.day or day
        summary["change"] = {"common_points": len(moved), "beyond_noise": int(moved["beyond_noise"].sum())}
    history = row = None
    if expecting is None:
        problems += expected.unlike_any_dome(made, readings.name)
    else:
        answer, more = expecting.answer(first, readings.name)
        problems += more
        history, row = expecting.results.history, expecting.row
        summary["expected"] = answer
        click.echo(f"{answer['answer']}: {answer['why']}", err=True)
    summary["next_survey"] = expected.next_dates(history, row, day)
    summary |= {"cautions": list(cautions), "problems": [p.as_dict() for p in problems]}
    if origin is None:
        summary["contours"] = ("Contours are in the drawing's own x and y, which have no place on the earth: CSV, SVG "
                               "and PDF. Give --origin and --bearing for GeoJSON.")
    else:
        held = drawing.geojson(traced, *origin, bearing, cautions)
        files["contours.geojson"] = json.dumps(held, ensure_ascii=False, allow_nan=False).encode()
    if traced.empty:
        summary["no_contours"] = ("No contour: level differences below one interval, or gaps between points wider than "
                                  f"{gap:g} m (--gap).")
        click.echo(summary["no_contours"], err=True)
    files |= {f"{name}.csv": _csv(table, us, cautions).encode(errors="backslashreplace")
              for name, table in tables.items()}
    files["summary.json"] = (json.dumps(plain(summary), ensure_ascii=False, indent=1,
                                        allow_nan=False) + "\n").encode(errors="backslashreplace")
    for line in as_lines(problems):
        click.echo(f"  {line}", err=True)
    for text in (summary["next_survey"], *cautions):
        click.echo(text, err=True)
    with run_folder.made_from(run_folder.find(run, outputs) if run else None, "survey", folder) as target:
        for name in sorted(files):
            (target.path / name).write_bytes(files[name])
    for name in sorted(files):
        click.echo((target.final / name).as_posix())
    sys.exit(Exit.SOME_STATES if any(p.code.startswith("E-") for p in problems) else Exit.ALL_ANSWERED)


def _pair(text: str) -> tuple[str, str]:
    one, mark, two = text.partition(",")
    if not mark or not one.strip() or not two.strip():
        raise click.UsageError(f"--line is A,B, not {text!r}")
    return one.strip(), two.strip()


def _pairs(path: Path) -> list[tuple[str, str]]:
    from riskmap.common.errors import LayerError

    frame = _table(path)
    if not {"from", "to"} <= set(frame):
        raise LayerError(f"E-SVY-032 {path.name}: a file of lines has the columns from and to.")
    return [(str(a).strip(), str(b).strip()) for a, b in zip(frame["from"], frame["to"], strict=True)]


class _Expecting:
    """A lot of a run, with which a survey is compared."""

    def __init__(self, run: str, lot: str, outputs: Path, unverified: bool) -> None:
        from riskmap.common.errors import LayerError, shown
        from riskmap.run import folder as run_folder
        from riskmap.run import record
        from riskmap.run.files import RunFiles

        self.lot = lot
        self.results = record.read(RunFiles(run_folder.find(run, outputs), not unverified))
        say_note(self.results.note)
        rows = [k for k, name in enumerate(self.results.lots["lot_id"]) if str(name) == lot]
        if len(rows) != 1:
            raise LayerError(f"E-SVY-050: {len(rows)} rows of the run have lot_id '{shown(lot)}'; there must be one.")
        self.row = rows[0]

    def answer(self, survey: _Survey, file: str) -> tuple[dict[str, Any], list[Problem]]:
        """Return the answer as plain values, and findings on survey and run together."""
        from riskmap.answers.survey import contradictions, expected

        lot = self.results.lots.iloc[self.row].to_dict()
        early = contradictions.before_pour(survey.found, lot, file)
        answer = expected.against(survey.levels, lot, file, (*survey.doubts, *(problem.rule for problem in early)))
        told = {"run": self.results.area_name, "today": self.results.today, "lot": self.lot, "answer": answer.answer,
                "why": answer.why, **answer.numbers,
                "as_built_source": "Walsh, Bashford & Mason 2001, J. Perf. Constr. Fac. 15(4), abstract"}
        if self.results.note:
            told["note"] = self.results.note
        return told, [*early, *answer.problems]


def _change(first: _Survey, later: _Survey, within_m: float | None, reference: str | None, file: str) \
        -> tuple[pd.DataFrame, list[Problem]]:
    from riskmap.answers.survey import expected
    from riskmap.common.errors import LayerError

    if first.day and later.day and later.day < first.day:
        raise LayerError(f"E-SVY-044 {file}: the survey given by --second is of {later.day}, before the first one of "
                         f"{first.day}. Exchange the two files, or correct the dates.")
    for which, one in (("first", first), ("second", later)):
        if one.doubts:
            raise LayerError(f"E-SVY-043 {file}: the {which} survey contradicts itself, so no change can be given. "
                             + " ".join(one.doubts))
    return expected.change(first.levels, later.levels, within_m=within_m, reference=reference, file=file)
