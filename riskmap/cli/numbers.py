"""Numbers on the command line: finite and within limits. A limit alone would let nan pass."""

from __future__ import annotations

import math
from typing import Any

import click


class Finite(click.FloatRange):
    """A finite number, within limits where they are given."""

    name = "number"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Return the number; inf, nan and values outside the limits are usage errors in words."""
        number = float(click.FLOAT.convert(value, param, ctx))
        if not math.isfinite(number):
            self.fail(f"{value!r} is not a finite number.", param, ctx)
        return float(super().convert(number, param, ctx))
