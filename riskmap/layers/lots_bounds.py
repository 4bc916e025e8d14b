"""The bounds of all lots together, of a file or an area file: all that is needed to fetch layers around them."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING

from riskmap.common import settings
from riskmap.common.errors import LayerError, visible
from riskmap.layers import lots
from riskmap.layers.lots_columns import ALSO_CALLED, PLACE_COLUMNS, NoIdentifier, is_personal

if TYPE_CHECKING:
    import geopandas as gpd

Box = tuple[float, float, float, float]


def read(path: Path) -> Box:
    """Return west, south, east, north of the lots of an area file (`.toml`) or of a lot file. [degree, EPSG:4326]

    A lot file needs no column lot_id here: the shapes alone are used.

    Raises
    ------
    LayerError
        When the file cannot be read as lots, has no coordinate system, or no lot has a place.
    SettingsError
        When the area file cannot be read.
    """
    if path.suffix.lower() == ".toml":
        named = settings.load(path)
        table = lots.read(named.lots, named)[0]
    else:
        table = _of_file(path)
    west, south, east, north = (float(value) for value in table.to_crs("EPSG:4326").total_bounds)
    if not all(map(math.isfinite, (west, south, east, north))):
        raise LayerError(f"E-LOT-095 {visible(path.name)}: no lot has a shape or a point, so nothing can be fetched "
                         "around them. Check that the file was exported whole.")
    return west, south, east, north


def _of_file(path: Path) -> gpd.GeoDataFrame:
    try:
        return _read(path, {})
    except NoIdentifier as error:
        places = {*PLACE_COLUMNS, *ALSO_CALLED}
        usable = [name for name in error.columns if name.lower() not in places and not is_personal(name)]
        if not usable:
            raise
        return _read(path, {"lot_id": usable[0]})


def _read(path: Path, columns: dict[str, str]) -> gpd.GeoDataFrame:
    area = settings.Area.model_validate({"name": "one file", "lots": {"path": path.resolve(), "columns": columns},
                                         "soil": {"path": "-"}})
    return lots.read(area.lots, area)[0]
