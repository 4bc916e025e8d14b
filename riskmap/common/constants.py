"""Fixed numbers with unit and source.

What a user may tune is in `settings.py`; the coefficients of one method are at the top of that method's file.
"""

from __future__ import annotations

from typing import Final

# pF is log10 of the suction in cm of water. 33 kPa = 336.5 cm: the moist end of linear extensibility.
PF_AT_33_KPA: Final = 2.53

# Shrinkage limit, where volume change ends. Common practice with COLE-based indices, from memory; oven dry would be 7.
PF_AT_SHRINKAGE_LIMIT: Final = 5.5

# Normal scores of the weekly drought categories: means of a unit normal over the percentile classes
# None > 30, D0 20-30, D1 10-20, D2 5-10, D3 2-5, D4 0-2 (class limits: drought.gov; means computed).
CATEGORY_NORMAL_SCORE: Final = {-1: 0.50, 0: -0.68, 1: -1.04, 2: -1.45, 3: -1.82, 4: -2.42}

# A weekly map gives today's category when it is from the present month or at most this many months earlier. Judgement:
# months are named by their ends, and a map from five to eight weeks ago still describes a present month that has just
# begun.
CATEGORY_VALID_MONTHS: Final = 1

# After this many years the pour date changes the result by at most 3.4 mm (computed, even clay, default diffusivity).
YOUNG_SLAB_YEARS: Final = 7

# Without rain, index or weekly map the usual season is used for a month. It knows nothing of the weather (correlation
# with the true dome 0.41 on invented climates), so after this many such months up to the present one there is no
# estimate. Judgement.
MOST_USUAL_MONTHS: Final = 24

# 90th percentile of a unit normal distribution: half of an 80 % range divided by its standard deviation.
NORMAL_P90: Final = 1.2815515655446004

MONTHS_PER_YEAR: Final = 12
DAYS_PER_YEAR: Final = 365.25

# Equal-area projection used for every area and share within the conterminous United States.
EQUAL_AREA_CRS: Final = "EPSG:5070"

# Credit line that the publisher of the weekly categories asks for.
DROUGHT_CREDIT: Final = (
    "U.S. Drought Monitor, produced jointly by the National Drought Mitigation Center (University of "
    "Nebraska-Lincoln), the U.S. Department of Agriculture and the National Oceanic and Atmospheric Administration."
)

# a quoted guideline figure; it is drawn as a line, never used as pass or fail
DEFLECTION_LIMIT_RATIO: Final = 1.0 / 360.0

# Total depth of slab and rib from which ordinary concrete is assumed to crack, so that its stiffness drops. [mm]
# Judgement on a computed cracking beam with assumed steel (notebooks/method.md, section 7).
DEEP_RIBS_FROM_MM: Final = 650.0

# Half width over active depth: the range in which the reduced ground model was tested. Beyond it the model is held
# constant.
NARROWEST_RATIO: Final = 0.8
WIDEST_RATIO: Final = 9.0

# Where the slab's short side comes from: the lot file, the outline of a building, or nowhere.
SIZE_GIVEN: Final = "given"
SIZE_FROM_FOOTPRINT: Final = "footprint"
SIZE_UNKNOWN: Final = "unknown"
SIZE_BASES: Final = (SIZE_GIVEN, SIZE_FROM_FOOTPRINT, SIZE_UNKNOWN)
