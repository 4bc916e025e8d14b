"""Calibration of a run against measured surveys: its own entry, not part of an estimate, and off unless asked for.

In: a finished run and a table of survey results. Out: a plain JSON file, a card in words, a table of comparisons and,
when the surveys allow it, the lots' numbers calibrated. Two layers: weights over the draws that the run made
(`physical`), and on top a ridge regression on soil, age and season (`statistical`). Each is tested on rows left out by
block with a buffer (`blocks`, `crossval`) and stays off, with its reason, unless it is clearly nearer to them
(`fitting`).
Method: notebooks/method.md, section 13.
"""

from __future__ import annotations

CAUTION_CALIBRATED = (  # our wording for every product of a calibration
    "Calibrated means: compared with the surveys named here, of these houses and these months. It says nothing about a "
    "place, a soil or a season that they do not cover, nor about the condition of a house. New slabs are seldom level; "
    "licensed practice and local codes come first."
)
