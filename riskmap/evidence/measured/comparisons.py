"""Every comparison with a measured number: what it consists of, how it is judged, and all of them in order.

A comparison has what was measured and where that was read, our setting, our value, which is computed when it is
requested, and a tolerance that was stated beforehand. Outcomes: `agrees`, `disagrees`, `cannot tell`, `measured
elsewhere`, or `data absent`. `page` writes the page on them.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from riskmap.evidence.measured.comparison import (
    ABSENT,
    AGREES,
    CANNOT,
    DISAGREES,
    ELSEWHERE,
    Comparison,
    Fact,
    Values,
    facts,
    missing,
)


@dataclass(frozen=True)
class Finding:
    """A comparison with its values; the texts are ready to print."""

    comparison: Comparison
    values: tuple[float, ...]
    measured: str
    source: str
    way_read: str
    ours: str
    fair: str
    remark: str
    outcome: str
    outside: int = 0

    @property
    def verdict(self) -> str:
        """The outcome; when only some of several values lie outside, it says how many."""
        judged = len(self.comparison.judged)
        if self.outcome == DISAGREES and self.outside < judged:
            return f"{DISAGREES} ({self.outside} of {judged} values)"
        return self.outcome


def _outcome(comparison: Comparison, values: Values, least: float, most: float) -> tuple[str, int]:
    """Return the outcome and how many judged values lie outside; nan counts as outside."""
    outside = sum(not least - 1e-9 <= values[place] <= most + 1e-9 for place in comparison.judged if values)
    if comparison.cannot:
        return CANNOT, outside
    if comparison.elsewhere:
        return ELSEWHERE, 0
    return (DISAGREES if outside else AGREES), outside


def find(comparison: Comparison, open_data: Path, known: dict[str, Fact]) -> Finding:
    """Compute one comparison; if its data are absent it says so and gives no value."""
    if lacking := missing(comparison, open_data):
        absence = f"not computed, absent: {', '.join(lacking)}"
        return Finding(comparison, (), "-", comparison.source or "-", "-", absence, "-", "", ABSENT)
    fact = known[comparison.fact] if comparison.fact else None
    values = tuple(float(v) for v in comparison.ours(open_data))
    least, most = comparison.bounds(fact, values)
    outcome, outside = _outcome(comparison, values, least, most)
    names = {"least": least, "most": most} | ({"value": fact.value, "low": fact.low, "high": fact.high} if fact else {})
    measured, show, fair, remark = (text.format(*values, **names) for text in (
        comparison.measured, comparison.show, comparison.fair, comparison.remark))
    if why := comparison.cannot or comparison.elsewhere:
        remark = f"{why}; {remark}" if remark else why
    return Finding(comparison, values, measured, comparison.source or (fact.source if fact else ""),
                   fact.how_read if fact else comparison.way_read, show, fair, remark, outcome, outside)


def comparisons() -> tuple[Comparison, ...]:
    """Return every comparison in the order of notebooks/evidence.md."""
    from riskmap.evidence.measured import further, movement, wetness

    every = (*wetness.COMPARISONS, *movement.COMPARISONS, *further.COMPARISONS)
    return tuple(sorted(every, key=lambda c: (int(c.number.rstrip("abcdefghijk")), c.number)))


def findings(open_data: Path) -> list[Finding]:
    """Compute every comparison from the open data folder (`drought/`, `field/`)."""
    known = facts(open_data)
    return [find(comparison, open_data, known) for comparison in comparisons()]
