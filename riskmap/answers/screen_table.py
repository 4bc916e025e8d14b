"""The answered list as files: same order, sorted copy, workbook, and a page to print; each has the lender's caution."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from riskmap.answers import screen_choices, screen_page, screen_workbook
from riskmap.answers.screen_words import STATE_NAMES, typical
from riskmap.common import wording
from riskmap.common.errors import counted
from riskmap.common.json_values import plain
from riskmap.outputs import calibrated
from riskmap.outputs.files.csv_table import guarded, guarded_table

if TYPE_CHECKING:
    import pandas as pd

    from riskmap.answers.screen import ScreenReport

CAUTIONS = (wording.CAUTION_LENDER, wording.CAUTION)
MOST_OPEN = 2000  # judgement: nobody decides more rows on a page; the CSV has all
NOT_LOW = wording.NO_NUMBER.split(". ")[-1]


def write(done: ScreenReport, about: dict[str, Any], folder: Path) -> list[Path]:
    """Write every file and return their paths.

    Parameters
    ----------
    done : ScreenReport
    about : dict
        list, run, today, manifest: plain values, which the JSON file has too.
    folder : Path
    """
    from riskmap.answers.screen import in_order

    about = {**about, "counts": done.counts, "ties": done.ties, "typical_long_run": typical(done),
             "standing": done.standing,
             "guarded_cells": guarded_cells(done),
             "open_rows": open_rows(done), "open_count": len(screen_choices.open_places(done)),
             "notes": [*([wording.NOT_FOR_PUBLICATION] if done.labelled else []),
                       *([calibrated.ORDER] if done.calibrated else []), *map(str, done.problems)]}
    paths = [_csv(done.rows, folder / "screened.csv"), _csv(done.rows.iloc[in_order(done)], folder / "sorted.csv")]
    if about["open_rows"]:
        paths.append(_csv(screen_choices.table(done, screen_choices.open_places(done)), folder / screen_choices.NAME))
    if done.groups is not None:
        paths.append(_csv(done.groups, folder / "groups.csv"))
    paths.append(screen_workbook.write(done, [*_notes(about), *about["notes"]], counts_in_words(about), CAUTIONS[0],
                                       about["today"], folder / "screened.xlsx"))
    page = folder / "screened.html"
    text = screen_page.page(done, about, counts_in_words(about), CAUTIONS, " ".join(_notes(about)[3:5]))
    page.write_text(text, encoding="utf-8", errors="backslashreplace", newline="\n")
    readme = folder / "README.txt"
    text = "\n".join([*_notes(about), *about["notes"]])
    readme.write_text(f"{text}\n", encoding="utf-8", errors="backslashreplace", newline="\n")
    summary_file = folder / "screened.json"
    content = plain({**about, "cautions": [*CAUTIONS, done.standing]})
    summary_file.write_text(json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False) + "\n",
                            encoding="utf-8", errors="backslashreplace", newline="\n")
    return [*paths, page, readme, summary_file]


def open_rows(done: ScreenReport) -> list[dict[str, Any]]:
    """Return the first rows that the user can decide, as `screen_choices.table` has them."""
    places = screen_choices.open_places(done)[:MOST_OPEN]
    table = screen_choices.table(done, places)
    return [{**{str(name): value for name, value in row.items()}, "candidates": done.candidates[k]}
            for k, row in zip(places.tolist(), table.to_dict("records"), strict=True)]


def guarded_cells(done: ScreenReport) -> int:
    """Return how many cells of the list get an apostrophe in the CSV, because a spreadsheet would run them."""
    own = done.rows[list(done.own)].astype("str")
    return int(sum((guarded(own[name], numbers_stay=True) != own[name]).sum() for name in own))


def _csv(frame: pd.DataFrame, path: Path) -> Path:
    import pyarrow as pa
    from pyarrow import csv

    columns: dict[str, Any] = {}
    for name, values in guarded_table(frame, numbers_stay=True).items():
        number = values.dtype.kind in "iuf"
        columns[str(name)] = (pa.array(values, from_pandas=True) if number
                              else pa.array(values.astype("object"), type=pa.string()))
    with path.open("wb") as sink:
        sink.write(b"\xef\xbb\xbf")
        csv.write_csv(pa.table(columns), sink, csv.WriteOptions(quoting_style="needed"))
    return path


def counts_in_words(about: dict[str, Any]) -> list[tuple[str, int]]:
    """Return how many rows there are of each kind, in words."""
    words = {**STATE_NAMES, "rows": "all rows", "with_estimate": "with an estimate"}
    return [(words.get(name, name.replace("_", " ")), value) for name, value in about["counts"].items()]


def _notes(about: dict[str, Any]) -> list[str]:
    counts = "; ".join(f"{name} {value:,}" for name, value in counts_in_words(about))
    apostrophe = counted(about["guarded_cells"], "cell of the list has", "cells of the list have")
    return [*CAUTIONS, about["standing"], f"Rows of {about['list']}: {counts}.",
            f"Run {about['run']}, data up to {about['today']}, manifest {about['manifest']}.",
            f"A row without an estimate has a state that says why. {NOT_LOW}",
            "rank: 1 + the number of rows of this list with a larger long run, to 0.1 mm. Rows with the same long run "
            "share a rank. The rank orders the rows of this list; it is not a ranking of areas.",
            *([about["ties"]] if about["ties"] else []),
            *([f"Rows without a lot are in {screen_choices.NAME} with the lots that they may mean. Write the lot that "
               f"is meant into its column {screen_choices.CHOSEN}, and give it to the next screening with --choices."]
              if about["open_rows"] else []),
            "Columns of the list come back as they are, those about people empty. No postal or census area enters an "
            "estimate, a rank or a reason.",
            *([f"In the CSV files {apostrophe} one apostrophe in front, because a spreadsheet would take them for a "
               "formula."] if about["guarded_cells"] else []),
            "In the workbook every cell of the list is a text."]
