"""Lots in parts: neighbours together, one file per part, and the way back to the order of the input.

A Hilbert curve visits every place of a square once, and its next place is always nearby. So lots that are sorted along
it and cut into equal numbers make parts that are compact areas. Each part then needs only the soil of its own box.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    import geopandas as gpd
    import pyarrow as pa
    from numpy.typing import NDArray

PART_LOTS = 50_000  # about 0.5 GB per worker (measured, tests/benchmarks/scale.py)
LOT_ROW = "lot_row"
_GROUPS = b"groups"  # which multiples of the step the batches of a file contain


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
    """Write one GeoParquet file per part and return their paths."""
    paths = [folder / f"lots_{number:05d}.parquet" for number in range(len(rows))]
    for path, chosen in zip(paths, rows, strict=True):
        lot.iloc[chosen].to_parquet(path, compression="lz4", index=False, schema_version="1.1.0")
    return paths


def write(part: pa.Table, path: Path) -> None:
    """Write a table as it is in memory, which is read and written in a third of the time of Parquet."""
    import pyarrow as pa

    with pa.OSFile(str(path), "wb") as sink, pa.ipc.new_file(sink, part.schema, options=_options()) as writer:
        writer.write_table(part)


def read(path: Path) -> pa.Table:
    """Read a file of `write`; OSError or ValueError when it is not one."""
    return _opened(path).read_all()


def write_rows(part: pa.Table, path: Path, step: int) -> None:
    """Write a table sorted by `lot_row` like `write`, cut where `lot_row` passes a multiple of `step`."""
    import pyarrow as pa

    group = part[LOT_ROW].to_numpy() // step
    starts = np.unique(group, return_index=True)[1]
    schema = part.schema.with_metadata({_GROUPS: ",".join(map(str, group[starts])).encode()})
    with pa.OSFile(str(path), "wb") as sink, pa.ipc.new_file(sink, schema, options=_options()) as writer:
        for start, end in pairwise([*starts, len(part)]):
            writer.write_batch(part.slice(start, end - start).combine_chunks().to_batches()[0])


def check(path: Path) -> None:
    """Check a file's table of contents; OSError or ValueError when it was not written by `write_rows`."""
    if _GROUPS not in (_opened(path).schema.metadata or {}):
        raise ValueError(path.name)


def in_order(paths: Sequence[Path], step: int) -> Iterator[pa.Table]:
    """Yield the rows of all files of `write_rows` in the order of `lot_row`, `step` at a time.

    Every row is read once, and at most `step` rows are in memory.
    """
    import pyarrow as pa

    files = [_opened(path) for path in paths]
    where: dict[int, list[tuple[int, int]]] = {}
    for number, file in enumerate(files):
        groups = file.schema.metadata[_GROUPS].decode()
        for batch, group in enumerate(groups.split(",") if groups else ()):
            where.setdefault(int(group), []).append((number, batch))
    for group in sorted(where):
        rows = pa.Table.from_batches([_batch(files[number], batch) for number, batch in where[group]])
        rows = rows.replace_schema_metadata(None)
        yield rows.take(np.argsort(rows[LOT_ROW].to_numpy(), kind="stable")).combine_chunks()
    if not where:
        yield files[0].read_all().replace_schema_metadata(None)


def _opened(path: Path) -> pa.ipc.RecordBatchFileReader:
    import pyarrow as pa

    return pa.ipc.open_file(pa.OSFile(str(path), "rb"))


def _batch(file: pa.ipc.RecordBatchFileReader, number: int) -> pa.RecordBatch:
    return file.get_batch(number)


def _options() -> pa.ipc.IpcWriteOptions:
    import pyarrow as pa

    return pa.ipc.IpcWriteOptions(compression="lz4")
