"""Which climate cell contains a place, and the value of an index grid over a cell.

Method: notebooks/method.md, section 3.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    import geopandas as gpd

    from riskmap.common.inputs import IndexGrid

# PDSI is used as an index of about nine months (measured: best agreement with SPEI-6 to SPEI-9 in six divisions).
PDSI_MONTHS = 9
PDSI_PER_UNIT = 2.5  # z = PDSI / 2.5, fitted by eye to the category table
LARGEST_Z = 4.0  # an index is limited to +-4, like the driver's check values


def representative_points(lot: gpd.GeoDataFrame, crs: str) -> NDArray[Any]:
    """Return a point inside each lot in EPSG:4326, None without geometry; `crs` is used where the lots have none."""
    import shapely
    from pyproj import Transformer

    inside = shapely.point_on_surface(np.asarray(lot.geometry))
    to_degrees = Transformer.from_crs(lot.crs or crs, "EPSG:4326", always_xy=True)
    points = np.asarray(shapely.points(*to_degrees.transform(shapely.get_x(inside), shapely.get_y(inside))))
    points[shapely.is_missing(inside) | shapely.is_empty(inside)] = None
    return points


def cell_of(points: NDArray[Any], cells: gpd.GeoDataFrame) -> NDArray[np.object_]:
    """Return the cell_id that contains each point, empty where none does; on a border the first cell counts."""
    import shapely

    result = np.full(len(points), "", dtype=object)
    shapes = np.asarray(cells.geometry)
    shapely.prepare(shapes)
    cell, point = shapely.STRtree(points).query(shapes, predicate="intersects")
    order = np.lexsort((-cell, point))
    result[point[order]] = cells["cell_id"].to_numpy(dtype=object)[cell[order]]
    return result


def score_over_cells(grids: tuple[IndexGrid, ...], shapes: NDArray[Any], *, accumulation_months: int, first_month: int,
                     n_month: int) -> NDArray[np.float64]:
    """Return the index of each cell and month as a normal score, NaN where no grid has a value.

    Method: method.md, section 3. [-]

    Parameters
    ----------
    grids : tuple of IndexGrid
        For each month, the grid whose accumulation is nearest to `accumulation_months` is used; the others fill its
        gaps.
    shapes : array of polygons or points in EPSG:4326, shape (n_cell,)
        Each gets the mean of the grid cells whose centre lies inside, or, if there is none, the grid cell at its own
        centre.
    accumulation_months, first_month, n_month : int
        Desired accumulation; axis of the result.

    Returns
    -------
    array, shape (n_cell, n_month)
        z, limited to +-4. For a PDSI it is PDSI / 2.5.
    """
    score = np.full((len(shapes), n_month), np.nan)
    for grid in sorted(grids, key=lambda g: (abs(_accumulation(g) - accumulation_months), g.name)):
        sampled = _sampled(grid, shapes)
        sampled = sampled / PDSI_PER_UNIT if grid.name == "pdsi" else sampled
        position = grid.months - first_month
        on_axis = (position >= 0) & (position < n_month)
        empty = np.isnan(score[:, position[on_axis]])
        score[:, position[on_axis]] = np.where(empty, sampled[:, on_axis], score[:, position[on_axis]])
    return np.clip(score, -LARGEST_Z, LARGEST_Z)


def _accumulation(grid: IndexGrid) -> int:
    return PDSI_MONTHS if grid.name == "pdsi" else grid.accumulation_months


def _sampled(grid: IndexGrid, shapes: NDArray[Any]) -> NDArray[np.float64]:
    """Return the grid's value of each shape and band, shape (n_cell, n_band)."""
    import geopandas as gpd

    flat = np.asarray(gpd.GeoSeries(shapes, crs="EPSG:4326").to_crs(grid.crs))
    mean = _mean_inside(grid, flat)
    at_middle = _at_middle(grid, flat)
    return np.where(np.isnan(mean), at_middle, mean)


def _mean_inside(grid: IndexGrid, shapes: NDArray[Any]) -> NDArray[np.float64]:
    import shapely
    from rasterio.features import rasterize

    areal = [(shape, k + 1) for k, shape in enumerate(shapes) if shapely.get_dimensions(shape) == 2]
    size = grid.values.shape[1:]
    label = rasterize(areal, out_shape=size, transform=grid.transform, fill=0, dtype="int32") if areal \
        else np.zeros(size, dtype=np.int32)
    flat, n_cell = label.ravel(), len(shapes)
    mean = np.full((n_cell, grid.values.shape[0]), np.nan)
    for band, values in enumerate(grid.values.reshape(grid.values.shape[0], -1)):
        known = np.isfinite(values) & (flat > 0)
        count = np.bincount(flat[known], minlength=n_cell + 1)[1:]
        total = np.bincount(flat[known], weights=values[known], minlength=n_cell + 1)[1:]
        mean[:, band] = total / np.where(count > 0, count, np.nan)
    return mean


def _at_middle(grid: IndexGrid, shapes: NDArray[Any]) -> NDArray[np.float64]:
    import shapely

    middle = shapely.point_on_surface(shapes)
    x, y = shapely.get_x(middle), shapely.get_y(middle)
    back: Any = ~grid.transform  # type: ignore[operator]  # from the grid's system to column and row
    column = np.floor(back.a * x + back.b * y + back.c)
    row = np.floor(back.d * x + back.e * y + back.f)
    inside = (row >= 0) & (row < grid.values.shape[1]) & (column >= 0) & (column < grid.values.shape[2])
    value = np.full((len(shapes), grid.values.shape[0]), np.nan)
    value[inside] = grid.values[:, row[inside].astype(int), column[inside].astype(int)].T
    return value
