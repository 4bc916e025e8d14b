"""Stage 8: write the products of a run.

In: `results.Results` and a folder. Out: files. Every writer is one module with `write(results, folder) -> Path`; none
changes a value, drops a row or reorders. Data never reaches a template, a formula or a file name.
"""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from riskmap.common.results import AreaResults, Results


