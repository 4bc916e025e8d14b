"""Stage 2: one clean row per row of the lot file, in the same order.

In: raw lots in our names, in the file's coordinate system, and outlines of buildings where there are any.
Out: `tables.LOT` with polygons in the area's system, and the problems found. No row is dropped: a row without an
estimate has a state and the reason for it.
"""

from riskmap.lots.cleaning import clean

__all__ = ["clean"]
