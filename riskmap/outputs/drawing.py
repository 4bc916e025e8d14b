"""A drawing as plain shapes and texts: what the figures of papers and pages are made of before anything is written.

A figure is computed once, in units of its own (millimetres on paper, pixels on a screen), and then written as SVG
(`svg`) or as values for the template of a paper (`plain`). The y axis points down, and the origin is at the top left.
"""

from __future__ import annotations

import html
from dataclasses import dataclass
from typing import Any, Literal

Point = tuple[float, float]
Anchor = Literal["start", "middle", "end"]
DIGITS = 3  # of a coordinate


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
        """Return the drawing as values that JSON can hold; parts are told apart by the key `text`."""
        return {"width": round(self.width, DIGITS), "height": round(self.height, DIGITS), "alt": self.alt,
                "parts": [_plain(part) for part in self.parts]}


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
    import math

    turn = [2 * math.pi * k / 24 for k in range(24)]
    return Path(role, tuple((x + radius * math.cos(a), y + radius * math.sin(a)) for a in turn), True, fill, stroke,
                line)


def svg(drawing: Drawing, font: str = "sans-serif") -> str:
    """Return a drawing as SVG text with its alternative text; every text and colour is escaped."""
    width, height = _number(drawing.width), _number(drawing.height)
    inside = "".join(_svg_text(part, font) if isinstance(part, Text) else _svg_path(part) for part in drawing.parts)
    return (f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" role="img" '
            f'aria-label="{html.escape(drawing.alt)}">{inside}</svg>')


def _plain(part: Path | Text) -> dict[str, Any]:
    if isinstance(part, Text):
        return {"text": part.text, "x": round(part.x, DIGITS), "y": round(part.y, DIGITS), "size": part.size,
                "color": part.color, "anchor": part.anchor, "bold": part.bold}
    return {"points": [[round(x, DIGITS), round(y, DIGITS)] for x, y in part.points], "closed": part.closed,
            "fill": part.fill, "stroke": part.stroke, "width": round(part.width, DIGITS),
            "dash": round(part.dash, DIGITS)}


def _number(value: float) -> str:
    return f"{round(value, DIGITS) + 0.0:g}"


def _svg_path(part: Path) -> str:
    line = "L".join(f"{_number(x)} {_number(y)}" for x, y in part.points)
    stroke = (f' stroke="{html.escape(part.stroke)}" stroke-width="{_number(part.width)}"' if part.stroke else "") + \
        (f' stroke-dasharray="{_number(part.dash)}"' if part.dash else "")
    return f'<path d="M{line}{"Z" if part.closed else ""}" fill="{html.escape(part.fill or "none")}"{stroke}/>'


def _svg_text(part: Text, font: str) -> str:
    bold = ' font-weight="700"' if part.bold else ""
    return (f'<text x="{_number(part.x)}" y="{_number(part.y)}" font-family="{html.escape(font)}" '
            f'font-size="{_number(part.size)}" text-anchor="{part.anchor}" fill="{html.escape(part.color)}"{bold}>'
            f"{html.escape(part.text)}</text>")
