"""The functions that make papers and files from a finished run: `map`, `brief`, `screen`, `export`, `calibrate`."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from riskmap.api.shared import FileName, Outcome, about, files_of, optional, with_calibration, with_labels
from riskmap.common.errors import RunFolderError, joined
from riskmap.common.export_formats import WRITERS
from riskmap.common.results import Run

if TYPE_CHECKING:
    from riskmap.answers.brief.visits import Papers
    from riskmap.answers.calibration.calibrate import Calibration
    from riskmap.answers.screen import ScreenReport
    from riskmap.outputs.map.web_map import Basemap


def map(run: FileName | Run = "latest", *, tiles: bool = False, against: FileName | Run | None = None,
        basemap: Basemap | None = None, labels: bool = False, calibration: FileName | None = None,
        into: FileName | None = None, units: str = "us", outputs: FileName = "outputs",
        verified: bool = True) -> Outcome[list[str]]:
    """Write the map of a run again: one file, or a page with a tile file for any number of lots.

    Parameters
    ----------
    run, outputs, verified
        As in `read`.
    tiles : bool
        Write county.html and county.pmtiles instead of map.html.
    against : str, Path or Run, optional
        Add two layers: the change of present bending and that of the estimate since this run.
    basemap : Basemap, optional
        Pictures from a network address, which stay off until the reader ticks them. Without it the map contacts no
        host.
    labels : bool
        Show the label of each lot, such as its address. The run's area file must name a column of labels. The map then
        says that it is not for publication. It cannot be combined with `tiles`.
    calibration : str or Path, optional
        calibration.json of `calibrate`: calibrated figures are shown next to the model's own, which do not change.
    into : str or Path, optional
        A new or empty folder. Default: a new one in the folder of runs, which itself does not change.
    units : str
        `us` or `si`: the units that the map shows first.

    Returns
    -------
    Outcome of list of str
        `answer` names the files.

    Raises
    ------
    RunFolderError
        No such run, or the folder cannot be made; labels are asked for, and the run has none or the map is in tiles.

    Examples
    --------
    >>> import riskmap
    >>> riskmap.map("latest", outputs=outputs).answer
    ['map.html']
    """
    from riskmap.answers import compare
    from riskmap.outputs.map import tile_page, web_map
    from riskmap.run import folder, record

    if labels and tiles:
        raise RunFolderError("E-RUN-085 labels are shown on the one-file map only: a map in tiles is made to be "
                             "served. Leave out --labels or --tiles.")
    files = files_of(run, outputs, verified)
    results = with_calibration(record.read(files), calibration)
    if labels:
        results = with_labels(results, files, needed=True)
    change = None if against is None else compare.since(
        results, record.read(files_of(against, outputs, verified)))
    with folder.made_from(files.folder, f"map {results.area_name}", optional(into)) as target:
        if tiles:
            names = [path.name for path in tile_page.write(results, target.path, units, basemap=basemap,
                                                           change=change)]
        else:
            names = [web_map.NAME]
            page = web_map.page(results, units, basemap=basemap, change=change)
            (target.path / web_map.NAME).write_text(page, encoding="utf-8", newline="\n")
    return Outcome(target.final, names, results.note)


def brief(run: FileName | Run = "latest", *, lots: Sequence[str] = (), visits: FileName | None = None,
          top: int | None = None, columns: Mapping[str, str] | None = None, paper: str = "letter",
          each: bool = False, calibration: FileName | None = None, into: FileName | None = None, units: str = "us",
          outputs: FileName = "outputs", verified: bool = True) -> Outcome[Papers]:
    """Write one page per lot to take along (PDF and HTML), a summary of the area and an order of visits.

    Parameters
    ----------
    run, outputs, verified
        As in `read`.
    lots : sequence of str
        Lots by identifier.
    visits : str or Path, optional
        A list (CSV, XLSX, KML, GeoJSON) of identifiers, addresses or coordinates: every row gets a page, in the order
        of the list. The texts of its columns hour, order, address and remark (or note) are printed on it. Addresses
        find a lot where the run has labels.
    top : int, optional
        Number of lots with the largest estimate.
    columns : mapping, optional
        Our name (lot_id, address, lon, lat, geometry; hour, order, remark, which are printed) -> the list's column,
        where the list uses another name.
    paper : str
        `letter` or `a4`.
    each : bool
        Also write one PDF per page.
    calibration : str or Path, optional
        calibration.json of `calibrate`: calibrated figures are shown next to the model's own, which do not change.
    into : str or Path, optional
        A new or empty folder. Default: a new one in the folder of runs.
    units : str
        `us` or `si`.

    Returns
    -------
    Outcome of Papers
        The folder contains lots.pdf, lots.html, area.pdf, pages.csv; `answer.visits` has one entry per page: the row of
        the lot (-1 without a lot), what was asked for, how it was found; `answer.order` is the order of visits.

    Raises
    ------
    LayerError
        No lot, too many lots or an unknown id is named, or the list cannot be used.
    RunFolderError
        No such run, or the folder cannot be made.

    Notes
    -----
    The page shows every sign of the look-for list with its source.

    Examples
    --------
    >>> import riskmap
    >>> made = riskmap.brief("latest", lots=["0010021"], outputs=outputs)
    >>> [file.name for file in made.files]
    ['area.pdf', 'lots.html', 'lots.pdf', 'pages.csv']
    >>> made.answer.visits[0].status
    'matched'
    """
    from riskmap.answers.brief import visits as briefing
    from riskmap.run import folder, record, reuse, store

    files = files_of(run, outputs, verified)
    results = with_labels(with_calibration(record.read(files), calibration), files)
    pages = briefing.page_list(results, list(lots), optional(visits), top, dict(columns or {}))
    # shapes and cracked ground are computed once for all briefs of these runs; models of the run are there already
    results_before = store.Store(files.folder.resolve().parent / store.FOLDER)
    with reuse.models_of(results_before):
        papers = briefing.papers(results, pages, units, about(files), results_before)
    with folder.made_from(files.folder, f"brief {results.area_name}", optional(into)) as target:
        briefing.write(papers, target.path, paper, each)
    return Outcome(target.final, papers, results.note)


def screen(run: FileName | Run, listing: FileName, *, columns: Mapping[str, str] | None = None,
           bands: FileName | None = None, groups: str | None = None, within_m: float = 0.0,
           choices: FileName | None = None, calibration: FileName | None = None, into: FileName | None = None,
           units: str = "us", outputs: FileName = "outputs", verified: bool = True) -> Outcome[ScreenReport]:
    """Answer every row of a list: same rows, same order, every column of the list, followed by ours.

    Use it only to decide which properties need a closer look. Do not use it to approve, decline, price or value.

    Parameters
    ----------
    run, outputs, verified
        As in `read`.
    listing : str or Path
        CSV, XLSX, KML or GeoJSON with identifiers or coordinates (degrees).
    columns : mapping, optional
        Our name (lot_id, address, lon, lat, geometry) -> the list's column, where the list uses another name; empty
        text: no column is it, not even one with this very name. Addresses are compared with the labels of the run.
    bands : str or Path, optional
        TOML file with `movement_mm = [5, 10, 20, 35]`: other bands, the same for every row. [mm]
    groups : str, optional
        Self-check: how estimates and data are distributed in the groups of this column of the list, such as postcodes.
        No group ever affects an estimate. A column about people is not read.
    within_m : float
        Match a point outside every lot to the only lot within this distance, at most 500 m; two candidates make it
        `ambiguous`. 0 accepts only points inside a lot. [m]
    choices : str or Path, optional
        CSV with the columns `row` (of the list, as a spreadsheet numbers it) and `chosen_lot_id`: for these rows the
        user says which lot is meant. The `choices.csv` of an earlier screening has the rows without a lot and what
        each may mean.
    calibration : str or Path, optional
        calibration.json of `calibrate`: calibrated figures are shown next to the model's own, which do not change.
        Rank, band and order follow the model's own.
    into : str or Path, optional
        A new or empty folder. Default: a new one in the folder of runs.
    units : str
        `us` adds columns in inches to those in mm; `si` does not.

    Returns
    -------
    Outcome of ScreenReport
        The folder contains screened.csv, sorted.csv, screened.xlsx, screened.html, screened.json, README.txt (and
        groups.csv, and choices.csv where rows have no lot). `answer.rows` is a table with the list's rows in file
        order; `answer.counts` counts them.

    Raises
    ------
    LayerError
        The list or the file of choices cannot be used: no such file, another format, no usable column; the distance is
        out of range.
    SettingsError
        The file of bands contains anything else.
    RunFolderError
        No such run, or the folder cannot be made.

    Examples
    --------
    >>> import riskmap
    >>> made = riskmap.screen("latest", "layers/example/listings.csv", columns={"lot_id": "parcel"}, outputs=outputs)
    >>> made.answer.rows["match_status"].tolist()
    ['matched', 'matched', 'matched', 'unmatched', 'matched']
    """
    from riskmap.answers import screen as screening
    from riskmap.answers import screen_choices, screen_table
    from riskmap.run import folder, record

    files, listing, named = files_of(run, outputs, verified), Path(listing), dict(columns or {})
    limits = screening.bands(optional(bands))
    request_list = screening.read(listing, named)
    decided = None if choices is None else screen_choices.read(Path(choices))
    results = with_labels(with_calibration(record.read(files), calibration), files)
    done = screening.screen(results, request_list, system=units, limits=limits, columns=named, groups=groups,
                            within_m=within_m, choices=decided)
    header = {"list": listing.name, "columns": named, **about(files), "today": results.today}
    with folder.made_from(files.folder, f"screen {results.area_name}", optional(into)) as target:
        screen_table.write(done, header, target.path)
    return Outcome(target.final, done, results.note)


def export(run: FileName | Run, formats: Sequence[str], *, calibration: FileName | None = None,
           into: FileName | None = None, raw_csv: bool = False, outputs: FileName = "outputs",
           verified: bool = True) -> Outcome[list[str]]:
    """Write the lots of a run in other formats: same rows, same order, same values.

    Parameters
    ----------
    run, outputs, verified
        As in `read`.
    formats : sequence of str
        Any of `gpkg`, `parquet`, `csv`, `xlsx`, `geojson`, `kml`.
    calibration : str or Path, optional
        calibration.json of `calibrate`: calibrated figures are written next to the model's own, which do not change.
    into : str or Path, optional
        A new or empty folder. Default: a new one in the folder of runs.
    raw_csv : bool
        Write no apostrophe before texts that a spreadsheet would run as a formula. For programs only.

    Returns
    -------
    Outcome of list of str
        `answer` is the list of formats that were written.

    Raises
    ------
    RunFolderError
        No such run, no such format, or the folder cannot be made.

    Examples
    --------
    >>> import riskmap
    >>> made = riskmap.export("latest", ["geojson"], outputs=outputs)
    >>> [file.name for file in made.files]
    ['lots.geojson']
    """
    from importlib import import_module

    from riskmap.outputs import calibrated
    from riskmap.outputs.files import csv_table
    from riskmap.run import folder, record

    chosen = list(dict.fromkeys(formats))
    unknown = [name for name in chosen if name not in WRITERS]
    if unknown or not chosen:
        raise RunFolderError(f"E-EXP-001 --format: {joined(unknown) or 'nothing'} is not a format. Use one or more of "
                             f"{joined(WRITERS)}.")
    files = files_of(run, outputs, verified)
    results = with_calibration(record.read(files), calibration)
    with folder.made_from(files.folder, f"export {results.area_name}", optional(into)) as target:
        for name in chosen:
            if name == "csv":
                csv_table.write(results, target.path, raw=raw_csv)
                csv_table.write_dictionary(target.path, calibrated=calibrated.has(results.lots))
            else:
                import_module(f"riskmap.outputs.files.{WRITERS[name]}").write(results, target.path)
    return Outcome(target.final, chosen, results.note)


def calibrate(run: FileName | Run, surveys: FileName | None = None, *, calibration: FileName | None = None,
              range_m: float = 500.0, workers: int | None = None, into: FileName | None = None,
              outputs: FileName = "outputs", warn: Callable[[str], None] | None = None,
              verified: bool = True) -> Outcome[Calibration]:
    """Compare a run with measured surveys and fit a calibration if they allow it, or apply one to a later run.

    Parameters
    ----------
    run, outputs, verified
        As in `read`.
    surveys : str or Path, optional
        CSV, one row per comparison: lot_id, first_date; second_date and change_mm, or dome_mm; optional reading_sd_mm,
        source, block, exclude. [mm, YYYY-MM]
    calibration : str or Path, optional
        Instead of surveys: calibration.json of an earlier call. Nothing is compared; the lots of this run are written
        with it.
    range_m : float
        Distance over which neighbours are similar: the smallest size of blocks and buffers. [m]
    workers : int, optional
        Number of threads; the result does not depend on it.
    into : str or Path, optional
        A new or empty folder. Default: a new one in the folder of runs.
    warn : callable, optional
        Called before the computation when there are too few surveys to switch a calibration on.

    Returns
    -------
    Outcome of Calibration
        `answer` has the model, every comparison and the findings; `answer.model.physical.on` says whether it is on.

    Raises
    ------
    LayerError
        The file is not a table of surveys, or the run cannot be computed again or has too few model runs; the
        calibration is off, cannot be read, or belongs to other settings or code than the run; surveys and a calibration
        are both given, or neither.
    RunFolderError
        No such run, or the folder cannot be made.

    Examples
    --------
    Two houses are far too few: they are compared, and nothing is switched on.

    >>> import pathlib, riskmap
    >>> lots = riskmap.read("latest", outputs).lots
    >>> ids = lots.loc[(lots["state"] == "") & (lots["pour_to"] < "2015"), "lot_id"].head(2)
    >>> file = pathlib.Path(outputs) / "surveys.csv"
    >>> rows = ["lot_id,first_date,dome_mm", *(f"{one},2024-06,12.5" for one in ids)]
    >>> file.write_text("\\n".join(rows)) > 0
    True
    >>> made = riskmap.calibrate("latest", file, outputs=outputs)
    >>> made.answer.model.counts.compared, made.answer.model.physical.on
    (2, False)
    """
    from riskmap.answers.calibration import calibrate as against_surveys
    from riskmap.answers.calibration import files, model_file
    from riskmap.answers.survey import contradictions
    from riskmap.common.errors import LayerError
    from riskmap.common.month_numbers import month_number
    from riskmap.run import folder, record, reuse, store

    if (surveys is None) == (calibration is None):
        raise LayerError("E-CAL-081 give either a CSV of surveys, or --calibration with the calibration.json of an "
                         "earlier call.")
    earlier = None if calibration is None else model_file.read(Path(calibration))
    opened = files_of(run, outputs, verified)
    results = record.read(opened)
    last = contradictions.latest_day(results.today)
    # the run has built them already
    models = reuse.models_of(store.Store(opened.folder.resolve().parent / store.FOLDER))
    with models:
        done = None if surveys is None else against_surveys.calibrate(results, Path(surveys), range_m=range_m,
                                                                             workers=workers, warn=warn,
                                                                             latest=month_number(last.year, last.month))
    with folder.made_from(opened.folder, "calibration", optional(into)) as target:
        if done is not None:
            files.write(done, results, target.path, workers=workers)
        elif earlier is not None:
            done = files.write_applied(earlier, results, target.path, workers=workers)
    assert done is not None
    return Outcome(target.final, done, results.note)
