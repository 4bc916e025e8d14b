"""Each kind of file is known by its content, whatever its name, and what is not known is left with a reason."""

from __future__ import annotations

import gzip
import json
import shutil
import zipfile
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import rasterio
from rasterio.transform import from_origin
from shapely import LineString, Point, box

from riskmap.common.errors import LayerError
from riskmap.layers import crs_advice
from riskmap.layers import recognise as module
from riskmap.layers.recognise import Found, recognise


def found(path: Path, tmp_path: Path) -> list[Found]:
    return recognise([path], tmp_path / "unpacked")


def one(path: Path, tmp_path: Path) -> Found:
    (only,) = found(path, tmp_path)
    return only


# ---------------------------------------------------------------- the example and the real files
def test_the_example_is_recognised(example: Path, tmp_path: Path) -> None:
    kinds = {f.path.name: f.kind for f in found(example, tmp_path) if f.path.suffix != ".pyc"}
    assert kinds == {
        "README.md": "left", "area.toml": "left", "area_may.toml": "left", "area_september.toml": "left",
        "make_example.py": "left", "visits.csv": "left", "listings.csv": "shapes", "climate.csv": "monthly",
        "climate_cells.gpkg": "shapes", "drought_weekly.parquet": "drought", "lots.gpkg": "shapes",
        "pdsi.tif": "index", "spei_6.tif": "index", "soil_ZZ901.zip": "soil", "buildings.parquet": "shapes",
        "places.geojson": "shapes", "roads.geojson": "lines"}
    assert not (tmp_path / "unpacked").exists()


def test_real_soil_files_are_recognised(open_data: Path, tmp_path: Path) -> None:
    files = {f.path.name: f for f in found(open_data / "soil", tmp_path)}
    for name, symbol in (("AR041_2021.zip", "AR041"), ("AR041_2022.zip", "AR041"), ("IA073_aoi_2020.zip", "IA073")):
        assert files[name].kind == "soil"
        assert [area.symbol for area in files[name].facts["areas"]] == [symbol]
        assert files[name].facts["missing"] == []
    assert files["AR041_2022.zip"].facts["areas"][0].saved == "2022-09-12"
    assert files["TX201_2021_tabular.zip"].facts["missing"] == ["spatial/soilmu_a_tx201.shp"]
    assert files["TX347_with_header_rows_tabular.zip"].kind == "soil"
    assert files["AR041_subset_template_layout.gpkg"].kind == "soil_database"
    west, south, east, north = files["AR041_2021.zip"].facts["bounds"][0]
    assert (-91.6 < west < east < -90.8, 33.5 < south < north < 34.2) == (True, True)
    assert files["sda_envelope_AR041.json"].kind == "left"


def test_real_weather_and_maps_are_recognised(open_data: Path, tmp_path: Path) -> None:
    files = {f.path.name: f for f in found(open_data / "drought", tmp_path)}
    assert files["climdiv-pcpndv-reemitted.txt"].kind == "fixed_width"
    assert (files["climdiv-pdsidv-reemitted.txt"].kind, "PDSI" in files["climdiv-pdsidv-reemitted.txt"].reason) == (
        "left", True)
    assert files["nclimdiv_arkansas_iowa_1895_2022.csv.gz"].facts["cells"] == ["0306", "0309", "1304", "1305"]
    assert files["wichita_1980_2011_R_SPEI_1.8.1.csv"].kind == "monthly"
    assert files["USDM_20160705_M.zip"].facts["dates"] == ("2016-07-05",)
    assert len(files["usdm_monthly_2018-09_to_2019-07_clip.parquet"].facts["dates"]) == 11
    assert files["usdm_20110705_texas_box.gpkg"].kind == "drought"
    assert files["usdm_20110705_0p05deg_derived.tif"].kind == "left"  # classes, no index
    assert "NetCDF" in files["gridmet_tmmx_20190121.nc"].reason
    daily = one(open_data / "daily" / "college_station_tx_usw00003904_2000_2021.csv.gz", tmp_path)
    assert (daily.kind, daily.facts["trouble"]) == ("daily", "")


