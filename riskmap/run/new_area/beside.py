"""Kinds of files that are recognised and that this version does not read yet: buildings and context.

The one place to change when `[buildings]` and `[[context]]` are read: put the function that gives their lines into
`LINES`; what writes the area file takes them from here.
"""

from __future__ import annotations

from collections.abc import Callable

from riskmap.layers.recognise import Found
from riskmap.run.new_area.guesses import Guess, Left

KINDS = {"buildings": "polygons mostly inside the lots and much smaller",
         "context": "lines, areas or points with names"}
LINES: dict[str, Callable[[list[Found]], list[Guess]]] = {}  # kind -> what gives the lines of its section


def of_kind(kind: str, found: list[Found]) -> tuple[list[Guess], list[Left]]:
    """Return the lines of the area file for files of a kind, and those that are left because nothing reads them."""
    if kind in LINES:
        return LINES[kind](found), []
    return [], [Left(one.name, f"{kind} ({KINDS[kind]}): recognised, not used by this version") for one in found]
