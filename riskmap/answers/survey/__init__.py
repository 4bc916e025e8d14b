"""Elevation readings of one house: from readings to levels, deflection, change and a comparison.

Pure functions on tables and arrays; files are opened by the command. Lengths in m, levels in mm, up positive.
Nothing here says anything about the condition of a structure.
"""

from __future__ import annotations

from riskmap.common.wording import CAUTION, STANDING

CAUTION_SURVEY = (  # our wording for every product of a survey
    "New slabs are seldom level. One survey cannot separate building unevenness from later movement; compare two "
    "surveys."
)
CAUTIONS = (CAUTION, CAUTION_SURVEY)
CAUTIONS_RUN = (*CAUTIONS, STANDING)
