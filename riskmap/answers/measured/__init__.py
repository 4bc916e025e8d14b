"""A measured series of soil moisture or of ground level compared with the driver of a run; nothing is fitted.

In: a CSV of dated values at one or more depths, and a run. Out: one row per comparison, with its tolerance and what it
means for the estimate. The comparisons are those of notebooks/evidence.md.
"""
