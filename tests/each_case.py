"""One test over many cheap cases: every case is tried, and the failure lists all that are wrong."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any


def check_each(cases: Iterable[Any], check: Callable[[Any], None], name: Callable[[Any], str] = repr) -> None:
    """Call a check with every case; fail with all cases whose check failed, or when there is no case at all."""
    tried, wrong = 0, []
    for case in cases:
        tried += 1
        try:
            check(case)
        except Exception as error:
            wrong.append(f"{name(case)}: {type(error).__name__}: {error}")
    assert tried, "no case was tried"
    assert not wrong, f"{len(wrong)} of {tried} cases are wrong:\n" + "\n".join(wrong)
