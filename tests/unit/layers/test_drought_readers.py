"""Reading weekly categories and index grids: small files written here, good and bad."""

from __future__ import annotations

import zipfile
from pathlib import Path
from types import SimpleNamespace

import geopandas as gpd
import numpy as np
import pytest
import rasterio
from rasterio.transform import from_origin
from shapely.geometry import Polygon, box

from riskmap.common.errors import LayerError
from riskmap.common.settings import DroughtEntry, IndexEntry
from riskmap.layers import drought_weekly, index_grid


@pytest.fixture
def area(tmp_path: Path) -> SimpleNamespace:
    return SimpleNamespace(folder=tmp_path, resolve=lambda path: tmp_path / path)


def maps(dm: list, shapes: list, crs: str | None = "EPSG:4326", **columns: list) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame({"DM": dm, **columns}, geometry=shapes, crs=crs)


STRIPS = [box(-120, 30, -100, 40), box(-100, 30, -90, 40), box(-90, 30, -70, 40)]


def read(area: SimpleNamespace, *names: str, **more: object) -> tuple:
    return drought_weekly.read(DroughtEntry(path=[Path(n) for n in names], **more), area)


def codes(problems: list) -> list[str]:
    return [p.code for p in problems]


def test_zip_as_published_takes_the_date_from_its_name(area: SimpleNamespace) -> None:
    folder = area.folder / "shp"
    folder.mkdir()
    maps([0, 1, 3], STRIPS).to_file(folder / "USDM_20240109.shp")
    with zipfile.ZipFile(area.folder / "USDM_20240109_M.zip", "w") as archive:
        for part in folder.iterdir():
            archive.write(part, part.name)
    drought, sources, problems = read(area, "USDM_20240109_M.zip")
    assert drought.weeks == ("2024-01-09",)
    assert drought.polygons["category"].tolist() == [0, 1, 3]
    assert drought.polygons.crs.to_epsg() == 4326
    assert drought.extent is None
    assert problems == []
    assert "U.S. Drought Monitor" in sources[0].credit


@pytest.mark.parametrize(("name", "values"), [("dm_class", ["D0", "D1", "None"]), ("USDM_class", ["0", "1", "-1"]),
                                              ("category", [0.0, 1.0, -1.0]), ("dm", ["d0", "d1", "none"])])
def test_spellings_of_the_class(area: SimpleNamespace, name: str, values: list) -> None:
    frame = gpd.GeoDataFrame({name: values, "map_date": ["20240109"] * 3}, geometry=STRIPS, crs="EPSG:4326")
    frame.to_parquet(area.folder / "a.parquet")
    drought, _, _ = read(area, "a.parquet")
    assert drought.polygons["category"].tolist() == [0, 1]


@pytest.mark.parametrize(("column", "value"), [("valid_date", "2024-01-09"), ("MapDate", 20240109),
                                               ("date", "2024-01-09T00:00:00Z")])
def test_spellings_of_the_date(area: SimpleNamespace, column: str, value: object) -> None:
    maps([0], STRIPS[:1], **{column: [value]}).to_file(area.folder / "a.gpkg")
    assert read(area, "a.gpkg")[0].weeks == ("2024-01-09",)


def test_no_date_is_refused_and_the_area_file_can_give_it(area: SimpleNamespace) -> None:
    maps([0], STRIPS[:1]).to_file(area.folder / "current.geojson")
    with pytest.raises(LayerError, match=r"current\.geojson: no valid date .* rename the file to USDM_YYYYMMDD"):
        read(area, "current.geojson")
    assert read(area, "current.geojson", date="2024-01-09")[0].weeks == ("2024-01-09",)


def test_no_crs_is_refused_with_the_remedy(area: SimpleNamespace) -> None:
    maps([0], STRIPS[:1], crs=None).to_file(area.folder / "USDM_20240109.shp")
    with pytest.raises(LayerError, match=r"USDM_20240109\.shp: no coordinate reference system; for a shapefile add"):
        read(area, "USDM_20240109.shp")


def test_week_without_any_feature_counts(area: SimpleNamespace) -> None:
    (area.folder / "usdm_20240116.json").write_text('{"type": "FeatureCollection", "features": []}')
    maps([-1], STRIPS[:1]).to_file(area.folder / "usdm_20240109.json", driver="GeoJSON")
    drought, _, problems = read(area, "usdm_20240109.json", "usdm_20240116.json")
    assert drought.weeks == ("2024-01-09", "2024-01-16")
    assert len(drought.polygons) == 0
    assert codes(problems) == ["W-DRT-061"]


