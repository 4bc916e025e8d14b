"""Readings that somebody typed into a table, as the CSV that `survey` reads."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import pandas as pd

from riskmap.outputs.files import csv_table

COLUMNS = {"us": ("point", "x_ft", "y_ft", "elevation_in"), "si": ("point", "x_m", "y_m", "elevation_mm")}


def write(rows: Sequence[Sequence[str]], path: Path, system: str, date: str = "") -> None:
    """Write readings as CSV: texts as they were typed, with a guard before those that a spreadsheet would run.

    Parameters
    ----------
    rows : sequence of (point, x, y, elevation)
        Texts. [ft and in (us), or m and mm (si)]
    path : Path
        The file; it must not exist.
    system : str
        `us` or `si`.
    date : str
        Day of the readings, YYYY-MM-DD; empty when it is not known.

    Raises
    ------
    FileExistsError
        When the file exists.
    """
    table = pd.DataFrame([list(row) for row in rows], columns=list(COLUMNS[system]), dtype=object)
    if date:
        table["date"] = date
    with path.open("x", encoding="utf-8", errors="surrogatepass", newline="") as file:
        file.write(csv_table.text_of(table, numbers_stay=True))
