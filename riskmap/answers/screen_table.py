"""The answered list as files: same order, sorted copy, workbook, a page to print; the lender's words on each."""

from __future__ import annotations

import html
import json
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from riskmap.answers.screen import in_order
from riskmap.common import tables, wording
from riskmap.common.errors import visible
from riskmap.common.json_values import plain
from riskmap.outputs import calibrated, html_page, words
from riskmap.outputs.files.csv_table import guarded_table

if TYPE_CHECKING:
    from riskmap.answers.screen import ScreenReport

CAUTIONS = (wording.CAUTION_LENDER, wording.CAUTION)
NOT_LOW = wording.NO_NUMBER.split(". ")[-1]
PAGE_ROWS = 500  # more rows of a printed page nobody reads; the tables hold all
PAGE_NOTES, LONG_WORD = 20, 16


def page_rows(done: ScreenReport, units: str) -> tuple[pd.DataFrame, dict[str, str]]:
    """Return the rows of the printed page in order, codes as words, and what stands above its columns."""
    ordered = in_order(done.rows)

    def ours(name: str) -> pd.Series:
        return ordered[f"{name}_riskmap" if f"{name}_riskmap" in ordered else name]

    unit = "in" if units == "us" else "mm"
    put, before = (calibrated.PREFIX, "calibrated: ") if calibrated.has(done.rows) else ("", "")

    def number(label: str, name: str) -> list[tuple[str, pd.Series]]:
        """Return the calibrated figure where there is one, and beside it the model's own."""
        own = ours(f"{name}_{unit}")
        return [(f"{label}, {unit}, calibrated", ours(f"{put}{name}_{unit}")),
                (f"(as modelled, {unit})", own)] if put else [(f"{label}, {unit}", own)]

    matched = ours("match_status") == "matched"  # of others the state says nothing more
    note = ours("match_note")
    for more in (ours("state").map(tables.STATES).fillna(""), ours("state_reason")):
        more = more.where(matched, "")
        note = note + np.where((note != "") & (more != ""), "; ", "") + more
    own = done.own[0] if done.own else "matched_lot_id"
    columns = [  # the first may have the name of another
        (own, ordered[own]), ("rank", ours("rank")), ("found", ours("match_status")),
        ("note", note),
        *number("long run", "long_run"),
        (f"{before}from", ours(f"{put}long_run_{unit}_p10")), (f"{before}to", ours(f"{put}long_run_{unit}_p90")),
        *number("expected bending", "expected_movement"),
        ("direction", ours("direction").replace(words.DIRECTION_SHORT)), ("first reason", ours("reason_1")),
        ("data", ours("data_quality").replace(words.QUALITY))]
    labels = {str(place): label for place, (label, _) in enumerate(columns)}
    return pd.DataFrame({str(place): values for place, (_, values) in enumerate(columns)}), labels


def write(rows: pd.DataFrame, ordered: pd.DataFrame, groups: pd.DataFrame | None, about: dict[str, Any],
          folder: Path, page_rows: tuple[pd.DataFrame, dict[str, str]], measures: Iterable[str] = ()) -> list[Path]:
    """Write every file and return their paths.

    Parameters
    ----------
    rows, ordered : DataFrame
        The answered list in file order and in order of the long-run number.
    groups : DataFrame, optional
        The self-check.
    about : dict
        list, run, today, manifest, counts, ties, notes, standing: plain values.
    folder : Path
    page_rows : DataFrame, dict
        What the page shows, in its order, and what stands above each column.
    measures : iterable of str
        The list's own columns that are no ids: the workbook holds them as numbers where their text survives exactly.
    """
    paths = [_csv(rows, folder / "screened.csv"), _csv(ordered, folder / "sorted.csv")]
    if groups is not None:
        paths.append(_csv(groups, folder / "groups.csv"))
    paths.append(_workbook(rows, ordered, groups, about, measures, folder / "screened.xlsx"))
    page = folder / "screened.html"
    text = _page(*page_rows, groups, about)
    page.write_text(text, encoding="utf-8", errors="backslashreplace", newline="\n")
    readme = folder / "README.txt"
    readme.write_text("\n".join(_notes(about)) + "\n", encoding="utf-8", errors="backslashreplace", newline="\n")
    summary = folder / "screened.json"
    content = plain({**about, "cautions": [*CAUTIONS, about["standing"]]})
    summary.write_text(json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False) + "\n",
                       encoding="utf-8", errors="backslashreplace", newline="\n")
    return [*paths, page, readme, summary]


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


def _notes(about: dict[str, Any]) -> list[str]:
    counts = ", ".join(f"{value:,} {name.replace('_', ' ')}" for name, value in about["counts"].items())
    return [*CAUTIONS, about["standing"], f"List {about['list']}: {counts}.",
            f"Run {about['run']}, data up to {about['today']}, manifest {about['manifest']}.",
            "Rows without a number have a state; " + NOT_LOW[:1].lower() + NOT_LOW[1:],
            "sorted: by the long-run number, rows without a number last. It orders rows of this list, no areas.",
            "A text cell of a CSV that begins with = + - @, a tab, a line end or NUL and is no plain number has one "
            "apostrophe in front.",
            ("rank: place by the long-run number among the rows of this list. " + about["ties"]).strip(),
            *about["notes"]]


