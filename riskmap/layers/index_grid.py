"""Read grids of a standardised drought index: GeoTIFF, one band per month.

In: the `[[index]]` entries of an area file. Out: one `IndexGrid` per entry, values as stored (a PDSI stays a PDSI),
NaN where the grid has no value.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from riskmap.common import month_numbers
from riskmap.common.errors import LayerError
from riskmap.common.inputs import IndexGrid, Source
from riskmap.common.problems import Problem
from riskmap.layers import file_kinds

if TYPE_CHECKING:
    from collections.abc import Sequence

    from riskmap.common.settings import Area, IndexEntry

# Larger values are not an index but a scaled integer or another quantity. Judgement: the largest SPI found in NOAA
# divisions is below 5, PDSI stays within about 12.
LARGEST = {"spi": 8.0, "spei": 8.0, "pdsi": 20.0}


def read(entries: Sequence[IndexEntry], area: Area) -> tuple[tuple[IndexGrid, ...], list[Source], list[Problem]]:
    """Read every index grid.

    Raises
    ------
    LayerError
        The error lists every file that cannot be used: absent, not a GeoTIFF, no coordinate system, impossible values.
    """
    grids, sources, problems, failures = [], [], [], []
    for entry in entries:
        try:
            grid = _one(entry, area)
        except LayerError as error:
            failures.append(str(error))
            continue
        grids.append(grid)
        span = f"{month_numbers.month_name(int(grid.months[0]))}..{month_numbers.month_name(int(grid.months[-1]))}"
        sources.append(Source("index", entry.path, entry.title, entry.provider, entry.licence, entry.credit, span,
                              len(grid.months)))
        problems += _empty_bands(grid, entry)
    if failures:
        raise LayerError("\n".join(failures), problems=problems)
    return tuple(grids), sources, problems


def _one(entry: IndexEntry, area: Area) -> IndexGrid:
    import rasterio
    from rasterio.errors import RasterioIOError

    path = area.resolve(entry.path)
    if not path.is_file():
        raise LayerError(f"E-IDX-001 {entry.path}: no such file; correct the path under [[index]].")
    try:
        first = month_numbers.parse_month(entry.first_month)
    except ValueError:
        raise LayerError(f"E-IDX-002 {entry.path}: first_month \"{entry.first_month}\" is not a month; "
                         "use YYYY-MM.") from None
    try:
        with rasterio.open(path, driver="GTiff") as source:
            if source.crs is None:
                raise LayerError(f"E-IDX-003 {entry.path}: no coordinate reference system; save the grid again with "
                                 "the system it was made in.")
            values = _values(source)
            transform, crs = source.transform, source.crs
    except RasterioIOError as error:
        if "grid" in (kind := file_kinds.kind(path)) and "TIFF" not in kind:
            raise LayerError(f"E-IDX-060 {entry.path}: is {kind}, and a GeoTIFF is expected. Save it as a GeoTIFF "
                             "with one band per month, for example with gdal_translate.") from None
        raise LayerError(f"E-IDX-004 {entry.path}: cannot be read as GeoTIFF: {str(error).splitlines()[0]}") from None
    _check_size(values, entry)
    months = first + np.arange(values.shape[0], dtype=np.int64)
    return IndexGrid(entry.name, entry.accumulation_months, months, values, transform, crs)


def _values(source) -> NDArray[np.float64]:  # type: ignore[no-untyped-def]
    masked = source.read(masked=True)
    values = np.where(np.ma.getmaskarray(masked), np.nan, masked.data.astype(np.float64))
    return values * np.array(source.scales)[:, None, None] + np.array(source.offsets)[:, None, None]


def _check_size(values: NDArray[np.float64], entry: IndexEntry) -> None:
    finite = values[np.isfinite(values)]
    if finite.size and np.abs(finite).max() > LARGEST[entry.name]:
        worst = finite[np.abs(finite).argmax()]
        raise LayerError(f"E-IDX-005 {entry.path}: value {worst:g} is no {entry.name.upper()} (within "
                         f"+-{LARGEST[entry.name]:g}); declare the no-data value or the scale in the file.")


def _empty_bands(grid: IndexGrid, entry: IndexEntry) -> list[Problem]:
    empty = ~np.isfinite(grid.values).any(axis=(1, 2))
    return [Problem("W-IDX-011", str(entry.path), rule="a band should contain values.", remedy="Check the file.",
                    action="Month treated as not given.", row=int(band) + 1, column="band",
                    value=month_numbers.month_name(int(grid.months[band])))
            for band in np.flatnonzero(empty)]
