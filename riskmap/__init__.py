"""riskmap: expected movement of slab-on-ground houses on expansive clay, lot by lot.

The commands are functions of the same names, as `riskmap.estimate(...)`; they are in `riskmap.api` and loaded when
first asked for, so that importing riskmap stays quick. `fetch`, `survey` and `selftest` are packages of several
functions.
"""

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from riskmap import download
    from riskmap.answers import survey
    from riskmap.api import brief, calibrate, check, compare, demo, estimate, explain, export, map, read, screen, verify
    from riskmap.evidence import known_answers

__version__ = "0.1.0"

FUNCTIONS = ("brief", "calibrate", "check", "compare", "demo", "estimate", "explain", "export", "map", "read", "screen",
             "verify")
PACKAGES = ("fetch", "selftest", "survey")

__all__ = ["__version__", "brief", "calibrate", "check", "compare", "demo", "estimate", "explain", "export", "fetch",
           "map", "read", "screen", "selftest", "survey", "verify"]


def __getattr__(name: str) -> Any:
    """Load what has the name of a command."""
    import importlib

    if name in FUNCTIONS:
        return getattr(importlib.import_module("riskmap.api"), name)
    if name in PACKAGES:
        return importlib.import_module(f"riskmap.{name}")
    raise AttributeError(f"module 'riskmap' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted({*globals(), *FUNCTIONS, *PACKAGES})
