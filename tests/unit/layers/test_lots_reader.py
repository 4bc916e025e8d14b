"""Lot files in every accepted format, and what is said about files that cannot be used."""

from __future__ import annotations

import json
import stat
import zipfile
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from shapely.geometry import Point, box

from riskmap.common.errors import LayerError
from riskmap.common.settings import Area, LotsEntry, SoilEntry
from riskmap.layers import lots

IDS = ["007", "1E5", "NA", "12345678901234567", "{{7*7}}"]
DATES = ["1987", "1987-05", "1987-05-02", "1985/1988", ""]


def read(path: Path, **entry):
    area = Area(name="a", folder=path.parent, lots=LotsEntry(path=path.name, **entry), soil=SoilEntry(path="none.zip"))
    return lots.read(area.lots, area)


def frame() -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame({
        "lot_id": IDS, "pour_date": DATES, "foundation_type": ["slab", "pier and beam", "", "SLAB", "slab on ground"],
        "slab_width_m": [10.5, np.nan, 12.0, 9.25, 11.0],
    }, geometry=[box(500_000 + 30 * i, 4_195_000, 500_020 + 30 * i, 4_195_035) for i in range(5)], crs="EPSG:26914")


def write(kind: str, folder: Path, table: gpd.GeoDataFrame) -> tuple[Path, dict]:
    path = folder / f"lots.{kind}"
    if kind == "gpkg":
        table.to_file(path, layer="lots")
    elif kind == "parquet":
        table.to_parquet(path)
    elif kind == "geojson":
        table.to_file(path, driver="GeoJSON", COORDINATE_PRECISION=9)
        return path, {}
    elif kind == "csv":
        pd.DataFrame(table.drop(columns="geometry").assign(wkt=table.geometry.to_wkt())).to_csv(path, index=False)
        return path, {"crs": "EPSG:26914"}
    elif kind == "zip":
        short = {"foundation_type": "found_type", "slab_width_m": "width_m"}
        table.rename(columns=short).to_file(folder / "plat.shp")
        with zipfile.ZipFile(path, "w") as archive:
            for part in folder.glob("plat.*"):
                archive.write(part, f"county/{part.name}")
        return path, {"columns": short}
    return path, {}


@pytest.mark.parametrize("kind", ["gpkg", "parquet", "geojson", "csv", "zip"])
def test_every_format_gives_the_same_table(kind, tmp_path):
    table = frame() if kind != "geojson" else frame().to_crs("EPSG:4326")
    path, entry = write(kind, tmp_path, table)
    raw, sources, problems = read(path, **entry)
    assert raw["lot_id"].tolist() == IDS
    assert raw["pour_date"].tolist() == DATES
    assert raw["foundation_type"].tolist() == frame()["foundation_type"].tolist()
    np.testing.assert_array_equal(raw["slab_width_m"], frame()["slab_width_m"])
    assert raw["source_row"].tolist() == ([2, 3, 4, 5, 6] if kind == "csv" else [1, 2, 3, 4, 5])
    assert raw["beam_depth_mm"].isna().all()
    assert (raw["pour_date_basis"] == "").all()
    moved = np.asarray(raw.to_crs("EPSG:26914").geometry)
    assert shapely.area(shapely.symmetric_difference(moved, np.asarray(frame().geometry))).max() < 0.01  # of 700 m2
    assert sources[0].rows == 5
    assert sources[0].role == "lots"
    assert sources[0].path == Path(path.name)
    assert problems == []


@pytest.mark.parametrize("kind", ["gpkg", "parquet", "geojson"])
def test_numbers_and_dates_stored_as_such_become_exact_text(kind, tmp_path):
    table = frame().assign(lot_id=[12345678901234567, 2, 3, 4, 5], pour_date=pd.to_datetime(
        ["1987-05-02", None, "2001-01-31", "2001-02-01", "2001-03-01"]))
    path, entry = write(kind, tmp_path, table.to_crs("EPSG:4326"))
    raw, _, _ = read(path, **entry)
    assert raw["lot_id"].tolist() == ["12345678901234567", "2", "3", "4", "5"]
    assert raw["pour_date"].str[:10].tolist() == ["1987-05-02", "", "2001-01-31", "2001-02-01", "2001-03-01"]


