"""What practitioners publish as signs of each direction: an aid to looking, never a finding about a house.

Sources, read in secondary copies: [A] Kelm and Wylie, "Which way is it moving? Guidelines for diagnosing heave,
subsidence and settlement" (Foundation Performance Association); [B] a published list of signs of movement by drying;
[C] Walsh, Bashford and Mason 2001, J. Perf. Constr. Fac. 15(4), abstract: new slabs are seldom level; [D] TM 5-818-7,
Foundations in Expansive Soils, 1983: a dome rises for years. Wording is ours.
"""

from __future__ import annotations

TITLE = "Observation aid: published signs, not a finding about this house"
SOURCES = {
    "A": "Kelm and Wylie, Which way is it moving?, Foundation Performance Association (secondary copy)",
    "B": "published list of signs of movement by drying (secondary copy)",
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


def lines(direction: str, phase: str) -> list[tuple[str, str]]:
    """Return each sign and the letter of its source for a direction and a phase; both may be unknown."""
    return [*_BY_DIRECTION.get(direction, ()), *_BY_PHASE.get(phase, ())]
