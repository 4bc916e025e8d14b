"""A measured series of soil moisture or ground level compared with the driver of a run: `measured`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from riskmap.api.shared import FileName, Outcome, files_of
from riskmap.common.results import Run

if TYPE_CHECKING:
    from riskmap.answers.measured.files import MeasuredReport


def measured(series: FileName, run: FileName | Run = "latest", *, cell: str | None = None, lot: str | None = None,
             kind: str | None = None, dry: float | None = None, wet: float | None = None,
             into: FileName | None = None, outputs: FileName = "outputs",
             verified: bool = True) -> Outcome[MeasuredReport]:
    """Compare a measured series of soil moisture or ground level with the driver of a run; nothing is fitted.

    Parameters
    ----------
    series : str or Path
        CSV: date (YYYY-MM-DD, or YYYY-MM for the end of a month), depth_m, and one of value_m3_m3, value_pct (water
        content), value_share (relative wetness) and value_mm (ground level, up positive).
    run, outputs, verified
        As in `read`.
    cell : str, optional
        Climate cell of the run; needed where it has several and no lot is named.
    lot : str, optional
        lot_id in the run. Its climate cell is used, and its soil for the size of the movement of a level.
    kind : str, optional
        m3_m3, pct, share or mm, where the heading is `value` alone.
    dry, wet : float, optional
        Water content of the driest and the wettest ground, in the unit of the series; give both or none. Default: the
        smallest and the largest value at each depth.
    into : str or Path, optional
        A new or empty folder. Default: a new one in the folder of runs.

    Returns
    -------
    Outcome of MeasuredReport
        The folder contains comparisons.csv, months.csv and summary.json. `answer.rows` has every comparison with its
        tolerance, its outcome (agrees, disagrees, cannot tell) and what it means for the estimate; `answer.sound` says
        whether every row could be used and at least one comparison was decided.

    Raises
    ------
    ValueError
        One of `dry` and `wet` without the other, or not in order; an unknown kind.
    LayerError
        The file cannot be used: no such file, a column or the unit missing, no usable row; `dry` and `wet` are given
        for a series that is not a water content.
    RunFolderError
        No such run, cell or lot; the run has no weather; the folder cannot be made.

    Examples
    --------
    >>> import pathlib, riskmap
    >>> file = pathlib.Path(outputs) / "probe.csv"
    >>> months = [f"2022-{month:02d},0.1,{0.3 - 0.02 * abs(month - 2)}" for month in range(1, 13)]
    >>> file.write_text("date,depth_m,value_m3_m3\\n" + "\\n".join(months) + "\\n") > 0
    True
    >>> report = riskmap.measured(file, lot="0010021", outputs=outputs).answer
    >>> [(row.driver, row.outcome, row.meaning) for row in report.rows if row.what == "timing"][0]
    ('day steps', 'cannot tell', '12 month ends are compared, and 24 are needed.')
    """
    from riskmap.answers.measured import answer, files, series_file
    from riskmap.run import folder, record

    ends = answer.ends(dry, wet, kind)
    opened = files_of(run, outputs, verified)
    results = record.read(opened)
    place = answer.place_of(results, cell, lot)
    report = answer.report(series_file.read(Path(series), kind), results, place, ends)
    with folder.made_from(opened.folder, "measured", None if into is None else Path(into)) as target:
        files.write(report, target.path)
    return Outcome(target.final, report, results.note)
