"""Calibration of a run against measured surveys: a command of its own, not part of an estimate, and off unless it is
asked for.

In: a finished run and a table of survey results. Out: a plain JSON file, a card in words, a table of comparisons and,
when the surveys allow it, the calibrated estimates of the lots. Two layers: weights over the model runs of the estimate
(`physical`), and on top a ridge regression on soil, age and season (`statistical`). Each is tested on rows that were
left out by block with a buffer (`blocks`, `crossval`). It stays off, with the reason, unless it predicts those rows
clearly better (`fitting`).
Method: notebooks/method.md, section 13.
"""

from __future__ import annotations

CAUTION_CALIBRATED = (  # our wording for every product of a calibration
    "Calibrated means: compared with the surveys named here, of these houses and these months. It says nothing about a "
    "place, a soil or a season that they do not cover, nor about the condition of a house. New slabs are seldom level; "
    "licensed practice and local codes come first."
)
