"""The screened list as a page to read and to print: a table on a desk, cards on a phone; it has no script.

Rows are by rank; rows without an estimate come last and say why. All range bars have the same ends.
"""

from __future__ import annotations

import html
import math
import re
from bisect import bisect_right
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from riskmap.answers.screen_words import FOUND, STATE_NAMES, summary, typical
from riskmap.common.errors import visible
from riskmap.common.json_values import plain
from riskmap.outputs import calibrated, html_page, palette, telling

if TYPE_CHECKING:
    from riskmap.answers.screen import ScreenReport

ROWS = 500  # nobody reads more rows of a printed page; the tables contain all
NOTES, LONG_WORD = 20, 16
STEP = {"us": 0.5, "si": 10.0}  # the ends of the bars are multiples of it
HERE = Path(__file__).parent


def page(done: ScreenReport, about: Mapping[str, Any], counts: Sequence[tuple[str, int]], cautions: Sequence[str],
         footer: str) -> str:
    """Return the page as HTML.

    Parameters
    ----------
    done : ScreenReport
    about : mapping
        list, today, ties, standing and notes, as in screened.json.
    counts : sequence of (str, int)
        Number of rows by what became of them, in words; the first is that of all rows.
    cautions : sequence of str
        The lender's caution, and that of every product.
    footer : str
    """
    shown = (f"<p>The first {ROWS:,} of {len(done.rows):,} rows; sorted.csv contains all of them.</p>\n"
             if len(done.rows) > ROWS else "")
    size = typical(done)
    why = (f"<p>“Why” says what makes the long run differ from that of the typical lot here. The long run of the "
           f"typical lot is {_text(size)}. Its estimate for the next 12 months, which the map and the brief compare "
           f"with, is another figure.</p>\n" if size else "")
    told = "".join(f"<div><dt>{_text(name)}</dt><dd>{value:,}</dd></div>" for name, value in counts)
    texts = {"list": about["list"], "caution_lender": cautions[0], "caution": cautions[1],
             "standing": about["standing"], "footer": footer}
    return html_page.filled(
        HERE / "screened.html", {name: visible(text) for name, text in texts.items()},
        {"counts": told, "notes": "".join(_notes(about["notes"])), "shown": shown, "why": why,
         "ties": f"<p>{_text(about['ties'])}</p>\n" if about["ties"] else "", "table": "".join(_rows(done)),
         "groups": "".join(_groups(done.groups)) if done.groups is not None else ""}) + "\n"


def _notes(notes: Sequence[str]) -> Iterator[str]:
    if notes:
        more = len(notes) - NOTES
        lines = [*notes[:NOTES], *([f"and {more:,} more, in README.txt"] if more > 0 else [])]
        yield "<h2>About the list</h2><ul>" + "".join(f"<li>{_text(note)}</li>" for note in lines) + "</ul>\n"


# ---------------------------------------------------------------- rows
def _rows(done: ScreenReport) -> Iterator[str]:
    """Return the table: rank, lot, long run with its bar or the state, why, largest within a year, now, how found."""
    from riskmap.answers.screen import in_order

    columns = {column.label: _cells(column.values) for column in summary(done)}
    order = in_order(done)[:ROWS]
    put = calibrated.PREFIX if done.calibrated else ""
    unit = "in" if done.system == "us" else "mm"
    long = {end: done.ours(f"{put}long_run_{unit}{end}").iloc[order].to_numpy(float) for end in ("_p10", "", "_p90")}
    modelled = done.ours(f"long_run_{unit}").iloc[order].to_numpy(float)
    year = done.ours(f"{put}expected_movement_{unit}").iloc[order].to_numpy(float)
    year_modelled = done.ours(f"expected_movement_{unit}").iloc[order].to_numpy(float)
    size_mm = done.ours(f"{put}long_run_mm").iloc[order].to_numpy(float)
    state, reason, found, note = (done.ours(name).iloc[order].astype("str").tolist()
                                  for name in ("state", "state_reason", "match_status", "match_note"))
    most = _end(done, put, unit)
    largest = telling.name("expected", done.today)
    heads = ["Rank", done.label, "Long run", "Why", largest, "Now", "Found"]
    yield ('<table class="rows" role="table"><caption>Rows by rank; those without an estimate come last. A bar covers '
           f"80 % of the model runs, and its mark is the median. All bars go from 0 to {most:g} {unit}.</caption>\n"
           '<thead role="rowgroup"><tr role="row">')
    yield "".join(f'<th role="columnheader" scope="col"{_long(head)}>{_text(head)}</th>' for head in heads)
    yield "</tr></thead><tbody role=\"rowgroup\">\n"
    label = columns.get("label")
    for k in range(len(order)):
        rank, last = columns["rank"][k], columns["rank to"][k]
        tie = f'<span class="tie">to {last:,}, equal</span>' if rank is not None and last != rank else ""
        known = _text(label[k]) if label else ""
        lot = f"<span>{_text(columns[done.label][k])}</span> <small>row {columns['row'][k]}</small>" + (
            f'<span class="known">{known}</span>' if known else "")
        if state[k]:
            name = STATE_NAMES.get(state[k], state[k])
            cell = f'<strong class="none">No estimate: {_text(name)}</strong>'
            why = _after(reason[k] if found[k] == "matched" else note[k], name)
        else:
            cell = _bar([long[end][k] for end in ("_p10", "", "_p90")], most, unit, float(size_mm[k]),
                        modelled[k] if put else None)
            why = re.sub(r"(?<= )-(?=\d)", "−", str(columns["why"][k]))  # a minus, as on the other pages
        how = "; ".join(text for text in (FOUND[found[k]], note[k]) if text) if found[k] == "matched" else ""
        cells = [("rank", "" if rank is None else f"{rank:,}{tie}"), ("lot", lot), ("long", cell), ("why", _text(why)),
                 ("year", _number(float(year[k]), unit, float(year_modelled[k]) if put else None)),
                 ("now", "" if state[k] else _text(columns["now"][k])), ("note", _text(how))]
        yield '<tr role="row">' + "".join(
            f'<td role="cell" class="{name}" data-name="{_text(head)}"{"" if text else " data-empty"}>{text}</td>'
            for (name, text), head in zip(cells, heads, strict=True)) + "</tr>\n"
    yield "</tbody></table>\n"


