"""The answered list as files: same order, sorted copy, workbook, and a page to print; each has the lender's caution."""

from __future__ import annotations

import html
import json
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from riskmap.answers import matching, screen_workbook
from riskmap.answers.screen_words import summary, typical
from riskmap.common import tables, wording
from riskmap.common.errors import counted, visible
from riskmap.common.json_values import plain
from riskmap.outputs import calibrated, html_page
from riskmap.outputs.files.csv_table import guarded, guarded_table
from riskmap.outputs.files.sheets import Shown

if TYPE_CHECKING:
    import pandas as pd

    from riskmap.answers.screen import ScreenReport

CAUTIONS = (wording.CAUTION_LENDER, wording.CAUTION)
NOT_LOW = wording.NO_NUMBER.split(". ")[-1]
PAGE_ROWS = 500  # nobody reads more rows of a printed page; the tables contain all
PAGE_NOTES, LONG_WORD = 20, 16


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
             "notes": [*([wording.NOT_FOR_PUBLICATION] if done.labelled else []),
                       *([calibrated.ORDER] if done.calibrated else []), *map(str, done.problems)]}
    paths = [_csv(done.rows, folder / "screened.csv"), _csv(done.rows.iloc[in_order(done)], folder / "sorted.csv")]
    if done.groups is not None:
        paths.append(_csv(done.groups, folder / "groups.csv"))
    paths.append(screen_workbook.write(done, [*_notes(about), *about["notes"]], _counts(about), CAUTIONS[0],
                                       about["today"], folder / "screened.xlsx"))
    page = folder / "screened.html"
    page.write_text(_page(summary(done), done.groups, about), encoding="utf-8", errors="backslashreplace", newline="\n")
    readme = folder / "README.txt"
    text = "\n".join([*_notes(about), *about["notes"]])
    readme.write_text(f"{text}\n", encoding="utf-8", errors="backslashreplace", newline="\n")
    summary_file = folder / "screened.json"
    content = plain({**about, "cautions": [*CAUTIONS, done.standing]})
    summary_file.write_text(json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False) + "\n",
                            encoding="utf-8", errors="backslashreplace", newline="\n")
    return [*paths, page, readme, summary_file]


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


def _counts(about: dict[str, Any]) -> list[tuple[str, int]]:
    words = {**tables.STATES, **matching.STATES, "rows": "all rows", "with_estimate": "with an estimate"}
    return [(words.get(name, name.replace("_", " ")), value) for name, value in about["counts"].items()]


def _notes(about: dict[str, Any]) -> list[str]:
    counts = "; ".join(f"{name} {value:,}" for name, value in _counts(about))
    apostrophe = counted(about["guarded_cells"], "cell of the list has", "cells of the list have")
    return [*CAUTIONS, about["standing"], f"Rows of {about['list']}: {counts}.",
            f"Run {about['run']}, data up to {about['today']}, manifest {about['manifest']}.",
            f"A row without an estimate has a state that says why. {NOT_LOW}",
            "rank: 1 + the number of rows of this list with a larger long run, to 0.1 mm. Rows with the same long run "
            "share a rank. The rank orders the rows of this list; it is not a ranking of areas.",
            *([about["ties"]] if about["ties"] else []),
            "Columns of the list come back as they are, those about people empty. No postal or census area enters an "
            "estimate, a rank or a reason.",
            *([f"In the CSV files {apostrophe} one apostrophe in front, because a spreadsheet would take them for a "
               "formula."] if about["guarded_cells"] else []),
            "In the workbook every cell of the list is a text."]


def _records(frame: pd.DataFrame) -> Iterator[dict[str, Any]]:
    columns = {str(name): _plain_cells(values) for name, values in frame.items()}
    for line in zip(*columns.values(), strict=True):
        yield dict(zip(columns, line, strict=True))


