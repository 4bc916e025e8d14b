"""The lines of the area file for what is beside the lots: outlines of buildings, and context for the map."""

from __future__ import annotations

from typing import TYPE_CHECKING

from riskmap.common.errors import visible
from riskmap.layers import shape_file
from riskmap.layers.context import MOST_LAYERS
from riskmap.layers.lots_columns import is_personal
from riskmap.layers.recognise import Found
from riskmap.run.new_area.shapes import names_in

if TYPE_CHECKING:
    from riskmap.run.new_area.choice import Choice

LONGEST_NAME = 60  # characters, as the area file allows


def buildings(out: Choice, found: list[Found]) -> None:
    """Write the file of buildings; of several the first one, to be confirmed, because sizes of slabs follow from it."""
    usable = _readable(out, found)
    if not usable:
        return
    first, others = usable[0], usable[1:]
    out.leave(others, f"another file with buildings; {first.name} is written, exchange them if it is the wrong one")
    more = f"; to be confirmed: there is also {', '.join(one.name for one in others[:3])}" if others else ""
    out.line("buildings", "path", first.path, f"recognised: {first.reason}, mostly inside the lots and much smaller; "
             f"the size of a slab follows from them where the lot file has none{more}", not more)
    if first.layer:
        out.line("buildings", "layer", first.layer, "the layer with the buildings")
    out.line("buildings", "valid_date", "YYYY-MM-DD", "not known: write the day of the outlines, so that a lot with a "
             "younger house is not taken for empty", written=False)


def context(out: Choice, found: list[Found]) -> None:
    """Write every file with names as a layer of context; no number depends on them."""
    usable = _readable(out, found)
    out.leave(usable[MOST_LAYERS:], f"a map shows at most {MOST_LAYERS} layers of context")
    names: set[str] = set()
    for one in usable[:MOST_LAYERS]:
        name = _name(one, names)
        names.add(name)
        columns = one.facts["columns"] if "columns" in one.facts else list(one.facts["raw"].names)
        label = next((column for column in names_in(columns) if not is_personal(column)), None)
        out.line("context", "path", one.path, f"recognised: {one.reason} with names; drawn under the lots, and no "
                 "number depends on it")
        out.line("context", "name", name, f"guessed: the name of the {'layer' if one.layer else 'file'}")
        if one.layer:
            out.line("context", "layer", one.layer, "the layer with these shapes")
        if label:
            out.line("context", "label", label, "guessed: its name is that of a column of names")


def _readable(out: Choice, found: list[Found]) -> list[Found]:
    """Return the files that are read as shapes beside the lots; the others are left with the reason."""
    usable = []
    for one in found:
        raw = one.facts.get("raw")
        system = one.facts["crs"] if raw is None else raw.crs
        suffix = one.path.suffix.lower()
        if suffix not in shape_file.FORMATS or suffix == ".csv":
            out.leave([one], f"{one.reason}; save them as a GeoPackage to use them beside the lots")
        elif system is None:
            out.leave([one], f"{one.reason} without a coordinate system; name it with crs in a section of its own")
        else:
            usable.append(one)
    return usable


def _name(one: Found, taken: set[str]) -> str:
    """Return the name of a layer of context; a second one of the same name is numbered."""
    stem = one.layer or one.path.name.split(".")[0]
    name = visible(stem).replace("_", " ").strip()[:LONGEST_NAME - 4] or "Context"
    numbered = (f"{name} {number}" for number in range(2, MOST_LAYERS + 2))
    return name if name not in taken else next(other for other in numbered if other not in taken)
