"""The coordinate system of a file of lots that names none: those that fit, and the one that the user says."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from riskmap.common.errors import visible
from riskmap.run.new_area import shapes
from riskmap.run.new_area.guesses import Missing, System
from riskmap.run.new_area.weather_cells import Box

if TYPE_CHECKING:
    from riskmap.run.new_area.choice import Choice

NOT_UNDERSTOOD = "a system that is not understood"


def name_of(crs: Any) -> str:
    """Return code and name of a coordinate system."""
    from pyproj import CRS
    from pyproj.exceptions import CRSError

    try:
        known = CRS.from_user_input(crs)
    except CRSError:
        return NOT_UNDERSTOOD
    code = known.to_authority()
    return f"{':'.join(code)}, {known.name}" if code else str(known.name)


def settle(out: Choice, lots: shapes.Shapes, said: str, surveys: Sequence[Box]) -> shapes.Shapes:
    """Write the line of the coordinate system, or say that it is missing; return the lots with the system they have.

    Parameters
    ----------
    out : Choice
        It is changed.
    lots : Shapes
    said : str
        The system that the user says, such as EPSG:26914; empty text when nothing is said.
    surveys : sequence of tuple
        Boxes of the soil surveys: where lots are expected. [degree]
    """
    from riskmap.layers import crs_advice

    if lots.raw.crs is not None:
        if said:
            out.line("lots", "crs", said, "not taken, although you said it: the file names its own coordinate system",
                     written=False)
        return lots
    coverage = (min(box[0] for box in surveys), min(box[1] for box in surveys), max(box[2] for box in surveys),
                max(box[3] for box in surveys)) if surveys else None
    fits = crs_advice.fitting(lots.raw.geometry, coverage)
    out.systems = [System(code, about, code == said) for code, about in fits]
    if said and name_of(said) != NOT_UNDERSTOOD:
        out.line("lots", "crs", said, f"as you said: {visible(name_of(said))}")
        raw = replace(lots.raw, crs=said)
        return shapes.Shapes(replace(lots.found, facts={**lots.found.facts, "raw": raw}), lots.columns)
    why = f"'{visible(said)}' is not understood" if said else "the file names no coordinate system"
    out.line("lots", "crs", "EPSG:...", f"not taken: {why}", sure=False, written=False)
    within = coverage if coverage and fits != crs_advice.fitting(lots.raw.geometry) else None
    out.missing.append(Missing("The coordinate system of the lots is not known.",
                               crs_advice.candidates(lots.raw.geometry, within)))
    return lots
