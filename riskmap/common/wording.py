"""The sentences that every product shows, each in one wording."""

from __future__ import annotations

STANDING = (
    "A model estimate, not yet checked against level surveys in this area. The true figure may be half or double. "
    "The order of the lots should be steadier than the amounts; it is not checked either."
)
CAUTION = (
    "Planning information from public soil, weather and lot records. It says how the ground and a slab of this age "
    "should behave, not what shape this house is in. It does not replace a visit or an engineer's evaluation."
)
CAUTION_SOIL = (
    "The soil was mapped at 1:{scale}. A real soil boundary may be up to {width} from the line on the map, and pockets "
    "of other soils are too small to map."
)
CAUTION_DATE = "The pour date is {basis}: between {lo} and {hi}. The range allows for that."
CAUTION_YEAR = "Poured in {year}, month unknown. The range allows for that."
_YOUNG = (" In this lot's model runs the edge was above the middle in {share} of the months since the pour, at the "
          "most by {down}.")
YOUNG_MOST = ", at the most by {down}"  # left out where the figure is shown as zero
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
    "These are three what-if years taken from past years. They are not forecasts and have no odds. “Dry” and “wet” "
    "mean how low or high the ground at the slab edge was at the end of that year; two of them can bend the slab "
    "equally."
)
CAUTION_LENDER = (
    "Use this list only to decide which properties need a closer look. Do not use it to approve or decline a loan, or "
    "to set a price or a value."
)
NO_NUMBER = "No estimate: {list} is missing. No estimate does not mean low movement."
NOT_SEEN = (
    "This estimate knows nothing about fill, cut or pad, moisture conditioning, leaks, trees, this house's own "
    "drainage, pools, piers, workmanship or repairs. Local codes and licensed practice come first."
)
NOT_FOR_PUBLICATION = (
    "Not for publication: this shows a label, such as the address, of single lots. Do not put it on the web: a state "
    "may forbid publishing home addresses."
)
