"""From an area file to a run, and what a run says: check, estimate, demo, read, explain, verify, compare."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

from riskmap.api.shared import FileName, Made, files_of, folder_of, optional
from riskmap.common.errors import RunFolderError, joined, shown
from riskmap.common.results import Results, Run

if TYPE_CHECKING:
    import pandas as pd

    from riskmap.answers.compare import Change
    from riskmap.run.check import Report

EXAMPLE = Path("layers") / "example" / "area.toml"


def check(path: FileName, role: str | None = None) -> Report:
    """Read everything that an area file names, compute nothing, and return what is wrong with it.

    Parameters
    ----------
    path : str or Path
        The area file, or one file of a kind.
    role : str, optional
        `lots`, `soil` or `drought`: check one file of this kind instead of a whole area.

    Returns
    -------
    Report
        `refusals` (text) stop a run; `problems` are about rows and values; `lots` counts rows read, usable and by
        state; `text()` tells it all.

    Raises
    ------
    ValueError
        For another role. What is wrong with the files is returned, not raised.

    Examples
    --------
    >>> import riskmap
    >>> report = riskmap.check("layers/example/area.toml")
    >>> report.refusals
    []
    >>> report.lots
    {'read': 1499, 'usable': 1477, 'not_applicable': 20, 'not_yet_poured': 1, 'unmatched': 1}
    >>> print(report.problems[-1].code)
    E-LOT-014
    """
    from riskmap.run import check as checking

    if role is None:
        return checking.check_area(Path(path))
    if role not in checking.FILE_ROLES:
        raise ValueError(f"role must be one of {', '.join(checking.FILE_ROLES)}, not {role!r}")
    return checking.check_file(Path(path), role)


def estimate(area: FileName, outputs: FileName = "outputs", *, units: str = "us", workers: int | None = None,
             progress: Callable[[str, float], None] | None = None, public_k: int | None = None, reuse: bool = True,
             scheduler: str | None = None) -> Run:
    """Estimate every lot of an area and write one new run folder, whole or not at all.

    Parameters
    ----------
    area : str or Path
        The area file (TOML); layers/README.md tells its entries.
    outputs : str or Path
        Folder that receives the run folder.
    units : str
        `us` or `si`: what the map shows first. Files hold SI.
    workers : int, optional
        Workers of this machine; any number gives the same result. Default: one for each core.
    progress : callable, optional
        Told the stage in words and its finished share, 0 to 1.
    public_k : int, optional
        Write only tables for publication: groups of at least so many lots, nothing about one lot.
    reuse : bool
        Take columns that an earlier run into `outputs` computed from equal inputs; numbers are the same either way.
    scheduler : str, optional
        Address of a dask scheduler whose workers see `outputs` under the same path.

    Returns
    -------
    Run
        `folder`, `rows` (counts) and `results`: weather, problems, facts. The table of lots is in the folder;
        `read` returns it.

    Raises
    ------
    SettingsError
        The area file cannot be read, or an entry is unknown, missing or out of range.
    LayerError
        A layer cannot be used: no such file, damaged, no coordinate system, no usable column.
    RunFolderError
        The run folder cannot be made or written; nothing of the run is left then.

    Notes
    -----
    Equations, constants and their sources: notebooks/02_the_method.ipynb. What was compared with measured numbers:
    notebooks/evidence.md.

    Examples
    --------
    >>> import riskmap
    >>> run = riskmap.estimate("layers/example/area.toml", outputs)
    >>> run.rows.out, run.rows.with_number
    (1499, 1429)
    >>> run.results.today
    '2025-10'
    >>> sorted(run.rows.by_state)
    ['not_applicable', 'not_enough_data', 'not_yet_poured', 'outside_coverage', 'unmatched']
    """
    import os

    os.environ.setdefault("OMP_NUM_THREADS", "1")  # the draws are spread over threads already
    from riskmap.run import flow

    return flow.run(Path(area), Path(outputs), units=units, workers=workers, progress=progress, public_k=public_k,
                      reuse=reuse, scheduler=scheduler)


def demo(outputs: FileName = "outputs", *, units: str = "us", workers: int | None = None,
         progress: Callable[[str, float], None] | None = None) -> Run:
    """Estimate the invented example town of layers/example; call it from the project's folder.

    Parameters
    ----------
    outputs, units, workers, progress
        As in `estimate`.

    Returns
    -------
    Run
        As of `estimate`.

    Raises
    ------
    RunFolderError
        layers/example is not below the working folder, or as in `estimate`.

    Examples
    --------
    >>> import riskmap
    >>> riskmap.demo(outputs).results.area_name
    'Example town (invented)'
    """
    if not EXAMPLE.is_file():
        raise RunFolderError(f"E-RUN-020 {EXAMPLE.as_posix()} is not here; run this from the project's folder.")
    return estimate(EXAMPLE, outputs, units=units, workers=workers, progress=progress)


def read(run: FileName | Run = "latest", outputs: FileName = "outputs", *, verified: bool = True) -> Results:
    """Read a finished run: its table of lots and what is needed to read that rightly.

    Parameters
    ----------
    run : str, Path or Run
        A run folder, a name below `outputs`, `latest`, or `previous`.
    outputs : str or Path
        Folder in which names are looked up.
    verified : bool
        Compare every file that is read with the manifest of the run first. False: look at a run that was changed,
        all the same; `note` of the result says so.

    Returns
    -------
    Results
        `lots` is a GeoDataFrame, one row per row of the lot file in its order, EPSG:4326, with the columns of
        `riskmap.common.tables.ESTIMATE`: movements in mm, shares 0 to 1, `state` empty where there is a number.

    Raises
    ------
    RunFolderError
        No such run, or a file of it was changed since the run.

    Examples
    --------
    >>> import riskmap
    >>> found = riskmap.read("latest", outputs)
    >>> found
    <Results of Example town (invented), 2025-10: 1,499 lots, 1,429 with a number>
    >>> lot = found.lots[found.lots["lot_id"] == "0010021"].iloc[0]
    >>> bool(lot["expected_movement_mm_p10"] < lot["expected_movement_mm"] < lot["expected_movement_mm_p90"])
    True
    """
    from riskmap.run import record

    return record.read(files_of(run, outputs, verified))


def explain(run: FileName | Run, lot_id: str, *, units: str = "us", outputs: FileName = "outputs",
            verified: bool = True) -> str:
    """Return what the number of one lot is, and why, in plain lines.

    Parameters
    ----------
    run, outputs, verified
        As in `read`.
    lot_id : str
        Identifier as in the lot file; of a repeated one every row is told. Where that fits none, it is compared as
        `screen` does, without case, blanks and dashes, then without leading zeros, and the lot found is told.
    units : str
        `us` (inch) or `si` (mm): steps of 0.1 in or 2 mm are shown.

    Returns
    -------
    str
        Number with range, direction, phase, reasons that add up, soil, pour, notes, cautions; or the state and reason.

    Raises
    ------
    RunFolderError
        No such run, or no such lot; similar identifiers are named.

    Examples
    --------
    >>> import riskmap
    >>> print(riskmap.explain("latest", "0010021", units="si", outputs=outputs))  # doctest: +ELLIPSIS
    Lot 0010021 (row 21 of lots.gpkg), Example town (invented), 2025-10
    Expected movement, next 12 months (2025-11 to 2026-10): ... mm (eight draws of ten between ... mm and ... mm)
    ...
    """
    from riskmap.outputs import lot_text

    found = one_lot(run, lot_id, outputs, verified=verified)
    told = [text for text in (found.note, found_as(lot_id, found)) if text]
    return "\n\n".join([*told, *("\n".join(lot_text.lines(found, row, units))
                                                    for row in range(len(found.lots)))])


def one_lot(run: FileName | Run, lot_id: str, outputs: FileName = "outputs", *, verified: bool = True) -> Results:
    """Read one lot of a finished run, without findings, past months and inputs.

    All rows are returned where the identifier is repeated.

    Parameters
    ----------
    run, outputs, verified
        As in `read`.
    lot_id : str
        Identifier as in the lot file, or as `explain` takes it.

    Returns
    -------
    Results
        Of the rows of this identifier alone; other row groups of the table are not read.

    Raises
    ------
    RunFolderError
        No such run, or no such lot; similar identifiers are named.

    Examples
    --------
    >>> from riskmap import api
    >>> api.one_lot("latest", "0010021", outputs=outputs).lots["lot_id"].tolist()
    ['0010021']
    """
    from riskmap.answers import matching
    from riskmap.run import record

    files = files_of(run, outputs, verified)
    found = record.read(files, lot_id)
    if not len(found.lots):
        ids = record.lot_ids(files)  # of all lots, but nothing else of them
        same, _ = matching.same_id(lot_id, ids)
        if len(same) != 1:
            _not_found(ids, lot_id, same)
        found = record.read(files, same[0])
    return found


def found_as(lot_id: str, found: Results) -> str:
    """Return a sentence when a lot is written otherwise than it was asked for, else empty text.

    Parameters
    ----------
    lot_id : str
        What was asked for.
    found : Results
        As of `one_lot`.

    Returns
    -------
    str
        One line.

    Raises
    ------
    IndexError
        When `found` has no lot.

    Examples
    --------
    >>> from riskmap import api
    >>> api.found_as("001-0021", api.one_lot("latest", "001-0021", outputs=outputs))
    "'001-0021' is lot '0010021': parcel id compared without case, blanks and dashes."
    """
    from riskmap.answers import matching

    name = str(found.lots["lot_id"].iloc[0])
    if name == lot_id:
        return ""
    return f"'{shown(lot_id)}' is lot '{shown(name)}': {matching.same_id(lot_id, found.lots['lot_id'])[1]}."


def rows_of(found: Results, lot_id: str) -> list[int]:
    """Return the rows of an identifier.

    Parameters
    ----------
    found : Results
    lot_id : str

    Returns
    -------
    list of int
        Positions in `found.lots`, at least one.

    Raises
    ------
    RunFolderError
        None has it; similar ones are named.

    Examples
    --------
    >>> import riskmap
    >>> riskmap.api.rows_of(riskmap.read("latest", outputs), "0010021")
    [20]
    """
    ids = found.lots["lot_id"].astype("str")
    rows = [int(row) for row in ids.index[ids == lot_id]]
    if not rows:
        _not_found(ids, lot_id)
    return rows


def _not_found(ids: pd.Series, lot_id: str, same: list[str] | None = None) -> NoReturn:
    from riskmap.answers import matching

    near = matching.near_ids(lot_id, ids)
    hint = f" Similar: {joined(near)}." if near else ""
    if same:
        hint = f" It fits several: {joined(same, 5)}. Write one of them."
    raise RunFolderError(f"E-RUN-013 '{shown(lot_id)}' is not among the {len(ids):,} lots of the run.{hint}")


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
        One line per finding; empty when every file is the one that the run wrote. `E-` is about outputs, `W-` about
        inputs and added files.

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
            outputs: FileName = "outputs", verified: bool = True) -> Made[Change]:
    """Say what changed between two runs, lot by lot, and split it by cause; the parts add up to the change.

    Parameters
    ----------
    before, after : str, Path or Run
        As in `read`; the earlier run first.
    workers : int, optional
        Threads; any number gives the same result.
    outputs : str or Path
        Folder that receives the new folder and in which names are looked up.
    verified : bool
        As in `read`.

    Returns
    -------
    Made of Change
        The folder holds change.csv and change.json. `answer.lots` is a table with a row per lot: changes and parts in
        mm, whose sum is the change to 1e-6 mm; `answer.counts`, `answer.weeks` (new, re-issued, missing weekly maps).

    Raises
    ------
    LayerError
        A run has no record of its inputs, the second ends before the first, or they are of two areas.
    RunFolderError
        No such run, or the folder cannot be written.

    Examples
    --------
    >>> import riskmap
    >>> change = riskmap.compare("previous", "latest", outputs=outputs).answer
    >>> change.weeks["new"]
    ['2025-10-07', '2025-10-14', '2025-10-21', '2025-10-28']
    >>> parts = change.lots.filter(like="_part_mm").sum(axis=1, min_count=1)
    >>> bool((parts - change.lots["expected_movement_mm_change"]).abs().max() < 1e-6)
    True
    """
    from riskmap.answers import change_table
    from riskmap.answers import compare as comparing
    from riskmap.run import folder, record, store

    opened = [files_of(run, outputs, verified) for run in (before, after)]
    a, b = (record.read(files) for files in opened)
    change = comparing.compare(a, b, store.Store(Path(outputs) / store.FOLDER), workers)
    runs = {"before": f"{opened[0].folder.name}, {a.today}", "after": f"{opened[1].folder.name}, {b.today}"}
    with folder.new_run(Path(outputs), f"change {b.area_name}", point=False) as made:
        change_table.write(change.lots, change.counts, change.notes, change.weeks, runs, made.path)
    return Made(made.final, replace(change, runs=runs), b.note or a.note)
