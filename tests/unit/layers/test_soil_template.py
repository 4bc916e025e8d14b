"""Template databases: any key type, GeoPackage or SQLite, same result as the download they were made from."""

from __future__ import annotations

import shutil
import sqlite3
from contextlib import closing

import geopandas as gpd
import pandas as pd
import pytest
import shapely

from riskmap.common import settings
from riskmap.common.errors import LayerError
from riskmap.layers import catalogue, soil_template, ssurgo_names

TABLES = {
    "mapunit": "musym TEXT, muname TEXT, lkey {key}, mukey {key}",
    "component": "comppct_r INTEGER, compname TEXT, compkind TEXT, mukey {key}, cokey {key}",
    "chorizon": "hzname TEXT, desgnmaster TEXT, hzdept_r INTEGER, hzdepb_r INTEGER, claytotal_r REAL, "
                "dbthirdbar_r REAL, dbovendry_r REAL, lep_l REAL, lep_r REAL, lep_h REAL, cokey {key}",
    "corestrictions": "reskind TEXT, reshard TEXT, resdept_r INTEGER, cokey {key}",
    "muaggatt": "engdwobdcd TEXT, mukey {key}",
    "cosoilmoist": "soimoistdept_r INTEGER, soimoiststat TEXT, comonthkey {key}",
    "comonth": "month TEXT, cokey {key}, comonthkey {key}",
    # the thirteen columns of the template as published
    "cointerp": "cokey {key}, mrulekey {key}, mrulename TEXT, seqnum INTEGER, rulekey {key}, rulename TEXT, "
                "ruledepth INTEGER, interphr REAL, interphrc TEXT, flags TEXT, cointerpkey TEXT, x1 TEXT, x2 TEXT",
    "legend": "areasymbol TEXT, areaname TEXT, projectscale INTEGER, lkey {key}",
    "sacatalog": "areasymbol TEXT, areaname TEXT, saverest TEXT",
}
MAIN, SUB = ssurgo_names.RATING_RULE, ssurgo_names.RATING_SUB_RULE
ROWS = {
    "mapunit": [("A", "Clay, wet", 7, 100)],
    "component": [(90, "Clay ", "Series", 100, 1), (10, "Water", "Miscellaneous area", 100, 2)],
    "chorizon": [("Bss", "B", 0, 90, 45.0, None, None, 6, 7.5, 8.9, 1)],
    "corestrictions": [("Lithic bedrock", "Indurated", 90, 1)],
    "muaggatt": [("Very limited", 100)],
    "cosoilmoist": [(30, "Wet", 5)],
    "comonth": [("January", 1, 5)],
    "cointerp": [(1, 9, MAIN, 0, 9, MAIN, 0, 1.0, "Very limited", None, "a", None, None),
                 (1, 9, MAIN, 1, 10, SUB, 1, 0.75, "x", None, "b", None, None),
                 (1, 8, "AGR - something else", 0, 8, "other", 0, 0.1, "x", None, "c", None, None)],
    "legend": [("XX001", "Made-up County", 24000, 7)],
    "sacatalog": [("XX001", "Made-up County", "9/13/2021 16:41:06")],
}


def database(path, *, driver="GPKG", key="INTEGER", geometry="shape", mukey=100, without=(), rows=None,
             polygons=1, options=None):
    """Write a template database with one map unit."""
    shapes = [shapely.box(-95, 30, -94.9, 30.1)] * polygons
    frame = gpd.GeoDataFrame({"mukey": pd.Series([mukey] * polygons, dtype=object if isinstance(mukey, str) else int)},
                             geometry=shapes, crs="EPSG:4326")
    frame.to_file(path, layer="mupolygon", driver=driver, engine="pyogrio", GEOMETRY_NAME=geometry,
                  **({"geometry_type": "Polygon"} | (options or {})))
    with closing(sqlite3.connect(path)) as opened:
        for table, columns in TABLES.items():
            if table in without:
                continue
            opened.execute(f"CREATE TABLE {table} ({columns.format(key=key)})")
            for row in (rows or {}).get(table, ROWS[table]):
                opened.execute(f"INSERT INTO {table} VALUES ({','.join('?' * len(row))})", row)
        opened.commit()
    return path


def read(*paths, need_polygons=True, scale=None):
    entry = settings.SoilEntry(reader="template", path=list(paths) if len(paths) > 1 else paths[0], scale=scale)
    area = settings.Area(name="t", lots={"path": "l.csv"}, soil=entry, folder=paths[0].parent)
    return soil_template.read(entry, area, need_polygons=need_polygons)