def _workbook(rows: pd.DataFrame, ordered: pd.DataFrame, groups: pd.DataFrame | None, about: dict[str, Any],
              measures: Iterable[str], path: Path) -> Path:
    from datetime import datetime

    import xlsxwriter

    from riskmap.outputs.files import xlsx

    year, month = (int(part) for part in about["today"].split("-"))
    numbers = _number_columns(rows, measures)
    with xlsxwriter.Workbook(path, xlsx.options(path.parent)) as book:
        book.set_properties({"title": "riskmap screening", "created": datetime(year, month, 1)})
        bold = book.add_format({"bold": True})
        for name, frame in (("screened", rows), ("sorted", ordered), ("groups", groups)):
            if frame is not None:
                xlsx.sheet(book, name, bold, [str(column) for column in frame], _records(frame), CAUTIONS[0],
                           numbers=numbers if name != "groups" else frozenset())
        xlsx.sheet(book, "notes", bold, ["note"], ({"note": note} for note in _notes(about)), CAUTIONS[0])
    return path


def _number_columns(rows: pd.DataFrame, names: Iterable[str]) -> frozenset[str]:
    """Return which of these text columns a workbook can hold as numbers: every cell then looks as it was given."""
    from riskmap.outputs.files.xlsx import DIGITS, EXACT, MINUS_ZERO

    names_of_numbers = []
    for name in names:
        cells = rows[name].astype("str")
        cells = cells[cells != ""]
        exact = cells.str.fullmatch(EXACT) & ~cells.str.fullmatch(MINUS_ZERO) & (cells.str.count("[0-9]") <= DIGITS)
        if len(cells) and exact.all():
            names_of_numbers.append(name)
    return frozenset(names_of_numbers)


def _records(frame: pd.DataFrame) -> Iterator[dict[str, Any]]:
    columns = {str(name): [plain(value) if values.dtype.kind in "iuf" else ("" if value is None else str(value))
                           for value in values.tolist()] for name, values in frame.items()}
    for line in zip(*columns.values(), strict=True):
        yield dict(zip(columns, line, strict=True))


# ---------------------------------------------------------------- the page
def _page(ordered: pd.DataFrame, labels: dict[str, str], groups: pd.DataFrame | None, about: dict[str, Any]) -> str:
    words = {name: _text(tables.STATES.get(name, name.replace("_", " "))) for name in about["counts"]}
    counts = "".join(f'<tr><td>{words[name]}</td><td class="n">{value:,}</td></tr>'
                     for name, value in about["counts"].items())
    shown = (f"<p>The first {PAGE_ROWS:,} of {len(ordered):,} rows; sorted.csv holds all.</p>\n"
             if len(ordered) > PAGE_ROWS else "")
    texts = {"list": about["list"], "caution_lender": CAUTIONS[0], "caution": CAUTIONS[1],
             "standing": about["standing"], "footer": " ".join(_notes(about)[3:5])}
    return html_page.filled(
        Path(__file__).parent / "screened.html", {name: visible(text) for name, text in texts.items()},
        {"counts": counts, "notes": "".join(_page_notes(about["notes"])), "shown": shown,
         "ties": f"<p>{_text(about['ties'])}</p>\n" if about["ties"] else "",
         "table": "".join(_page_rows(ordered.head(PAGE_ROWS), labels)),
         "groups": "".join(_page_groups(groups)) if groups is not None else ""}) + "\n"


def _page_notes(notes: list[str]) -> Iterator[str]:
    if notes:
        more = len(notes) - PAGE_NOTES
        lines = [*notes[:PAGE_NOTES], *([f"and {more:,} more, in README.txt"] if more > 0 else [])]
        yield "<h2>About the list</h2><ul>" + "".join(f"<li>{_text(note)}</li>" for note in lines) + "</ul>\n"


def _page_rows(shown: pd.DataFrame, labels: dict[str, str]) -> Iterator[str]:
    heading = "".join(f"<th{' class=l' * _long(label)}>{_text(label)}</th>" for label in labels.values())
    yield f"<table><thead><tr>{heading}</tr></thead><tbody>\n"
    for record in _records(shown):
        yield "<tr>" + "".join(_cell(value, ".1f") for value in record.values()) + "</tr>\n"
    yield "</tbody></table>\n"


def _page_groups(groups: pd.DataFrame) -> Iterator[str]:
    yield "<h2>Self-check by group</h2><p>How results and data lie in the groups of the list. No group enters a " \
          "number; groups under ten rows are not told; the order is that of the list.</p>"
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
    """Return whether a word of the text would push the table over the paper's edge unless it may break anywhere."""
    return max(map(len, text.split()), default=0) > LONG_WORD


def _text(value: object) -> str:
    return html.escape(visible(str(value)))
