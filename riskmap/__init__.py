"""riskmap: expected movement of slab-on-ground houses on expansive clay, lot by lot.

The commands are functions of the same names, such as `riskmap.estimate(...)`. They are in `riskmap.api` and are loaded
at their first use, so that importing riskmap stays quick.

The rooms, in the order of the flow: `download`, `layers`, `lots`, `soil`, `climate`, `movement`, `estimates` and
`outputs` are the stages; `common` has what passes between them; `run` carries out a run and stores it; `answers`
answers questions from a finished run; `evidence` shows how we know; `api` is the commands as functions, `window` is
the page on this computer, and `cli` is the command line.
"""

from typing import TYPE_CHECKING, Any

from riskmap.common.version import __version__

if TYPE_CHECKING:
    from riskmap.api import (
        brief,
        calibrate,
        check,
        compare,
        demo,
        estimate,
        explain,
        export,
        fetch,
        map,
        measured,
        new,
        read,
        screen,
        selftest,
        survey,
        verify,
    )
    from riskmap.common import tables
    from riskmap.evidence import constants_sources as sources

FUNCTIONS = ("brief", "calibrate", "check", "compare", "demo", "estimate", "explain", "export", "fetch", "map",
             "measured", "new", "read", "screen", "selftest", "survey", "verify")
MODULES = {"tables": "riskmap.common.tables", "sources": "riskmap.evidence.constants_sources"}

__all__ = ["__version__", "brief", "calibrate", "check", "compare", "demo", "estimate", "explain", "export",
           "fetch", "map", "measured", "new", "read", "screen", "selftest", "sources", "survey", "tables", "verify"]


def __getattr__(name: str) -> Any:
    """Load the command of this name, or one of the two modules that everybody needs."""
    import importlib

    if name in FUNCTIONS:
        return getattr(importlib.import_module("riskmap.api"), name)
    if name in MODULES:
        return importlib.import_module(MODULES[name])
    raise AttributeError(f"module 'riskmap' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted({*globals(), *FUNCTIONS, *MODULES})
