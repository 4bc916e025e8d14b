"""A drawing as plain shapes and texts: what the figures of papers and pages are made of before anything is written.

A figure is computed once, in units of its own (millimetres on paper, pixels on a screen), and then written as SVG
(`svg`) or as values for the template of a paper (`plain`). The y axis points down, and the origin is at the top left.
"""

from __future__ import annotations

import html
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

from riskmap.outputs.palette import INK
from riskmap.outputs.typeface import FAMILY

Point = tuple[float, float]
Anchor = Literal["start", "middle", "end"]
DIGITS = 3  # of a coordinate
FONT = f"{FAMILY}, sans-serif"


@dataclass(frozen=True)
class Path:
    """A line, or a polygon where `closed`. Lengths are in the units of the drawing.

    Attributes
    ----------
    role : str
        What it shows, such as `slab`; several paths may share a role.
    points : tuple of (x, y)
    fill, stroke : str
        Colours; empty for none.
    width, dash : float
        Width of the stroke, and length of its dashes; 0 for a continuous line.
    """

    role: str
    points: tuple[Point, ...]
    closed: bool = False
    fill: str = ""
    stroke: str = ""
    width: float = 0.0
    dash: float = 0.0


@dataclass(frozen=True)
class Text:
    """A line of text. `x` and `y` are the anchor on its baseline; `size` is the size of the type."""

    role: str
    x: float
    y: float
    text: str
    size: float
    color: str
    anchor: Anchor = "start"
    bold: bool = False


@dataclass(frozen=True)
class Drawing:
    """A figure.

    Attributes
    ----------
    width, height : float
    parts : tuple of Path and Text
        In the order of drawing: a later part covers an earlier one.
    alt : str
        What the figure shows, in words.
    """

    width: float
    height: float
    parts: tuple[Path | Text, ...]
    alt: str

    def paths(self, role: str) -> list[Path]:
        """Return the paths of a role, in the order of drawing."""
        return [part for part in self.parts if isinstance(part, Path) and part.role == role]

    def texts(self, role: str) -> list[str]:
        """Return the texts of a role, in the order of drawing."""
        return [part.text for part in self.parts if isinstance(part, Text) and part.role == role]

    def plain(self) -> dict[str, Any]:
        """Return the drawing as values for JSON; only a text has the key `text`."""
        return {"width": round(self.width, DIGITS), "height": round(self.height, DIGITS), "alt": self.alt,
                "parts": [_plain(part) for part in self.parts]}


@dataclass
class Pen:
    """Collects the parts of a drawing; widths of lines and dashes are in sizes of the text."""

    text: float
    all: list[Path | Text] = field(default_factory=list)

    def line(self, role: str, points: Iterable[Point], color: str, width: float, dash: float = 0.0) -> None:
        """Add a line."""
        self.all.append(Path(role, tuple(points), stroke=color, width=width * self.text, dash=dash * self.text))

    def polygon(self, role: str, points: Iterable[Point], fill: str, stroke: str = "", width: float = 0.0) -> None:
        """Add a polygon."""
        self.all.append(Path(role, tuple(points), True, fill, stroke, width * self.text))

    def say(self, role: str, x: float, y: float, text: str, anchor: Anchor = "start", *,
            color: str = INK, bold: bool = False, times: float = 1.0) -> None:
        """Add a text, `times` as large as the type of the drawing."""
        self.all.append(Text(role, x, y, text, self.text * times, color, anchor, bold))

    def arrow(self, role: str, x: float, top: float, bottom: float, color: str) -> None:
        """Draw a line with a head at both ends, as far as there is room for heads."""
        head = min(0.35 * self.text, abs(bottom - top) / 2)
        self.line(role, ((x, top), (x, bottom)), color, 0.12)
        for tip, way in ((top, 1.0), (bottom, -1.0)):
            wing, base = 0.6 * head, tip + way * head
            self.polygon(role, ((x, tip), (x - wing, base), (x + wing, base)), color)


