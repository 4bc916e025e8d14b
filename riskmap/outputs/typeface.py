"""The typeface of pages and plots: Riskmap Sans, a renamed subset of Inter 4.001 (SIL Open Font License 1.1).

The files are in `type/` with their licence and their SHA-256; `notebooks/make_type.py` makes them. All ten figures have
one width. Sizes of pages are those of one scale, in pixels of text and line: 12/16 axis and notes, 14/20 panel, legend
and tables, 16/24 text and headings, 20/28 titles, 28/34 the number; the weights are 400 and 700.
"""

from __future__ import annotations

import base64
from functools import cache
from pathlib import Path
from typing import Any, Final, Literal

Weight = Literal["Regular", "Bold"]

FAMILY: Final = "Riskmap Sans"
PLACE: Final = Path(__file__).parent / "type"
SUMS: Final = "SHA256SUMS"
WEIGHTS: Final[dict[Weight, int]] = {"Regular": 400, "Bold": 700}


def ttf(weight: Weight) -> Path:
    """Return the TTF of a weight, for a program that draws with font files."""
    return PLACE / f"RiskmapSans-{weight}.ttf"


def register(font_manager: Any) -> list[str]:
    """Add both weights to the fonts of matplotlib and return the families that plots use, the first wanted first.

    Parameters
    ----------
    font_manager : module
        `matplotlib.font_manager`; it is handed in, because this package is used without matplotlib too.
    """
    known = {font.fname for font in font_manager.fontManager.ttflist}
    for weight in WEIGHTS:
        if str(ttf(weight)) not in known:
            font_manager.fontManager.addfont(ttf(weight))
    return [FAMILY, "DejaVu Sans"]  # the second, which comes with matplotlib, has the letters that ours lacks


@cache
def css() -> str:
    """Return the `@font-face` rules with both fonts inside, for a page that is one file.

    The policy of the page has to allow `font-src data:`. The rules take about 43 kB.
    """
    rules = []
    for weight, number in WEIGHTS.items():
        inside = base64.b64encode((PLACE / f"RiskmapSans-{weight}.woff2").read_bytes()).decode("ascii")
        rules.append(f'@font-face{{font-family:"{FAMILY}";font-weight:{number};font-style:normal;font-display:block;'
                     f'src:url(data:font/woff2;base64,{inside}) format("woff2")}}')
    return "\n".join(rules)