def test_names_do_not_matter(example: Path, open_data: Path, tmp_path: Path) -> None:
    """The same bytes under names that say something else, or nothing."""
    for source, name, kind in (
            (example / "climate.csv", "parcels.csv", "monthly"), (example / "soil_ZZ901.zip", "lots.zip", "soil"),
            (example / "drought_weekly.parquet", "buildings.parquet", "drought"),
            (open_data / "drought" / "climate_divisions" / "climdiv-pcpndv-reemitted.txt", "climdiv-x-v1.0.0-20240107",
             "fixed_width"),
            (open_data / "drought" / "climate_divisions" / "climdiv-pcpndv-reemitted.txt", "README", "fixed_width")):
        shutil.copy(source, tmp_path / name)
        assert one(tmp_path / name, tmp_path).kind == kind, name


# ---------------------------------------------------------------- soil
def test_an_unpacked_survey_in_a_folder_of_other_things(example: Path, tmp_path: Path) -> None:
    with zipfile.ZipFile(example / "soil_ZZ901.zip") as packed:
        packed.extractall(tmp_path / "data" / "soil")
    (tmp_path / "data" / "notes.txt").write_text("nothing\n", encoding="utf-8")
    files = found(tmp_path / "data", tmp_path)
    assert [f.kind for f in files] == ["left", "soil"]
    assert files[1].path == tmp_path / "data" / "soil" / "ZZ901"
    assert files[1].facts["missing"] == []


def test_a_zip_of_zips_is_opened(example: Path, tmp_path: Path) -> None:
    outer = tmp_path / "all.zip"
    with zipfile.ZipFile(outer, "w") as packed:
        packed.write(example / "soil_ZZ901.zip", "downloads/soil_ZZ901.zip")
        packed.write(example / "climate.csv", "weather/climate.csv")
        packed.writestr("read me.html", "<html></html>")
    files = found(outer, tmp_path)
    assert sorted(f.kind for f in files) == ["monthly", "soil"]
    soil = next(f for f in files if f.kind == "soil")
    assert soil.path == tmp_path / "unpacked" / "all" / "downloads" / "soil_ZZ901.zip"
    assert soil.path.read_bytes() == (example / "soil_ZZ901.zip").read_bytes()
    assert [f.kind for f in found(outer, tmp_path)] == [f.kind for f in files]  # again, over the same files
    soil.path.write_bytes(b"another")
    again = found(outer, tmp_path)
    assert (again[0].kind, again[0].reason[:9]) == ("left", "E-NEW-005")


# ---------------------------------------------------------------- weather
def months(**columns: list[str]) -> str:
    return pd.DataFrame({"year": "2001", "month": [str(k) for k in range(1, 13)], **columns}).to_csv(index=False)


def test_months_and_days_are_told_apart(tmp_path: Path) -> None:
    days = pd.date_range("2001-01-01", "2002-12-31").strftime("%Y-%m-%d")
    pd.DataFrame({"date": days, "rain_mm": 1, "tmax_c": 20, "tmin_c": 10}).to_csv(tmp_path / "a.csv", index=False)
    pd.DataFrame({"date": days[::31], "rain_mm": 1, "tavg_c": 10}).to_csv(tmp_path / "b.csv", index=False)
    (tmp_path / "c.csv").write_text(months(precip_in=["1"] * 12, tavg_f=["50"] * 12), encoding="utf-8")
    assert [one(tmp_path / f"{name}.csv", tmp_path).kind for name in "abc"] == ["daily", "monthly", "monthly"]


def test_a_station_file_says_its_place(tmp_path: Path) -> None:
    pd.DataFrame({"STATION": "ZZ000000001", "DATE": ["2001-01-01", "2001-01-02"], "LATITUDE": 37.5, "LONGITUDE": -98.5,
                  "PRCP": ["12", "0"], "TMAX": ["100", "110"], "TMIN": ["0", "10"]}).to_csv(tmp_path / "s.csv",
                                                                                         index=False)
    station = one(tmp_path / "s.csv", tmp_path)
    assert (station.kind, station.facts["place"], station.facts["latitude_told"]) == ("daily", (37.5, -98.5), True)


