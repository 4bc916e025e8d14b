"""The data block of the map: one estimate table as compressed base64 text.

Layout after gzip: a little-endian uint32 with the length of the header, the header (JSON, UTF-8), then the arrays it
lists, one after the other. Every array holds whole numbers as zigzag uint32 in four byte planes (all lowest bytes
first), which compresses far better than the numbers themselves. The page decodes it with the browser's own inflater.

- coordinates: 1e-6 degree, x and y apart, as differences from the previous vertex over the whole file;
- `vertices` per ring (closing vertex left out), `rings` per lot; parts and holes are rings. Shells turn one way and
  holes the other, so that many lots can be filled as one path: overlapping lots stay filled, holes stay open;
- lots that share every value share one row of the `shared` columns: `row` gives it.
"""

from __future__ import annotations

import base64
import gzip
import json
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

if TYPE_CHECKING:
    import geopandas as gpd

DEGREE_STEP = 1e-6
MISSING = -(2**30)  # stands for "no value" in number columns

# column -> step of one unit; movement is kept to 0.1 mm, finer than any screen shows
OWN_STEPS = {"lot_area_m2": 1.0, "map_unit_share": 0.01, "covered_pct": 1.0, "soil_line_distance_m": 1.0,
             "neighbor_unit_share": 0.01, "linear_extensibility_pct": 0.1}
SHARED_STEPS = {
    **{f"{name}{part}": 0.1
       for name in ("expected_movement_mm", "characteristic_movement_mm", "deflection_now_mm")
       for part in ("", "_p10", "_p90")},
    "deflection_max_mm": 0.1, "deflection_min_mm": 0.1, "seasonal_range_mm": 0.1, "settlement_mm": 0.1,
    "outlook_dry_mm": 0.1, "outlook_normal_mm": 0.1, "outlook_wet_mm": 0.1, "phase_probability": 0.01,
    "share_beyond_l360": 0.01, "slab_width_m": 0.1, "reference_movement_mm": 0.1,
    **{f"driver_{n}_mm": 0.1 for n in (1, 2, 3)},
    **{f"tilt_{name}": 0.01 for name in ("now_pct", "now_pct_p90", "leak_pct", "watering_pct", "tree_pct")},
}
SHARED_TEXTS = ("state", "state_reason", "driver_1", "driver_2", "driver_3", "direction", "deflection_max_date",
                "phase", "pour_date_early", "pour_date_late", "pour_date_basis", "slab_class", "map_unit_name",
                "shrink_swell_class", "neighbor_unit_name", "cell_id", "driver_level", "drought_category",
                "drought_valid_date", "data_quality", "flags")


@dataclass
class _Block:
    arrays: list[dict[str, Any]] = field(default_factory=list)
    parts: list[bytes] = field(default_factory=list)

    def add(self, name: str, values: NDArray[Any], **about: Any) -> None:
        self.arrays.append({"name": name, "length": int(values.size), **about})
        self.parts.append(byte_planes(values))


def byte_planes(values: NDArray[Any]) -> bytes:
    """Return whole numbers as zigzag uint32, lowest bytes first; OverflowError beyond 31 bits."""
    wide = np.asarray(values, dtype=np.int64)
    if wide.size and (wide.max() >= 2**30 + 1 or wide.min() < -(2**30)):
        raise OverflowError("a value of the map block needs more than 31 bits")
    zigzag = ((wide << 1) ^ (wide >> 63)).astype("<u4")
    return zigzag.view(np.uint8).reshape(-1, 4).T.tobytes()


def _steps(values: pd.Series, step: float) -> NDArray[np.int64]:
    number = pd.to_numeric(values, errors="coerce").to_numpy(dtype=float, na_value=np.nan)
    known = np.isfinite(number)
    return np.where(known, np.rint(np.where(known, number, 0.0) / step), MISSING).astype(np.int64)


def _rings(geometry: NDArray[np.object_]) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
    """Return rings per lot, vertices per ring without the closing one, and coordinates (n, 2) in steps."""
    import shapely

    area = np.isin(shapely.get_type_id(geometry), (shapely.GeometryType.POLYGON, shapely.GeometryType.MULTIPOLYGON))
    only_areas = geometry.copy()
    only_areas[~area] = None
    part, lot_of_part = shapely.get_parts(only_areas, return_index=True)
    ring, part_of_ring = shapely.get_rings(part, return_index=True)
    shell = np.append(True, part_of_ring[1:] != part_of_ring[:-1])[: len(ring)]
    turned = shapely.is_ccw(ring) != shell
    ring = np.where(turned, shapely.reverse(ring), ring)
    xy, ring_of_vertex = shapely.get_coordinates(ring, return_index=True)
    last = np.append(ring_of_vertex[1:] != ring_of_vertex[:-1], True)[: len(xy)]
    vertices = np.bincount(ring_of_vertex[~last], minlength=len(ring))
    rings = np.bincount(lot_of_part[part_of_ring], minlength=len(geometry))
    return rings, vertices, np.rint(xy[~last] / DEGREE_STEP).astype(np.int64)


def _add_geometry(block: _Block, geometry: NDArray[np.object_]) -> None:
    rings, vertices, xy = _rings(geometry)
    block.add("rings", rings)
    block.add("vertices", vertices)
    for name, axis in (("x", 0), ("y", 1)):
        block.add(name, np.diff(xy[:, axis], prepend=0))


def _shared(lots: pd.DataFrame) -> tuple[pd.DataFrame, dict[str, list[str]]]:
    codes: dict[str, NDArray[np.int64]] = {name: _steps(lots[name], step) for name, step in SHARED_STEPS.items()}
    texts: dict[str, list[str]] = {}
    for name in SHARED_TEXTS:
        code, values = pd.factorize(lots[name].astype("str").where(lots[name].notna(), ""), sort=True)
        codes[name], texts[name] = code.astype(np.int64), [str(v) for v in values]
    return pd.DataFrame(codes), texts


def block(lots: gpd.GeoDataFrame, about: dict[str, Any]) -> str:
    """Return the data block of an estimate table as base64 text.

    Parameters
    ----------
    lots : GeoDataFrame
        `tables.ESTIMATE` in EPSG:4326. Rows keep their order; rows without a polygon have no ring.
    about : dict
        Plain values for the page: names, words, classes, cautions. Goes into the header as it is.

    Raises
    ------
    OverflowError
        When a value does not fit the block (no lot on Earth does this).
    """
    made = _Block()
    _add_geometry(made, lots.geometry.to_numpy())
    codes, texts = _shared(lots)
    names = list(codes.columns)
    row = codes.groupby(names, sort=False).ngroup().to_numpy()
    made.add("row", row)
    for name, values in codes.drop_duplicates().items():
        made.add(str(name), values.to_numpy(), shared=True, step=SHARED_STEPS.get(str(name), 0))
    for name, step in OWN_STEPS.items():
        made.add(name, _steps(lots[name], step), step=step)
    header = {"lots": len(lots), "ids": [str(v) for v in lots["lot_id"]], "texts": texts, "missing": MISSING,
              "degree_step": DEGREE_STEP, "arrays": made.arrays, "about": about}
    head = json.dumps(header, ensure_ascii=False, separators=(",", ":"), allow_nan=False).encode("utf-8",
                                                                                                 "backslashreplace")
    raw = b"".join([len(head).to_bytes(4, "little"), head, *made.parts])
    return base64.b64encode(gzip.compress(raw, compresslevel=6, mtime=0)).decode("ascii")
