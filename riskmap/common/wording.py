"""The sentences that every product shows, each in one wording."""

from __future__ import annotations

STANDING = (
    "A model estimate, not yet checked against level surveys in this area. The true figure may be half or double. "
    "Which lots move more is better known than how much."
)
CAUTION = (
    "Planning information from public soil, weather and lot records. It describes ground and slab age, not the "
    "condition of this house. It does not replace a visit or an engineer's evaluation."
)
CAUTION_SOIL = (
    "Soil lines here were mapped at 1:{scale}. The real boundary may be up to {width} from the line, and pockets of "
    "other soils are too small to map."
)
CAUTION_DATE = "Pour date is {basis}; it may lie between {lo} and {hi}. The range shown includes this doubt."
_YOUNG = (" In this lot's model runs the edge stood above the middle in {share} of the months since the pour, at the "
          "most by {down}.")
YOUNG = {  # by the weather before the pour (`movement.young`); the figures come from the lot's own model runs
    "dry": "Poured after a dry spell. After such a pour the edge tends to rise first; the dome follows within about "
           "seven years." + _YOUNG,
    "wet": "Poured after a wet spell. After such a pour the edge tends to drop first, so the dome shows early."
           + _YOUNG,
    "middle": "Poured after neither a dry nor a wet spell." + _YOUNG,
    "several": "The month of the pour is not known, and it decides how this slab moved first: after a dry spell its "
               "edge tends to rise, after a wet one to drop. Ask for the month." + _YOUNG,
}
CAUTION_WHATIF = (
    "These are three what-if years taken from past years. They are not forecasts and carry no odds. “Dry” and “wet” "
    "mean how low or high the ground at the slab edge was at the end of that year; two of them can bend the slab "
    "equally."
)
CAUTION_LENDER = (
    "Use only to choose where to ask for more information. Do not use to approve, decline, price or value."
)
NO_NUMBER = "Not enough data to estimate this lot. Missing: {list}. This is not a low or a middle result."
NOT_SEEN = (
    "Not seen by this calculation: fill, cut or pad, moisture conditioning, leaks, trees, drainage, pools, piers, "
    "workmanship and repairs. Local codes and licensed practice come first."
)
