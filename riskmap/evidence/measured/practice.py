"""The slab compared with design practice: agreement with others' calculations, which are neither a measurement nor the
truth.

Design equations for stiffened slabs of the Post-Tensioning Institute (1980, 1996), from memory; figures of filed design
sheets. The tolerance of each row was stated before the figures were computed.
"""

from __future__ import annotations

import inspect
from dataclasses import dataclass

from riskmap.common.units import M_PER_FOOT, MM_PER_INCH
from riskmap.movement.slab import section_stiffness

INCH_M = MM_PER_INCH / 1000
AGREES, DISAGREES, NOT_JUDGED = "agrees", "disagrees", "not judged"


@dataclass(frozen=True)
class Row:
    """One row of the table; its texts are ready to print."""

    what: str
    theirs: str
    source: str
    ours: str
    tolerance: str
    outcome: str


def second_moment_in4(width_ft: float, ribs: int) -> float:
    """Return the second moment of area of a filed section: slab 4 in, ribs 12 x 14.5 in in total depth. [in4]

    Every rib counts: the spacing is the width divided by their number.
    """
    width_m = width_ft * M_PER_FOOT
    per_metre = section_stiffness(14.5 * INCH_M, rib_spacing_m=width_m / ribs, rib_width_m=12 * INCH_M,
                                  slab_depth_m=4 * INCH_M, modulus_pa=1.0)
    return per_metre * width_m / INCH_M**4


def depth_center_lift_in(*, length_ft: float, spacing_ft: float, load_lb_ft: float, edge_ft: float, swell_in: float,
                         allowed_in: float) -> float:
    """Return the rib depth at which the deflection of a raised middle is the allowed one. [in]

    Post-Tensioning Institute 1980/1996, from memory: d = (ym L)^0.205 S^1.059 P^0.523 em^1.296 / (380 h^1.214).
    """
    top = (swell_in * length_ft) ** 0.205 * spacing_ft**1.059 * load_lb_ft**0.523 * edge_ft**1.296
    return float((top / (380 * allowed_in)) ** (1 / 1.214))


def depth_edge_lift_in(*, length_ft: float, spacing_ft: float, load_lb_ft: float, edge_ft: float, swell_in: float,
                       allowed_in: float) -> float:
    """Return the rib depth at which the deflection of a raised edge is the allowed one. [in]

    Post-Tensioning Institute 1980/1996, from memory: d = L^0.35 S^0.88 em^0.74 ym^0.76 / (15.9 h^0.85 P^0.01).
    """
    top = length_ft**0.35 * spacing_ft**0.88 * edge_ft**0.74 * swell_in**0.76
    return float((top / (15.9 * allowed_in * load_lb_ft**0.01)) ** (1 / 0.85))


def modulus_gpa() -> float:
    """Return the long-term modulus that `section_stiffness` uses. [GPa]"""
    return float(inspect.signature(section_stiffness).parameters["modulus_pa"].default) / 1e9


def rows() -> list[Row]:
    """Compute and return every row."""
    sections = [second_moment_in4(42.0, 5), second_moment_in4(24.0, 3)]
    printed = [33_706.0, 19_969.0]
    common = {"spacing_ft": 6.0, "load_lb_ft": 480.0}
    depths = [depth_center_lift_in(length_ft=length, edge_ft=9.0, swell_in=0.28, allowed_in=0.82, **common)
              for length in (131.0, 110.0)]
    depths += [depth_edge_lift_in(length_ft=length, edge_ft=4.6, swell_in=0.31, allowed_in=0.38, **common)
               for length in (131.0, 110.0)]
    sheet = [11.5, 11.2, 7.0, 6.5]
    modulus = modulus_gpa()
    return [
        Row("second moment of area, slab 4 in, ribs 12 x 14.5 in in total depth; 5 across 42 ft, 3 across 24 ft",
            "33,706 and 19,969 in4", "filed design sheet, every rib counted",
            f"{sections[0]:,.1f} and {sections[1]:,.1f} in4", "half of the last printed digit", _within(
                sections, printed, 0.5)),
        Row("long-term modulus of concrete", "9.8 and 11.4 GPa", "two filed design sheets", f"{modulus:.1f} GPa",
            "between the two", AGREES if 9.8 <= modulus <= 11.4 else DISAGREES),
        Row("rib depth by the design equations; 131 and 110 ft, 480 lb/ft, edge distance 9 and 4.6 ft, swell 0.28 and "
            "0.31 in, allowed 0.82 and 0.38 in, ribs every 6 ft (inferred)", "11.5, 11.2, 7.0, 6.5 in",
            "filed design sheet; equations from memory", ", ".join(f"{depth:.2f}" for depth in depths) + " in",
            "0.1 in: the equations are remembered rightly", _within(depths, sheet, 0.1)),
        Row("our bending over theirs, 12 m, ribs every 12 ft, 12 kN/m: edge raised by 20 to 80 mm; raised middle",
            "1", "design equations, from memory", "0.7 to 1.35; 0.5 to 0.9 at typical stiffness (computed elsewhere)",
            "none was stated", NOT_JUDGED),
    ]


def _within(values: list[float], printed: list[float], off: float) -> str:
    return AGREES if all(abs(a - b) <= off for a, b in zip(values, printed, strict=True)) else DISAGREES


def table() -> str:
    """Return the rows as one Markdown table."""
    heads = ("what", "theirs", "source", "ours", "tolerance", "outcome")
    lines = [(row.what, row.theirs, row.source, row.ours, row.tolerance, row.outcome) for row in rows()]
    return "\n".join("| " + " | ".join(line) + " |" for line in (heads, ["---"] * len(heads), *lines))
