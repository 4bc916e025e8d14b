"""The pack as a text table of at most 120 columns, and as JSON."""

from __future__ import annotations

import json
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass

from riskmap.evidence.known_answers.case import NotIncluded, Tolerance, Value, Verdict

WIDTH = 120
HEAD = f"{'no.':<5}{'known answer':<51}{'printed':>12}{'ours':>12}{'allowed':>11} {'unit':<12}{'n':>4}  verdict"


@dataclass(frozen=True)
class KnownAnswers:
    """The verdict of every case that was run, the candidates that the pack does not contain, and how long it took.

    Seconds are reported but decide nothing, because a busy machine is not an error of the program.
    """

    verdicts: list[Verdict]
    left_out: list[NotIncluded]
    seconds: float

    @property
    def passed(self) -> bool:
        """Whether every case that ran lies inside its tolerance; a case that was not run counts as neither."""
        return not any(verdict.verdict == "miss" and verdict.case.unit != "s" for verdict in self.verdicts)

    def text(self) -> str:
        """Return the table for people."""
        return text(self.verdicts, self.left_out, self.seconds)

    def as_json(self) -> str:
        """Return the same for programs."""
        return as_json(self.verdicts, self.left_out, self.seconds)


def _number(value: Value) -> str:
    return value[:11] if isinstance(value, str) else f"{value:.5g}"


def _allowed(tolerance: Tolerance, printed: Value) -> str:
    if tolerance.kind == "range":
        return "range"
    return "same" if isinstance(printed, str) else f"{tolerance.allowed(printed):.3g}"


def _row(verdict: Verdict) -> list[str]:
    case = verdict.case
    ranged = case.tolerance.kind == "range"
    printed = case.printed[0] if ranged else case.printed[verdict.worst]
    shown = "-".join(_number(v) for v in case.printed) if ranged else _number(printed)
    ours = _number(verdict.ours[verdict.worst]) if verdict.ours else "-"
    line = (f"{case.number:<5}{case.name[:50]:<51}{shown:>12}{ours:>12}{_allowed(case.tolerance, printed):>11} "
            f"{case.unit:<12}{len(verdict.ours) or len(case.printed):>4}  {verdict.verdict}")
    about = f"{case.source} [{case.standing}]. Allowed: {case.tolerance.reason}."
    return [line, *_wrapped(about + (f" Note: {verdict.note}." if verdict.note else ""))]


def _wrapped(text: str, indent: int = 5) -> list[str]:
    return textwrap.wrap(text, WIDTH, initial_indent=" " * indent, subsequent_indent=" " * indent)


def counts(verdicts: Sequence[Verdict]) -> dict[str, int]:
    """Return how many cases passed, missed and were not run."""
    return {name: sum(v.verdict == name for v in verdicts) for name in ("pass", "miss", "not run")}


def text(verdicts: Sequence[Verdict], left_out: Sequence[NotIncluded], seconds: float) -> str:
    """Return the table: for each case the value farthest from the printed one, its source, the tolerance's reason."""
    lines = ["Known answers: each line shows, of its n values, the one farthest from print.", ""]
    for group in dict.fromkeys(v.group for v in verdicts):
        lines += [group.replace("_", " ").upper(), HEAD]
        for verdict in verdicts:
            if verdict.group == group:
                lines += _row(verdict)
        lines.append("")
    if left_out:
        lines.append("NOT INCLUDED")
        for item in left_out:
            lines += textwrap.wrap(f"{item.number:<5}{item.name}: {item.reason}.", WIDTH, subsequent_indent="     ")
        lines.append("")
    number = counts(verdicts)
    memory = sum(v.case.standing == "from memory" for v in verdicts)
    lines.append(f"{number['pass']} of {len(verdicts)} pass, {number['miss']} outside tolerance, "
                 f"{number['not run']} not run, {len(left_out)} not included; {seconds:.0f} s")
    lines += _wrapped(f"{memory} cases rest on values or equations from memory: they show that the code does what is "
                      "written here, not that a document says so.", 0)
    return "\n".join(lines)


def as_json(verdicts: Sequence[Verdict], left_out: Sequence[NotIncluded], seconds: float) -> str:
    """Return the same as JSON; a value that is not a number becomes null."""
    def plain(value: object) -> object:
        return None if isinstance(value, float) and not abs(value) < float("inf") else value

    cases = [{**v.as_dict(), "ours": [plain(x) for x in v.ours]} for v in verdicts]
    return json.dumps({"cases": cases, "not_included": [vars(item) for item in left_out],
                       "counts": counts(verdicts), "seconds": round(seconds, 1)}, indent=1, ensure_ascii=False)
