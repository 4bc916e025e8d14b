"""Whether a coordinate system preserves areas: every share and area of an estimate is measured in it.

`refusal` judges a system by its definition. `off_at` judges it by its areas where the lots lie: small squares on the
ellipsoid against their image. A system is never replaced silently; `proposal` names one that fits.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from riskmap.common.constants import EQUAL_AREA_CRS
from riskmap.common.errors import shown

if TYPE_CHECKING:
    from pyproj import CRS

Array = NDArray[np.float64]

# judgement: a tenth of the smallest share that matters, and the error of UTM far from its central meridian
TOLERANCE = 0.001
STRETCHED = 0.03  # judgement: twice the error of the usual system of the contiguous US at its borders, 1.5 % (computed)
# half of the side of a square, about 1 km: far more than rounding, far less than the distance over which the scale
# changes
HALF_SQUARE_DEG = 0.005
CELL_DEG = 0.1  # lots in one cell of this size share a square; the scale changes by less than 0.01 % across it
# west, south, east, north in degrees, and the usual equal-area system there
_USUAL = (((-125.0, 24.0, -66.0, 50.0), EQUAL_AREA_CRS, "the contiguous US"),
          ((-180.0, 51.0, -129.0, 72.0), "EPSG:3338", "Alaska"))
_CENTRED = "+proj=laea +lat_0={lat} +lon_0={lon} +datum=WGS84 +units=m"


def refusal(text: str) -> tuple[str, str]:
    """Return code and sentence on why a system cannot measure areas in metres anywhere; both empty when it can.

    Parameters
    ----------
    text : str
        The system as in the area file: `EPSG:...`, a PROJ string or WKT.
    """
    if text == EQUAL_AREA_CRS:  # the default system; this saves every start from loading the database of systems
        return "", ""
    try:
        crs = _system(text)
    except ValueError:
        return "E-SET-020", (f'is "{shown(text)}", which names no known coordinate system. {_usual()}')
    begin = f"is {_named(text, crs)}"
    if crs.is_geographic:
        return "E-SET-021", f"{begin}: its coordinates are degrees, and areas need metres. {_usual()}"
    if not crs.is_projected:
        return "E-SET-021", f"{begin}: it is not a projected system. {_usual()}"
    units = sorted({axis.unit_name for axis in crs.axis_info[:2] if axis.unit_conversion_factor != 1.0})
    if units:
        return "E-SET-022", f"{begin}: its coordinates are in {units[0]}, and metres are needed. {_usual()}"
    operation = crs.coordinate_operation
    if operation is not None and "Pseudo Mercator" in operation.method_name:
        return "E-SET-023", (f"{begin}: web mercator shows areas too large, by half at 35 and fourfold at 60 degrees. "
                             f"{_usual()}")
    return "", ""


def _usual() -> str:
    usual = ", ".join(f'"{code}" in {where}' for _, code, where in _USUAL)
    centred = _CENTRED.format(lat="...", lon="...")
    return f'Write {usual}, elsewhere "{centred}" with the middle of the lots.'


def _system(text: str) -> CRS:
    """Return the system of a text; ValueError when there is none."""
    import warnings

    from pyproj import CRS
    from pyproj.exceptions import CRSError

    if "\x00" in text:
        raise ValueError("a NUL character")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # a warning about the old form +init=epsg:...
            return CRS.from_user_input(text)
    except CRSError as error:
        raise ValueError(str(error)) from None


def at_lots(text: str, lon: Array, lat: Array) -> tuple[str, float]:
    """Return the refusal of a system for its areas at the lots (empty when they fit), and how far off lengths are.

    Parameters
    ----------
    text : str
        A system that `refusal` accepts.
    lon, lat : array, shape (n_lot,)
        Places of the lots; places that are not finite or not on the globe are left out. [deg]

    Returns
    -------
    str
        A line with its code, E-SET-024, and a system that fits.
    float
        Largest error of a length, as a share of the true length; 0 without a place.
    """
    lon, lat = cells(lon, lat)
    if not lon.size:
        return "", 0.0
    areas, lengths = scales(text, lon, lat)
    known = np.isfinite(areas)
    worst = int(np.argmax(np.where(known, np.abs(areas - 1), np.inf)))
    if abs(areas[worst] - 1) <= TOLERANCE:
        return "", float(np.abs(lengths - 1).max())
    where = f"{abs(lat[worst]):.1f} {'N' if lat[worst] >= 0 else 'S'}, {abs(lon[worst]):.1f} " \
            f"{'E' if lon[worst] >= 0 else 'W'}"
    times = float(areas[worst])
    what = "has no place" if not known[worst] else f"shows areas {times:.2g} times as large as they are" \
        if times > 1.5 else f"shows areas {100 * abs(times - 1):.2g} % too {'large' if times > 1 else 'small'}"
    return (f"E-SET-024 area file: 'crs' is {_named(text, _system(text))}, which {what} where lots lie ({where}); "
            f"{100 * TOLERANCE:g} % is allowed. Write crs = \"{proposal(lon, lat)}\"."), 0.0


def _named(text: str, crs: CRS) -> str:
    return f'"{shown(text)}"' + ("" if crs.name == "unknown" else f" ({shown(crs.name)})")


def cells(lon: Array, lat: Array) -> tuple[Array, Array]:
    """Return the centres of the cells of `CELL_DEG` that contain places, each once, from south to north."""
    known = np.isfinite(lon) & np.isfinite(lat) & (np.abs(lat) < 89.9) & (np.abs(lon) <= 180)
    whole = np.unique(np.floor(np.column_stack([lat[known], lon[known]]) / CELL_DEG), axis=0)
    middle = (whole + 0.5) * CELL_DEG
    return middle[:, 1], middle[:, 0]


def scales(text: str, lon: Array, lat: Array) -> tuple[Array, Array]:
    """Return areas (n,) and lengths to the east and north (n, 2) in a system, divided by the true ones, at places.
    [deg]

    They are measured on squares of about 1 km on the ellipsoid of the system, by geodesic area and length. The corners
    are projected and joined by straight lines. The result is nan where the system has no place.
    """
    from pyproj import Transformer

    crs = _system(text)
    assert crs.geodetic_crs is not None
    move = Transformer.from_crs(crs.geodetic_crs, crs, always_xy=True)
    east = HALF_SQUARE_DEG / np.cos(np.radians(lat))[:, None]
    corner_lon = lon[:, None] + east * np.array([-1.0, 1.0, 1.0, -1.0])
    corner_lat = lat[:, None] + HALF_SQUARE_DEG * np.array([-1.0, -1.0, 1.0, 1.0])
    x, y = (np.asarray(part, float) for part in move.transform(corner_lon, corner_lat))
    x, y = np.where(np.isfinite(x), x, np.nan), np.where(np.isfinite(y), y, np.nan)
    next_x, next_y = np.roll(x, -1, axis=1), np.roll(y, -1, axis=1)
    area = np.abs((x * next_y - next_x * y).sum(axis=1)) / 2
    side = np.hypot(next_x - x, next_y - y)
    true_area, true_side = _true(crs.get_geod(), corner_lon, corner_lat)
    return area / true_area, side[:, :2] / true_side


def _true(geod: Any, lon: Array, lat: Array) -> tuple[Array, Array]:
    """Return geodesic areas (n,) [m2] and lengths of the southern and the eastern side (n, 2) [m]."""
    area = np.array([abs(geod.polygon_area_perimeter(a, b)[0]) for a, b in zip(lon, lat, strict=True)])
    sides = [np.asarray(geod.inv(lon[:, k], lat[:, k], lon[:, k + 1], lat[:, k + 1])[2]) for k in (0, 1)]
    return area, np.column_stack(sides)


def proposal(lon: Array, lat: Array) -> str:
    """Return an equal-area system for places: the usual one of the country, or else one centred on them. [deg]"""
    for (west, south, east, north), code, _ in _USUAL:
        if ((lon >= west) & (lon <= east) & (lat >= south) & (lat <= north)).all():
            return code
    return _CENTRED.format(lat=f"{np.median(lat):.1f}", lon=f"{np.median(lon):.1f}")
