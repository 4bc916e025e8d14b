"""What elevation readings of one house say: `survey`."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from riskmap.api.shared import FileName, Outcome, files_of
from riskmap.common.results import Run

if TYPE_CHECKING:
    from riskmap.answers.survey.files import SurveyReport


def typed_readings(rows: Sequence[Sequence[str]], file: FileName, *, units: str = "us", date: str = "") -> Path:
    """Write readings that somebody typed into a table as the CSV that `survey` takes.

    Parameters
    ----------
    rows : sequence of (point, x, y, elevation)
        Texts. [ft and in (us), or m and mm (si)]
    file : str or Path
        The new file.
    units : str
        `us` or `si`.
    date : str
        Day of the readings, YYYY-MM-DD; empty when it is not known.

    Returns
    -------
    Path
        The file. Nothing in it is checked yet: `survey` does that.

    Raises
    ------
    FileExistsError
        When the file exists.

    Examples
    --------
    >>> import pathlib
    >>> from riskmap import api
    >>> file = api.typed_readings([("A", "0", "0", "0.4")], pathlib.Path(outputs) / "typed.csv")
    >>> file.read_text(encoding="utf-8")
    'point,x_ft,y_ft,elevation_in\\nA,0,0,0.4\\n'
    """
    from riskmap.answers.survey import typed

    typed.write(rows, Path(file), units, date)
    return Path(file)


def survey(readings: FileName, second: FileName | None = None, *, within_m: float | None = None,
           run: FileName | Run | None = None, lot: str | None = None, lines: Sequence[tuple[str, str]] = (),
           lines_file: FileName | None = None, reference: str | None = None, house: str | None = None,
           interval: float | None = None, gap: float = 6.0, rib_depth_mm: float | None = None,
           origin: tuple[float, float] | None = None,
           bearing: float | None = None, units: str = "us", into: FileName | None = None, outputs: FileName = "outputs",
           verified: bool = True) -> Outcome[SurveyReport]:
    """Turn elevation readings of a house into levels, tilt, deflection, contours and change.

    Parameters
    ----------
    readings : str or Path
        CSV or XLSX: point, x_ft or x_m, y_ft or y_m, elevation_in (or _mm, _m, _ft); optional zero, floor,
        floor_offset_in, exclude, date, unit, lot_id, instrument.
    second : str or Path, optional
        A later survey of the same house.
    within_m : float, optional
        Match points of the two surveys by place, not by name. [m]
    run, outputs, verified
        As in `read`. The survey is compared with what this run expects of `lot`; without a run there is no comparison.
    lot : str, optional
        lot_id in the run; needed with `run`.
    lines : sequence of (str, str)
        Lines, each from one point to another, along which the deflection is computed.
    lines_file : str or Path, optional
        CSV with the columns from and to, for more such lines.
    reference : str, optional
        Point whose level is 0. Default: the mean of all points.
    house : str, optional
        Row to use in a file with one row per house.
    interval : float, optional
        Contour interval. [in (us; default 0.2) or mm (si; default 5)]
    gap : float
        No contour crosses a wider gap between points; the diagonal of a grid's cell is not one. [m]
    rib_depth_mm : float, optional
        Total depth of slab and rib. With a second survey and a point that both exclude as `open ground`, the summary
        says what the two surveys decide. [mm]
    origin : (float, float), optional
        Longitude and latitude of the drawing's 0,0: adds GeoJSON. [degree]
    bearing : float, optional
        Direction of the drawing's +y, clockwise from north. Without it the sheet has no arrow to the north, and
        contours with an origin take +y for north. [degree]
    units : str
        `us` adds columns in inches and feet and decides the drawing's units, `si` does not.
    into : str or Path, optional
        A new or empty folder. Default: a new one in `outputs`.

    Returns
    -------
    Outcome of SurveyReport
        The folder contains levels.csv, residuals.csv, contours.csv, summary.json, levels.svg, levels.pdf (and
        lines.csv, change.csv, change.svg, contours.geojson). `answer.tables` has the same tables, `answer.problems` the
        readings that contradict each other, the column's unit, the dates or the run; `answer.sound` says whether there
        are none.

    Raises
    ------
    ValueError
        A run without a lot, or a lot without a run.
    LayerError
        A file cannot be used: no such file, no usable row, several houses; two surveys cannot be compared; the run has
        no such lot, or has several with this id.
    RunFolderError
        No such run, or the folder cannot be made.

    Examples
    --------
    >>> import pathlib, riskmap
    >>> file = pathlib.Path(outputs) / "readings.csv"
    >>> file.write_text("point,x_ft,y_ft,elevation_in\\nA,0,0,0.0\\nB,40,0,0.2\\nC,40,30,0.5\\nD,0,30,0.3\\n") > 0
    True
    >>> made = riskmap.survey(file, lines=[("A", "C")], outputs=outputs)
    >>> made.answer.tables["levels"]["level_mm"].round(2).tolist()
    [-6.35, -1.27, 6.35, 1.27]
    >>> made.answer.sound
    True
    """
    from riskmap.answers import survey as cautioned
    from riskmap.answers.survey import contradictions, drawing, expected, files, house_survey, table_file
    from riskmap.answers.survey import levels as reducing
    from riskmap.common.problems import kept_by_refusal
    from riskmap.common.units import MM_PER_INCH
    from riskmap.run import folder, record

    if (run is None) != (lot is None):
        raise ValueError("give a run and a lot together")
    opened = results = row = None
    if run is not None and lot is not None:
        opened = files_of(run, outputs, verified)
        results = record.read(opened)
        row = house_survey.row_of(results, lot)
    file, us = Path(readings).name, units == "us"
    latest = contradictions.latest_day(results.today if results else None)
    first = house_survey.read(Path(readings), house=house, reference=reference, lot=lot, latest=latest)
    pairs = [*lines, *(table_file.pairs(Path(lines_file)) if lines_file else [])]
    levels, problems, day = first.levels, first.problems, first.day
    worst = reducing.worst(levels)
    traced = drawing.contours(levels, (interval or 0.2) * MM_PER_INCH if us else (interval or 5.0), gap)
    surveys = [first]
    tables = {"levels": levels.points, "residuals": levels.residuals, "contours": traced}
    summary = files.of_levels(levels, file, worst)
    if pairs:
        tables["lines"] = reducing.along(levels, pairs)
    if second is not None:
        with kept_by_refusal(problems):
            later = house_survey.read(Path(second), house=house, reference=reference, lot=lot, latest=latest)
        with kept_by_refusal([*problems, *later.problems]):
            moved, unmatched = house_survey.change(first, later, within_m=within_m, reference=reference,
                                                   file=Path(second).name)
        surveys.append(later)
        tables["change"], problems, day = moved, [*problems, *later.problems, *unmatched], later.day or day
        if decided := expected.what_two_seasons_decide(first.levels, later.levels, rib_depth_mm, system=units):
            summary["two_seasons"] = decided
        summary["change"] = {"common_points": len(moved), "beyond_noise": int(moved["beyond_noise"].sum())}
    if results is not None and row is not None:
        summary["expected"], more = house_survey.against_lot(first, results, row, file, units)
    else:
        more = expected.unlike_any_dome(levels, file, system=units)
    problems = [*problems, *more]
    summary["surveys"] = [one.about() for one in surveys]
    summary["next_survey"] = expected.next_dates(results.history if results else None, row, day, system=units)
    summary["cautions"] = list(cautioned.CAUTIONS_RUN if results else cautioned.CAUTIONS)
    summary["problems"] = [problem.as_dict() for problem in problems]
    summary |= files.of_contours(traced, origin is not None, gap)
    reduced = files.SurveyReport(levels, tables, summary, problems)
    with (folder.new_run(Path(outputs), "survey", point=False) if into is None else
          folder.made_from(opened.folder if opened else None, "survey", Path(into))) as target:
        files.write(reduced, worst, target.path, units=units, origin=origin, bearing=bearing, gap=gap)
    return Outcome(target.final, reduced, results.note if results else "")