def rectangle(role: str, left: float, top: float, width: float, height: float, *, fill: str = "", stroke: str = "",
              line: float = 0.0) -> Path:
    """Return a rectangle as a closed path; `line` is the width of its stroke."""
    right, bottom = left + width, top + height
    return Path(role, ((left, top), (right, top), (right, bottom), (left, bottom)), True, fill, stroke, line)


def hatch(role: str, left: float, top: float, width: float, height: float, step: float, *, stroke: str,
          line: float) -> list[Path]:
    """Return rising lines that fill a rectangle, `step` apart along its lower side."""
    out, bottom, right = [], top + height, left + width
    start = left - height + step / 2
    while start < right:
        first, last = max(start, left), min(start + height, right)  # the line rises by one for each unit to the right
        if last > first:
            out.append(Path(role, ((first, bottom - (first - start)), (last, bottom - (last - start))), stroke=stroke,
                            width=line))
        start += step
    return out


def circle(role: str, x: float, y: float, radius: float, *, fill: str = "", stroke: str = "", line: float = 0.0) \
        -> Path:
    """Return a circle as a closed path of 24 corners."""
    turn = [2 * math.pi * k / 24 for k in range(24)]
    return Path(role, tuple((x + radius * math.cos(a), y + radius * math.sin(a)) for a in turn), True, fill, stroke,
                line)


def apart(wished: Iterable[float], least: float, last: float) -> list[float]:
    """Return ascending places that are at least `least` apart and not beyond `last`, each near its desired place.

    Where there is not enough room for all, they begin below zero; the caller must make room.
    """
    out = [float(one) for one in wished]
    for k in range(1, len(out)):
        out[k] = max(out[k], out[k - 1] + least)
    for k in range(len(out) - 1, -1, -1):
        out[k] = min(out[k], last if k == len(out) - 1 else out[k + 1] - least)
    return [round(one, 4) for one in out]


def svg(drawing: Drawing, font: str = FONT, faces: str = "") -> str:
    """Return a drawing as SVG text with its alternative text; every text and colour is escaped.

    `faces`: rules that bring the typeface (`typeface.css()`), for a file that stands alone.
    """
    width, height = _number(drawing.width), _number(drawing.height)
    inside = "".join(_svg_text(part, font) if isinstance(part, Text) else
                     svg_path(part.points, part.closed, part.fill, part.stroke, part.width, part.dash)
                     for part in drawing.parts)
    return (f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" role="img" '
            f'aria-label="{html.escape(drawing.alt)}">{f"<style>{faces}</style>" if faces else ""}{inside}</svg>')


def _plain(part: Path | Text) -> dict[str, Any]:
    if isinstance(part, Text):
        return {"text": part.text, "x": round(part.x, DIGITS), "y": round(part.y, DIGITS), "size": part.size,
                "color": part.color, "anchor": part.anchor, "bold": part.bold}
    return {"points": [[round(x, DIGITS), round(y, DIGITS)] for x, y in part.points], "closed": part.closed,
            "fill": part.fill, "stroke": part.stroke, "width": round(part.width, DIGITS),
            "dash": round(part.dash, DIGITS)}


def _number(value: float) -> str:
    return f"{round(value, DIGITS) + 0.0:g}"


def svg_path(points: Iterable[Sequence[float]], closed: bool, fill: str, stroke: str, width: float, dash: float) -> str:
    """Return the SVG element of a path; parameters as in `Path`."""
    line = "L".join([f"{_number(x)} {_number(y)}" for x, y in points])
    lines = (f' stroke="{html.escape(stroke)}" stroke-width="{_number(width)}"' if stroke else "") + \
        (f' stroke-dasharray="{_number(dash)}"' if dash else "")
    return f'<path d="M{line}{"Z" if closed else ""}" fill="{html.escape(fill or "none")}"{lines}/>'


def _svg_text(part: Text, font: str) -> str:
    bold = ' font-weight="700"' if part.bold else ""
    return (f'<text x="{_number(part.x)}" y="{_number(part.y)}" font-family="{html.escape(font)}" '
            f'font-size="{_number(part.size)}" text-anchor="{part.anchor}" fill="{html.escape(part.color)}"{bold}>'
            f"{html.escape(part.text)}</text>")
