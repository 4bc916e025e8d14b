"""Read a grid of map unit keys (30 m, whole numbers) as soil polygons, for overviews.

A lot is often smaller than a cell: such a map can compare neighbourhoods but not lots, and every lot says so
(`soil_from_raster`). Equal cells that share a side become one polygon; the tables come from a download or a template
database. Only the part of the grid around the lots is read.
"""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import TYPE_CHECKING, Any

from riskmap.common.errors import LayerError
from riskmap.common.inputs import SoilTables, Source
from riskmap.common.problems import Problem, kept_by_refusal
from riskmap.layers import soil_ssurgo, soil_template

if TYPE_CHECKING:
    import geopandas as gpd

    from riskmap.common.settings import Area, SoilEntry

MOST_CELLS = 50_000_000  # judgement: 200 km by 225 km at 30 m; more would take long and much memory
_MARGIN_CELLS = 2  # beyond the outermost lot, so that the nearest soil boundary is included


def read(entry: SoilEntry, area: Area, *, lots: gpd.GeoDataFrame | None) -> tuple[SoilTables, list[Source],
                                                                                 list[Problem]]:
    """Read the grid around the lots, and the tables of `path`.

    Parameters
    ----------
    entry : SoilEntry
        `raster` is the grid, `path` one or more downloads or one or more template databases.
    area : Area
        Paths are relative to the area file.
    lots : GeoDataFrame or None
        The lots, in any declared coordinate system. With None, or without any shape, the whole grid is read.

    Raises
    ------
    LayerError
        When the grid or the tables are missing or unusable, or the part around the lots has more than `MOST_CELLS`.
    """
    if entry.raster is None:
        raise LayerError('E-SOIL-022 [soil]: reader "key_raster" needs `raster`, the grid of map unit keys.')
    paths = entry.path if isinstance(entry.path, list) else [entry.path]
    tables_of = soil_template.read if soil_template.is_database(area.resolve(paths[0])) else soil_ssurgo.read
    tables, sources, problems = tables_of(entry, area, need_polygons=False)
    with kept_by_refusal(problems):
        polygons = _polygons(area.resolve(entry.raster), str(entry.raster), lots)
    problems.append(Problem("W-SOIL-023", str(entry.raster), rule="map units come from the cells of a grid, and a lot "
                            "may be smaller than a cell.", remedy="Use soil polygons to compare lots.",
                            action="Every lot is flagged soil_from_raster."))
    sources.append(Source("soil", Path(entry.raster), "Grid of map unit keys", rows=len(polygons)))
    return dataclasses.replace(tables, polygons=polygons, from_raster=True), sources, problems


def _polygons(path: Path, shown: str, lots: gpd.GeoDataFrame | None) -> gpd.GeoDataFrame:
    """Return mukey and geometry (EPSG:4326) of the patches of equal cells around the lots."""
    import geopandas as gpd
    import numpy as np
    import rasterio
    import shapely
    from rasterio import features

    try:
        with rasterio.open(path) as grid:
            window = _window(grid, shown, lots)
            cells = grid.read(1, window=window)
            known = (grid.read_masks(1, window=window) > 0) & (cells > 0)  # 0 is not a map unit
            transform, crs = grid.window_transform(window), grid.crs
    except rasterio.errors.RasterioError as error:
        raise LayerError(f"E-SOIL-024 {shown}: the grid cannot be read ({error}). Check `raster` under "
                         "[soil].") from None
    if not known.any():
        raise LayerError(f"E-SOIL-025 {shown}: no map unit within the part around the lots. Check that grid and lots "
                         "lie in the same place.")
    # patches are found on small numbers, because unsigned 32-bit keys do not pass through the polygoniser
    keys, number = np.unique(cells, return_inverse=True)
    number = number.reshape(cells.shape).astype(np.int32)
    patches = list(features.shapes(number, mask=known, connectivity=4, transform=transform))
    shapes = [shapely.geometry.shape(outline) for outline, _ in patches]
    mukey = [str(int(keys[int(value)])) for _, value in patches]
    return gpd.GeoDataFrame({"mukey": np.array(mukey, dtype=object)}, geometry=shapes, crs=crs).to_crs("EPSG:4326")


def _window(grid: Any, shown: str, lots: gpd.GeoDataFrame | None) -> Any:
    """Return the part of the grid around the lots; LayerError when it is not a grid of keys or is too large."""
    import numpy as np
    from rasterio.windows import Window, from_bounds

    if grid.crs is None:
        raise LayerError(f"E-SOIL-013 {shown}: no coordinate system. Take the grid again; a system is never assumed.")
    if grid.count != 1 or not np.issubdtype(np.dtype(grid.dtypes[0]), np.integer):
        raise LayerError(f"E-SOIL-024 {shown}: {grid.count} bands of type {grid.dtypes[0]}; a grid of map unit keys "
                         "has one band of whole numbers. Check `raster` under [soil].")
    whole = Window(0, 0, grid.width, grid.height)
    box = None if lots is None else lots.geometry.to_crs(grid.crs).total_bounds
    if box is not None and np.isfinite(box).all():
        near = from_bounds(*box, transform=grid.transform)
        first = np.floor([near.col_off, near.row_off]) - _MARGIN_CELLS
        last = np.ceil([near.col_off + near.width, near.row_off + near.height]) + _MARGIN_CELLS
        first, last = np.maximum(first, 0), np.minimum(last, [grid.width, grid.height])
        if (last <= first).any():
            raise LayerError(f"E-SOIL-025 {shown}: the lots lie outside the grid. Check that grid and lots lie in the "
                             "same place.")
        whole = Window(*first.astype(int), *(last - first).astype(int))
    if whole.width * whole.height > MOST_CELLS:
        raise LayerError(f"E-SOIL-026 {shown}: {whole.width * whole.height:,} cells around the lots, more than "
                         f"{MOST_CELLS:,}. Estimate the area in parts.")
    return whole