def test_identifiers_stored_as_real_numbers_lose_their_point_only(tmp_path):
    path, _ = write("parquet", tmp_path, frame().assign(lot_id=[1.0, 2.0, 100000.0, 4.0, np.nan]))
    assert read(path)[0]["lot_id"].tolist() == ["1", "2", "100000", "4", ""]


def test_csv_of_points_is_in_degrees_and_tells_bad_numbers(tmp_path):
    path = tmp_path / "points.csv"
    path.write_text("lot_id;lat;lon;beam_depth_in\n01;37.9;-98.6;24\n\"a\nb\";37,9;-98.6;x\n\n03;37.8;-98.5;\n",
                    encoding="utf-8-sig")
    raw, _, problems = read(path)
    assert raw.crs == "EPSG:4326"
    assert raw["lot_id"].tolist() == ["01", "a\nb", "03"]
    assert raw["source_row"].tolist() == [2, 3, 5]
    assert raw.geometry[0] == Point(-98.6, 37.9)
    assert raw.geometry.isna().tolist() == [False, True, False]
    np.testing.assert_allclose(raw["beam_depth_mm"], [609.6, np.nan, np.nan])  # 24 x 25.4
    assert {(p.code, p.row, p.column, p.value) for p in problems} >= {
        ("E-LOT-004", 3, "lat", "37,9"), ("E-LOT-005", 3, "beam_depth_in", "x")}


