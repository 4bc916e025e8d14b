"""Start a program for which permissions bind, also when the tests run as root."""

from __future__ import annotations

import os
import shutil

import pytest

_CAPABILITIES = "-dac_override,-dac_read_search,-fowner"  # capabilities(7): what lets root pass over permissions


def prefix() -> list[str]:
    """Return the words that stand before a command; the test is skipped, loudly, where root cannot give up its rights.

    The account stays the same, so that the interpreter and its libraries can be read; a file of another account, or one
    whose mode forbids it, cannot be opened.
    """
    if os.name == "nt":
        pytest.skip("permissions of this system are of another kind: NOT TESTED there")
    if os.geteuid() != 0:
        return []
    tool = shutil.which("setpriv")
    if tool is None:
        pytest.skip("the tests run as root and there is no setpriv to give up its rights: NOT TESTED")
    return [tool, f"--bounding-set={_CAPABILITIES}", f"--inh-caps={_CAPABILITIES}"]