def test_weather_without_units_is_known_and_its_trouble_said(tmp_path: Path) -> None:
    (tmp_path / "w.csv").write_text(months(precip=["1"] * 12, tavg=["50"] * 12), encoding="utf-8")
    weather = one(tmp_path / "w.csv", tmp_path)
    assert weather.kind == "monthly"
    assert "precip, tavg names no unit" in weather.facts["trouble"]


def test_packed_weather_is_opened_and_a_packed_list_is_not(tmp_path: Path) -> None:
    with gzip.open(tmp_path / "w.csv.gz", "wt") as out:
        out.write(months(precip_mm=["1"] * 12, tavg_c=["5"] * 12))
    with gzip.open(tmp_path / "l.csv.gz", "wt") as out:
        out.write("a,b\n1,2\n")
    assert [one(tmp_path / name, tmp_path).kind for name in ("w.csv.gz", "l.csv.gz")] == ["monthly", "left"]


# ---------------------------------------------------------------- weekly maps
def weekly(values: list[object], **more: object) -> gpd.GeoDataFrame:
    shapes = [box(k, 30, k + 1, 31) for k in range(len(values))]
    return gpd.GeoDataFrame({"DM": values, **more}, geometry=shapes, crs="EPSG:4326")


def test_weekly_maps_by_their_classes_and_date(tmp_path: Path) -> None:
    weekly([0, 1, 2]).to_file(tmp_path / "USDM_20251028.geojson")
    weekly([0, 4], map_date="2025-10-21").to_parquet(tmp_path / "w.parquet")
    weekly([0, 1]).to_file(tmp_path / "undated.gpkg")
    assert one(tmp_path / "USDM_20251028.geojson", tmp_path).facts["dates"] == ("2025-10-28",)
    assert one(tmp_path / "w.parquet", tmp_path).facts["dates"] == ("2025-10-21",)
    undated = one(tmp_path / "undated.gpkg", tmp_path)
    assert (undated.kind, undated.facts["dates"]) == ("drought", ())


def test_a_column_named_category_makes_no_weekly_map(tmp_path: Path) -> None:
    frame = weekly(["R", "C"]).rename(columns={"DM": "category"})
    frame.to_file(tmp_path / "a.gpkg")
    frame.to_parquet(tmp_path / "a.parquet")
    assert [one(tmp_path / f"a.{ending}", tmp_path).kind for ending in ("gpkg", "parquet")] == ["shapes", "shapes"]


# ---------------------------------------------------------------- grids
def grid(path: Path, values: np.ndarray, descriptions: list[str] | None = None, crs: str | None = "EPSG:4326") -> Path:
    with rasterio.open(path, "w", driver="GTiff", height=values.shape[1], width=values.shape[2], count=values.shape[0],
                       dtype=values.dtype, crs=crs, transform=from_origin(-98, 38, 0.1, 0.1)) as out:
        out.write(values)
        for k, text in enumerate(descriptions or [], 1):
            out.set_band_description(k, text)
    return path


def test_grids(tmp_path: Path) -> None:
    scores = np.random.default_rng(1).normal(size=(3, 4, 4)).astype("float32")
    keys = np.full((1, 4, 4), 568_321, dtype="uint32")
    told = one(grid(tmp_path / "spi3.tif", scores, ["2024-11", "2024-12", "2025-01"]), tmp_path)
    assert (told.kind, told.facts["name"], told.facts["accumulation_months"], told.facts["first_month"]) == (
        "index", "spi", "3", "2024-11")
    bare = one(grid(tmp_path / "scores.tif", scores), tmp_path)
    assert (bare.kind, bare.facts["name"], bare.facts["first_month"]) == ("index", "", "")
    gap = one(grid(tmp_path / "spi.tif", scores, ["2024-11", "2025-01", "2025-02"]), tmp_path)
    assert gap.facts["first_month"] == ""  # its months do not follow each other
    assert one(grid(tmp_path / "mukey.tif", keys), tmp_path).kind == "key_grid"
    assert one(grid(tmp_path / "rain.tif", 100 + scores), tmp_path).kind == "left"
    assert "coordinate system" in one(grid(tmp_path / "nowhere.tif", scores, crs=None), tmp_path).reason