def _after(reason: str, name: str) -> str:
    """Return a reason without the name of the state, which the row says in front of it."""
    rest = reason.removeprefix(f"{name}: ").removeprefix("No estimate: ")
    return "" if rest == name else f"{rest[:1].upper()}{rest[1:]}"


def _end(done: ScreenReport, put: str, unit: str) -> float:
    """Return the upper end of all bars of a list, in the unit shown."""
    high = done.ours(f"{put}long_run_{unit}_p90").to_numpy(float)
    most = float(np.nanmax(high)) if np.isfinite(high).any() else 0.0
    step = STEP[done.system]
    return step * max(1, math.ceil(most / step - 1e-9))


def _bar(values: Sequence[float], most: float, unit: str, size_mm: float, modelled: float | None) -> str:
    low, middle, high = (float(value) for value in values)
    left, at, right = (100 * min(max(value / most, 0.0), 1.0) for value in (low, middle, high))
    color = palette.SIZE[bisect_right(palette.SIZE_LIMITS_MM, size_mm)]
    return (f"<strong>{_number(middle, unit, modelled)}</strong> <span>{low:.1f} to {high:.1f}</span>"
            f'<span class="bar" aria-hidden="true"><i style="left:{left:.1f}%;width:{right - left:.1f}%"></i>'
            f'<b style="left:{at:.1f}%;background:{color}"></b></span>')


def _number(value: float, unit: str, modelled: float | None = None) -> str:
    if not math.isfinite(value):
        return ""
    return f"{value:.1f} {unit}" + (f" calibrated ({modelled:.1f} as modelled)" if modelled is not None else "")


# ---------------------------------------------------------------- groups
def _groups(groups: pd.DataFrame) -> Iterator[str]:
    yield "<h2>Self-check by group</h2><p>How estimates and data lie in the groups of the list. No group enters an " \
          "estimate. Groups under ten rows are not shown. The order is that of the list.</p>\n"
    yield "<div class=\"wide\" tabindex=\"0\" role=\"region\" aria-label=\"Groups\"><table><thead><tr>"
    yield "".join(f'<th scope="col">{_text(name)}</th>' for name in groups) + "</tr></thead><tbody>"
    for line in zip(*(_cells(values) for _, values in groups.items()), strict=True):
        yield "<tr>" + "".join(_cell(value) for value in line) + "</tr>"
    yield "</tbody></table></div>\n"


def _cells(values: pd.Series) -> list[Any]:
    """Return the cells as plain values: a number or None in a column of numbers, otherwise a text."""
    if values.dtype.kind in "iuf":
        return [plain(value) for value in values.astype(object).where(values.notna(), None).tolist()]
    return ["" if value is None else str(value) for value in values.tolist()]


def _cell(value: Any) -> str:
    if isinstance(value, str):
        return f"<td{_long(value)}>{_text(value)}</td>"
    return f'<td class="n">{"" if value is None else format(value, "g")}</td>'


def _long(text: str) -> str:
    """Return a class for a text with a word that would push the table off the paper unless it may break anywhere."""
    return ' class="l"' if max(map(len, text.split()), default=0) > LONG_WORD else ""


def _text(value: object) -> str:
    return html.escape(visible(str(value)))

