"""The card as a page to open and print: the answer, the chart, then the text of the card. The page has no script."""

from __future__ import annotations

import html
import re
from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING

from riskmap.answers.calibration import card, chart
from riskmap.outputs import html_page

if TYPE_CHECKING:
    import pandas as pd

    from riskmap.answers.calibration.model_file import Model

NAME = "calibration.html"


def page(model: Model, comparisons: pd.DataFrame, put_to: tuple[str, str] | None = None) -> str:
    """Return the page.

    Parameters
    ----------
    model : Model
    comparisons : DataFrame
        Every row of the survey file; empty where no surveys were read; then there is no chart.
    put_to : (str, str), optional
        As in `card.text`.
    """
    drawing = chart.svg(comparisons) if len(comparisons) else ""
    figure = (f"<figure>{drawing}<figcaption>{html.escape(chart.caption(comparisons))}</figcaption></figure>\n"
              if drawing else "")
    answer = "".join(f"<p>{html.escape(line)}</p>" for line in card.answer(model))
    return html_page.filled(
        Path(__file__).parent / "calibration.html", {"area": model.run.area, "today": model.run.today},
        {"answer": answer, "chart": figure, "card": _markup(card.details(model, put_to))}) + "\n"


def _markup(text: str) -> str:
    """Return as HTML the Markdown that `card` writes: headings, lists, tables and paragraphs. Every text is escaped."""
    out = []
    for kind, lines in groupby(text.splitlines(), _kind):
        block = list(lines)
        if kind == "heading":
            out += [f"<h2>{_inline(line.lstrip('# '))}</h2>" for line in block]
        elif kind == "list":
            out.append("<ul>" + "".join(f"<li>{_inline(line.lstrip(' -'))}</li>" for line in block) + "</ul>")
        elif kind == "table":
            rows = [[_inline(cell.strip()) for cell in line.strip("|").split("|")] for line in block]
            out.append("<table>" + _row(rows[0], "th") + "".join(_row(row, "td") for row in rows[2:]) + "</table>")
        elif kind == "text":
            out.append(f"<p>{_inline(' '.join(block))}</p>")
    return "\n".join(out)


def _kind(line: str) -> str:
    starts = {"#": "heading", "-": "list", "|": "table", "": "gap"}
    return starts.get(line.strip()[:1], "text")


def _row(cells: list[str], tag: str) -> str:
    return "<tr>" + "".join(f"<{tag}>{cell}</{tag}>" for cell in cells) + "</tr>"


def _inline(text: str) -> str:
    return re.sub(r"`(.+?)`", r"<code>\1</code>", re.sub(r"\*\*(.+?)\*\*", r"<b>\1</b>", html.escape(text)))
