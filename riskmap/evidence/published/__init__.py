"""Published methods, shown beside our own numbers: one file per method, equations on NumPy arrays.

Every file states `SOURCE` (document, table, equation), `STANDING` (`seen`: read in a source; `computed`: exact
mathematics; `from memory`: not read anywhere) and `VERIFIED` (a printed value of the document itself is reproduced).
Methods whose table or chart was not seen are not coded. The check values are in riskmap.evidence.known_answers.
"""

from __future__ import annotations

import importlib
import pkgutil
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from riskmap.estimates import as2870, cole_volume, van_der_merwe_1964

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray


@dataclass(frozen=True)
class Method:
    """One published method: module name, what it is, source, standing, and whether a printed value is reproduced."""

    name: str
    title: str
    source: str
    standing: str
    verified: bool

    def as_dict(self) -> dict[str, object]:
        """Return plain values for the manifest."""
        return {"name": self.name, "title": self.title, "source": self.source, "standing": self.standing,
                "verified": self.verified}


def _methods() -> tuple[Method, ...]:
    names = sorted(found.name for found in pkgutil.iter_modules(__path__) if not found.name.startswith("_"))
    modules = [importlib.import_module(f"{__name__}.{name}") for name in names]
    return tuple(Method(name, (module.__doc__ or "").splitlines()[0], module.SOURCE, module.STANDING, module.VERIFIED)
                 for name, module in zip(names, modules, strict=True))


METHODS = _methods()


