"""Stage 3: the soil under each lot.

In: `tables.LOT` with geometry, and the soil survey (map units, components, horizons, polygons).
Out: `SoilAttached`: soil facts per lot, area shares per lot and map unit, probabilities per lot and profile, and the
profiles with their layers. Ground without a described profile is counted separately, never taken as zero.
Method: notebooks/method.md, section 2.
"""

from riskmap.soil.under_lots import SoilAttached, SurveyFacts, attach, describe, middle, of_lots

__all__ = ["SoilAttached", "SurveyFacts", "attach", "describe", "middle", "of_lots"]
