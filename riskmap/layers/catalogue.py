"""Which reader reads which entry of an area file. All layers are tried, so that every refusal is told at once."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from riskmap.errors import LayerError, Problem

if TYPE_CHECKING:
    from riskmap.layers import ClimateTables, Layers, SoilTables, Source
    from riskmap.settings import Area


def read_all(area: Area) -> Layers:
    """Read every layer that an area names.

    Raises
    ------
    LayerError
        With the refusals of all layers together.
    """
    from riskmap.layers import Layers, climate_monthly, drought_weekly, index_grid, lots, soil_ssurgo

    sources: list[Source] = []
    problems: list[Problem] = []
    refusals: list[str] = []

    def attempt(read: Callable[..., tuple[Any, list[Source], list[Problem]]], entry: Any, **options: Any) -> Any:
        try:
            table, used, found = read(entry, area, **options)
        except LayerError as error:
            refusals.append(str(error))
            return None
        sources.extend(used)
        problems.extend(found)
        return table

    raw = attempt(lots.read, area.lots)
    soil = attempt(soil_ssurgo.read, area.soil)
    climate = attempt(climate_monthly.read, area.climate) if area.climate else None
    drought = attempt(drought_weekly.read, area.drought, bounds=_bounds(soil, climate)) if area.drought else None
    index = attempt(index_grid.read, area.index) if area.index else ()
    if refusals:
        raise LayerError("\n".join(refusals))
    return Layers(raw, soil, climate, drought, index, tuple(sources), problems)


def _bounds(soil: SoilTables | None, climate: ClimateTables | None) -> tuple[float, float, float, float] | None:
    """Return what the soil map and the climate cells cover, in degrees: weekly maps are needed no further."""
    shapes = [soil.polygons] if soil is not None else []
    shapes += [climate.cells] if climate is not None and climate.cells is not None else []
    known = [shape.to_crs("EPSG:4326").total_bounds for shape in shapes if not shape.empty]
    if not known:
        return None
    west, south = (min(float(box[k]) for box in known) for k in (0, 1))
    east, north = (max(float(box[k]) for box in known) for k in (2, 3))
    return west, south, east, north
