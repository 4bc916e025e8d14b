"""Which coordinate systems could fit coordinates that come without one. It only advises; nothing is ever assumed."""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from riskmap.common.errors import joined
from riskmap.common.units import M_PER_FOOT

Box = tuple[float, float, float, float]  # west, south, east, north, or the same in projected units

CONUS = (-125.0, 24.0, -66.0, 50.0)
_SHOWN_ZONES = 6


def candidates(geometry: NDArray[np.object_], coverage: Box | None = None) -> str:
    """Return sentences with the extent, the systems that could fit it, and the exact line to write.

    Parameters
    ----------
    geometry : array of shapes
    coverage : tuple, optional
        West, south, east, north of the area in degrees, for example of its soil map. With it, only systems that place
        the shapes there are named; without it, all that place them in the contiguous United States.
    """
    import shapely

    extent = shapely.total_bounds(geometry) if len(geometry) else np.array([np.nan])
    if not np.isfinite(extent).all():
        return f"There is no shape to judge by. Write the code that the source names, such as {_line('EPSG:4326')}."
    low_x, low_y, high_x, high_y = (float(value) for value in extent)
    digits = 6 if max(abs(extent)) <= 180 else 1
    said = (f"Its coordinates run from ({low_x:.{digits}f}, {low_y:.{digits}f}) to "
            f"({high_x:.{digits}f}, {high_y:.{digits}f}): ")
    if digits == 6:
        return said + _degrees((low_x, low_y, high_x, high_y), coverage)
    return said + _projected((low_x, low_y, high_x, high_y), coverage)


def fitting(geometry: NDArray[np.object_], coverage: Box | None = None) -> list[tuple[str, str]]:
    """Return code and name of the systems that could fit coordinates, as `candidates` names them.

    Where no system places the shapes in the coverage, it is as if none were given.
    """
    import shapely

    extent = shapely.total_bounds(geometry) if len(geometry) else np.array([np.nan])
    if not np.isfinite(extent).all():
        return []
    low_x, low_y, high_x, high_y = (float(value) for value in extent)
    box = (low_x, low_y, high_x, high_y)
    if max(abs(extent)) <= 180:
        return [("EPSG:4326", "WGS 84, degrees"), ("EPSG:4269", "NAD 83, degrees")]
    found = [(code, f"{label}, {unit}") for code, label, unit in _systems() if _fits(code, box, coverage)]
    return found or ([] if coverage is None else fitting(geometry))


def foot(crs: Any) -> str:
    """Return the kind of foot that a system uses; empty text when it uses another unit."""
    units = {axis.unit_name for axis in crs.axis_info}
    if "US survey foot" in units:
        return "US survey feet (1200/3937 m)"
    return "international feet (0.3048 m)" if "foot" in units else ""


def _line(code: str) -> str:
    return f'[lots] crs = "{code}"'


def _degrees(extent: Box, coverage: Box | None) -> str:
    turned = (extent[1], extent[0], extent[3], extent[2])
    sentence = (f"degrees. If they are WGS 84, write: {_line('EPSG:4326')}; if NAD 83 (about 1 m away), "
                f"{_line('EPSG:4269')}.")
    if not _inside(extent, coverage or CONUS) and _inside(turned, coverage or CONUS):
        return f"longitude and latitude look swapped; swap them in the file first. They are {sentence}"
    return sentence


def _projected(extent: Box, coverage: Box | None) -> str:
    groups: dict[str, list[tuple[str, str]]] = {}
    for code, label, unit in _systems():
        if _fits(code, extent, coverage):
            groups.setdefault(unit, []).append((code, label))
    if not groups:
        return f"no known system fits; ask the source of the file for its EPSG code and write: {_line('EPSG:...')}."
    fitting = [code for fit in groups.values() for code, _ in fit]
    if len(fitting) == 1:
        unit, ((code, label),) = next(iter(groups.items()))
        return f"{unit} of {label} fit. If the source agrees, write: {_line(code)}."
    systems = "; ".join(f"in {unit} {joined((f'{code} {label}' for code, label in fit), _SHOWN_ZONES)}"
                        for unit, fit in groups.items())
    feet = ""
    if sum("feet" in unit for unit in groups) > 1:
        apart = max(abs(value) for value in extent) * 2e-6 * M_PER_FOOT
        feet = f" The two kinds of feet lie {apart:.1f} m apart here."
    return (f"several systems fit: {systems}.{feet} Ask the source of the file which one it is, and write it like: "
            f"{_line(fitting[0])}.")


def _fits(code: str, extent: Box, coverage: Box | None) -> bool:
    """Return whether the system places the centre of the extent in the coverage, or in the zone it is made for."""
    transformer, zone = _inverse(code)
    lon, lat = transformer.transform((extent[0] + extent[2]) / 2, (extent[1] + extent[3]) / 2)
    return bool(np.isfinite([lon, lat]).all()) and _inside((lon, lat, lon, lat), zone) \
        and (coverage is None or _inside((lon, lat, lon, lat), coverage))


def _inside(box: Box, within: Box) -> bool:
    return box[0] >= within[0] and box[1] >= within[1] and box[2] <= within[2] and box[3] <= within[3]


@cache
def _inverse(code: str) -> tuple[Any, Box]:
    from pyproj import CRS, Transformer

    crs = CRS.from_user_input(code)
    area = crs.area_of_use
    zone = CONUS if area is None or code in ("EPSG:3857", "EPSG:5070") else area.bounds
    return Transformer.from_crs(crs, "EPSG:4326", always_xy=True), zone


@cache
def _systems() -> tuple[tuple[str, str, str], ...]:
    """Return (code, name, unit) of the systems that are usual for US lots; state planes from the EPSG register."""
    from pyproj import database
    from pyproj.enums import PJType

    systems = [("EPSG:5070", "CONUS Albers", "metres"), ("EPSG:3857", "web mercator", "metres")]
    systems += [(f"EPSG:{26900 + zone}", f"UTM zone {zone}N", "metres") for zone in range(10, 20)]
    planes = {}
    for info in database.query_crs_info(auth_name="EPSG", pj_types=PJType.PROJECTED_CRS):
        name, area = info.name, info.area_of_use
        if not name.startswith("NAD83 / ") or area is None or area.west < -125 or area.east > -66 or area.south < 24:
            continue
        if "UTM" in name or "Albers" in name or "Lambert" in name or "Centric" in name or "Mapping" in name:
            continue
        unit = "US survey feet" if "(ftUS)" in name else "international feet" if "(ft)" in name else "metres"
        planes[int(info.code)] = (f"EPSG:{info.code}", name.removeprefix("NAD83 / "), unit)
    return tuple(systems + [planes[code] for code in sorted(planes)])