def test_folder_means_every_map_in_it(area: SimpleNamespace) -> None:
    (area.folder / "weeks").mkdir()
    for day in ("09", "16"):
        maps([2], [box(-120, 30, -70, 40)]).to_file(area.folder / "weeks" / f"usdm_202401{day}.geojson")
    (area.folder / "weeks" / "notes.txt").write_text("x")
    assert read(area, "weeks")[0].weeks == ("2024-01-09", "2024-01-16")
    (area.folder / "none").mkdir()
    with pytest.raises(LayerError, match="contains no weekly map"):
        read(area, "none")


def test_nested_classes_are_detected_and_cut(area: SimpleNamespace) -> None:
    nested = [box(-120, 30, -70, 40), box(-110, 30, -70, 40), box(-90, 30, -70, 40)]
    maps([0, 1, 2], nested).to_file(area.folder / "usdm_20240109.geojson")
    drought, _, problems = read(area, "usdm_20240109.geojson")
    assert codes(problems) == ["W-DRT-014"]
    assert [g.area for g in drought.polygons.geometry] == pytest.approx([100, 200, 200])


def test_overlap_of_less_than_one_percent_is_not_nesting(area: SimpleNamespace) -> None:
    maps([0, 1], [box(-120, 30, -99.95, 40), box(-100, 30, -70, 40)]).to_file(area.folder / "usdm_20240109.geojson")
    assert read(area, "usdm_20240109.geojson")[2] == []


def test_invalid_polygon_is_repaired_and_reported(area: SimpleNamespace) -> None:
    bow_tie = Polygon([(-120, 30), (-70, 40), (-70, 30), (-120, 40)])
    maps([1], [bow_tie]).to_file(area.folder / "usdm_20240109.gpkg")
    drought, _, problems = read(area, "usdm_20240109.gpkg")
    assert drought.polygons.geometry.is_valid.all()
    assert codes(problems) == ["W-DRT-012"]
    assert problems[0].value == "D1 of 2024-01-09"


def test_feature_without_polygon_is_reported(area: SimpleNamespace) -> None:
    maps([1, 2], [STRIPS[0], None]).to_file(area.folder / "usdm_20240109.gpkg")
    drought, _, problems = read(area, "usdm_20240109.gpkg")
    assert "W-DRT-011" in codes(problems)
    assert drought.polygons["category"].tolist() == [1]


@pytest.mark.parametrize(("frame", "message"), [
    (maps([5], STRIPS[:1]), 'row 1 column DM: "5": is not a drought class'),
    (maps([1], STRIPS[:1]).rename(columns={"DM": "class"}), "no class column"),
    (maps([1], STRIPS[:1], map_date=["soon"]), '"soon": is not a date'),
])
def test_unknown_class_and_date_are_refused(area: SimpleNamespace, frame: gpd.GeoDataFrame, message: str) -> None:
    frame.to_file(area.folder / "usdm_20240109.gpkg")
    with pytest.raises(LayerError, match=message):
        read(area, "usdm_20240109.gpkg")


def test_all_unusable_files_are_told_together(area: SimpleNamespace) -> None:
    (area.folder / "usdm_20240109.zip").write_text("no zip")
    (area.folder / "usdm_20240116.kml").write_text("<kml/>")
    with pytest.raises(LayerError) as caught:
        read(area, "usdm_20240109.zip", "usdm_20240116.kml", "usdm_20240123.gpkg")
    assert [line.split()[0] for line in str(caught.value).splitlines()] == ["E-LAY-004", "E-LAY-001", "E-LAY-002"]


def test_content_must_be_what_the_suffix_promises(area: SimpleNamespace) -> None:
    maps([0], STRIPS[:1]).to_file(area.folder / "a.gpkg")
    (area.folder / "a.gpkg").rename(area.folder / "usdm_20240109.geojson")
    with pytest.raises(LayerError, match="content is GPKG"):
        read(area, "usdm_20240109.geojson")


def test_same_week_twice_is_used_once_when_both_are_the_same(area: SimpleNamespace) -> None:
    for name, shapes in (("a_20240109.geojson", STRIPS[:2]), ("b_20240109.geojson", STRIPS[1::-1])):
        maps([1, 1], shapes).to_file(area.folder / name)
    drought, _, problems = read(area, "a_20240109.geojson", "b_20240109.geojson", "a_20240109.geojson")
    assert codes(problems) == ["W-DRT-013", "W-DRT-013", "W-DRT-015"]
    assert drought.polygons["category"].tolist() == [1, 1]


