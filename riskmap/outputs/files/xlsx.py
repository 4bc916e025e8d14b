"""The estimate as an Excel workbook: texts as texts, no formula, no link; the column dictionary and the cautions."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from riskmap.common import tables, wording
from riskmap.common.errors import RunFolderError
from riskmap.outputs import calibrated
from riskmap.outputs.files import csv_table, geojson

if TYPE_CHECKING:
    from riskmap.common.results import Results

NAME = "lots.xlsx"
MOST_ROWS = 1_048_575  # rows of a sheet below its heading (file format limit)
USUAL_ROWS = 5_000  # for more lots the workbook is left to `riskmap export`: 20,000 rows take 5 s (measured)
_LONGEST = 32_767  # characters of a cell (file format limit)
HEADER = 250  # characters of a page header (file format limit 255)
_CUT = " [cut: a cell takes no more]"
PLAIN = {"strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False,
          "constant_memory": True, "nan_inf_to_errors": False}


def write(results: Results, folder: Path) -> Path:
    """Write `lots.xlsx`: sheet `lots` with every row in input order, `columns` and `notes`.

    Raises
    ------
    RunFolderError
        When there are more lots than a sheet has rows.
    """
    import xlsxwriter

    if len(results.lots) > MOST_ROWS:
        raise RunFolderError(f"E-RUN-016 {NAME}: {len(results.lots):,} lots, and a sheet has {MOST_ROWS:,} rows. Use "
                             "the CSV, GeoPackage or GeoParquet.")
    path = folder / NAME
    with xlsxwriter.Workbook(path, options(folder)) as book:
        book.set_properties({"title": "riskmap estimate", "created": first_day(results.today)})
        bold = book.add_format({"bold": True})
        names = [str(name) for name in results.lots.columns if name != results.lots.geometry.name]
        sheet(book, "lots", bold, names, geojson.rows(results))
        fields = csv_table.dictionary(names)["fields"]
        headings = ["name", "type", "unit", "description"]
        sheet(book, "columns", bold, [*headings, "values"], (
            {**{key: str(field.get(key, "")) for key in headings},
             "values": "\n".join(f"{code}: {meaning}" for code, meaning in field.get("values", {}).items())}
            for field in fields))
        notes = [calibrated.standing(results), wording.CAUTION, wording.NOT_SEEN, *results.credits,
                 *(f"{state}: {words}. {wording.NO_NUMBER.split('. ')[-1]}" for state, words in tables.STATES.items())]
        sheet(book, "notes", bold, ["note"], ({"note": note} for note in notes))
    return path


def options(folder: Path) -> dict[str, Any]:
    """Return the options of a workbook: texts as texts, and temporary files in the folder of the workbook."""
    return {**PLAIN, "tmpdir": str(folder)}


def first_day(today: str) -> Any:
    """Return the first day of a month YYYY-MM.

    It is of the data, not of the run, so that equal results give equal files.
    """
    from datetime import datetime

    year, month = (int(part) for part in today.split("-"))
    return datetime(year, month, 1)


def sheet(book: Any, name: str, bold: Any, headings: list[str], rows: Iterable[dict[str, Any]],
          caution: str = wording.CAUTION) -> None:
    """Add a sheet. The caution is its printed header and a comment on the first cell, so that row 1 is still the
    heading.

    Parameters
    ----------
    book, bold : workbook and its bold format
    name : str
    headings : list of str
    rows : iterable of dict
        Plain values: text, number or None, in the order of the headings.
    caution : str
    """
    page = book.add_worksheet(name)
    page.freeze_panes(1, 2 if name == "lots" else 0)
    page.set_header("&L" + caution[:HEADER].replace("&", "&&"))
    if headings:
        page.write_comment(0, 0, caution, {"x_scale": 3, "y_scale": 1.5})
    for place, heading in enumerate(headings):
        page.write_string(0, place, fitting(heading), bold)
    for line, values in enumerate(rows, start=1):
        for place, value in enumerate(values.values()):
            if isinstance(value, str):
                if value:
                    page.write_string(line, place, fitting(value))
            elif value is not None:
                page.write_number(line, place, value)


def fitting(text: str) -> str:
    """Return a text that fits into a cell: cut, with a mark, where it is too long."""
    return text if len(text) <= _LONGEST else text[:_LONGEST - len(_CUT)] + _CUT