def same(one, two):
    for name in ("map_unit", "component", "horizon", "shrink_swell_stored"):
        pd.testing.assert_frame_equal(getattr(one, name), getattr(two, name))
    pd.testing.assert_frame_equal(pd.DataFrame(one.polygons.drop(columns="geometry")),
                                  pd.DataFrame(two.polygons.drop(columns="geometry")))
    assert one.polygons.geometry.geom_equals_exact(two.polygons.geometry, 1e-9).all()
    assert one.scale == two.scale


def test_one_map_unit_in_our_names(tmp_path):
    tables, (source,), problems = read(database(tmp_path / "t.gpkg"))
    assert problems == []
    assert tables.map_unit.to_numpy().tolist() == [["100", "A", "Clay, wet", "Very limited"]]
    assert tables.component["component_id"].tolist() == ["1", "2"]
    assert tables.component["component_name"].tolist() == ["Clay", "Water"]
    first = tables.component.iloc[0]
    assert (first["component_pct"], first["rock_depth_cm"], first["water_table_cm"]) == (90, 90, 30)
    assert tables.horizon["cec_cmol_kg"].isna().all()  # this template has no such column
    assert tables.horizon[["top_cm", "bottom_cm", "lep_low_pct", "lep_pct", "lep_high_pct", "clay_pct"]].to_numpy(
        ).tolist() == [[0, 90, 6, 7.5, 8.9, 45]]
    assert tables.shrink_swell_stored.to_numpy().tolist() == [["1", 0.75]]
    assert tables.polygons["mukey"].tolist() == ["100"]
    assert tables.polygons.crs == "EPSG:4326"
    assert (tables.scale, source.valid_date, source.title, source.rows) == (24000, "2021-09-13",
                                                                            "XX001 Made-up County", 1)


@pytest.mark.parametrize("change", [
    {"key": "TEXT"}, {"key": "REAL"}, {"geometry": "geom"}, {"key": "TEXT", "mukey": "100"},
    {"driver": "SQLite"}, {"driver": "SQLite", "key": "TEXT", "mukey": "100"},
    {"driver": "SQLite", "options": {"SPATIALITE": "YES"}}], ids=str)
def test_key_types_and_databases_give_the_same_tables(tmp_path, change):
    if "options" in change:
        change = change | {"options": {"dataset_options": change["options"]}}
    suffix = "sqlite" if change.get("driver") else "gpkg"
    same(read(database(tmp_path / "a.gpkg"))[0], read(database(tmp_path / f"b.{suffix}", **change))[0])


def test_exchange_capacity_is_read_where_the_database_has_it(tmp_path):
    path = database(tmp_path / "t.gpkg")
    with closing(sqlite3.connect(path)) as opened:
        opened.execute("ALTER TABLE chorizon ADD COLUMN cec7_r REAL")
        opened.execute("UPDATE chorizon SET cec7_r = 28.5")
        opened.commit()
    assert read(path)[0].horizon["cec_cmol_kg"].tolist() == [28.5]


def test_top_rule_only_database_has_no_stored_rating_and_says_so(tmp_path):
    top = {"cointerp": ROWS["cointerp"][:1]}
    tables, _, problems = read(database(tmp_path / "t.gpkg", rows=top))
    assert tables.shrink_swell_stored is None
    assert [p.code for p in problems] == ["W-SOIL-020"]
    assert tables.horizon["lep_pct"].tolist() == [7.5]


def test_each_absent_optional_table_is_told(tmp_path):
    absent = ("muaggatt", "cosoilmoist", "comonth", "cointerp", "legend", "sacatalog")
    tables, _, problems = read(database(tmp_path / "t.gpkg", without=absent), scale=24000)
    assert [p.code for p in problems] == ["W-SOIL-010"] * len(absent)
    assert [p.rule.split()[1] for p in problems] == list(absent)
    assert tables.scale == 24000
    assert tables.component["water_table_cm"].isna().all()


def test_missing_tables_are_told_together(tmp_path):
    path = database(tmp_path / "t.gpkg", without=("component", "chorizon"))
    with pytest.raises(LayerError, match=r"E-SOIL-005 .*t\.gpkg: missing: table component, table chorizon\."):
        read(path)


def test_database_without_polygons_serves_tables_only(tmp_path):
    path = database(tmp_path / "t.gpkg")
    with closing(sqlite3.connect(path)) as opened:
        opened.executescript("DROP TABLE mupolygon; DELETE FROM gpkg_contents; DELETE FROM gpkg_geometry_columns;")
    with pytest.raises(LayerError, match="missing: table mupolygon"):
        read(path)
    assert read(path, need_polygons=False)[0].map_unit["mukey"].tolist() == ["100"]


