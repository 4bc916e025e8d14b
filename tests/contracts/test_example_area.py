"""The committed example: what is in it, that it is small, and that its script still makes it."""

from __future__ import annotations

import csv
import hashlib
import importlib.util
import io
import subprocess
import sys
import tomllib
import zipfile
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from riskmap.common import settings
from riskmap.common.month_numbers import parse_month
from riskmap.layers import catalogue, lots
from riskmap.lots import clean, footprints, pour_date

FILES = ("area.toml", "area_may.toml", "area_september.toml", "buildings.parquet", "climate.csv", "climate_cells.gpkg",
         "drought_weekly.parquet", "listings.csv", "lots.gpkg", "make_example.py", "pdsi.tif", "places.geojson",
         "README.md", "roads.geojson", "soil_ZZ901.zip", "spei_6.tif",
         "visits.csv")
LISTS = ("listings.csv", "visits.csv")  # for `screen` and `brief`; no layers


@pytest.fixture(scope="module")
def script(example):
    spec = importlib.util.spec_from_file_location("make_example", example / "make_example.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def cleaned(example):
    area = settings.load(example / "area.toml")
    raw, sources, told = lots.read(area.lots, area)
    table, problems = clean(raw, area.lot_settings, area.crs, parse_month("2025-10"), "lots.gpkg")
    return raw, sources, told, table, problems


def tabular(folder: Path, name: str) -> list[list[str]]:
    with zipfile.ZipFile(folder / "soil_ZZ901.zip") as archive:
        text = archive.read(f"ZZ901/tabular/{name}.txt").decode()
    return list(csv.reader(io.StringIO(text, newline=""), delimiter="|"))


def soil(folder: Path) -> gpd.GeoDataFrame:
    return gpd.read_file(f"/vsizip/{folder / 'soil_ZZ901.zip'}/ZZ901/spatial/soilmu_a_zz901.shp")


def test_folder_is_complete_and_small(example):
    present = {p.name for p in example.iterdir() if p.is_file()}
    assert present == set(FILES)
    assert sum((example / name).stat().st_size for name in FILES) < 1_500_000


def test_area_file_names_files_that_exist(example):
    area = settings.load(example / "area.toml")
    assert area.today is None
    assert area.soil.scale == 24_000
    paths = [area.lots.path, area.soil.path, area.climate.path, area.climate.cells, area.drought.path,
             area.buildings.path, *(entry.path for entry in (*area.index, *area.context))]
    assert all(area.resolve(path).is_file() for path in paths)
    for entry in (area.lots, area.soil, area.climate, area.drought, area.buildings, *area.index,
                  *area.context):
        assert entry.title
        assert entry.licence == "CC0-1.0"
        assert "invented" in entry.provider


def test_catalogue_lists_every_layer_with_its_checksum(example):
    catalogue = tomllib.loads((example.parent / "catalogue.toml").read_text())
    listed = {entry["path"] for entry in catalogue.values()}
    layers = [name for name in FILES if name.rsplit(".", 1)[1] not in ("toml", "py", "md") and name not in LISTS]
    assert listed == {f"example/{name}" for name in layers}
    for entry in catalogue.values():
        assert set(entry) == {"path", "title", "provider", "licence", "vintage", "crs", "reader", "fields", "sha256"}
        assert hashlib.sha256((example.parent / entry["path"]).read_bytes()).hexdigest() == entry["sha256"]


def test_lots(cleaned):
    raw, sources, told, table, problems = cleaned
    assert len(raw) == len(table) == sources[0].rows == 1531
    assert raw.crs == "EPSG:26914"
    assert raw["lot_id"].str.fullmatch(r"0\d{6}").all()
    assert [p.code for p in told] == ["W-LOT-002"]
    assert sorted((p.code, p.row) for p in problems) == [
        ("E-LOT-012", 41), ("E-LOT-014", 12), ("W-LOT-011", 203), ("W-LOT-013", 78)]
    assert table["state"].value_counts().to_dict() == {"": 1509, "not_applicable": 20, "unmatched": 1,
                                                       "not_yet_poured": 1}
    assert set(table["pour_date_basis"]) == {"date", "month", "year", "range", "none"}
    assert set(table["slab_class"]) == {"unknown", "shallow", "typical", "deep"}
    assert 0.3 < (table["half_width_basis"] == "given").mean() < 0.9
    assert table["lot_area_m2"].between(300, 2000).sum() == 1530


def test_most_lots_have_the_outline_of_a_building_and_some_have_none(example):
    """The part of the town that the picture lacks, and houses younger than it, keep their estimates."""
    area = settings.load(example / "area.toml")
    attempt = catalogue.read_each(area, ("lots", "soil", "buildings", "context"))
    assert not attempt.refusals
    table, problems = clean(attempt.tables["lots"], area.lot_settings, area.crs, parse_month("2025-10"), "lots.gpkg",
                            buildings=attempt.tables["buildings"])
    assert [(p.code, p.file) for p in problems if "BLD" in p.code] == [("W-BLD-010", "buildings.parquet")]
    basis = table.loc[table["state"] == "", "half_width_basis"].value_counts(normalize=True)
    assert basis["footprint"] > 0.25
    assert 0.04 < basis["unknown"] < 0.15
    found = footprints.of_lots(np.asarray(table.geometry), np.zeros(len(table), bool), attempt.tables["buildings"],
                               area.crs)
    assert 0.6 < np.isfinite(found.sides_m[:, 0]).mean() < 0.95
    empty = table["state_reason"].str.contains("buildings.parquet")
    assert 4 <= empty.sum() <= 40
    assert (table.loc[empty, "state"] == "no_house_known").all()
    town = attempt.tables["lots"]
    assert not empty[pour_date.windows(town, 1950, parse_month("2025-10")).early >= parse_month("2019-03")].any()
    assert set(attempt.tables["context"]["kind"]) == {"line", "area"}


def test_the_young_street_comes_last_and_has_a_road_and_buildings(example, cleaned, script):
    """Its lots are the last rows, so that rows and ids of the others stay; the frame of the town hardly grows."""
    lots = gpd.read_file(example / "lots.gpkg")
    street = lots["subdivision"] == script.STREET
    assert street.to_numpy().nonzero()[0].tolist() == list(range(1531 - script.STREET_LOTS, 1531))
    given = lots.loc[street, "pour_date"]
    months = given.str.slice(0, 7)[given.str.len() > 4]
    assert (months.min(), months.max()) == script.STREET_BUILT == ("2023-05", "2025-09")
    assert given.str.fullmatch(r"20\d\d(-\d\d(-\d\d)?)?").all()
    town = lots[~street & (lots["subdivision"] != "") & lots.geometry.notna()]
    grown = shapely.box(*town.total_bounds).buffer(5.0)
    assert grown.covers(shapely.box(*lots[street].total_bounds))
    soil_of = gpd.sjoin(lots[street], soil(example).to_crs(lots.crs))
    assert soil_of["MUSYM"].tolist() == ["ObA"] * script.STREET_LOTS
    roads = gpd.read_file(example / "roads.geojson").to_crs(lots.crs)
    assert roads["NAME"].str.startswith("Invented ").all()
    assert roads["NAME"].is_unique
    road = roads.loc[roads["NAME"] == "Invented Street 1"].geometry.iloc[0]
    assert lots[street].distance(road).between(6.0, 8.0).all()
    buildings = gpd.read_parquet(example / "buildings.parquet")
    houses = buildings[buildings.area > 60]
    at = gpd.sjoin(houses.assign(geometry=houses.representative_point()), lots[street])
    assert set(at["lot_id"]) == set(lots.loc[street, "lot_id"])


def test_lots_do_not_overlap(cleaned):
    shapes = np.asarray(cleaned[0].geometry.dropna())
    shapes = shapes[shapely.is_valid(shapes)]
    first, second = shapely.STRtree(shapes).query(shapes, predicate="overlaps")
    assert shapely.area(shapely.intersection(shapes[first], shapes[second])).sum() < 1.0


def test_soil_polygons_share_every_line(example):
    polygons = soil(example)
    assert list(polygons.columns) == ["AREASYMBOL", "SPATIALVER", "MUSYM", "MUKEY", "geometry"]
    assert polygons.crs == "EPSG:4326"
    assert set(polygons.geom_type) == {"Polygon"}
    assert polygons.is_valid.all()
    equal_area = polygons.to_crs("EPSG:5070").geometry
    assert equal_area.area.sum() == pytest.approx(equal_area.union_all().area, rel=1e-12)
    assert len(equal_area.union_all().interiors) == 0


def test_soil_zip_has_the_layout_of_a_download(example, script):
    with zipfile.ZipFile(example / "soil_ZZ901.zip") as archive:
        names = archive.namelist()
    assert {f"ZZ901/spatial/soilmu_a_zz901{end}" for end in (".shp", ".shx", ".dbf", ".prj")} <= set(names)
    for table, (file, _) in script.LAYOUT.items():
        rows = tabular(example, file)
        assert {len(row) for row in rows} == {len(script.columns_of(table))}
    described = {(row[0], row[4]) for row in tabular(example, "mstab")}
    assert described == {(table, file) for table, (file, _) in script.LAYOUT.items()}
    assert {f"ZZ901/tabular/{file}.txt" for _, file in described} <= set(names)


def test_soil_columns_are_those_of_a_real_download(example, open_data):
    """Names and order of every written table against the column list inside a published survey."""
    with zipfile.ZipFile(open_data / "soil" / "AR041_2021.zip") as archive:
        text = archive.read("AR041/tabular/mstabcol.txt").decode("latin-1")
    real = pd.DataFrame(list(csv.reader(io.StringIO(text, newline=""), delimiter="|")))
    ours = pd.DataFrame(tabular(example, "mstabcol"))
    for table, rows in ours.groupby(0):
        theirs = real[real[0] == table]
        if table.startswith("mdstat") and theirs.empty:
            continue
        assert rows[2].tolist() == theirs[2].tolist(), table
        assert rows[1].tolist() == theirs[1].tolist(), table


def test_soil_holds_what_readers_trip_over(example, script):
    order = [name for name, _ in script.columns_of("chorizon")]
    horizons = pd.DataFrame(tabular(example, "chorizon"), columns=order)
    tops = horizons.groupby("cokey", sort=False)["hzdept_r"].agg(lambda v: v.astype(int).is_monotonic_increasing)
    assert not tops.all()
    assert any("\n" in row[4] and '"' in row[4] for row in tabular(example, "mutext"))
    components = pd.DataFrame(tabular(example, "comp"), columns=[n for n, _ in script.columns_of("component")])
    assert (components.groupby("mukey")["comppct_r"].agg(lambda v: v.astype(int).sum()) == 100).all()
    bare = components[~components["cokey"].isin(horizons["cokey"])]
    assert {"Urban land", "Lowmere", "Rock outcrop"} == set(bare["compname"])
    assert horizons["lep_r"].replace("", np.nan).astype(float).max() == 13.0
    rock = pd.DataFrame(tabular(example, "crstrcts"))
    assert "90" in set(rock[3])


def test_climate_is_whole_and_sub_humid(example):
    table = pd.read_csv(example / "climate.csv", dtype={"cell_id": str})
    assert list(table.columns) == ["cell_id", "year", "month", "precip_in", "tavg_f"]
    for _, cell in table.groupby("cell_id"):
        month = cell["year"] * 12 + cell["month"]
        assert (month.diff().dropna() == 1).all()
        assert (cell["year"].iloc[0], cell["year"].iloc[-1], cell["month"].iloc[-1]) == (1980, 2025, 8)
        normal = cell[cell["year"].between(1991, 2020)]
        assert 800 < normal["precip_in"].sum() * 25.4 / 30 < 960
        celsius = (normal.groupby("month")["tavg_f"].mean() - 32) / 1.8
        assert 0 < celsius.min() < 5
        assert 27 < celsius.max() < 30
    cells = gpd.read_file(example / "climate_cells.gpkg")
    assert set(cells["cell_id"]) == set(table["cell_id"])


def test_both_cells_hold_lots(example, cleaned):
    cells = gpd.read_file(example / "climate_cells.gpkg").to_crs("EPSG:5070")
    lot = cleaned[3][["geometry"]].dropna()
    counts = gpd.sjoin(lot.assign(geometry=lot.representative_point()), cells)["cell_id"].value_counts()
    assert counts.min() > 300


def test_weekly_maps(example):
    maps = gpd.read_parquet(example / "drought_weekly.parquet")
    weeks = pd.to_datetime(maps["map_date"].drop_duplicates())
    assert (weeks.diff().dropna() == pd.Timedelta(days=7)).all()
    assert (maps["map_date"].iloc[0], maps["map_date"].iloc[-1]) == ("2021-10-05", "2025-10-28")
    assert (weeks.dt.day_name() == "Tuesday").all()
    nothing = maps["DM"].isna()
    assert (nothing == maps.geometry.isna()).all()
    assert nothing.any()
    assert maps.loc[maps["map_date"] == "2022-06-07", "DM"].tolist() == [0, 2]
    drawn = maps[~nothing]
    assert drawn.is_valid.all()
    assert set(drawn["DM"]) == {0, 1, 2, 3, 4}
    for _, week in drawn.groupby("map_date"):
        flat = shapely.area(np.asarray(week.geometry))
        assert flat.sum() == pytest.approx(shapely.union_all(np.asarray(week.geometry)).area, rel=1e-9)


def test_grids_follow_the_weather(example, script):
    import rasterio

    record = script.weather()
    for name, months, factor in (("spei_6", 6, 1.0), ("pdsi", 9, 2.5)):
        with rasterio.open(example / f"{name}.tif") as grid:
            assert grid.count == 8
            assert grid.descriptions[0] == "2025-01"
            values = grid.read()
        assert np.isfinite(values).all()
        score = script.scores(record, months)["Z01"][(2025 - 1980) * 12:][:8]
        np.testing.assert_allclose(values[:, 0, 0], factor * score, atol=0.006)  # stored to two decimals


def test_script_writes_the_same_content(example, tmp_path):
    subprocess.run([sys.executable, example / "make_example.py", tmp_path], check=True)
    assert (tmp_path / "climate.csv").read_bytes() == (example / "climate.csv").read_bytes()
    for name, layer in (("lots.gpkg", "lots"), ("climate_cells.gpkg", "climate_cells")):
        again, kept = gpd.read_file(tmp_path / name, layer=layer), gpd.read_file(example / name, layer=layer)
        pd.testing.assert_frame_equal(again.drop(columns="geometry"), kept.drop(columns="geometry"))
        drawn = kept.geometry.notna()
        assert again.geometry.notna().equals(drawn)
        assert shapely.equals_exact(np.asarray(again.geometry[drawn]), np.asarray(kept.geometry[drawn]), 1e-6).all()
    for name in ("buildings.parquet", "roads.geojson", "places.geojson"):
        read = gpd.read_parquet if name.endswith("parquet") else gpd.read_file
        again, kept = read(tmp_path / name), read(example / name)
        assert shapely.equals_exact(np.asarray(again.geometry), np.asarray(kept.geometry), 1e-6).all(), name
        assert list(again.columns) == list(kept.columns)
    with zipfile.ZipFile(tmp_path / "soil_ZZ901.zip") as new, zipfile.ZipFile(example / "soil_ZZ901.zip") as old:
        assert new.namelist() == old.namelist()
        for name in old.namelist():
            assert name.endswith((".shp", ".shx")) or new.read(name) == old.read(name), name
    assert shapely.equals_exact(np.asarray(soil(tmp_path).geometry), np.asarray(soil(example).geometry), 1e-6).all()
    again, kept = (gpd.read_parquet(f / "drought_weekly.parquet") for f in (tmp_path, example))
    assert again["map_date"].equals(kept["map_date"])
    assert again["DM"].equals(kept["DM"])
    np.testing.assert_allclose(shapely.area(np.asarray(again.geometry)), shapely.area(np.asarray(kept.geometry)),
                               atol=1e-6)
