"""Stage 7: the table of estimates, with one row per lot in the order of the input.

In: clean lots, soil, weather and what the movement stage found for the archetype of each lot.
Out: `tables.ESTIMATE`: estimates with ranges, or a state with its reason; data quality, reasons, and published methods
for comparison.
"""

from riskmap.estimates.table import score, states

__all__ = ["score", "states"]
