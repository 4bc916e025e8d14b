"""The known-answer pack: published and exact solutions, each with source, printed value, ours, tolerance and verdict.

It needs no network. A case that needs real data files runs only when their folder is given; otherwise it never counts
as passed.
"""

from __future__ import annotations

import importlib
import time
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from riskmap.evidence.known_answers.case import Case, NotIncluded, Tolerance, Verdict, judge
from riskmap.evidence.known_answers.report import KnownAnswers

__all__ = ["GROUPS", "Case", "KnownAnswers", "NotIncluded", "Tolerance", "Verdict", "answered", "module_of",
           "not_included", "run"]

GROUPS = ("soil", "movement_methods", "climate", "suction", "ground", "slab", "field")
HOME = {"field": "riskmap.evidence.measured.field"}  # for the groups whose module is not in this folder


def run(groups: Iterable[str] | None = None, open_data: Path | None = None) -> list[Verdict]:
    """Return the verdict of every case, in the order of groups and cases.

    Parameters
    ----------
    groups : iterable of str, optional
        Names from `GROUPS`; all by default.
    open_data : Path, optional
        Folder that contains `drought/` and `field/`.

    Raises
    ------
    ValueError
        For a group that does not exist.
    """
    chosen = GROUPS if groups is None else tuple(groups)
    if unknown := [name for name in chosen if name not in GROUPS]:
        raise ValueError(f"unknown group {unknown[0]!r}; the pack has {', '.join(GROUPS)}")
    return [judge(case, name, open_data) for name in chosen for case in module_of(name).CASES]


def not_included(groups: Iterable[str] | None = None) -> list[NotIncluded]:
    """Return the candidates that the pack does not contain, with the reason."""
    return [item for name in (GROUPS if groups is None else groups) for item in module_of(name).NOT_INCLUDED]


def module_of(group: str) -> Any:
    """Return the module with the cases of a group; field checks are with the other measured comparisons."""
    return importlib.import_module(HOME.get(group, f"{__name__}.{group}"))


def answered(groups: Iterable[str] | None = None, open_data: Path | None = None) -> KnownAnswers:
    """Run the pack, as `run` does, and return the verdicts together with what the pack does not contain."""
    began = time.perf_counter()
    chosen = GROUPS if groups is None else tuple(groups)
    verdicts, left_out = run(chosen, open_data), not_included(chosen)
    return KnownAnswers(verdicts, left_out, time.perf_counter() - began)
