"""From the typical lot to this one: the reasons for a lot's estimate, and what nearly all lots of the area share.

The parts add up: typical lot + reasons + gaps = this lot. A reason that nearly all lots share is given once for the
area; for a lot it is one line without its name. Gaps in the data come last: they come from the width of what is not
known and are not a reason.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from riskmap.common import units
from riskmap.outputs import telling, words

COLUMNS = ("state", "expected_movement_mm", *(f"part_{name}_mm" for name in words.REASONS))  # of `shared_by`
LEAST_SHARE = 0.9  # of the lots with an estimate (judgement)
MOST_SPREAD = 0.25  # of the spread between lots: a reason that differs by more distinguishes lots (judgement)
SHOWN_MM = 0.05  # a smaller part is shown as zero
LINE = ("typical_lot_mm", *(f"part_{name}_mm" for name in (*words.REASONS, "gaps")))  # of `in_a_line`, and the estimate
LONG_RUN_REASONS = ("soil", "slab")  # `movement.reasons.LONG_RUN_FACTORS`; a test keeps the two equal
LONG_RUN_LINE = ("long_run_typical_mm", *(f"long_run_part_{name}_mm" for name in (*LONG_RUN_REASONS, "gaps")))
FEWEST_LOTS = 20  # with fewer lots "nearly all" would mean all but one (judgement)

SENTENCES = {
    "heading": "Why this lot's estimate differs from that of the typical lot here ({typical})",
    "typical": "the typical lot here", "typical_long_run": "the long run of the typical lot here", "lot": "this lot",
    "shared": "{reasons}, as for nearly all lots here", "small": "smaller differences",
    "gaps": "gaps in the data on this lot",
    "more": "More than the typical lot here ({typical})", "less": "Less than the typical lot here ({typical})",
    "same": "About as much as the typical lot here ({typical})", "because": ", mostly because of {reasons}.",
    "set_off": ": {reasons} and other differences set each other off.",
    "note": "The parts add up before they are rounded. Gaps in the data are not a reason: they move the middle of the "
            "range.",
    "typical_lot": "The typical lot: {typical_lot}. Its bending here is that of the next 12 months; its long run is "
                   "another figure.",
    "compared": "the typical lot here has {typical}",
    "compared_long_run": "the long run of the typical lot here is {typical}",
    "area": "Nearly all lots here ({count} of {total}) share a reason: {reason} (median {part}).",
}


@dataclass(frozen=True)
class Shared:
    """A reason that nearly all lots of an area share.

    Attributes
    ----------
    name : str
        Name in `words.REASONS`.
    lots, total : int
        Number of lots that have it in this direction, and of lots with an estimate.
    median_mm : float
        Median of its part over the lots.
    """

    name: str
    lots: int
    total: int
    median_mm: float


@dataclass(frozen=True)
class Step:
    """One line of the waterfall: `kind` is typical, reason, shared, small, gaps or lot; first and last are sums."""

    kind: str
    label: str
    mm: float


def shared_by(lots: pd.DataFrame) -> tuple[Shared, ...]:
    """Return the reasons that nearly all lots of an area share.

    Parameters
    ----------
    lots : DataFrame
        Columns `COLUMNS` of `tables.ESTIMATE` for all lots of the area.

    Notes
    -----
    A reason is shared when it is not near zero and has the same sign in at least `LEAST_SHARE` of the lots, and when
    its spread between them (10th to 90th percentile) is at most `MOST_SPREAD` of that of the estimates.
    """
    known = lots[lots["state"] == ""]
    if len(known) < FEWEST_LOTS:
        return ()
    score = known["expected_movement_mm"].to_numpy(float)
    out = []
    for name in words.REASONS:
        part = known[f"part_{name}_mm"].to_numpy(float)
        most = max(int((part >= words.LEAST_PART_MM).sum()), int((part <= -words.LEAST_PART_MM).sum()))
        if most >= LEAST_SHARE * len(part) and _spread(part) <= MOST_SPREAD * _spread(score):
            out.append(Shared(name, most, len(part), float(np.median(part))))
    return tuple(out)


def _spread(values: np.ndarray[Any, Any]) -> float:
    low, high = np.percentile(values, [10, 90])
    return float(high - low)


def steps(row: Mapping[str, Any], shared: Iterable[str] = ()) -> list[Step]:
    """Return the lines from the typical lot to this one: reasons by size, then shared reasons, small ones, and gaps.

    Parameters
    ----------
    row : mapping
        Columns of `tables.ESTIMATE` of a lot with an estimate.
    shared : iterable of str
        Reasons that nearly all lots share.
    """
    return _steps(row, "", words.REASONS, "expected_movement_mm", shared)


def long_run_steps(row: Mapping[str, Any]) -> list[Step]:
    """Return the lines from the long run of the typical lot to that of this one, like `steps`.

    Parameters
    ----------
    row : mapping
        long_run_mm and `LONG_RUN_LINE` of a lot with an estimate. [mm]
    """
    return _steps(row, "long_run_", LONG_RUN_REASONS, "long_run_mm", ())


def _steps(row: Mapping[str, Any], before: str, reasons: Iterable[str], explained: str, shared: Iterable[str]) \
        -> list[Step]:
    parts = {name: float(row[f"{before}part_{name}_mm"]) for name in reasons}
    common = set(shared)
    own = [name for name in parts if name not in common and abs(parts[name]) >= words.LEAST_PART_MM]
    small = [name for name in parts if name not in common and name not in own]
    typical = "long_run_typical_mm" if before else "typical_lot_mm"
    out = [Step("typical", SENTENCES["typical_long_run" if before else "typical"], float(row[typical]))]
    out += [Step("reason", words.reason(name, parts[name]), parts[name])
            for name in sorted(own, key=lambda name: -abs(parts[name]))]
    of_all = [name for name in parts if name in common]
    out += [Step("shared", SENTENCES["shared"].format(reasons=" and ".join(words.reason(name, parts[name])
                                                                           for name in of_all)),
                 sum(parts[name] for name in of_all))] if of_all else []
    rest = sum(parts[name] for name in small)
    out += [Step("small", SENTENCES["small"], rest)] if abs(rest) >= SHOWN_MM else []
    return [*out, Step("gaps", SENTENCES["gaps"], float(row[f"{before}part_gaps_mm"])),
            Step("lot", SENTENCES["lot"], float(row[explained]))]


def part_shown(value_mm: float, system: str) -> str:
    """Return a signed part of a movement; zero has no sign.

    It is finer than a movement is shown, so that parts add up.
    """
    value, digits, unit = (units.mm_to_inch(value_mm), 2, "in") if system == "us" else (value_mm, 1, "mm")
    whole = math.floor(abs(value) * 10**digits + 0.5 + 1e-9)  # halves are rounded away from zero; 0.95 as written
    return f"{math.copysign(whole, value) / 10**digits:+.{digits}f} {unit}" if whole else f"{0:.{digits}f} {unit}"


def text_of(step: Step, system: str) -> str:
    """Return the value of a line: a sum without a sign, a part with one."""
    told = part_shown(step.mm, system)
    return told.removeprefix("+") if step.kind in ("typical", "lot") else told


def heading(row: Mapping[str, Any], system: str) -> str:
    """Return the heading of the waterfall of a lot."""
    return SENTENCES["heading"].format(typical=telling.shown(float(row["typical_lot_mm"]), system))


def why(lines: list[Step], system: str) -> str:
    """Return one sentence on why the estimate differs from that of the typical lot: its largest reasons.

    At most two reasons are named: those in the direction of the difference, or, where both lots are shown with one
    figure, the largest of each direction. Gaps in the data are not a reason. The map fills the same words by the same
    rule (`assets/shared/waterfall.js`).

    Parameters
    ----------
    lines : list of Step
        As returned by `steps`.
    system : str
        `us` or `si`.
    """
    typical, own = (telling.shown(step.mm, system) for step in (lines[0], lines[-1]))
    reasons, difference = [step for step in lines if step.kind == "reason"], lines[-1].mm - lines[0].mm
    kind = "same" if typical == own else "more" if difference > 0 else "less"
    if kind == "same":
        named = [next((step for step in reasons if step.mm * sign > 0), None) for sign in (1, -1)]
        chosen = sorted((step for step in named if step), key=lambda step: -abs(step.mm)) if all(named) else []
    else:
        chosen = [step for step in reasons if step.mm * difference > 0][:2]
    said = " and ".join(f"{step.label} ({text_of(step, system).replace('-', '−')})" for step in chosen)
    first = SENTENCES[kind].format(typical=typical)
    return first + (SENTENCES["set_off" if kind == "same" else "because"].format(reasons=said) if chosen else ".")


def in_a_line(row: Mapping[str, Any], system: str) -> str:
    """Return estimate, range and reasons of a lot in one line, in the unit of the page; gaps last."""
    return f"Estimate {_with_range(row, 'expected_movement_mm', system)}; " \
           f"{compared(float(row['typical_lot_mm']), system)}: {_differences(steps(row), system)}"


def long_run_in_a_line(row: Mapping[str, Any], system: str) -> str:
    """Return the long run of a lot, its range and its reasons in one line, in the unit of the page; gaps last.

    Parameters
    ----------
    row : mapping
        long_run_mm with its range, and `LONG_RUN_LINE`, of a lot with an estimate. [mm]
    system : str
        `us` or `si`.
    """
    return f"{telling.NAMES['long_run']} {_with_range(row, 'long_run_mm', system)}; " \
           f"{compared_long_run(float(row['long_run_typical_mm']), system)}: {long_run_differences(row, system)}"


def long_run_differences(row: Mapping[str, Any], system: str) -> str:
    """Return what makes the long run of a lot differ from that of the typical lot, in the unit of the page."""
    return _differences(long_run_steps(row), system)


def compared(typical_mm: float, system: str) -> str:
    """Return the properties of the typical lot as a clause."""
    return SENTENCES["compared"].format(typical=telling.shown(typical_mm, system))


def compared_long_run(typical_mm: float, system: str) -> str:
    """Return the long run of the typical lot as a clause."""
    return SENTENCES["compared_long_run"].format(typical=telling.shown(typical_mm, system))


def _with_range(row: Mapping[str, Any], name: str, system: str) -> str:
    middle, low, high = (float(row[f"{name}{end}"]) for end in ("", "_p10", "_p90"))
    return f"{telling.shown(middle, system)} ({telling.sizes(low, high, system)})"


def _differences(lines: Iterable[Step], system: str) -> str:
    return ", ".join(f"{step.label} {text_of(step, system)}" for step in lines if step.kind not in ("typical", "lot"))


def area_sentences(shared: Iterable[Shared], system: str) -> list[str]:
    """Return sentences on what nearly all lots of the area share."""
    return [SENTENCES["area"].format(count=f"{one.lots:,}", total=f"{one.total:,}",
                                     reason=words.reason(one.name, one.median_mm),
                                     part=part_shown(one.median_mm, system)) for one in shared]