def test_feet_become_metres_and_the_metre_column_goes_first(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text("lot_id,lon,lat,slab_width_ft,slab_length_ft,slab_length_m\n1,-98,37,40,60,20\n")
    raw, _, problems = read(path)
    assert raw["slab_width_m"].tolist() == pytest.approx([12.192])
    assert raw["slab_length_m"].tolist() == [20.0]
    assert "slab_length_ft" in problems[0].rule


def test_other_columns_are_named_once_and_their_values_never(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text("lot_id,lon,lat,OwnerName,MAILING_ADDR,acreage,AGE,Exempt_Cd,zoning\n"
                    "1,-98,37,Canary,12 Canary St,0.2,44,HX,R1\n")
    raw, _, problems = read(path)
    codes = {p.code: p for p in problems}
    assert set(codes) == {"W-LOT-002", "W-LOT-003"}
    assert codes["W-LOT-003"].rule == "columns about people are refused: OwnerName, MAILING_ADDR, AGE, Exempt_Cd."
    assert codes["W-LOT-002"].rule == "columns that the estimate does not use: acreage, zoning."
    assert "Canary" not in " ".join(map(str, problems))
    assert "Canary" not in raw.to_csv()


def test_adding_any_other_column_changes_nothing(tmp_path):
    path, _ = write("gpkg", tmp_path, frame())
    plain = read(path)[0]
    path, _ = write("gpkg", tmp_path, frame().assign(color="red", owner="x"))
    assert read(path)[0].equals(plain)


def refused(path: Path, code: str, *words: str, **entry) -> None:
    with pytest.raises(LayerError) as error:
        read(path, **entry)
    assert code in str(error.value)
    assert all(word in str(error.value) for word in words), str(error.value)


def test_missing_identifier_lists_the_columns(tmp_path):
    path, _ = write("gpkg", tmp_path, frame().rename(columns={"lot_id": "PARCEL"}))
    refused(path, "E-LOT-008", "PARCEL, pour_date", '[lots.columns] lot_id = "')
    assert read(path, columns={"lot_id": "PARCEL"})[0]["lot_id"].tolist() == IDS


@pytest.mark.parametrize(("columns", "word"), [
    ({"lot_id": "nowhere"}, "the file has"), ({"color": "lot_id"}, "is not one of"),
    ({"lot_id": "lot_id", "pour_date": "EFF_YR"}, "effective year"), ({"lot_id": "OWNER_ID"}, "about people"),
])
def test_wrong_mapping_is_refused(columns, word, tmp_path):
    path, _ = write("gpkg", tmp_path, frame().assign(EFF_YR=1990, OWNER_ID="x"))
    refused(path, "E-LOT-009", word, columns=columns)


def test_no_coordinate_system_is_refused_with_candidates(tmp_path):
    for crs, word in (("EPSG:4326", "EPSG:4326"), ("EPSG:26914", "UTM")):
        table = frame().to_crs(crs).set_crs(None, allow_override=True)
        path, _ = write("parquet", tmp_path, table)
        refused(path, "E-LOT-020", word, "lots]")
    assert read(path, crs="EPSG:26914")[0].crs == "EPSG:26914"
    path, _ = write("csv", tmp_path, frame())
    refused(path, "E-LOT-020")
    refused(path, "E-LOT-020", "not understood", crs="EPSG:nothing")


def test_stated_system_never_overrides_the_files_own(tmp_path):
    path, _ = write("gpkg", tmp_path, frame())
    raw, _, problems = read(path, crs="EPSG:4326")
    assert raw.crs == "EPSG:26914"
    assert [p.code for p in problems] == ["W-LOT-020"]


def test_duplicates_can_be_refused(tmp_path):
    path, _ = write("gpkg", tmp_path, frame().assign(lot_id=["1", "2", "1", "", ""]))
    refused(path, "E-LOT-011", "rows 1, 3", duplicates="refuse")
    assert len(read(path)[0]) == 5


@pytest.mark.parametrize(("text", "code"), [
    ("", "E-LOT-001"), ("lot_id\n1\n", "E-LOT-085"), ("lot_id,lot_id,lon,lat\n1,2,3,4\n", "E-LOT-007"),
    ("lot_id,LOT_ID,lon,lat\n1,2,3,4\n", "E-LOT-007"), ("lot_id,x\n1,2\n", "E-LOT-003"),
    ("lot_id,lon,lat\n1,-98,37,1600 Elm\n", "E-LOT-083"), ('lot_id,lon,lat\n"1,-98,37\n', "E-LOT-084"),
    ("lot_id,lon,lat\n1,2,3,4,5\n", "E-LOT-083"),
])
def test_damaged_csv_is_refused(text, code, tmp_path):
    path = tmp_path / "a.csv"
    path.write_text(text)
    refused(path, code)


def test_trailing_fields_that_are_left_out_are_empty(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text("lot_id,lon,lat,pour_date\n1,-98,37\n2,-98,37,1990\n")
    raw, _, _ = read(path)
    assert raw["pour_date"].tolist() == ["", "1990"]


@pytest.mark.parametrize("kind", ["gpkg", "parquet", "geojson", "csv"])
def test_no_rows_is_an_empty_answer(kind, tmp_path):
    path, entry = write(kind, tmp_path, frame().iloc[:0])
    if kind == "geojson":  # it does not even name its columns
        path.write_text(json.dumps({"type": "FeatureCollection", "features": []}))
        entry = {"columns": {"lot_id": "PARCEL"}}
    raw, sources, problems = read(path, **entry)
    assert len(raw) == sources[0].rows == 0
    assert "W-LOT-001" in [p.code for p in problems]


@pytest.mark.parametrize(("name", "content"), [
    ("a.gpkg", b"<html>503</html>"), ("a.parquet", b"PAR1 cut"), ("a.zip", b"PK\x03\x04 cut"), ("a.geojson", b"{ cut"),
    ("a.gpkg", b"SQLite format 3\x00" + b"\x00" * 200), ("a.vrt", b"<OGRVRTDataSource/>"), ("a.shp", b"\x00" * 100),
    ("a.geojson", b'{"type":"Topology","objects":{"a":{"type":"GeometryCollection","geometries":[]}},"arcs":[]}'),
])
def test_content_that_is_not_the_format_is_refused(name, content, tmp_path):
    (tmp_path / name).write_bytes(content)
    refused(tmp_path / name, "E-LOT-0")


@pytest.mark.parametrize("kind", ["geojson", "zip", "parquet"])
def test_text_that_is_not_utf8_is_refused(kind, tmp_path):
    path, entry = write(kind, tmp_path, frame().assign(lot_id=["canary"] * 5).to_crs("EPSG:4326"))
    if kind == "zip":
        with zipfile.ZipFile(path) as archive:
            parts = {name: archive.read(name).replace(b"canary", b"can\xe9ry") for name in archive.namelist()}
        with zipfile.ZipFile(path, "w") as archive:
            for name, content in parts.items():
                archive.writestr(name, content)
    else:
        path.write_bytes(path.read_bytes().replace(b"canary", b"can\xe9ry"))
    refused(path, "E-LOT-082", "UTF-8", **entry)


def test_system_without_a_datum_is_refused(tmp_path):
    path, _ = write("parquet", tmp_path, frame().set_crs(None, allow_override=True))
    refused(path, "E-LOT-020", "cannot be brought", crs='LOCAL_CS["site grid",UNIT["metre",1]]')


def test_absent_file_is_refused(tmp_path):
    refused(tmp_path / "a.gpkg", "E-LOT-081", "no such file")


def test_plain_parquet_is_refused(tmp_path):
    pd.DataFrame({"lot_id": ["1"]}).to_parquet(tmp_path / "a.parquet")
    refused(tmp_path / "a.parquet", "E-LOT-003", "GeoParquet")


def test_several_layers_must_be_chosen(tmp_path):
    path, _ = write("gpkg", tmp_path, frame())
    frame().to_file(path, layer="other")
    refused(path, "E-LOT-089", "lots, other")
    refused(path, "E-LOT-089", "no layer 'x'", layer="x")
    assert len(read(path, layer="other")[0]) == 5


@pytest.mark.parametrize("member", ["../plat.shp", "/plat.shp", "c:/plat.shp", "a\\..\\..\\plat.shp"])
def test_zip_that_points_outside_is_refused(member, tmp_path):
    with zipfile.ZipFile(tmp_path / "a.zip", "w") as archive:
        archive.writestr(member, b"x")
    refused(tmp_path / "a.zip", "E-LOT-086", "outside")


def test_zip_with_a_link_is_refused(tmp_path):
    link = zipfile.ZipInfo("plat.shp")
    link.external_attr = (stat.S_IFLNK | 0o777) << 16
    with zipfile.ZipFile(tmp_path / "a.zip", "w") as archive:
        archive.writestr(link, "/etc/hostname")
    refused(tmp_path / "a.zip", "E-LOT-086", "outside")


def test_zip_that_unpacks_beyond_reason_is_refused(tmp_path):
    with zipfile.ZipFile(tmp_path / "a.zip", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("plat.shp", bytes(120 * 1024**2))
    refused(tmp_path / "a.zip", "E-LOT-086", "unpack")


@pytest.mark.parametrize("part", [".dbf", ".shx", ".prj"])
def test_shapefile_without_a_part_is_refused(part, tmp_path):
    _, entry = write("zip", tmp_path, frame())
    with zipfile.ZipFile(tmp_path / "b.zip", "w") as archive:
        for file in tmp_path.glob("plat.*"):
            if file.suffix != part:
                archive.write(file, file.name)
    refused(tmp_path / "b.zip", "E-LOT-020" if part == ".prj" else "E-LOT-088", **entry)


def test_two_shapefiles_in_a_zip_must_be_chosen(tmp_path):
    frame()[["lot_id", "geometry"]].to_file(tmp_path / "one.shp")
    frame()[["lot_id", "geometry"]].iloc[:2].to_file(tmp_path / "two.shp")
    with zipfile.ZipFile(tmp_path / "a.zip", "w") as archive:
        for file in [*tmp_path.glob("one.*"), *tmp_path.glob("two.*")]:
            archive.write(file, file.name)
    refused(tmp_path / "a.zip", "E-LOT-087", "one", "two")
    assert len(read(tmp_path / "a.zip", layer="two")[0]) == 2


def test_a_mapping_turned_round_or_mistyped_is_told_with_the_right_one(tmp_path):
    path = tmp_path / "lots.csv"
    path.write_text("OWNER,PARCEL_NO,lon,lat,YR_BUILT\nx,1,-98.0,32.0,1985\n")
    with pytest.raises(LayerError, match='Write it the other way round: lot_id = "PARCEL_NO"'):
        read(path, columns={"PARCEL_NO": "lot_id"})
    with pytest.raises(LayerError, match=r"has, in its own order: OWNER, PARCEL_NO, lon, lat, YR_BUILT. "
                       r"Is 'PARCEL_NO' meant\?"):
        read(path, columns={"lot_id": "PARCELNO"})
    with pytest.raises(LayerError, match=r"not one of: lot_id, pour_date, .* Is 'pour_date' meant\?") as caught:
        read(path, columns={"pourdate": "YR_BUILT", "lot_id": "PARCEL_NO"})
    assert "other way" not in str(caught.value)
