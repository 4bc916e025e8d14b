"""A grid of map unit keys as an overview: cells become polygons, every lot says so, faults are reported."""

from __future__ import annotations

import shutil

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely
from rasterio.transform import from_origin

from riskmap import soil
from riskmap.common import settings
from riskmap.common.errors import LayerError
from riskmap.layers import catalogue, soil_key_raster

TEMPLATE = "AR041_subset_template_layout.gpkg"
WEST, NORTH, CELL = 400_000.0, 1_200_000.0, 30.0  # an invented place in EPSG:5070
BIG = 4_000_000_000  # fits unsigned 32 bits only


def grid(path, cells, *, crs="EPSG:5070", dtype="uint32", nodata=0, bands=1):
    cells = np.asarray(cells, dtype)
    with rasterio.open(path, "w", driver="GTiff", height=cells.shape[0], width=cells.shape[1], count=bands,
                       dtype=dtype, crs=crs, transform=from_origin(WEST, NORTH, CELL, CELL), nodata=nodata) as out:
        for band in range(1, bands + 1):
            out.write(cells, band)
    return path


@pytest.fixture
def folder(tmp_path, open_data):
    shutil.copy(open_data / "soil" / TEMPLATE, tmp_path / "tables.gpkg")
    return tmp_path


def area_of(folder, **soil_entry):
    entry = {"reader": "key_raster", "path": "tables.gpkg", "raster": "keys.tif"} | soil_entry
    return settings.Area(name="t", lots={"path": "l.csv"}, soil=entry, folder=folder)


def read(folder, lots=None, **soil_entry):
    area = area_of(folder, **soil_entry)
    return soil_key_raster.read(area.soil, area, lots=lots)


def lots_at(*boxes, crs="EPSG:5070"):
    """Lots from (columns east, rows south, width, depth) in cells."""
    shapes = [shapely.box(WEST + c * CELL, NORTH - (r + d) * CELL, WEST + (c + w) * CELL, NORTH - r * CELL)
              for c, r, w, d in boxes]
    return gpd.GeoDataFrame({"lot_row": np.arange(len(shapes)), "state": ""}, geometry=shapes,
                            crs="EPSG:5070").to_crs(crs)


def test_cells_become_polygons_with_text_keys(folder):
    grid(folder / "keys.tif", [[564191, 564191, BIG], [564192, 564191, 0]])
    tables, sources, problems = read(folder)
    assert tables.from_raster
    area = tables.polygons.to_crs("EPSG:5070").assign(cells=lambda p: p.geometry.area / CELL**2).groupby("mukey")
    assert area["cells"].sum().round(6).to_dict() == {"564191": 3.0, "564192": 1.0, str(BIG): 1.0}
    assert [p.code for p in problems] == ["W-SOIL-010", "W-SOIL-023"]
    assert [s.path.name for s in sources] == ["tables.gpkg", "keys.tif"]


def test_lots_get_cell_shares_and_say_so(folder):
    """A lot of half a cell inside one cell, one across two cells (1/4 and 3/4), one on no map unit."""
    grid(folder / "keys.tif", [[564191, 564192, 0]])
    lots = lots_at((0.2, 0.2, 0.5, 0.5), (0.75, 0.2, 1.0, 0.5), (2.2, 0.2, 0.5, 0.5))
    tables, _, _ = read(folder, lots)
    found = soil.attach(lots, tables, settings.SoilSettings(), "EPSG:5070")
    assert found.lot_map_unit["lot_row"].tolist() == [0, 1, 1]
    assert found.lot_map_unit["mukey"].tolist() == ["564191", "564191", "564192"]
    assert found.lot_map_unit["share"].tolist() == pytest.approx([1.0, 0.25, 0.75], abs=1e-6)
    assert found.lot_soil["soil_flags"].str.contains("soil_from_raster").tolist() == [True, True, False]
    assert found.lot_soil["soil_state"].iloc[2] == "outside_coverage"


