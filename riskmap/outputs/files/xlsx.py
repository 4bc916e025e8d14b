"""The estimate as an Excel workbook: a sheet to read first, the lots in words, the whole table, its columns."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from riskmap.common import tables, units, wording
from riskmap.common.errors import RunFolderError
from riskmap.outputs import calibrated, dates, telling, words
from riskmap.outputs.files import csv_table, sheets
from riskmap.outputs.files.sheets import Shown

if TYPE_CHECKING:
    from riskmap.common.results import Results

NAME = "lots.xlsx"
USUAL_ROWS = 5_000  # for more lots the workbook is left to `riskmap export`: 20,000 rows take 5 s (measured)
_NOT_LOW = wording.NO_NUMBER.split(". ")[-1]
PLAIN = {"strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False,
          "constant_memory": True, "nan_inf_to_errors": False}


def write(results: Results, folder: Path, system: str = "us") -> Path:
    """Write `lots.xlsx`: a sheet to read first, the lots in twelve columns, all columns, and what each means.

    Every sheet of lots has every row, in input order.

    Parameters
    ----------
    results : Results
    folder : Path
    system : str
        `us` (inch) or `si` (mm): the unit of the twelve columns; the whole table has the units of the tables.

    Raises
    ------
    RunFolderError
        When there are more lots than a sheet has rows.
    """
    import xlsxwriter

    if len(results.lots) > sheets.MOST_ROWS:
        raise RunFolderError(f"E-RUN-016 {NAME}: {len(results.lots):,} lots, and a sheet has {sheets.MOST_ROWS:,} "
                             "rows. Use the CSV, GeoPackage or GeoParquet.")
    path, caution = folder / NAME, wording.CAUTION
    columns, rows = summary(results, system), _rows(results)
    with xlsxwriter.Workbook(path, options(folder)) as book:
        book.set_properties({"title": "riskmap estimate", "created": first_day(results.today)})
        formats = sheets.Formats(book)
        sheets.first(book, formats, _first(results, columns), caution)
        sheets.table(book, formats, sheets.LOTS, columns, caution)
        sheets.table(book, formats, sheets.ALL, sheets.plain(rows), caution, wrapped=False)
        sheets.dictionary(book, formats, csv_table.dictionary([str(name) for name in rows])["fields"], caution)
    return path


def _rows(results: Results) -> pd.DataFrame:
    """Return all columns but the outline, texts as texts; a cell of a sheet takes no more than text and number."""
    lots = pd.DataFrame(results.lots.drop(columns=results.lots.geometry.name))
    return lots.assign(**{str(name): values.astype(object) for name, values in lots.items()
                          if values.dtype.kind not in "iuf"})


def _first(results: Results, columns: Sequence[Shown]) -> list[tuple[str, list[tuple[str, str | int]]]]:
    notes = [calibrated.standing(results), wording.CAUTION, wording.NOT_SEEN, *results.credits]
    state = results.lots["state"].fillna("")
    counts: list[tuple[str, str | int]] = [("all lots", len(state)), ("with an estimate", int((state == "").sum()))]
    counts += [(said, int((state == name).sum())) for name, said in tables.STATES.items() if (state == name).any()]
    return [
        (sheets.FIRST, [("", f"{results.area_name}, {telling.month_name(results.today)}."),
                        *(("", note) for note in notes)]),
        ("Lots", [*counts, ("", f"A lot without an estimate has a state that says why. {_NOT_LOW}")]),
        (f"Columns of the sheet {sheets.LOTS}", [(column.label, column.meaning) for column in columns]),
        ("Sheets", [(sheets.LOTS, f"{len(columns)} columns in words. The second row has the name of the column in the "
                                  "whole table, and the filter."),
                    (sheets.ALL, "Every column of lots.csv but the place, in mm and m."),
                    (sheets.COLUMNS, "What each column means, its unit and its codes, as in columns.json.")]),
    ]


def summary(results: Results, system: str) -> list[Shown]:
    """Return the lots in twelve columns that people read, in input order; more where there is a calibration.

    Parameters
    ----------
    results : Results
    system : str
        `us` (inch) or `si` (mm).
    """
    lots = results.lots
    unit, spelt = ("in", "inches") if system == "us" else ("mm", "mm")

    def text(name: str) -> pd.Series:
        return lots[name].fillna("").astype("str").astype(object)

    def size(name: str) -> pd.Series:
        value = lots[name].astype(float)
        return (units.mm_to_inch(value) if system == "us" else value).round(1) + 0.0

    def estimate(label: str, name: str, meaning: str, bar: bool = False) -> list[Shown]:
        if not calibrated.has(lots):
            return [Shown(f"{label}, {unit}", size(name), meaning, 1, name, bar)]
        return [Shown(f"{label}, {unit}, calibrated", size(f"{calibrated.PREFIX}{name}"),
                      f"{meaning} Calibrated on surveys of houses.", 1, f"{calibrated.PREFIX}{name}", bar),
                Shown(f"(as modelled, {unit})", size(name), "The same as modelled, not calibrated.", 1, name)]

    put = calibrated.PREFIX if calibrated.has(lots) else ""
    which = ", of the calibrated figures" if put else ""
    with_estimate = text("state") == ""
    first, second = text("reason_1"), text("reason_2")
    why = first + np.where((first != "") & (second != ""), "; ", "") + second
    missing = text("data_quality").replace(words.QUALITY).where(with_estimate, "")
    state, reason = text("state").replace(tables.STATES), text("state_reason")
    note = state + np.where((state != "") & (reason != ""), "; ", "") + reason + missing
    poured = [dates.span(early, late) for early, late in zip(text("pour_from"), text("pour_to"), strict=True)]
    known = ~text("pour_date_basis").isin(("", "none"))
    return [
        Shown("lot", text("lot_id"), "The id in the lot file.", None, "lot_id"),
        *estimate(telling.name_in_text("expected", results.today), "expected_movement_mm",
                  "The largest bending expected within a year from the date of the data, counted from a level slab.",
                  bar=True),
        Shown("low", size(f"{put}expected_movement_mm_p10"), f"One model run in ten has less, in {spelt}{which}.", 1,
              f"{put}expected_movement_mm_p10"),
        Shown("high", size(f"{put}expected_movement_mm_p90"), f"One model run in ten has more, in {spelt}{which}.", 1,
              f"{put}expected_movement_mm_p90"),
        *estimate("long run", "long_run_mm", "The largest bending of a slab here in the weather of 1991-2020 or of the "
                  "normal period that was set, once its middle has stopped rising."),
        Shown(f"now, {unit}", size("bend_now_mm"), "Bending today: more than 0 where the middle is high, less where "
              "the edge is.", 1, "bend_now_mm"),
        Shown("high today", text("direction").replace(words.DIRECTION_SHORT), "Which part of the slab is high today.",
              None, "direction"),
        Shown(f"next 12 months, {unit}", size("change_next_mm"), "How far the middle moves against the edge in a year; "
              "less than 0 where it falls.", 1, "change_next_mm"),
        Shown("why", why, "The two largest reasons why the estimate differs from that of the typical lot here.", None,
              "reason_1, reason_2"),
        Shown("shrink-swell", text("shrink_swell_class"), "How much the soil under the lot shrinks and swells.", None,
              "shrink_swell_class"),
        Shown("poured", pd.Series(poured, index=lots.index, dtype=object).where(known, ""),
              "When the slab was poured, as the lot file says; empty where it does not.", None, "pour_from, pour_to"),
        Shown("note", note, "Why there is no estimate, or what is not known about the lot.", None,
              "state, data_quality"),
    ]


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
