"""Coordinates in degrees that lie elsewhere: longitude and latitude exchanged, or the minus sign of the west is lost.

This is only reported, never corrected: a point that fits after a change may still be another place.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Box = tuple[float, float, float, float]  # west, south, east, north in degrees

SWAPPED = "longitude and latitude are swapped: exchanged, they lie in the area of {where}"
SIGN_LOST = "a minus sign is lost: with it the place lies in the area of {where}"


def swapped(points_lonlat: NDArray[np.float64], coverage: Box) -> bool:
    """Return whether a whole file has longitude and latitude exchanged.

    Parameters
    ----------
    points_lonlat : array, shape (point, 2)
        Coordinates as given, in degrees; nan where there are none.
    coverage : tuple
        West, south, east, north of what the layers cover.

    Returns
    -------
    bool
        True when no point lies in the coverage, and more than half of the points do after swapping.
    """
    known = np.isfinite(points_lonlat).all(axis=1)
    inside = _inside(points_lonlat, coverage)
    return bool(not inside.any() and 2 * _inside(points_lonlat[:, ::-1], coverage).sum() > known.sum())


def misplaced(points_lonlat: NDArray[np.float64], coverage: Box, where: str = "the soil map") -> NDArray[np.object_]:
    """Return `SWAPPED` or `SIGN_LOST` for points outside the coverage that such a change brings into it, otherwise ''.

    `where` names the coverage in words.
    """
    outside = ~_inside(points_lonlat, coverage)
    exchanged = points_lonlat[:, ::-1]
    signs = [np.array(sign) for sign in ((-1.0, 1.0), (1.0, -1.0), (-1.0, -1.0))]
    signed = np.any([_inside(points_lonlat * sign, coverage) for sign in signs], axis=0)
    both = np.any([_inside(exchanged * sign, coverage) for sign in signs], axis=0)
    choices = [outside & _inside(exchanged, coverage), outside & signed, outside & both]
    sentences = [words.format(where=where) for words in (SWAPPED, SIGN_LOST, f"{SWAPPED}, and a minus sign is lost")]
    return np.select(choices, sentences, "").astype(object)


def _inside(points: NDArray[np.float64], box: Box) -> NDArray[np.bool_]:
    x, y = points[:, 0], points[:, 1]
    return (x >= box[0]) & (x <= box[2]) & (y >= box[1]) & (y <= box[3])
