"""Lots in parts: neighbours together, one file per part, and the way back to the order of the input.

A Hilbert curve visits every place of a square once, and its next place is always nearby. So lots that are sorted along
it and cut into equal numbers make parts that are compact areas. Each part then needs only the soil of its own box.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    import geopandas as gpd
    import pyarrow as pa
    from numpy.typing import NDArray

PART_LOTS = 50_000  # about 0.5 GB per worker (measured, tests/benchmarks/scale.py)
LOT_ROW = "lot_row"


def along_curve(lot: gpd.GeoDataFrame) -> NDArray[np.int64]:
    """Return row positions in the order of a Hilbert curve over the lots' box; rows without a shape come last.

    Lots at the same place keep the order of the table.
    """
    import shapely

    shapes = lot.geometry
    known = ~(shapes.isna() | shapes.is_empty).to_numpy()
    distance = np.full(len(lot), np.iinfo(np.int64).max)
    if known.any():
        box = tuple(shapely.total_bounds(shapes.to_numpy()[known]))
        distance[known] = shapes[known].hilbert_distance(total_bounds=box).to_numpy(np.int64)
    return np.argsort(distance, kind="stable").astype(np.int64)


def split(lot: gpd.GeoDataFrame, size: int = PART_LOTS) -> list[NDArray[np.int64]]:
    """Return the rows of each part in ascending order.

    Parts have nearly equal numbers of rows, and none more than `size`.
    """
    count = max(-(-len(lot) // size), 1)
    return [np.sort(rows) for rows in np.array_split(along_curve(lot), count)]


def write_lots(lot: gpd.GeoDataFrame, rows: Sequence[NDArray[np.int64]], folder: Path) -> list[Path]:
    """Write one GeoParquet file with boxes per part and return their paths."""
    paths = [folder / f"lots_{number:05d}.parquet" for number in range(len(rows))]
    for path, chosen in zip(paths, rows, strict=True):
        lot.iloc[chosen].to_parquet(path, compression="lz4", index=False, schema_version="1.1.0",
                                    write_covering_bbox=True)
    return paths


def write_rows(part: pa.Table, path: Path, step: int) -> None:
    """Write a table sorted by `lot_row`, cut into row groups where `lot_row` passes a multiple of `step`."""
    import pyarrow.parquet as pq

    group = part[LOT_ROW].to_numpy() // step
    cuts = np.flatnonzero(np.diff(group)) + 1
    with pq.ParquetWriter(path, part.schema, compression="lz4") as writer:
        for start, end in zip([0, *cuts], [*cuts, len(part)], strict=True):
            writer.write_table(part.slice(start, end - start))


def check(path: Path) -> None:
    """Check a file's table of contents; OSError or ValueError when it was not written by `write_rows`."""
    import pyarrow.parquet as pq

    if LOT_ROW not in pq.read_schema(path).names:
        raise ValueError(path.name)


def in_order(paths: Sequence[Path], step: int) -> Iterator[pa.Table]:
    """Yield the rows of all files of `write_rows` in the order of `lot_row`, `step` at a time.

    Every row is read once, and at most `step` rows are in memory.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    files = [pq.ParquetFile(path) for path in paths]
    where: dict[int, list[tuple[int, int]]] = {}
    for number, file in enumerate(files):
        place = file.schema_arrow.get_field_index(LOT_ROW)
        for group in range(file.metadata.num_row_groups):
            first = file.metadata.row_group(group).column(place).statistics
            if first is not None:
                where.setdefault(int(first.min) // step, []).append((number, group))
    for chunk in sorted(where):
        rows = pa.concat_tables([files[number].read_row_group(group) for number, group in where[chunk]])
        yield rows.take(np.argsort(rows[LOT_ROW].to_numpy(), kind="stable")).combine_chunks()
    if not where:
        yield files[0].read()