def test_a_nested_copy_and_a_cut_out_agree_with_the_national_map(area: SimpleNamespace) -> None:
    maps([0, 1], [box(-120, 30, -100, 40), box(-100, 30, -70, 40)]).to_file(area.folder / "a_20240109.gpkg")
    maps([0, 1], [box(-120, 30, -70, 40), box(-100, 30, -70, 40)]).to_file(area.folder / "b_20240109.gpkg")
    maps([0, 1], [box(-101, 31, -100, 32), box(-100, 31, -99, 32)]).to_file(area.folder / "c_20240109.gpkg")
    drought, _, problems = read(area, "a_20240109.gpkg", "b_20240109.gpkg", "c_20240109.gpkg")
    assert codes(problems) == ["W-DRT-013", "W-DRT-013"]
    assert [shape.area for shape in drought.polygons.geometry] == [200, 300]


def test_of_two_maps_of_a_week_that_differ_neither_is_used(area: SimpleNamespace) -> None:
    for name, dm in (("a_20240109.geojson", 1), ("b_20240109.geojson", 3), ("c_20240116.geojson", 2)):
        maps([dm], [box(-120, 30, -70, 40)]).to_file(area.folder / name)
    drought, _, problems = read(area, "a_20240109.geojson", "b_20240109.geojson", "c_20240116.geojson")
    assert codes(problems) == ["E-DRT-067"]
    assert (drought.weeks, drought.polygons["category"].tolist()) == (("2024-01-16",), [2])


def three_weeks(area: SimpleNamespace, odd: gpd.GeoDataFrame, name: str = "usdm_20240123.gpkg") -> tuple[str, ...]:
    """Write two sound national maps and an odd one."""
    for day in ("09", "16"):
        maps([1, 2], [box(-120, 30, -100, 40), box(-100, 30, -70, 40)]).to_file(
            area.folder / f"usdm_202401{day}.gpkg")
    odd.to_file(area.folder / name)
    return "usdm_20240109.gpkg", "usdm_20240116.gpkg", name


@pytest.mark.parametrize(("odd", "code", "row", "value"), [
    (maps([1.0, None], STRIPS[:2]), "E-DRT-060", 2, ""),
    (maps([1, -1], STRIPS[:2]), "E-DRT-060", 2, "-1"),
    (maps([1], [box(-314135, 866206, -303881, 906323)]), "E-DRT-063", 1, "-314135, 866206"),
    (maps([1, 2], [STRIPS[0], box(5e5, 3.4e6, 6e5, 3.5e6)]), "E-DRT-063", 2, "500000, 3.4e+06"),
], ids=["no class", "class -1", "metres as degrees", "one polygon in metres"])
def test_a_map_whose_classes_cannot_be_known_is_no_map_of_its_week(area: SimpleNamespace, odd: gpd.GeoDataFrame,
                                                                   code: str, row: int, value: str) -> None:
    drought, _, problems = read(area, *three_weeks(area, odd))
    assert [(p.code, p.row, p.value) for p in problems] == [(code, row, value)]
    assert problems[0].file == "usdm_20240123.gpkg"
    assert "counts as one without a map, not as one without drought" in problems[0].action
    assert drought.weeks == ("2024-01-09", "2024-01-16")
    assert set(drought.polygons["valid_date"]) == set(drought.weeks)


def test_a_map_before_the_first_week_is_not_used(area: SimpleNamespace) -> None:
    odd = maps([1], [box(-120, 30, -70, 40)])
    drought, _, problems = read(area, *three_weeks(area, odd, "usdm_19240109.gpkg"))
    assert [(p.code, p.value) for p in problems] == [("E-DRT-065", "1924-01-09")]
    assert drought.weeks == ("2024-01-09", "2024-01-16")


def test_a_cut_out_of_another_region_says_so_and_is_no_map(area: SimpleNamespace) -> None:
    names = three_weeks(area, maps([0], [box(-84, 25, -80, 31)]))
    entry = DroughtEntry(path=[Path(n) for n in names])
    drought, _, problems = drought_weekly.read(entry, area, bounds=(-99.5, 30.5, -99, 31))
    assert [(p.code, p.value) for p in problems] == [("E-DRT-064", "2024-01-23")]
    assert "the map lies elsewhere: within -84.00..-80.00 degrees east" in problems[0].rule
    assert drought.weeks == ("2024-01-09", "2024-01-16")
    assert drought.extent.total_bounds.tolist() == [-99.5, 30.5, -99, 31]  # not narrowed by the other region


def test_maps_none_of_which_can_be_used_are_refused_with_every_reason(area: SimpleNamespace) -> None:
    maps([1.0, None], STRIPS[:2]).to_file(area.folder / "usdm_20240109.gpkg")
    maps([1], [box(-314135, 866206, -303881, 906323)]).to_file(area.folder / "usdm_20240116.gpkg")
    with pytest.raises(LayerError) as caught:
        read(area, "usdm_20240109.gpkg", "usdm_20240116.gpkg")
    assert [line.split()[0] for line in str(caught.value).splitlines()] == ["E-DRT-060", "E-DRT-063", "E-DRT-066"]


