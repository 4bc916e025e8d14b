"""The kind of foundation that a lot file names."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd
from numpy.typing import NDArray

NOT_GIVEN = {"", "unknown", "na", "n a", "none", "null", "nan", "not recorded"}
OTHER_FOUNDATION = re.compile(r"pier|pile|crawl|basement|cellar|block|raised|suspended|stilt|wood")


def foundations(column: pd.Series) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Return for every row whether a text names another foundation than a slab, and whether it names none."""
    codes, distinct = pd.factorize(column)
    words = [re.sub(r"[\W_]+", " ", str(text).lower()).strip() for text in distinct] or [""]
    missing = np.array([word in NOT_GIVEN for word in words])
    on_ground = np.array(["slab" in word and not OTHER_FOUNDATION.search(word) for word in words])
    return (~missing & ~on_ground)[codes], missing[codes]


def names_another(column: pd.Series) -> NDArray[np.bool_]:
    """Return for every row whether a text names a kind of foundation that is no slab on the ground.

    Words that name no kind, such as "see remarks" or "post tension", are none.
    """
    codes, distinct = pd.factorize(column)
    words = [re.sub(r"[\W_]+", " ", str(text).lower()).strip() for text in distinct] or [""]
    return np.array([OTHER_FOUNDATION.search(word) is not None for word in words])[codes]
