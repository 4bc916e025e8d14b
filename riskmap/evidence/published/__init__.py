"""Published methods: one file per method, equations on NumPy arrays.

Every file states `SOURCE` (document, table, equation), `STANDING` (`seen`: read in a source; `computed`: exact
mathematics; `from memory`: not read anywhere) and `VERIFIED` (a printed value of the document itself is reproduced).
Methods whose table or chart was not seen are not coded. Three of them are shown with the estimate and are in
`riskmap.estimates`; their check values, and those of the others, are in `riskmap.evidence.known_answers`.
"""

from __future__ import annotations

import importlib
import pkgutil

from riskmap.estimates.beside import METHODS as BESIDE
from riskmap.estimates.beside import Method

names = sorted(module.name for module in pkgutil.iter_modules(__path__) if not module.name.startswith("_"))
METHODS = tuple(sorted((*BESIDE, *(Method.of(importlib.import_module(f"{__name__}.{name}")) for name in names)),
                       key=lambda method: method.name))