def test_a_class_minus_one_in_every_map_is_how_the_product_writes_no_drought(area: SimpleNamespace) -> None:
    for day in ("09", "16"):
        maps([1, -1], [box(-120, 30, -100, 40), box(-100, 30, -70, 40)]).to_file(
            area.folder / f"usdm_202401{day}.gpkg")
    drought, _, problems = read(area, "usdm_20240109.gpkg", "usdm_20240116.gpkg")
    assert [(p.code, p.action) for p in problems if p.code != "W-DRT-015"] == [
        ("W-DRT-061", "It is read as no drought.")]
    assert (len(drought.weeks), drought.polygons["category"].tolist()) == (2, [1, 1])


def test_cut_out_maps_say_what_they_cover_and_bounds_cut_them(area: SimpleNamespace) -> None:
    maps([1], [box(-100, 30, -90, 40)]).to_file(area.folder / "usdm_20240109.geojson")
    drought, _, problems = read(area, "usdm_20240109.geojson")
    assert codes(problems) == ["W-DRT-015"]
    assert drought.extent.total_bounds.tolist() == [-100, 30, -90, 40]
    entry = DroughtEntry(path=Path("usdm_20240109.geojson"))
    cut, _, _ = drought_weekly.read(entry, area, bounds=(-95, 35, -80, 45))
    assert cut.extent.total_bounds.tolist() == cut.polygons.total_bounds.tolist() == [-95, 35, -90, 40]


# ------------------------------------------------------------------------------------------------------- index
def grid(area: SimpleNamespace, values: np.ndarray, crs: str | None = "EPSG:4326", name: str = "spei.tif",
         nodata: float | None = -9999.0) -> IndexEntry:
    with rasterio.open(area.folder / name, "w", driver="GTiff", width=values.shape[2], height=values.shape[1],
                       count=values.shape[0], dtype="float32", crs=crs, nodata=nodata,
                       transform=from_origin(-100, 40, 0.5, 0.5)) as target:
        target.write(values.astype("float32"))
    return IndexEntry(path=Path(name), name="spei", first_month="2023-11")


def test_grid_has_one_band_a_month_and_nan_where_no_data(area: SimpleNamespace) -> None:
    values = np.full((3, 2, 2), -1.5)
    values[1, 0, 0] = -9999
    (read_grid,), sources, problems = index_grid.read([grid(area, values)], area)
    assert read_grid.months.tolist() == [12 * 2023 + 10, 12 * 2023 + 11, 12 * 2024]
    assert np.isnan(read_grid.values[1, 0, 0])
    assert np.isfinite(read_grid.values).sum() == 11
    assert sources[0].valid_date == "2023-11..2024-01"
    assert problems == []


def test_empty_band_is_reported(area: SimpleNamespace) -> None:
    values = np.zeros((2, 2, 2))
    values[1] = -9999
    assert codes(index_grid.read([grid(area, values)], area)[2]) == ["W-IDX-011"]


def test_bad_grids_are_told_together(area: SimpleNamespace) -> None:
    (area.folder / "text.tif").write_text("x")
    entries = [grid(area, np.zeros((1, 2, 2)), crs=None, name="a.tif"),
               grid(area, np.full((1, 2, 2), -9999.0), name="b.tif", nodata=None),
               IndexEntry(path=Path("gone.tif"), name="spi", first_month="2023-11"),
               IndexEntry(path=Path("text.tif"), name="spi", first_month="2023-11"),
               grid(area, np.zeros((1, 2, 2)), name="c.tif").model_copy(update={"first_month": "2023-14"})]
    with pytest.raises(LayerError) as caught:
        index_grid.read(entries, area)
    assert [line.split()[0] for line in str(caught.value).splitlines()] == [
        "E-IDX-003", "E-IDX-005", "E-IDX-001", "E-IDX-004", "E-IDX-002"]


def test_a_netcdf_grid_of_an_index_is_named_with_the_way_out(area: SimpleNamespace) -> None:
    (area.folder / "spei.tif").write_bytes(b"\x89HDF\r\n\x1a\n\x00")
    entry = IndexEntry(path=Path("spei.tif"), name="spei", accumulation_months=6, first_month="2024-01")
    with pytest.raises(LayerError, match=r"E-IDX-060 spei.tif: is a NetCDF-4 or HDF5 grid, and a GeoTIFF is expected"):
        index_grid.read([entry], area)