@pytest.mark.parametrize("crs", ["EPSG:5070", "EPSG:4326"])
def test_only_the_part_around_the_lots_is_read(folder, crs):
    grid(folder / "keys.tif", np.arange(1, 10001).reshape(100, 100))
    tables, _, _ = read(folder, lots_at((50.2, 50.2, 0.5, 0.5), crs=crs))
    assert len(tables.polygons) == 5 * 5  # the lot's cell and two more on each side
    assert str(50 * 100 + 51) in set(tables.polygons["mukey"])


def test_a_download_serves_the_tables_too(folder, open_data):
    shutil.copy(open_data / "soil" / "IA015_aoi_2020.zip", folder / "tables.zip")
    grid(folder / "keys.tif", [[1]])
    assert len(read(folder, path="tables.zip")[0].map_unit) == 4


def test_area_file_reads_a_grid_without_lots(folder):
    grid(folder / "keys.tif", [[564191]])
    found = catalogue.read_each(area_of(folder), roles=("soil",))
    assert found.refusals == []
    assert found.tables["soil"].from_raster


def test_same_shares_as_the_polygons_it_was_made_from(folder):
    """The real polygons burnt at 30 m: the grid keeps each large map unit's area within 2 %."""
    whole = gpd.read_file(folder / "tables.gpkg", layer="mupolygon").to_crs("EPSG:5070")
    west, south, east, north = whole.total_bounds
    height, width = int(np.ceil((north - south) / CELL)), int(np.ceil((east - west) / CELL))
    transform = from_origin(west, north, CELL, CELL)
    burnt = rasterio.features.rasterize(zip(whole.geometry, whole["mukey"].astype(int), strict=True),
                                        (height, width), transform=transform, dtype="int32").astype("uint32")
    with rasterio.open(folder / "keys.tif", "w", driver="GTiff", height=height, width=width, count=1, dtype="uint32",
                       crs="EPSG:5070", transform=transform, nodata=0) as out:
        out.write(burnt, 1)
    cells = read(folder)[0].polygons.to_crs("EPSG:5070")
    ours = cells.geometry.area.groupby(cells["mukey"]).sum()
    true = whole.geometry.area.groupby(whole["mukey"].astype(str)).sum()
    large = true[true > 1e6].index
    assert len(large) >= 5
    np.testing.assert_allclose(ours[large], true[large], rtol=0.02)


@pytest.mark.parametrize(("written", "told"), [
    ({"crs": None}, "E-SOIL-013 keys.tif: no coordinate system"),
    ({"dtype": "float32"}, "E-SOIL-024 keys.tif: 1 bands of type float32"),
    ({"bands": 2}, "E-SOIL-024 keys.tif: 2 bands of type uint32"),
    ({"cells": [[0, 0]]}, "E-SOIL-025 keys.tif: no map unit")])
def test_unusable_grids_are_refused(folder, written, told):
    grid(folder / "keys.tif", **({"cells": [[1, 2]]} | written))
    with pytest.raises(LayerError) as refused:
        read(folder)
    assert told in str(refused.value)


def test_absent_and_damaged_grids_are_refused(folder):
    with pytest.raises(LayerError, match=r"E-SOIL-024 keys\.tif: the grid cannot be read"):
        read(folder)
    (folder / "keys.tif").write_bytes(b"II*\x00nonsense")
    with pytest.raises(LayerError, match=r"E-SOIL-024 keys\.tif: the grid cannot be read"):
        read(folder)
    with pytest.raises(LayerError, match=r"E-SOIL-022 .*needs `raster`"):
        read(folder, raster=None)


def test_lots_elsewhere_and_too_many_cells_are_refused(folder, monkeypatch):
    grid(folder / "keys.tif", np.ones((20, 20)))
    with pytest.raises(LayerError, match=r"E-SOIL-025 .*outside the grid"):
        read(folder, lots_at((900, 900, 1, 1)))
    monkeypatch.setattr(soil_key_raster, "MOST_CELLS", 399)
    with pytest.raises(LayerError, match=r"E-SOIL-026 .*400 cells"):
        read(folder)
