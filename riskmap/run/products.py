"""Writes every product of a run into its folder."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from riskmap.common.results import AreaResults, Results

PROBLEMS = "problems.json"
MAP_LOTS = 100_000  # limit of the one-file map: 4 MB, a second to the first picture (measured)
_FOLDERS = re.compile(r"^(?:[A-Za-z]:)?[\\/].*[\\/]")


def write_all(results: Results, folder: Path, units: str = "us") -> list[Path]:
    """Write every product into a folder.

    Parameters
    ----------
    results : Results
    folder : Path
        An existing folder, usually from `folder.new_run`.
    units : str
        `us` or `si`: the units that the map shows first, and of the sheet `Lots`; tables are in SI.

    Returns
    -------
    list of Path
        The files in the order of writing.

    Raises
    ------
    RunFolderError
        When a file could not be written completely.
    """
    from riskmap.outputs import calibrated
    from riskmap.outputs.files import csv_table, geopackage, geoparquet, rounding, xlsx
    from riskmap.outputs.map import web_map
    from riskmap.run import record

    results = rounding.rounded(results)
    return [
        geopackage.write(results, folder),
        geoparquet.write(results, folder),
        csv_table.write(results, folder),
        *([xlsx.write(results, folder, units)] if len(results.lots) <= xlsx.USUAL_ROWS else []),
        csv_table.write_dictionary(folder, calibrated=calibrated.has(results.lots)),
        write_problems(results, folder),
        record.write(results, folder),
        web_map.write(results, folder, units),
    ]


def write_beside(results: AreaResults, folder: Path, units: str, lots: int) -> list[Path]:
    """Write the products that accompany lots.gpkg, lots.csv and lots.parquet, which are in the folder already.

    The one-file map is made for up to `MAP_LOTS` lots. For more, `riskmap map --tiles` makes one that is read in
    pieces.
    """
    from riskmap.outputs.files import csv_table, geopackage, xlsx
    from riskmap.outputs.map import web_map
    from riskmap.run import record
    from riskmap.run.files import RunFiles

    geopackage.add_context(results.context, folder, results.today)
    paths = [csv_table.write_dictionary(folder), write_problems(results, folder), record.write(results, folder)]
    if lots <= MAP_LOTS:
        # written a moment ago, so there is nothing to note; the manifest comes last
        whole = replace(record.read(RunFiles(folder, verified=False)), note="")
        paths += [xlsx.write(whole, folder, units)] if lots <= xlsx.USUAL_ROWS else []
        paths.append(web_map.write(whole, folder, units))
    return paths


def write_problems(results: AreaResults, folder: Path) -> Path:
    """Write `problems.json`: every finding about the input, in the order of reading."""
    path = folder / PROBLEMS
    # of a file given by its full path only the name is written, because folders can contain a user's name
    entries = [{**one, "file": _FOLDERS.sub("", str(one["file"]))} for one in (p.as_dict() for p in results.problems)]
    path.write_text(json.dumps(entries, indent=1, ensure_ascii=False, default=str) + "\n",
                    encoding="utf-8", errors="backslashreplace", newline="\n")
    return path
