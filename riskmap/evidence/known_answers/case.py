"""One known answer: what is printed, what we get, how far apart the two may be, and why."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

Value = float | str
STANDINGS = ("seen", "seen, secondary copy", "computed", "computed on seen data", "from memory", "measured")


@dataclass(frozen=True)
class Tolerance:
    """How far ours may lie from the printed value.

    `within`: |ours - printed| <= max(absolute, relative |printed|). `range`: printed has a low and a high end, and all
    our values must lie between them. Text is compared exactly. `reason` says why, in plain words.
    """

    reason: str
    absolute: float = 0.0
    relative: float = 0.0
    kind: str = "within"

    def allowed(self, printed: float) -> float:
        """Return the largest difference from a printed value that passes."""
        return max(self.absolute, self.relative * abs(printed))


@dataclass(frozen=True)
class Case:
    """A known answer.

    Attributes
    ----------
    number : str
        `1`-`25` published and exact answers (letters for parts), `P1`-`P12` tests of the solver, `F1`-`F7` field
        checks, `S..` spare checks.
    name, source, unit : str
    standing : str
        One of `STANDINGS`: how the printed value was obtained.
    printed : tuple
        As printed, never adjusted.
    tolerance : Tolerance
    ours : callable
        Returns as many values as are printed (any number for a range); takes the open data folder when `needs_data`.
    needs_data : bool
    """

    number: str
    name: str
    source: str
    standing: str
    printed: tuple[Value, ...]
    unit: str
    tolerance: Tolerance
    ours: Callable[..., Iterable[Value]]
    needs_data: bool = False
    waits: Callable[[], str] | None = None


@dataclass(frozen=True)
class Verdict:
    """A case with our values and `pass`, `miss` or `not run`; `worst` is the position of the value farthest off."""

    case: Case
    group: str
    ours: tuple[Value, ...]
    verdict: str
    worst: int = 0
    note: str = ""

    def as_dict(self) -> dict[str, object]:
        """Return plain values for JSON."""
        case = self.case
        return {"number": case.number, "group": self.group, "name": case.name, "source": case.source,
                "standing": case.standing, "unit": case.unit, "printed": list(case.printed), "ours": list(self.ours),
                "tolerance": {"kind": case.tolerance.kind, "absolute": case.tolerance.absolute,
                              "relative": case.tolerance.relative, "reason": case.tolerance.reason},
                "verdict": self.verdict, "note": self.note}


@dataclass(frozen=True)
class NotIncluded:
    """A candidate that the pack does not contain, and why."""

    number: str
    name: str
    reason: str


def _share(case: Case, place: int, ours: Value) -> float:
    """Return the difference divided by the allowed difference; above 1 is a miss."""
    if case.tolerance.kind == "range":
        low, high = (float(v) for v in case.printed)
        middle, half = (low + high) / 2, (high - low) / 2
        return abs(float(ours) - middle) / half if float(ours) == float(ours) else float("inf")
    printed = case.printed[place]
    if isinstance(printed, str) or isinstance(ours, str):
        return 0.0 if printed == ours else float("inf")
    off, allowed = abs(ours - printed), case.tolerance.allowed(printed)
    if off == 0.0:
        return 0.0
    return off / allowed if allowed > 0 and off == off else float("inf")


def judge(case: Case, group: str, open_data: Path | None) -> Verdict:
    """Run one case. An error inside it is a miss with the error as its note, never a silent pass."""
    if case.needs_data and open_data is None:
        return Verdict(case, group, (), "not run", note="needs the open data folder")
    if case.waits is not None and (reason := case.waits()):
        return Verdict(case, group, (), "not run", note=reason)
    try:
        ours = tuple(v if isinstance(v, str) else float(v) for v in (case.ours(open_data) if case.needs_data
                                                                     else case.ours()))
    except Exception as error:
        return Verdict(case, group, (), "miss", note=f"{type(error).__name__}: {error}")
    ranged = case.tolerance.kind == "range"
    if not ours or (not ranged and len(ours) != len(case.printed)):
        return Verdict(case, group, ours, "miss", note=f"{len(ours)} values for {len(case.printed)} printed")
    shares = [_share(case, place, value) for place, value in enumerate(ours)]
    worst = max(range(len(ours)), key=lambda place: shares[place])
    return Verdict(case, group, ours, "pass" if shares[worst] <= 1.0 + 1e-9 else "miss", worst)
