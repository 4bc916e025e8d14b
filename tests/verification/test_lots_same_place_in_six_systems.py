"""The same lots in six coordinate systems are the same lots: position within 0.1 m, area within 0.1 m2."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import shapely

from riskmap import lots
from riskmap.common import month_numbers, settings
from riskmap.layers import lots as reader

SYSTEMS = ("EPSG:4326", "EPSG:4269", "EPSG:5070", "EPSG:26914", "EPSG:2277", "EPSG:3857")  # 2277: US survey feet


def town() -> gpd.GeoDataFrame:
    x, y = np.meshgrid(np.arange(20) * 25.0, np.arange(10) * 40.0)
    boxes = shapely.box(620_000 + x.ravel(), 3_350_000 + y.ravel(), 620_018 + x.ravel(), 3_350_033 + y.ravel())
    return gpd.GeoDataFrame({"lot_id": [f"{n:04d}" for n in range(200)]}, geometry=boxes, crs="EPSG:26914")


def cleaned(frame: gpd.GeoDataFrame, folder: Path, name: str) -> gpd.GeoDataFrame:
    path = folder / f"{name.replace(':', '_')}.gpkg"
    frame.to_crs(name).to_file(path)
    area = settings.Area.model_validate({"name": "x", "lots": {"path": path}, "soil": {"path": "-"}})
    raw, _, _ = reader.read(area.lots, area)
    assert raw.crs.to_epsg() == int(name[5:])
    return lots.clean(raw, area.lot_settings, "EPSG:5070", month_numbers.month_number(2024, 1), path.name)[0]


@pytest.mark.parametrize("system", SYSTEMS)
def test_same_place_and_area(tmp_path: Path, system: str) -> None:
    reference = town().to_crs("EPSG:5070")
    ours = cleaned(town(), tmp_path, system)
    assert (ours["state"] == "").all()
    assert ours.geometry.centroid.distance(reference.geometry.centroid).max() < 0.1
    assert np.abs(ours["lot_area_m2"] - reference.area).max() < 0.1