def _plain_cells(values: pd.Series) -> list[Any]:
    """Return the cells as plain values: a number or None in a column of numbers, otherwise a text."""
    if values.dtype.kind in "iuf":
        return [plain(value) for value in values.astype(object).where(values.notna(), None).tolist()]
    return ["" if value is None else str(value) for value in values.tolist()]


# ---------------------------------------------------------------- the page
def _page(columns: Sequence[Shown], groups: pd.DataFrame | None, about: dict[str, Any]) -> str:
    counts = "".join(f'<tr><td>{_text(name)}</td><td class="n">{value:,}</td></tr>' for name, value in _counts(about))
    rows = len(columns[0].values)
    shown = (f"<p>The first {PAGE_ROWS:,} of {rows:,} rows; sorted.csv contains all of them.</p>\n"
             if rows > PAGE_ROWS else "")
    texts = {"list": about["list"], "caution_lender": CAUTIONS[0], "caution": CAUTIONS[1],
             "standing": about["standing"], "footer": " ".join(_notes(about)[3:5])}
    return html_page.filled(
        Path(__file__).parent / "screened.html", {name: visible(text) for name, text in texts.items()},
        {"counts": counts, "notes": "".join(_page_notes(about["notes"])), "shown": shown,
         "ties": f"<p>{_text(about['ties'])}</p>\n" if about["ties"] else "",
         "why": "<p>The column <b>why</b> says what makes the long run of a row differ from that of the typical lot "
                f"here, which is {_text(about['typical_long_run'])}.</p>\n" if about["typical_long_run"] else "",
         "table": "".join(_page_rows(columns)),
         "groups": "".join(_page_groups(groups)) if groups is not None else ""}) + "\n"


def _page_notes(notes: list[str]) -> Iterator[str]:
    if notes:
        more = len(notes) - PAGE_NOTES
        lines = [*notes[:PAGE_NOTES], *([f"and {more:,} more, in README.txt"] if more > 0 else [])]
        yield "<h2>About the list</h2><ul>" + "".join(f"<li>{_text(note)}</li>" for note in lines) + "</ul>\n"


def _page_rows(columns: Sequence[Shown]) -> Iterator[str]:
    heading = "".join(f"<th{' class=l' * _long(column.label)}>{_text(column.label)}</th>" for column in columns)
    yield f"<table><thead><tr>{heading}</tr></thead><tbody>\n"
    cells = [_plain_cells(column.values.head(PAGE_ROWS)) for column in columns]
    digits = [f".{column.decimals}f" if column.decimals else "d" for column in columns]
    for line in zip(*cells, strict=True):
        yield "<tr>" + "".join(_cell(value, form) for value, form in zip(line, digits, strict=True)) + "</tr>\n"
    yield "</tbody></table>\n"


def _page_groups(groups: pd.DataFrame) -> Iterator[str]:
    yield "<h2>Self-check by group</h2><p>How estimates and data lie in the groups of the list. No group enters an " \
          "estimate. Groups under ten rows are not shown. The order is that of the list.</p>"
    yield from _table(groups)


def _table(frame: pd.DataFrame) -> Iterable[str]:
    yield "<table><thead><tr>" + "".join(f"<th>{_text(name)}</th>" for name in frame) + "</tr></thead><tbody>"
    for record in _records(frame):
        yield "<tr>" + "".join(_cell(value) for value in record.values()) + "</tr>"
    yield "</tbody></table>\n"


def _cell(value: Any, digits: str = "g") -> str:
    if isinstance(value, str):
        long = ' class="l"' if _long(value) else ""
        return f"<td{long}>{_text(value)}</td>"
    return f'<td class="n">{"" if value is None else format(value, digits)}</td>'


def _long(text: str) -> bool:
    """Return whether a word of the text would push the table off the paper unless it may break anywhere."""
    return max(map(len, text.split()), default=0) > LONG_WORD


def _text(value: object) -> str:
    return html.escape(visible(str(value)))