# ---------------------------------------------------------------- shapes
def test_shapes_keep_every_column_but_those_about_people(tmp_path: Path) -> None:
    frame = gpd.GeoDataFrame({"APN": ["007"], "OWNER": ["Invented"], "Mail_Addr": ["x"], "YEAR": [1990]},
                             geometry=[Point(-98, 38)], crs="EPSG:4326")
    for ending in ("gpkg", "geojson", "parquet"):
        path = tmp_path / f"a.{ending}"
        frame.to_parquet(path) if ending == "parquet" else frame.to_file(path)
        raw = one(path, tmp_path).facts["raw"]
        assert list(raw.names) == ["APN", "YEAR"], ending
        assert raw.attributes["APN"].tolist() == ["007"], ending
        assert sorted(raw.dropped) == ["Mail_Addr", "OWNER"], ending


def test_layers_are_looked_at_one_by_one(tmp_path: Path) -> None:
    path = tmp_path / "many.gpkg"
    gpd.GeoDataFrame({"n": ["a"]}, geometry=[Point(-98, 38)], crs="EPSG:4326").to_file(path, layer="points")
    gpd.GeoDataFrame({"NAME": ["a"]}, geometry=[LineString([(-98, 38), (-97, 38)])], crs="EPSG:4326").to_file(
        path, layer="streets")
    assert {(f.layer, f.kind) for f in found(path, tmp_path)} == {("points", "shapes"), ("streets", "lines")}


@pytest.mark.parametrize(("heading", "place"), [
    ("APN,Longitude,LATITUDE", {"lon": "Longitude", "lat": "LATITUDE"}),
    ("APN,X_COORD,Y_COORD", {"lon": "X_COORD", "lat": "Y_COORD"}), ("APN,WKT", {"geometry": "WKT"}),
    ("APN,LONG,LAT", {"lon": "LONG", "lat": "LAT"}), ("APN,MAIL_LAT,MAIL_LON", {})])
def test_places_in_a_table(heading: str, place: dict[str, str], tmp_path: Path) -> None:
    row = "A1,POINT (-98 38)" if "WKT" in heading else "A1,-98.5,37.5"
    (tmp_path / "t.csv").write_text(f"{heading}\n{row}\n{row}\n", encoding="utf-8")
    table = one(tmp_path / "t.csv", tmp_path)
    assert table.facts.get("places", {}) == place
    assert table.kind == ("shapes" if place else "left")


def test_coordinates_in_feet_are_no_degrees(tmp_path: Path) -> None:
    (tmp_path / "t.csv").write_text("APN,X,Y\nA1,3120000.5,13870000.1\nA2,3120100.5,13870200.1\n", encoding="utf-8")
    table = one(tmp_path / "t.csv", tmp_path)
    assert table.facts["raw"].crs is None
    assert any("feet" in words for _, words in crs_advice.fitting(table.facts["raw"].geometry))


def test_a_title_above_the_heading_of_lots_is_skipped_and_above_weather_it_is_said(tmp_path: Path) -> None:
    rows = "Parcel;Lon;Lat\n" + "".join(f"P{k};{-98.5 + k / 1000:.3f};37.9\n" for k in range(9))
    (tmp_path / "c.csv").write_text(rows.replace(".", ","), encoding="utf-8")
    assert "decimal mark is a comma. Write them with a point" in one(tmp_path / "c.csv", tmp_path).reason
    (tmp_path / "t.csv").write_text(f"Export, of the county\n;;\n{rows}", encoding="utf-8")
    table = one(tmp_path / "t.csv", tmp_path)
    assert (table.kind, table.facts["places"]) == ("shapes", {"lon": "Lon", "lat": "Lat"})
    assert "W-SCR-065" in [problem.code for problem in table.facts["raw"].problems]
    months = "".join(f"{year},{month},1.5,50\n" for year in range(2000, 2010) for month in range(1, 13))
    (tmp_path / "w.csv").write_text(f"Weather of a station\nyear,month,precip_in,tavg_f\n{months}", encoding="utf-8")
    weather = one(tmp_path / "w.csv", tmp_path)
    assert weather.kind == "left"
    assert "rows above its heading. Remove them" in weather.reason


