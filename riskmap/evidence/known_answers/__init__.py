"""The known-answer pack: published and closed-form cases, each with source, printed value, ours, tolerance, verdict.

Offline. A case that needs real data files runs only when their folder is given; it is never counted as passed
otherwise.
"""

from __future__ import annotations

import importlib
import time
from collections.abc import Iterable
from pathlib import Path

from riskmap.evidence.known_answers import report
from riskmap.evidence.known_answers.case import Case, NotIncluded, Tolerance, Verdict, judge

__all__ = ["GROUPS", "Case", "NotIncluded", "Tolerance", "Verdict", "main", "not_included", "run"]

GROUPS = ("soil", "movement_methods", "climate", "suction", "ground", "slab", "field")


def run(groups: Iterable[str] | None = None, open_data: Path | None = None) -> list[Verdict]:
    """Return the verdict of every case, in the order of groups and cases.

    Parameters
    ----------
    groups : iterable of str, optional
        Names from `GROUPS`; all without it.
    open_data : Path, optional
        Folder that holds `drought/` and `field/`.

    Raises
    ------
    ValueError
        For a group that does not exist.
    """
    chosen = GROUPS if groups is None else tuple(groups)
    if unknown := [name for name in chosen if name not in GROUPS]:
        raise ValueError(f"unknown group {unknown[0]!r}; the pack has {', '.join(GROUPS)}")
    return [judge(case, name, open_data) for name in chosen for case in _module(name).CASES]


def not_included(groups: Iterable[str] | None = None) -> list[NotIncluded]:
    """Return the candidates that the pack does not hold, with the reason."""
    return [item for name in (GROUPS if groups is None else groups) for item in _module(name).NOT_INCLUDED]


def _module(name: str):  # type: ignore[no-untyped-def]
    return importlib.import_module(f"{__name__}.{name}")


def main(open_data: Path | None = None, as_json: bool = False) -> int:
    """Print the pack to standard output and return 0 when every case that ran lies inside its tolerance, else 1.

    Seconds are told and decide nothing: a busy machine is no fault of the program.
    """
    began = time.perf_counter()
    verdicts, left_out = run(open_data=open_data), not_included()
    seconds = time.perf_counter() - began
    print((report.as_json if as_json else report.text)(verdicts, left_out, seconds))
    return int(any(v.verdict == "miss" and v.case.unit != "s" for v in verdicts))
