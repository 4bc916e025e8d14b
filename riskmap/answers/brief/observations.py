"""What practitioners publish as signs of each direction: an aid to looking, never a finding about a house.

Sources, read in secondary copies: [A] Kelm and Wylie, "Which way is it moving? Guidelines for diagnosing heave,
subsidence and settlement" (Foundation Performance Association); [B] "Signs of drying movement", a list on the site
onlineengineering.in (read as quoted by others); [C] Walsh, Bashford and Mason 2001, J. Perf. Constr. Fac. 15(4),
abstract: new slabs are seldom level; [D] TM 5-818-7, Foundations in Expansive Soils, 1983: a dome rises for years.
Wording is ours.
"""

from __future__ import annotations

from typing import Any

TITLE = "Observation aid: published signs, not a finding about this house"
SOURCES = {
    "A": "Kelm and Wylie, Which way is it moving?, Foundation Performance Association (secondary copy)",
    "B": "Signs of drying movement, onlineengineering.in (as quoted by others)",
    "C": "Walsh, Bashford and Mason 2001, J. Perf. Constr. Fac. 15(4), abstract",
    "D": "TM 5-818-7, Foundations in Expansive Soils, 1983: patterns of heave (read as quoted by others)",
}
_UP = (
    ("Flatwork at the edge lifted, or no gap left between the edge beam and the soil", "A"),
    ("Soil at the beam wet and soft; a leak, a pool or a felled tree nearby", "A"),
    ("Slab cracks that meet like a spider web", "A"),
)
_DOWN = (
    ("Cracks at the edge that open in dry months and close in wet ones", "B"),
    ("Diagonal wall cracks wider at the top; walls that lean outward at the top", "B"),
    ("A gap between soil and edge beam; large trees near the lower side", "B"),
)
_BY_DIRECTION = {"center_lift": _DOWN, "edge_lift": _UP, "near_level": (_DOWN[0], _UP[0])}
_BY_PHASE = {
    "early_settlement": (("Level differences of a young slab may be as built: ask for an earlier reading", "C"),),
    "dome_growing": (("Take readings at the middle twice, some months apart: it may still be rising", "D"),),
    "edge_seasonal": (("Take readings at the edge in a dry and a wet season; the middle should hardly change", "B"),),
}
_LOW_EDGE, _HIGH_EDGE = "the edge is low (middle high)", "the edge is high"
HEADS = {"for": "For what is expected: {sign}", "against": "Against it: {sign}", "either": "Signs that {sign}"}
OPEN = "Both lists speak against a level slab; neither is expected here."
UNKNOWN = "No direction is expected here, because there is no estimate."


def lines(direction: str, phase: str) -> list[tuple[str, str]]:
    """Return each sign and the letter of its source for a direction and a phase; both may be unknown."""
    return [*_BY_DIRECTION.get(direction, ()), *_BY_PHASE.get(phase, ())]


def checklist(direction: str, phase: str) -> dict[str, Any]:
    """Return the signs for and against an expected direction, each list with its source in full, and what to read.

    Parameters
    ----------
    direction, phase : str
        Codes of the estimate; empty without one.

    Returns
    -------
    dict
        lists: two of head, signs, source; note: what the lists mean without a direction; readings: advice on readings
        with its source.
    """
    low, high = (_LOW_EDGE, _DOWN), (_HIGH_EDGE, _UP)
    ordered = {"center_lift": (("for", low), ("against", high)), "edge_lift": (("for", high), ("against", low))}.get(
        direction, (("either", low), ("either", high)))
    note = "" if direction in ("center_lift", "edge_lift") else OPEN if direction else UNKNOWN
    return {"note": note,
            "lists": [{"head": HEADS[kind].format(sign=sign), "signs": [text for text, _ in signs],
                       "source": "; ".join(SOURCES[key] for key in sorted({key for _, key in signs}))}
                      for kind, (sign, signs) in ordered],
            "readings": [f"{text} ({SOURCES[key]})" for text, key in _BY_PHASE.get(phase, ())]}