# ---------------------------------------------------------------- what is left
def test_other_files_are_left_with_what_to_do(tmp_path: Path) -> None:
    (tmp_path / "empty.csv").write_text("", encoding="utf-8")
    (tmp_path / "book.xlsx").write_bytes(b"PK\x03\x04" + b"x" * 50)
    with zipfile.ZipFile(tmp_path / "sheet.xlsx", "w") as packed:
        packed.writestr("xl/workbook.xml", "<x/>")
    (tmp_path / "x.json").write_text(json.dumps({"Table": []}), encoding="utf-8")
    (tmp_path / "county.gdb").mkdir()
    (tmp_path / "county.gdb" / "a00000001.gdbtable").write_bytes(b"x")
    (tmp_path / "plan.dwg").write_bytes(b"AC1027")
    (tmp_path / "table.ods").write_bytes(b"PK\x03\x04")
    files = {f.path.name: f for f in recognise([tmp_path], tmp_path / "u")}
    assert {f.kind for f in files.values()} == {"left"}
    assert files["sheet.xlsx"].reason.startswith("E-SCR-007 cannot be read as a workbook")
    assert files["book.xlsx"].reason.startswith("E-SCR-007 not a readable zip file")
    assert "save its table of lots as .xlsx" in files["table.ods"].reason
    assert "geodatabase" in files["county.gdb"].reason
    assert "GeoPackage" in files["plan.dwg"].reason
    assert files["empty.csv"].reason == "the file is empty"


def test_parts_of_a_shapefile_are_no_files_of_their_own(tmp_path: Path) -> None:
    (tmp_path / "d").mkdir()
    gpd.GeoDataFrame({"APN": ["1"]}, geometry=[Point(-98, 38)], crs="EPSG:4326").to_file(tmp_path / "d" / "lots.shp")
    assert [f.path.suffix for f in found(tmp_path / "d", tmp_path)] == [".shp"]
    (tmp_path / "d" / "lots.shp").unlink()
    assert {f.kind for f in found(tmp_path / "d", tmp_path)} == {"left"}


def test_provenance_of_fetched_files_is_not_listed(tmp_path: Path, example: Path) -> None:
    shutil.copy(example / "climate.csv", tmp_path / "climate.csv")
    (tmp_path / "climate.csv.provenance").write_text("{}", encoding="utf-8")
    assert [f.kind for f in found(tmp_path, tmp_path / "u")] == ["monthly"]


def test_a_file_counts_once_and_runs_are_left(tmp_path: Path, example: Path) -> None:
    shutil.copy(example / "climate.csv", tmp_path / "climate.csv")
    run = tmp_path / "outputs" / "a_run"
    run.mkdir(parents=True)
    for name in ("manifest.json", "columns.json", "lots.csv"):
        (run / name).write_text("{}", encoding="utf-8")
    files = recognise([tmp_path, tmp_path / "climate.csv"], tmp_path / "u", leave=[tmp_path / "u"])
    told = [(f.shown.split("/", 1)[1], f.kind) for f in files]
    assert told == [("climate.csv", "monthly"), ("outputs", "left")]
    assert files[1].reason == "finished runs of riskmap"


def test_a_path_that_is_not_there_and_a_folder_with_too_much(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(LayerError, match=r"^E-NEW-001 .*nothing_here: no such file or folder"):
        recognise([tmp_path / "nothing_here"], tmp_path)
    monkeypatch.setattr(module, "MOST_FILES", 3)
    for k in range(4):
        (tmp_path / f"{k}.md").write_text("x", encoding="utf-8")
    with pytest.raises(LayerError, match=r"^E-NEW-002"):
        recognise([tmp_path], tmp_path / "u")
