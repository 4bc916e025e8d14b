"""Standardised drought indices, one file each, found by listing this folder.

In: arrays (n_series, n_month) of consecutive months, NaN where a month is unknown.
Out: the index, same shape; NaN where it cannot be told. To add an index, add a file with `NAME`, `UNIT`, `NEEDS`
(argument names in order), `RANGE`, `SOURCE` and `compute(*needs, first_calendar_month=..., accumulation_months=...)`.
"""

from __future__ import annotations

import importlib
import pkgutil
from types import ModuleType


def modules() -> tuple[ModuleType, ...]:
    """Return every index module of this folder, by name. Names that start with an underscore are helpers."""
    names = sorted(found.name for found in pkgutil.iter_modules(__path__) if not found.name.startswith("_"))
    return tuple(importlib.import_module(f"{__name__}.{name}") for name in names)
