"""From an area file to a run, and what a run says: check, estimate, demo, read, verify, compare."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from riskmap.api.shared import FileName, Outcome, files_of, folder_of, note_what_is_kept, optional, with_calibration
from riskmap.common.results import Results, Run

if TYPE_CHECKING:
    from riskmap.answers.compare import Change
    from riskmap.run.check import Report
    from riskmap.run.example import Example

def check(path: FileName, role: str | None = None, *, columns: Mapping[str, str] | None = None) -> Report:
    """Read everything that an area file names, compute nothing, and return what is wrong with it.

    Parameters
    ----------
    path : str or Path
        The area file, or one file of a kind.
    role : str, optional
        `lots`, `soil`, `climate` or `drought`: check one file of this kind instead of a whole area.
    columns : mapping, optional
        Of a lot file: our column -> the file's, as in `[lots.columns]`.

    Returns
    -------
    Report
        `refusals` (text) stop a run; `problems` are about rows and values; `lots` counts the rows that were read, the
        usable ones, and those of each state; `text()` reports everything.

    Raises
    ------
    ValueError
        For another role, or columns of a file that is none of lots. What is wrong with the files is returned, not
        raised.

    Examples
    --------
    >>> import riskmap
    >>> report = riskmap.check("layers/example/area.toml")
    >>> report.refusals
    []
    >>> report.lots
    {'read': 1531, 'usable': 1502, 'no_house_known': 7, 'not_applicable': 20, 'not_yet_poured': 1, 'unmatched': 1}
    >>> print(report.problems[-1].code)
    W-BLD-010
    """
    from riskmap.run import check as checking

    if columns and role != "lots":
        raise ValueError("columns belong to the role lots")
    if role is None:
        return checking.check_area(Path(path))
    if role not in checking.FILE_ROLES:
        raise ValueError(f"role must be one of {', '.join(checking.FILE_ROLES)}, not {role!r}")
    return checking.check_file(Path(path), role, dict(columns or {}))


def findings_csv(problems: Sequence[Mapping[str, Any]]) -> str:
    """Return findings as a table for a spreadsheet.

    Parameters
    ----------
    problems : sequence of mapping
        `problems` of the report that `riskmap check --json` writes, or those of a Report, each as `as_dict()`.

    Returns
    -------
    str
        CSV with file, row, column, value, rule, remedy, action and code; a text that a spreadsheet would run as a
        formula has an apostrophe in front. `Report.as_csv()` returns the same.

    Raises
    ------
    KeyError
        A finding lacks one of these.

    Examples
    --------
    >>> import riskmap
    >>> report = riskmap.check("layers/example/area.toml")
    >>> text = riskmap.api.findings_csv([problem.as_dict() for problem in report.problems])
    >>> text.splitlines()[0]
    'file,row,column,value,rule,remedy,action,code'
    >>> text == report.as_csv()
    True
    """
    from riskmap.run import check as checking

    return checking.findings_csv(problems)


def compile_ahead() -> None:
    """Compile the equations before they are needed, which takes about 20 seconds once for each version of the code.

    A first estimate that begins earlier waits for the rest of it.
    """
    from riskmap.movement import ahead

    ahead.compile_all()


def estimate(area: FileName | Sequence[FileName], outputs: FileName = "outputs", *, units: str = "us",
             workers: int | None = None, progress: Callable[[str, float], None] | None = None,
             public_k: int | None = None, reuse: bool = True, scheduler: str | None = None,
             calibration: FileName | None = None, into: FileName = ".", fetch: bool = False, daily: bool = False,
             offline: bool = False) -> Run:
    """Estimate every lot of an area and write one new run folder, complete or not at all.

    Parameters
    ----------
    area : str, Path, or a sequence of them
        The area file (TOML); layers/README.md lists its entries. Or the files and folders themselves: an area file is
        written from them first, as `new` does.
    outputs : str or Path
        Folder that receives the run folder.
    units : str
        `us` or `si`: the units that the map shows first. Files are in SI.
    workers : int, optional
        Number of workers on this machine; the result does not depend on it. Default: one per core.
    progress : callable, optional
        Called with the stage in words and its finished share, 0 to 1.
    public_k : int, optional
        Write only tables for publication: groups of at least this number of lots, and nothing about a single lot.
    reuse : bool
        Use archetypes that an earlier run into `outputs` computed from equal inputs; the estimates are the same either
        way.
    scheduler : str, optional
        Address of a dask scheduler whose workers see `outputs` under the same path.
    calibration : str or Path, optional
        calibration.json of `calibrate`, for the same settings and code: calibrated columns are added next to the
        model's own, which do not change.
    into : str or Path
        Folder that receives the area file that is written from files.
    fetch, daily, offline : bool
        Fetch the layers that the files lack, as `new` does.

    Returns
    -------
    Run
        `folder`, `rows` (counts) and `results`: weather, problems, facts. The table of lots is in the folder;
        `read` returns it.

    Raises
    ------
    ValueError
        `daily` or `offline` are given without `fetch`.
    SettingsError
        The area file cannot be read, an entry is unknown, missing or out of range, or the area file that was written
        from files has open points.
    LayerError
        A layer cannot be used: no such file, damaged, no coordinate system, no usable column; or the calibration cannot
        be used: it is off or belongs to other settings or code, or the run is for publication or in parts.
    RunFolderError
        The run folder cannot be made or written; then nothing of the run remains.

    Notes
    -----
    Equations, constants and their sources are in notebooks/02_the_method.ipynb. Comparisons with measurements are in
    notebooks/evidence.md.

    Examples
    --------
    >>> import riskmap
    >>> run = riskmap.estimate("layers/example/area.toml", outputs)
    >>> run.rows.out, run.rows.with_number
    (1531, 1455)
    >>> run.results.today
    '2025-10'
    >>> sorted(run.rows.by_state)
    ['no_house_known', 'not_applicable', 'not_enough_data', 'not_yet_poured', 'outside_coverage', 'unmatched']
    """
    import os

    os.environ.setdefault("OMP_NUM_THREADS", "1")  # the model runs are spread over threads already
    from riskmap.api.start import area_of
    from riskmap.run import flow

    path = area_of(area, into, fetch, daily, offline)
    beside = None if calibration is None else _beside(Path(calibration), path, workers)
    try:
        return flow.run(path, Path(outputs), units=units, workers=workers, progress=progress, public_k=public_k,
                        reuse=reuse, scheduler=scheduler, beside=beside)
    except BaseException as error:
        if reuse:
            note_what_is_kept(error, Path(outputs))
        raise


def _beside(calibration: Path, area: Path, workers: int | None) -> Callable[[Results], Results]:
    """Return the function that adds a calibration to an estimate.

    Refuse a calibration that cannot fit before any work.
    """
    from riskmap.answers.calibration import apply, model_file
    from riskmap.common import settings
    from riskmap.run.code_digest import code_digest

    model = model_file.read(calibration)
    apply.check(model, settings.load(area), code_digest())
    return lambda results: apply.beside(results, model, workers=workers)


def demo(outputs: FileName = "outputs", *, units: str = "us", workers: int | None = None,
         progress: Callable[[str, float], None] | None = None) -> Run:
    """Estimate the invented example town.

    In the project's folder it reads layers/example. Elsewhere it first copies the example to `riskmap-example` in the
    working folder, or uses the copy that is there.

    Parameters
    ----------
    outputs, units, workers, progress
        As in `estimate`.

    Returns
    -------
    Run
        As returned by `estimate`.

    Raises
    ------
    RunFolderError
        The example cannot be copied to the working folder, or as in `estimate`.

    Examples
    --------
    >>> import riskmap
    >>> riskmap.demo(outputs).results.area_name
    'Example town (invented)'
    """
    return estimate(example().area, outputs, units=units, workers=workers, progress=progress)


def example() -> Example:
    """Return the example area of the working folder; where there is none, copy it there first.

    Parameters
    ----------
        None: the working folder decides.

    Returns
    -------
    Example
        `area` is the path of its area file; `note` says where the copy is, and is empty in the project's folder.

    Raises
    ------
    RunFolderError
        The example cannot be copied: another thing has its name, or the working folder cannot be written.

    Examples
    --------
    >>> from riskmap import api
    >>> api.example().area.as_posix()
    'layers/example/area.toml'
    """
    from riskmap.run.example import at_hand

    return at_hand()


def read(run: FileName | Run = "latest", outputs: FileName = "outputs", *, verified: bool = True) -> Results:
    """Read a finished run: its table of lots, and what is needed to interpret it.

    Parameters
    ----------
    run : str, Path or Run
        A run folder, a name below `outputs`, `latest`, or `previous`.
    outputs : str or Path
        Folder in which names are looked up.
    verified : bool
        Compare every file with the manifest of the run before reading it. With False, a run that was changed can be
        read too; `note` of the result says so.

    Returns
    -------
    Results
        `lots` is a GeoDataFrame, one row per row of the lot file in its order, EPSG:4326, with the columns of
        `riskmap.common.tables.ESTIMATE`: movements in mm, shares 0 to 1, `state` empty where there is an estimate.

    Raises
    ------
    RunFolderError
        No such run, or a file of it was changed since the run.

    Examples
    --------
    >>> import riskmap
    >>> found = riskmap.read("latest", outputs)
    >>> found
    <Results of Example town (invented), 2025-10: 1,531 lots, 1,455 with an estimate>
    >>> lot = found.lots[found.lots["lot_id"] == "0010021"].iloc[0]
    >>> bool(lot["expected_movement_mm_p10"] < lot["expected_movement_mm"] < lot["expected_movement_mm_p90"])
    True
    """
    from riskmap.run import record

    return record.read(files_of(run, outputs, verified))


def ending(run: Run, units: str = "us") -> list[str]:
    """Return the figures of a whole area for the end of `estimate`: lots, estimates, bands, and the newest data.

    Parameters
    ----------
    run : Run
        As returned by `estimate`.
    units : str
        `us` or `si`: the units of the bands.

    Returns
    -------
    list of str
        Four lines; the last also says when this computer's clock is far ahead of the data.

    Raises
    ------
    KeyError
        When the run does not say which of its data are the newest.

    Examples
    --------
    >>> import riskmap
    >>> run = riskmap.estimate("layers/example/area.toml", outputs=outputs)
    >>> for line in riskmap.api.ending(run)[:2]:
    ...     print(line)
    1,531 lots read
    1,455 with an estimate; 76 without: 46 not enough data to estimate this lot, 20 not a slab-on-ground house, ...
    """
    from riskmap.common import tables
    from riskmap.common.units import mm_to_inch

    rows = run.rows
    states = sorted(rows.by_state.items(), key=lambda one: -one[1])
    without = ", ".join(f"{count:,} {tables.STATES.get(name, name)}" for name, count in states)
    limits = [f"{mm_to_inch(mm):.1f}" if units == "us" else f"{mm:g}" for mm in tables.DEFLECTION_BANDS_MM]
    unit = "in" if units == "us" else "mm"
    bands = [f"under {limits[0]} {unit}", *(f"{low} to {high}" for low, high in itertools.pairwise(limits)),
             f"{limits[-1]} {unit} and more"]
    told = "; ".join(f"{name}: {count:,}" for name, count in zip(bands, rows.by_band, strict=False))
    return [f"{rows.out:,} lots read",
            f"{rows.with_number:,} with an estimate" + (f"; {rows.out - rows.with_number:,} without: {without}"
                                                        if without else ""),
            f"Lots by size of the estimate: {told}", ". ".join(newness(run))]


def newness(subject: Run | Report) -> list[str]:
    """Return how new the weather data are, and whether this computer's clock is far ahead of them.

    Parameters
    ----------
    subject : Run or Report
        As returned by `estimate` or `check`; the text of a report has the first line already.

    Returns
    -------
    list of str
        At most one line of each.

    Raises
    ------
    KeyError
        When the run does not say which of its data are the newest.

    Examples
    --------
    >>> import riskmap
    >>> riskmap.api.newness(riskmap.check("layers/example/listings.csv", "lots"))
    []
    """
    import datetime

    from riskmap.climate import freshness

    if isinstance(subject, Run):
        today = subject.results.today
        lines = [freshness.standing(today, subject.results.facts["newest_data"])]
    else:
        today, lines = subject.today, []
    caution = freshness.behind(today, datetime.date.today()) if today else ""
    return [*lines, caution] if caution else lines


def verify(run: FileName | Run = "latest", area_folder: FileName | None = None, *,
           outputs: FileName = "outputs") -> list[str]:
    """Check every file of a run against its manifest.

    Parameters
    ----------
    run, outputs
        As in `read`.
    area_folder : str or Path, optional
        Where the input files are now; they are checked too when they are found.

    Returns
    -------
    list of str
        One line per finding; empty when every file is exactly as the run wrote it. `E-` lines are about outputs, `W-`
        lines about inputs and added files.

    Raises
    ------
    RunFolderError
        No such run.

    Examples
    --------
    >>> import riskmap
    >>> riskmap.verify("latest", outputs=outputs)
    []
    """
    from riskmap.run import manifest

    return manifest.verify(folder_of(run, outputs), optional(area_folder))


def compare(before: FileName | Run, after: FileName | Run, *, workers: int | None = None,
            calibration: FileName | None = None, outputs: FileName = "outputs", verified: bool = True,
            units: str = "us") -> Outcome[Change]:
    """Show what changed between two runs, lot by lot, and split it by cause. The parts add up to the change.

    It compares bending now, the change in the next twelve months, the estimate, and the long run.

    Parameters
    ----------
    before, after : str, Path or Run
        As in `read`; the earlier run first.
    workers : int, optional
        Number of threads; the result does not depend on it.
    calibration : str or Path, optional
        calibration.json of `calibrate`, applied to both runs: the calibrated figures of both sides and their change are
        added to the model's. The causes split the model's change.
    outputs : str or Path
        Folder that receives the new folder and in which names are looked up.
    verified : bool
        As in `read`.
    units : str
        `us` or `si`: the units of the sentences in `answer.lines` and of change.pdf. Tables are in mm.

    Returns
    -------
    Outcome of Change
        The folder contains change.csv, change.json and change.pdf. `answer.lead` says what changed in one sentence,
        `answer.lots` is a table with a row per lot: changes and parts in mm, whose sum is the change to 1e-6 mm. There
        are also `answer.counts` and `answer.weeks` (new, re-issued and missing weekly maps).

    Raises
    ------
    LayerError
        A run has no record of its inputs, the second ends before the first, they are of two areas, or they were
        estimated with different calibrations.
    RunFolderError
        No such run, or the folder cannot be written.

    Examples
    --------
    >>> import riskmap
    >>> change = riskmap.compare("previous", "latest", outputs=outputs).answer
    >>> change.weeks["new"]
    ['2025-10-07', '2025-10-14', '2025-10-21', '2025-10-28']
    >>> parts = change.lots.filter(like="now_part_").sum(axis=1, min_count=1)
    >>> bool((parts - change.lots["bend_now_mm_change"]).abs().max() < 1e-6)
    True
    """
    from riskmap.answers import change_paper, change_table
    from riskmap.answers import compare as comparing
    from riskmap.answers.calibration import sides
    from riskmap.outputs import calibrated
    from riskmap.run import folder, record, store

    opened = [files_of(run, outputs, verified) for run in (before, after)]
    a, b = (with_calibration(record.read(files), calibration) for files in opened)
    sides.same_calibration(a, b)
    change = comparing.compare(a, b, store.Store(Path(outputs) / store.FOLDER), workers)
    change = replace(change, lots=sides.with_calibrated(change.lots, a, b))
    runs = {"before": f"{opened[0].folder.name}, {a.today}", "after": f"{opened[1].folder.name}, {b.today}"}
    change = replace(change, runs=runs, units=units)
    with folder.new_run(Path(outputs), f"change {b.area_name}", point=False) as target:
        change_table.write(change.lots, change.counts, change.notes, change.weeks, runs, target.path,
                           replace(change, units="si").lines, calibrated.standing(b))
        change_paper.write(change, b.area_name, b.today, calibrated.standing(b), target.path)
    return Outcome(target.final, change, b.note or a.note)
