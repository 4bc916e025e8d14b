"""How functions are compiled: one set of options, cached on disk, releasing the interpreter's lock.

Sums may be regrouped for speed, nothing else of the arithmetic may change: missing values stay missing.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar, cast

from numba import njit

Function = TypeVar("Function", bound=Callable[..., object])


def compiled(function: Function) -> Function:
    """Return the compiled form of a function on numbers and arrays."""
    return cast(Function, njit(cache=True, nogil=True, error_model="numpy",
                               fastmath={"reassoc", "contract", "nsz"})(function))
