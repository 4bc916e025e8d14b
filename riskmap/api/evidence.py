"""The function that shows that riskmap computes what it claims: `selftest`."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

from riskmap.api.shared import FileName, optional

if TYPE_CHECKING:
    from riskmap.evidence.known_answers import KnownAnswers
    from riskmap.evidence.known_answers.case_file import Comparisons


def selftest(cases: FileName | None = None, open_data: FileName | None = None, *,
             groups: Iterable[str] | None = None) -> KnownAnswers | Comparisons:
    """Compare riskmap with published and exact solutions.

    Parameters
    ----------
    cases : str or Path, optional
        A case file (solver cases with drivers and mixtures, or day steps) to check instead of the built-in pack.
    open_data : str or Path, optional
        Folder with drought/ and field/: with it, the field checks and driver months that need real files are run too.
    groups : iterable of str, optional
        Parts of the built-in pack, from `riskmap.evidence.known_answers.GROUPS`. Default: all of them.

    Returns
    -------
    KnownAnswers or Comparisons
        `passed` says whether everything that was run lies inside its tolerance. `verdicts` (of the pack: source,
        printed value, ours, tolerance, verdict) or `lines` (of a case file) lists them one by one; `text()` is for
        people and `as_json()` for programs.

    Raises
    ------
    ValueError
        When there is no such group, or groups are given together with a case file.
    LayerError
        The case file cannot be read or a part of it is missing.

    Examples
    --------
    >>> import riskmap
    >>> slab = riskmap.selftest(groups=["slab"])
    >>> slab.passed
    True
    >>> sorted({verdict.group for verdict in slab.verdicts})
    ['slab']
    """
    import os

    os.environ.setdefault("OMP_NUM_THREADS", "1")  # the model runs are spread over threads already
    if cases is None:
        from riskmap.evidence import known_answers

        return known_answers.answered(groups, optional(open_data))
    if groups is not None:
        raise ValueError("groups are of the built-in pack, not of a case file")
    from riskmap.evidence.known_answers import case_file

    return case_file.compared(Path(cases), optional(open_data))
