"""The estimate as GeoJSON (RFC 7946): WGS 84, outer rings counter-clockwise, missing values null, a feature per row."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

from riskmap.common import tables, wording
from riskmap.common.json_values import plain
from riskmap.outputs import calibrated

if TYPE_CHECKING:
    import pandas as pd

    from riskmap.common.results import Results

NAME = "lots.geojson"
CHUNK = 10_000  # number of rows that are converted at a time
DIGITS = 7  # about a centimetre; RFC 7946 section 11.2 advises against more digits than are known


def rows(results: Results) -> Iterator[dict[str, Any]]:
    """Yield every row as plain values in the order of the columns; a missing number is None, a text is unchanged."""
    names = [str(name) for name in results.lots.columns if name != results.lots.geometry.name]
    for start in range(0, len(results.lots), CHUNK):  # all rows at once would keep a million small tables in memory
        part = results.lots.iloc[start:start + CHUNK]
        columns = [_plain_column(part[name], _kind(name)) for name in names]
        for values in zip(*columns, strict=True):
            yield dict(zip(names, values, strict=True))


def _kind(name: str) -> str:
    return {column.name: column.kind for column in (*tables.ESTIMATE.columns, *tables.CALIBRATED)}.get(name, "")


def _plain_column(values: pd.Series, kind: str) -> list[Any]:
    if kind == "text" or values.dtype.kind not in "iufb":
        return ["" if missing else str(value) for value, missing in zip(values, values.isna(), strict=True)]
    if kind == "integer":
        return [None if missing else int(value) for value, missing in zip(values, values.isna(), strict=True)]
    return [plain(value) for value in values.tolist()]


def write(results: Results, folder: Path) -> Path:
    """Write `lots.geojson` in input order; rows without a shape have a null geometry."""
    import numpy as np
    import shapely

    shape = results.lots.geometry.to_numpy()
    shape = shapely.transform(shape, lambda xy: np.round(xy, DIGITS))
    shape = np.where(shapely.is_missing(shape) | shapely.is_empty(shape), None, shapely.orient_polygons(shape))
    texts = shapely.to_geojson(shape)
    path = folder / NAME
    head = json.dumps({"type": "FeatureCollection", "standing": calibrated.standing(results),
                       "caution": wording.CAUTION}, ensure_ascii=False)
    with path.open("w", encoding="utf-8", errors="backslashreplace", newline="\n") as stream:
        stream.write(f'{head[:-1]}, "features": [')
        for k, (values, text) in enumerate(zip(rows(results), texts, strict=True)):
            properties = json.dumps(values, ensure_ascii=False, allow_nan=False)
            stream.write(f'{"," if k else ""}\n{{"type": "Feature", "geometry": {text or "null"}, '
                         f'"properties": {properties}}}')
        stream.write("\n]}\n")
    return path
