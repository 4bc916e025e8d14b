"""Stage 7: the table of estimates, one row per lot in the order of the input.

In: clean lots, soil, weather and what the movement stage found for the archetype of each lot.
Out: `tables.ESTIMATE`: numbers with ranges or a state with its reason, data quality, reasons, published methods beside.
"""

from riskmap.estimates.table import score, states

__all__ = ["score", "states"]
