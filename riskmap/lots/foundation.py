"""The kind of foundation that a lot file names."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd
from numpy.typing import NDArray

NOT_GIVEN = {"", "unknown", "na", "n a", "none", "null", "nan", "not recorded"}
OTHER_FOUNDATION = re.compile(r"pier|pile|crawl|basement|cellar|block|raised|suspended|stilt|wood")

# Land on which no house is known to stand, in a foundation type or a land use (judgement: usual words of county files;
# a vacant house is still a house, and `non vacant` says that there is one).
_HOUSE = "house|home|dwelling|residence|building|bldg|structure"
_VACANT = re.compile(rf"\b(?<!not )(?<!non )(?:vacant|vac)\b(?! (?:{_HOUSE})\b)|"
                     rf"\b(?:unimproved|undeveloped|unbuilt|no (?:{_HOUSE}|improvements?))\b")


def vacant(column: pd.Series) -> NDArray[np.bool_]:
    """Return for every row whether a text says that the lot is vacant or unimproved."""
    codes, distinct = pd.factorize(column)
    return np.array([bool(_VACANT.search(_words(text))) for text in distinct] or [False])[codes]


def _words(text: object) -> str:
    return re.sub(r"[\W_]+", " ", str(text).lower()).strip()


def foundations(column: pd.Series) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Return for every row whether a text names another foundation than a slab, and whether it names none.

    A text that says that the lot is vacant counts as neither.
    """
    codes, distinct = pd.factorize(column)
    words = [_words(text) for text in distinct] or [""]
    missing = np.array([word in NOT_GIVEN for word in words])
    on_ground = np.array([bool(("slab" in word and not OTHER_FOUNDATION.search(word)) or _VACANT.search(word))
                          for word in words])
    return (~missing & ~on_ground)[codes], missing[codes]


def names_another(column: pd.Series) -> NDArray[np.bool_]:
    """Return for every row whether a text names a kind of foundation that is not a slab on the ground.

    Words that name no kind, such as "see remarks" or "post tension", do not count, and neither does a text that says
    that the lot is vacant.
    """
    codes, distinct = pd.factorize(column)
    words = [_words(text) for text in distinct] or [""]
    return np.array([bool(OTHER_FOUNDATION.search(word)) and not _VACANT.search(word) for word in words])[codes]
