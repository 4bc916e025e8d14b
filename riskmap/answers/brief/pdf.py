"""Pages as PDF through typst.

The template reads the values from JSON, and uses only its own fonts and the date of the data.
"""

from __future__ import annotations

import json
import re
import shutil
import tempfile
from functools import lru_cache
from itertools import groupby
from pathlib import Path
from typing import Any, Literal

from riskmap.outputs import drawing as drawing_parts
from riskmap.outputs import palette

HERE = Path(__file__).parent
SHARED = "drawing.typ"  # what both templates import
STANDARD: Literal["ua-1"] = "ua-1"  # PDF/UA-1: tags, language, title; typst refuses a figure without alternative text
MARGIN = 0.5  # around a picture, for the corners of its lines, which reach beyond half their width [mm]
PAPERS = {"letter": "us-letter", "a4": "a4"}
# The embedded fonts have these characters. All others are written out, because an empty box would hide what the page
# says.
_UNKNOWN = re.compile("[^\u0009\u000a\u0020-\u024f\u0259\u02c6-\u02dd\u0300-\u036f\u0370-\u03ff\u0400-\u04ff"
                      "\u05d0-\u05ea\u1e00-\u1eff\u2010-\u2027\u2030-\u205e\u2070-\u209f\u20a0-\u20bf\u2100-\u214f\u2190-\u21ff"
                      "\u2212\u2248\u2260-\u2265\u2610-\u2612]")
_LONG = re.compile(r"(\S{24})(?=\S)")  # a longer word may be broken; a line of the page has room for more


def shown(value: Any) -> Any:
    """Return values with characters that the fonts lack written out as U+XXXX, and long words that may be broken."""
    kind = type(value)
    if kind is float or kind is int:  # most values are coordinates
        return value
    if kind is list and value and type(value[0]) is float:
        return [one if type(one) is float else shown(one) for one in value]
    if isinstance(value, str):
        return _readable(value)
    if isinstance(value, dict):
        if "parts" in value:
            return _layered(value)
        return {key: shown(entry) for key, entry in value.items()}
    if isinstance(value, list | tuple):
        return [shown(entry) for entry in value]
    return value


def _layered(drawing: dict[str, Any]) -> dict[str, Any]:
    """Return a drawing whose paths between two texts are one picture, which typst reads 20 times faster than paths.

    `drawing` is as returned by `Drawing.plain`. Its texts stay texts of the paper.
    """
    layers: list[dict[str, Any]] = []
    for text, group in groupby(drawing["parts"], key=lambda part: "text" in part):
        parts = list(group)
        layers += [shown(part) for part in parts] if text else [_picture(parts)]
    return {**{key: shown(entry) for key, entry in drawing.items() if key != "parts"}, "layers": layers}


def _picture(paths: list[dict[str, Any]]) -> dict[str, Any]:
    """Return paths as SVG with its place and size in the drawing; no line is cut at the border."""
    margin = MARGIN + max(path["width"] for path in paths)
    across, down = ([point[k] for path in paths for point in path["points"]] for k in (0, 1))
    left, top = min(across) - margin, min(down) - margin
    width, height = max(across) + margin - left, max(down) + margin - top
    inside = "".join(drawing_parts.svg_path(**path) for path in paths)
    return {"x": left, "y": top, "width": width, "height": height,
            "svg": f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="{left:.3f} {top:.3f} {width:.3f} {height:.3f}" '
                   f'stroke-linejoin="round">{inside}</svg>'}


@lru_cache(maxsize=4096)  # roles, colours and sentences are repeated from page to page
def _readable(text: str) -> str:
    return _LONG.sub("\\1\u200b", _UNKNOWN.sub(lambda match: f"[U+{ord(match.group()):04X}]", text))


def compiled(template: str | Path, values: dict[str, Any], paper: str, kind: Literal["pdf", "png"] = "pdf",
             ppi: float = 110.0) -> list[bytes]:
    """Return the document: one entry for PDF, one per page for PNG.

    Parameters
    ----------
    template : str or Path
        `page.typ`, `area.typ`, or the path of another template.
    values : dict
        title, year, month, and `pages` or `area`.
    paper : str
        `letter` or `a4`.
    kind : str
        `pdf` or `png`.
    """
    import typst

    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        source = HERE / template  # a whole path stays as it is
        for one in (source, HERE / SHARED):
            shutil.copy(one, folder / one.name)
        told = shown({**values, "paper": PAPERS[paper], "colors": palette.PAGE})
        data = json.dumps(told, ensure_ascii=False, allow_nan=False)
        (folder / "data.json").write_text(data, encoding="utf-8", errors="backslashreplace")
        document: bytes | list[bytes] = typst.compile(str(folder / source.name), root=str(folder), format=kind, ppi=ppi,
                                                      ignore_system_fonts=True, timestamp=0,
                                                      pdf_standards=STANDARD if kind == "pdf" else None)
    return document if isinstance(document, list) else [document]
