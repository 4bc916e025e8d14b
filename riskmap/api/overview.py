"""What there is at a glance: the finished runs of a folder, and the lots of a run in the columns that people read."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from riskmap.api.shared import FileName, files_of
from riskmap.common.results import Results, Run

if TYPE_CHECKING:
    from riskmap.outputs.files.sheets import Shown

MOST_BYTES = 1 << 24  # of a manifest; `run.files` refuses larger ones too


@dataclass(frozen=True)
class FinishedRun:
    """One finished run of a folder.

    Attributes
    ----------
    name : str
        Name of its folder.
    area_name : str
    month : str
        The month of the data, YYYY-MM.
    written_utc : str
        When it was written, as in its manifest.
    lots, with_estimate : int
        Rows of the lot file, and those with an estimate.
    newest : str
        How new its weather data are, as a sentence.
    newest_map : str
        Day of its newest weekly drought map, YYYY-MM-DD; empty where it has none.
    """

    name: str
    area_name: str
    month: str
    written_utc: str
    lots: int
    with_estimate: int
    newest: str
    newest_map: str = ""


def finished_runs(outputs: FileName = "outputs") -> list[FinishedRun]:
    """List the finished runs of a folder, the newest first. Only their manifests are read.

    Parameters
    ----------
    outputs : str or Path
        Folder of runs. A folder that does not exist has none.

    Returns
    -------
    list of FinishedRun
        Folders that are not runs, runs for publication, and runs whose manifest is damaged are left out.

    Raises
    ------
    OSError
        The folder cannot be read.

    Examples
    --------
    >>> from riskmap import api
    >>> [(run.month, run.lots, run.with_estimate) for run in api.finished_runs(outputs)]
    [('2025-10', 1531, 1455), ('2025-09', 1531, 1454)]
    """
    from riskmap.climate import freshness
    from riskmap.run import files, folder

    found: list[tuple[str, tuple[str, int], FinishedRun]] = []
    for path in Path(outputs).iterdir() if Path(outputs).is_dir() else ():
        if path.name.startswith(".") or path.is_symlink() or not (path / files.NAME).is_file():
            continue
        try:
            manifest = files.manifest_of(path)
            if "lots.parquet" not in manifest.outputs:
                continue
            with files.open_plain(path, files.NAME) as stream:
                content = files.bounded_json(stream.read(MOST_BYTES))
            rows, newest = content["rows"], content["facts"]["newest_data"]
            line = FinishedRun(path.name, manifest.area.name, manifest.area.present_month, manifest.written_utc,
                               int(rows["out"]), int(rows["with_number"]),
                               freshness.standing(manifest.area.present_month, newest),
                               str(newest.get(freshness.MAP, "")))
        except (files.ManifestError, OSError, KeyError, TypeError, ValueError):
            continue  # of another program or another version, or damaged: `verify` says what is wrong with it
        found.append((manifest.written_utc, folder.moment_of(path.name), line))
    return [line for _, _, line in sorted(found, key=lambda one: one[:2], reverse=True)]


def _results(run: FileName | Run | Results, outputs: FileName, verified: bool) -> Results:
    """Return what `read` returned already, or read it."""
    from riskmap.run import record

    return run if isinstance(run, Results) else record.read(files_of(run, outputs, verified))


def lot_columns(run: FileName | Run | Results = "latest", *, units: str = "us", outputs: FileName = "outputs",
                verified: bool = True) -> list[Shown]:
    """Return the lots of a run in the twelve columns that people read: those of the first sheet of lots.xlsx.

    Parameters
    ----------
    run, outputs, verified
        As in `read`; or what `read` returned.
    units : str
        `us` (inch) or `si` (mm): the unit of the columns.

    Returns
    -------
    list of Shown
        Each has a `label`, its `values` (one per row, in the order of the lot file), its `meaning`, the `decimals` of a
        number (None for a text) and the `code` of the column that it shows.

    Raises
    ------
    RunFolderError
        No such run, or a file of it was changed since the run.

    Examples
    --------
    >>> from riskmap import api
    >>> columns = api.lot_columns("latest", outputs=outputs)
    >>> [column.label for column in columns][:3], len(columns[0].values)
    (['lot', 'largest bending from now to October 2026, in', 'low'], 1531)
    """
    from riskmap.outputs.files import xlsx

    return xlsx.summary(_results(run, outputs, verified), units)


def five_numbers(run: FileName | Run | Results = "latest", *, units: str = "us", outputs: FileName = "outputs",
                 verified: bool = True) -> list[tuple[str, str]]:
    """Return the whole area in five numbers, those of the map's panel.

    Parameters
    ----------
    run, outputs, verified
        As in `read`; or what `read` returned.
    units : str
        `us` (inch) or `si` (mm).

    Returns
    -------
    list of (str, str)
        What the number is, and the number with its unit: lots, lots with an estimate, the median estimate over them,
        the estimate that one lot in ten exceeds, and the number of lots whose middle is high today. An area without an
        estimate has only the first two.

    Raises
    ------
    RunFolderError
        No such run, or a file of it was changed since the run.

    Examples
    --------
    >>> from riskmap import api
    >>> for said, number in api.five_numbers("latest", outputs=outputs)[:2]:
    ...     print(f"{said}: {number}")
    lots: 1,531
    with an estimate: 1,455
    """
    from riskmap.outputs import telling
    from riskmap.outputs.map import town

    results = _results(run, outputs, verified)
    found = town.about(results.lots)
    numbers = [("lots", f"{found['lots']:,}"), ("with an estimate", f"{found['known']:,}")]
    if not found["mm"]:
        return numbers
    _, middle, high = found["mm"]
    name = telling.name_in_text("expected", results.today)
    return [*numbers, (f"median of the {name}", telling.shown(middle, units)),
            ("one lot in ten has more than", telling.shown(high, units)),
            ("lots whose middle is high today", f"{found['direction'].get('center_lift', 0):,}")]
