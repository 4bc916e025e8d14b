"""How functions are compiled: one set of options, cached on disk where possible, releasing the interpreter's lock.

The arithmetic is done as written. When the compiler was allowed to regroup sums, it computed 6 % more model runs per
second (measured), but the results of freshly compiled code and of the same code from the cache then differed in the
last digits.

Compiled code is stored in `NUMBA_CACHE_DIR`, next to the code, or in the user's cache folder, in the first of these
that can be written. An account without any of them (a service, a container) gets its own folder below the system's
temporary folder, closed to others. It is never below the outputs folder, because the stored files are executed as code
and outputs may come from elsewhere. Where nothing can be written, functions are compiled in memory again in every run;
results are the same. Models of strips, which all areas share, are in a folder beside the compiled code (`folder`).
"""

from __future__ import annotations

import os
import stat
import tempfile
import warnings
from collections.abc import Callable
from functools import cache
from multiprocessing import parent_process
from pathlib import Path
from typing import Any, TypeVar, cast

from numba import config, njit
from numba.core.caching import FunctionCache

Function = TypeVar("Function", bound=Callable[..., object])
NOT_KEPT = ("W-RUN-055 the compiled equations cannot be kept for the next run: there is no folder for them that this "
            "account can write, or its disk is full. Every run compiles them again, which takes about 20 seconds. Set "
            "NUMBA_CACHE_DIR to a folder that can be written. The results are the same.")


class CompiledInMemory(UserWarning):
    """The warning that compiled code is not stored for the next run."""


class _Cache(FunctionCache):
    """The cache of one function; on a full or failing disk it works as if there were none."""

    def load_overload(self, sig, target_context):  # type: ignore[no-untyped-def]
        """Return the compiled function of a signature, or None: a damaged file is compiled again."""
        try:
            return super().load_overload(sig, target_context)
        except Exception:
            return None

    def save_overload(self, sig, data):  # type: ignore[no-untyped-def]
        """Store a compiled function, or warn once that it cannot be stored. A damaged index is replaced."""
        try:
            super().save_overload(sig, data)
        except Exception:
            try:
                self.flush()
                super().save_overload(sig, data)
            except Exception:
                _tell()


def compiled(function: Function) -> Function:
    """Return the compiled form of a function on numbers and arrays."""
    machine_code = njit(nogil=True, error_model="numpy")(function)
    cache = _cache_of(function)
    if cache is not None:
        cast(Any, machine_code)._cache = cache  # what its method enable_caching does
    return cast(Function, machine_code)


def _cache_of(function: Function) -> FunctionCache | None:
    for prepare in (lambda: True, _use_temporary_folder):
        if prepare():
            try:
                return _Cache(function)
            except RuntimeError:  # none of the places that the compiler knows can be written
                pass
    _tell()
    return None


def folder() -> Path | None:
    """Return the folder in which compiled code is kept between runs; None where nothing can be."""
    cache = _cache_of(compiled)
    return None if cache is None else Path(cache.cache_path)


@cache
def _use_temporary_folder() -> bool:
    """Let the compiler store its code in a folder of this account below the temporary folder; false without one."""
    try:
        folder = Path(tempfile.gettempdir()) / f"riskmap-compiled-{os.getuid() if os.name != 'nt' else 'code'}"
        folder.mkdir(mode=0o700, exist_ok=True)
        state = os.lstat(folder)
    except OSError:
        return False
    if not stat.S_ISDIR(state.st_mode):
        return False
    if os.name != "nt" and (state.st_uid != os.getuid() or stat.S_IMODE(state.st_mode) & 0o077):
        return False  # somebody else could put code into it
    config.CACHE_DIR = str(folder)  # type: ignore[attr-defined]
    os.environ["NUMBA_CACHE_DIR"] = str(folder)  # for worker processes
    return True


@cache
def _tell() -> None:
    """Warn once, and only in the process that the user started."""
    if parent_process() is None:
        warnings.warn(NOT_KEPT, CompiledInMemory, stacklevel=2)
