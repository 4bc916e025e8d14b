"""Packages that only some commands need, and what is said where one of them is missing.

An extra of pyproject.toml is a set of such packages. A command asks for its packages before it reads or writes
anything.
"""

from __future__ import annotations

from collections.abc import Sequence
from importlib.util import find_spec

from riskmap.common.errors import MissingExtraError, joined


def require(packages: Sequence[str], extra: str, purpose: str) -> None:
    """Refuse when a package of an extra is not installed.

    Parameters
    ----------
    packages : sequence of str
        Names as they are imported.
    extra : str
        The extra of pyproject.toml that installs them.
    purpose : str
        What needs them, as the beginning of a sentence.

    Raises
    ------
    MissingExtraError
        The error names the packages and the command that installs them.
    """
    missing = [name for name in packages if find_spec(name) is None]
    if missing:
        raise MissingExtraError(f"E-RUN-088 {purpose} needs {joined(missing)}, which riskmap does not always bring. "
                                f'Install it with: pip install "riskmap[{extra}]"')