def test_empty_template_is_refused(tmp_path):
    path = database(tmp_path / "t.gpkg", rows={table: [] for table in TABLES})
    with pytest.raises(LayerError, match=r"E-SOIL-021 .*mapunit has no rows"):
        read(path)


def test_missing_column_is_named(tmp_path):
    path = database(tmp_path / "t.gpkg")
    with closing(sqlite3.connect(path)) as opened:
        opened.execute("ALTER TABLE chorizon DROP COLUMN lep_r")
    with pytest.raises(LayerError, match=r"E-SOIL-006 .*table chorizon: columns missing: lep_r"):
        read(path)


def test_row_without_key_is_refused(tmp_path):
    rows = {"component": [*ROWS["component"], (5, "Lost", "Series", 100, None)]}
    with pytest.raises(LayerError, match=r"E-SOIL-009 .*1 rows without cokey \(row 3\)"):
        read(database(tmp_path / "t.gpkg", rows=rows))


@pytest.mark.parametrize(("name", "content", "code", "told"), [
    ("zip.zip", b"PK\x05\x06" + b"\x00" * 18, "E-SOIL-081", 'Use reader = "ssurgo" for a zip'),
    ("answer.json", b'{"Table": []}', "E-SOIL-081", "not a GeoPackage or SQLite database"),
    ("empty.gpkg", b"", "E-SOIL-081", "not a GeoPackage or SQLite database"),
    ("cut.gpkg", b"SQLite format 3\x00" + b"\xff" * 200, "E-SOIL-003", "cannot be read")])
def test_other_files_are_refused_in_words(tmp_path, name, content, code, told):
    (tmp_path / name).write_bytes(content)
    with pytest.raises(LayerError, match=f"{code} .*{told}"):
        read(tmp_path / name)


def test_all_refusals_are_told_together(tmp_path):
    (tmp_path / "b.gpkg").write_bytes(b"x")
    with pytest.raises(LayerError) as refused:
        read(tmp_path / "a.gpkg", tmp_path / "b.gpkg", tmp_path)
    assert len(str(refused.value).splitlines()) == 3
    assert "a.gpkg: not found" in str(refused.value)
    assert "a folder, not a database" in str(refused.value)


def test_polygons_without_a_declared_system_are_refused(tmp_path):
    path = database(tmp_path / "t.sqlite", driver="SQLite")
    with closing(sqlite3.connect(path)) as opened:
        opened.execute("UPDATE geometry_columns SET srid = NULL")
        opened.commit()
    with pytest.raises(LayerError, match=r"E-SOIL-013"):
        read(path)


def test_polygons_that_the_database_does_not_declare_are_refused(tmp_path):
    path = database(tmp_path / "t.sqlite", driver="SQLite")
    with closing(sqlite3.connect(path)) as opened:
        opened.execute("DROP TABLE geometry_columns")
    with pytest.raises(LayerError, match=r"E-SOIL-011 .*no geometry that the database declares"):
        read(path)


def test_reading_does_not_change_the_database(tmp_path):
    path = database(tmp_path / "t.gpkg")
    before = path.read_bytes()
    read(path)
    assert path.read_bytes() == before
    assert [p.name for p in tmp_path.iterdir()] == ["t.gpkg"]


def test_quotes_and_spaces_in_the_path(tmp_path):
    folder = tmp_path / "county's soils #1 %20?"
    folder.mkdir()
    shutil.copy(database(tmp_path / "t.gpkg"), folder / "t.gpkg")
    assert read(folder / "t.gpkg")[0].map_unit["mukey"].tolist() == ["100"]


def test_old_text_encoding_is_read(tmp_path):
    path = database(tmp_path / "t.gpkg")
    with closing(sqlite3.connect(path)) as opened:
        opened.execute("UPDATE component SET compname = CAST(x'4361F16F6E' AS TEXT) WHERE cokey = 1")  # cp1252
        opened.commit()
    assert read(path)[0].component["component_name"].iloc[0] == "Cañon"


def test_area_file_picks_the_reader_by_name(tmp_path):
    database(tmp_path / "t.gpkg")
    area = settings.Area(name="t", lots={"path": "l.csv"}, soil={"reader": "template", "path": "t.gpkg"},
                         folder=tmp_path)
    found = catalogue.read_each(area, roles=("soil",))
    assert found.refusals == []
    assert found.tables["soil"].map_unit["mukey"].tolist() == ["100"]
