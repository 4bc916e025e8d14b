"""Lot files that are damaged, cut or put together wrongly: no lot vanishes in silence, and what is said is of use."""

from __future__ import annotations

import json
import re
import sqlite3
import struct
import warnings
import zipfile
from contextlib import closing
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from shapely.geometry import box

from riskmap.common.errors import LayerError
from riskmap.common.problems import Problem
from riskmap.common.settings import Area
from riskmap.layers import lots, lots_whole

COUNT = 30
LOTS = gpd.GeoDataFrame(
    {"lot_id": [f"L{k:03d}" for k in range(COUNT)], "pour_date": "1990"},
    geometry=[box(-98 + k * 1e-3, 32, -98 + k * 1e-3 + 5e-4, 32.0005) for k in range(COUNT)], crs="EPSG:4326")


def read(path: Path, **entry: object) -> tuple[gpd.GeoDataFrame, list[Problem]]:
    area = Area.model_validate({"name": "a", "folder": path.parent, "lots": {"path": path.name, **entry},
                                "soil": {"path": "s"}})
    raw, _, problems = lots.read(area.lots, area)
    return raw, problems


def refused(path: Path, **entry: object) -> str:
    with pytest.raises(LayerError) as caught:
        read(path, **entry)
    return str(caught.value)


@pytest.fixture(scope="module")
def parts(tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    folder = tmp_path_factory.mktemp("plat")
    LOTS.to_file(folder / "lots.shp")
    return {file.suffix[1:]: file.read_bytes() for file in folder.iterdir()}


def packed(path: Path, files: dict[str, bytes]) -> Path:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in files.items():
            archive.writestr(name, content)
    return path


def table_of(parts: dict[str, bytes], **others: bytes) -> dict[str, bytes]:
    return {f"lots.{ending}": content for ending, content in {**parts, **others}.items()}


def counting(dbf: bytes, rows: int) -> bytes:
    return dbf[:4] + struct.pack("<I", rows) + dbf[8:]


def cut(content: bytes) -> bytes:
    return content[:len(content) * 2 // 3]


# ---------------------------------------------------------------- shapefile
@pytest.mark.parametrize(("changed", "words"), [
    (lambda p: {"shp": cut(p["shp"])}, "lots.shp has 2,786 bytes where 4,180 are promised"),
    (lambda p: {"shx": cut(p["shx"])}, "lots.shx has 226 bytes where 340 are promised"),
    (lambda p: {"dbf": cut(p["dbf"])}, "lots.dbf has 19 rows where 30 are promised"),
    (lambda p: {"dbf": counting(p["dbf"], 23)}, "lots.shx lists 30 shapes, lots.dbf 23 rows"),
    (lambda p: {"dbf": counting(p["dbf"], 37)}, "lots.dbf has 30 rows where 37 are promised"),
    (lambda p: {"shx": p["shx"][:24] + struct.pack(">I", (100 + 8 * 20) // 2) + p["shx"][28:260]},
     "lots.shx lists 20 shapes, lots.dbf 30 rows"),
    (lambda p: {"shx": b"\xff" * 340}, "lots.shx is not part of a shapefile"),
    (lambda p: {"shx": p["shx"][:100] + p["shx"][108:116] + p["shx"][108:]}, "1 of the shapes that lots.shx lists are "
     "listed twice"),
    (lambda p: {"shx": p["shx"][:100] + struct.pack(">ii", 60, 64) + p["shx"][108:]},
     "1 of the shapes that lots.shx lists are of another length in lots.shp"),
    (lambda p: {"shx": p["shx"][:100] + struct.pack(">ii", 10**6, 64) + p["shx"][108:]},
     "1 of the shapes that lots.shx lists are not in lots.shp"),
    (lambda p: {"shp": p["shp"][:4]}, "lots.shp is not part of a shapefile"),
    (lambda p: {"dbf": b""}, "lots.dbf is not a table"),
])
@pytest.mark.parametrize("loose", [False, True])
def test_parts_that_disagree_are_refused_with_their_counts(changed, words, loose, parts, tmp_path) -> None:  # type: ignore[no-untyped-def]
    files = table_of(parts, **changed(parts))
    for name, content in files.items():
        (tmp_path / name).write_bytes(content)
    said = refused(tmp_path / "lots.shp" if loose else packed(tmp_path / "lots.zip", files))
    assert said.startswith("E-LOT-060 lots.")
    assert words in said


def test_a_whole_shapefile_is_read_whatever_capitals_its_endings_have(parts: dict[str, bytes], tmp_path: Path) -> None:
    for endings in (str.lower, str.upper):
        files = {f"Plat 1.{endings(ending)}": content for ending, content in parts.items()}
        raw, problems = read(packed(tmp_path / f"{endings('a')}.zip", files))
        assert raw["lot_id"].tolist() == LOTS["lot_id"].tolist()
        assert not raw.geometry.isna().any()
        assert problems == []


def test_bytes_behind_the_last_shape_are_no_damage(parts: dict[str, bytes], tmp_path: Path) -> None:
    raw, problems = read(packed(tmp_path / "lots.zip", table_of(parts, shp=parts["shp"] + bytes(100))))
    assert (len(raw), problems) == (COUNT, [])


def test_rows_marked_as_deleted_are_counted(parts: dict[str, bytes], tmp_path: Path) -> None:
    start, width = struct.unpack("<HH", parts["dbf"][8:12])
    table = bytearray(parts["dbf"])
    table[start + 3 * width] = table[start + 5 * width] = ord("*")
    raw, problems = read(packed(tmp_path / "lots.zip", table_of(parts, dbf=bytes(table))))
    assert len(raw) == COUNT - 2
    assert [(p.code, p.rule) for p in problems] == [("W-LOT-060", "2 rows are marked as deleted in the .dbf.")]


def test_a_library_that_passes_a_row_over_is_noticed(parts: dict[str, bytes], tmp_path: Path) -> None:
    found = lots_whole.zipped_shapefile(packed(tmp_path / "lots.zip", table_of(parts)), "lots.zip", None)
    assert found.check_read(COUNT, "lots.zip") == []
    with pytest.raises(LayerError, match=r"E-LOT-060 lots\.zip: the file has 30 lots, 29 of them could be read"):
        found.check_read(COUNT - 1, "lots.zip")


def test_lengths_at_the_ends_of_blocks_are_read(parts: dict[str, bytes], tmp_path: Path,
                                                monkeypatch: pytest.MonkeyPatch) -> None:
    path = packed(tmp_path / "lots.zip", table_of(parts))
    for size in range(1, 300, 7):  # every shape is 136 bytes long, so ends of blocks fall within lengths
        monkeypatch.setattr(lots_whole, "_CHUNK", size)
        assert lots_whole.zipped_shapefile(path, "lots.zip", None).rows == COUNT


@pytest.mark.parametrize(("files", "words"), [
    (lambda p: {n: c for n, c in table_of(p).items() if n != "lots.shp"},
     "the .shp is missing, the part with the shapes. The zip contains: lots."),
    (lambda p: {"lots.csv": b"lot_id,lon,lat\n"}, "there is no shapefile in the zip. The zip contains: lots.csv"),
    (lambda p: {"lots.shp": p["shp"], "lots.Shx": p["shx"], "lots.DBF": p["dbf"], "lots.Prj": p["prj"]},
     "lots.Shx, lots.Prj: the parts of a shapefile need the same name in the same capitals. Rename to lots.shp, "),
    (lambda p: {"Lots.shp": p["shp"], "lots.shx": p["shx"], "Lots.dbf": p["dbf"]}, "lots.shx: the parts of a"),
    (lambda p: {f"{f}/{n}": c for f in "ab" for n, c in table_of(p).items()},
     "Set lots.layer to one of: a/lots, b/lots."),
])
def test_a_zip_that_is_no_shapefile_says_what_it_holds(files, words, parts, tmp_path) -> None:  # type: ignore[no-untyped-def]
    said = refused(packed(tmp_path / "lots.zip", files(parts)))
    assert re.match(r"E-LOT-08[78] lots\.zip: ", said)
    assert words in said
    assert "none found" not in said


def test_of_two_shapefiles_of_one_name_the_folder_chooses(parts: dict[str, bytes], tmp_path: Path) -> None:
    half = gpd.GeoDataFrame(LOTS.iloc[:5])
    half.to_file(tmp_path / "lots.shp")
    other = {f"b/{file.name}": file.read_bytes() for file in tmp_path.glob("lots.*")}
    path = packed(tmp_path / "lots.zip", {**{f"a/{n}": c for n, c in table_of(parts).items()}, **other})
    assert [len(read(path, layer=layer)[0]) for layer in ("a/lots", "b/lots")] == [COUNT, 5]


def test_two_entries_of_one_name_are_named(parts: dict[str, bytes], tmp_path: Path) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # that two entries have one name is what is wanted
        with zipfile.ZipFile(tmp_path / "lots.zip", "w") as archive:
            for name in [*table_of(parts), "LOTS.dbf"]:
                archive.writestr(name, b"x")
    assert "two entries have the same name: lots.dbf" in refused(tmp_path / "lots.zip")


@pytest.mark.parametrize("prj", [b"hello", b"GEOGCS[garbage", b"\xff\xfe\x00"])
def test_a_bad_prj_is_named(prj: bytes, parts: dict[str, bytes], tmp_path: Path) -> None:
    path = packed(tmp_path / "lots.zip", table_of(parts, prj=prj))
    said = refused(path)
    assert said.startswith("E-LOT-061 lots.zip: the .prj of the shapefile is not understood: ")
    assert "[lots] crs = " in said


def test_a_bad_prj_beside_a_stated_system_is_told(parts: dict[str, bytes], tmp_path: Path) -> None:
    raw, problems = read(packed(tmp_path / "lots.zip", table_of(parts, prj=b"hello")), crs="EPSG:4326")
    assert raw.crs == "EPSG:4326"
    assert [p.code for p in problems] == ["W-LOT-061"]


# ---------------------------------------------------------------- other formats
@pytest.fixture(scope="module")
def package(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    path = tmp_path_factory.mktemp("gpkg") / "lots.gpkg"
    pd.concat([LOTS] * 100, ignore_index=True).to_file(path)
    return path.read_bytes()


def test_a_damaged_page_of_a_geopackage_costs_no_lot_in_silence(package: bytes, tmp_path: Path) -> None:
    path = tmp_path / "lots.gpkg"
    page = 4096
    for place in range(len(package) // page // 10, len(package) // page, 7):  # the first pages are the schema
        path.write_bytes(package[:place * page] + bytes(page) + package[(place + 1) * page:])
        assert "E-LOT-063 lots.gpkg: the database in this file is damaged or cut" in refused(path)


@pytest.mark.parametrize("share", [0.3, 0.9, 0.999])
def test_a_cut_geopackage_is_refused_without_a_librarys_words(share: float, package: bytes, tmp_path: Path) -> None:
    (tmp_path / "lots.gpkg").write_bytes(package[:int(share * len(package))])
    said = refused(tmp_path / "lots.gpkg")
    assert said.startswith("E-LOT-063 lots.gpkg: ")
    assert "SELECT" not in said


@pytest.mark.parametrize("count", [3, 20_000])
def test_a_geopackage_that_counts_otherwise_is_read_whole_and_told(count: int, package: bytes, tmp_path: Path) -> None:
    path = tmp_path / "lots.gpkg"
    path.write_bytes(package)
    with closing(sqlite3.connect(path)) as base:
        base.execute("UPDATE gpkg_ogr_contents SET feature_count = ?", (count,))
        base.commit()
    raw, problems = read(path)
    assert len(raw) == 100 * COUNT
    assert [p.code for p in problems] == ["W-LOT-063"]
    assert f"counts {count:,} lots in itself (table gpkg_ogr_contents), 3,000 are in it" in problems[0].rule


def test_a_view_of_a_geopackage_is_read(package: bytes, tmp_path: Path) -> None:
    path = tmp_path / "lots.gpkg"
    path.write_bytes(package)
    with closing(sqlite3.connect(path)) as base:
        base.execute("CREATE VIEW few AS SELECT * FROM lots WHERE fid < 8")
        for table in ("gpkg_contents", "gpkg_geometry_columns"):
            names = [row[1] for row in base.execute(f"PRAGMA table_info({table})")]
            values = ", ".join({"table_name": "'few'", "identifier": "'few'"}.get(name, name) for name in names)
            base.execute(f"INSERT INTO {table} SELECT {values} FROM {table}")
        base.commit()
    assert len(read(path, layer="few")[0]) == 7


def features() -> list[object]:
    return json.loads(LOTS.to_json())["features"]  # type: ignore[no-any-return]


@pytest.mark.parametrize("odd", [None, 3, {"type": "Polygon", "coordinates": []}, {"properties": {"lot_id": "x"}}])
def test_members_that_are_no_features_are_not_passed_over(odd: object, tmp_path: Path) -> None:
    path = tmp_path / "lots.geojson"
    path.write_text(json.dumps({"type": "FeatureCollection", "features": [*features(), odd]}))
    assert "E-LOT-064 lots.geojson: the file has 31 lots, 30 of them could be read" in refused(path)


@pytest.mark.parametrize("chunk", [7, 64, 1000, 1 << 22])
@pytest.mark.parametrize("indent", [None, 2])
def test_members_are_counted_as_a_json_reader_counts_them(chunk: int, indent: int | None, tmp_path: Path,
                                                          monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(lots_whole, "_CHUNK", chunk)
    odd = ['],[{"features": [1,2]', 'a\\', 'a\\"', "東京", ""]
    members = [{"type": "Feature", "properties": {"lot_id": text, "features": [1, [2, 3]]}} for text in odd]
    for content, expected in (
            ({"bbox": [1, 2, 3, 4], "features": members, "more": {"features": [1]}}, 5), ({"features": []}, 0),
            ({"features": [[]]}, 1), ({"features": [None]}, 1), ({"type": "Feature", "x": {"features": [1]}}, None),
            ({'"features': [1, 2], "Features": [1]}, None)):
        path = tmp_path / "a.json"
        path.write_text(json.dumps(content, indent=indent, ensure_ascii=False), encoding="utf-8")
        assert lots_whole.geojson_members(path) == expected, content


@pytest.mark.parametrize("share", [0.2, 0.9, 0.999])
def test_a_cut_geojson_geoparquet_or_kml_is_refused(share: float, tmp_path: Path) -> None:
    LOTS.to_file(tmp_path / "a.geojson")
    LOTS.to_parquet(tmp_path / "a.parquet")
    (tmp_path / "a.kml").write_text("<kml><Document>" + "".join(
        f"<Placemark><name>{k}</name><Point><coordinates>-98,32</coordinates></Point></Placemark>" for k in range(30))
        + "</Document></kml>")
    for path in list(tmp_path.iterdir()):
        content = path.read_bytes()
        path.write_bytes(content[:int(share * len(content))])
        assert refused(path).startswith(f"E-LOT-001 {path.name}: ")


def test_zero_lots_are_one_answer_in_every_format(tmp_path: Path) -> None:
    LOTS.iloc[:0].to_file(tmp_path / "a.gpkg")
    (tmp_path / "a.geojson").write_text('{"type": "FeatureCollection", "features": []}')
    told = {suffix: read(tmp_path / f"a.{suffix}") for suffix in ("gpkg", "geojson")}
    assert {len(raw) for raw, _ in told.values()} == {0}
    assert {tuple(str(p).split(": ", 1)[1] for p in problems) for _, problems in told.values()} == {
        ("the file has no rows. Check that it was exported whole. The answer is empty.",)}


# ---------------------------------------------------------------- CSV
HEADING, ROWS = "lot_id,lon,lat,pour_date\n", "".join(f"L{k},-98,32,1990\n" for k in range(10))


def text(folder: Path, content: str | bytes) -> Path:
    path = folder / "lots.csv"
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return path


@pytest.mark.parametrize(("content", "code", "words"), [
    (HEADING + ROWS + "x,-98,32,1990,a,b\n" + ROWS + "y,-98,32,1990,a\n",
     "E-LOT-083", "row 12: the row has more fields than the heading, which has 4 (and in 1 more: 23)"),
    (HEADING + ROWS + "x,-98,32,1990,a\n", "E-LOT-083",
     "row 12: the row has more fields than the heading, which has 4."),
    ("\n\n" + HEADING + "x,-98,32,1990,a,b\n", "E-LOT-083", "row 4: the row has more fields"),
    (HEADING + ROWS + '"x,-98,32,1990\n' + ROWS, "E-LOT-084",
     "row 12: a quote is opened in this row and never closed"),
])
def test_ragged_rows_are_refused_with_their_number(content: str, code: str, words: str, tmp_path: Path) -> None:
    said = refused(text(tmp_path, content))
    assert f"{code} lots.csv {words}" in said
    assert "C error" not in said


def test_rows_that_end_early_are_told(tmp_path: Path) -> None:
    raw, problems = read(text(tmp_path, HEADING + "a,-98,32,\n\nb,-98,32\n" + ROWS + "c,-98"))
    assert raw["lot_id"].tolist() == ["a", "b", *(f"L{k}" for k in range(10)), "c"]
    (told,) = [p for p in problems if p.code == "W-LOT-065"]
    assert told.rule == "2 rows have fewer fields than the heading: 4, 15."


@pytest.mark.parametrize("encoding", ["utf-16-le", "utf-16-be", "utf-32-le", "utf-32-be"])
def test_wide_text_without_its_mark_is_read_and_told(encoding: str, tmp_path: Path) -> None:
    raw, problems = read(text(tmp_path, (HEADING + "東京-1,-98,32,1990\n" + ROWS).encode(encoding)))
    assert raw["lot_id"].tolist()[:2] == ["東京-1", "L0"]
    assert [p.code for p in problems] == ["W-LOT-067"]
    assert encoding[:6].upper() in problems[0].action


@pytest.mark.parametrize("encoding", ["utf-16", "utf-32", "utf-16-le"])
def test_wide_text_that_is_cut_is_refused(encoding: str, tmp_path: Path) -> None:
    assert "E-LOT-067 lots.csv row 11: the text begins as UTF-" in refused(
        text(tmp_path, (HEADING + ROWS).encode(encoding)[:-1]))


def test_a_zero_byte_in_an_identifier_is_kept(tmp_path: Path) -> None:
    raw, problems = read(text(tmp_path, HEADING + "a\0b,-98,32,1990\na\0c,-98,32,1990\n"))
    assert raw["lot_id"].tolist() == ["a\0b", "a\0c"]
    assert problems == []


def test_a_doubled_heading_gets_a_remedy_that_can_be_done(tmp_path: Path) -> None:
    for content in ("lot_id,lot_id,lon,lat\n1,2,3,4\n", "id,id,lon,lat\n1,2,3,4\n"):
        said = refused(text(tmp_path, content), **({} if "lot" in content else {"columns": {"lot_id": "id"}}))
        assert "two columns have the name" in said
        assert "Rename or remove one in the file." in said
        assert "Say which one" not in said


def test_a_heading_of_endless_columns_is_refused_before_a_table_is_made(tmp_path: Path) -> None:
    assert "E-LOT-066 lots.csv: the heading has 300,003 columns; at most 2,000 are read." in refused(
        text(tmp_path, "lot_id,lon,lat" + "," * 300_000 + "\n1,-98,32\n"))


def test_columns_without_a_name_are_called_so(tmp_path: Path) -> None:
    _, problems = read(text(tmp_path, "lot_id,lon,lat,,\n1,-98,32,x,y\n"))
    assert problems[0].rule == "columns that the estimate does not use: (no name), (no name)."


# ---------------------------------------------------------------- what libraries say
def test_what_a_library_says_becomes_a_finding_and_never_a_line_with_a_path(
        tmp_path: Path, capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    members = features()
    for member in members:
        member["id"] = 1  # type: ignore[index]
    path = tmp_path / "lots.geojson"
    path.write_text(json.dumps({"type": "FeatureCollection", "features": members}))
    with warnings.catch_warnings(record=True) as escaped:
        warnings.simplefilter("always")
        for _ in range(2):  # a second reading is told the same
            raw, problems = read(path)
            assert [p.code for p in problems] == ["W-LOT-062"]
            assert "Several features with id = 1 have been found" in problems[0].rule
            assert str(tmp_path) not in str(problems[0])
    assert len(raw) == COUNT
    assert escaped == []
    assert capfd.readouterr() == ("", "")


def test_warnings_in_logs_are_collected_and_those_to_programmers_dropped(
        tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    import logging

    from riskmap.layers.reader_words import as_findings

    problems: list[Problem] = []
    path = tmp_path / "a b" / "lots.gpkg"
    with as_findings(path, "lots.gpkg", problems, "W-LOT-062"):
        logging.getLogger("pyogrio._io").warning("%s has odd pages, see /usr/lib/x/help.txt", path)
        logging.getLogger("pyogrio").info("nothing")
        warnings.warn("old name", DeprecationWarning, stacklevel=1)
        warnings.warn(f"File /vsizip/{{{path}}}/x.shp is odd", UserWarning, stacklevel=1)
    assert [p.rule for p in problems] == [
        "the library that reads the file says: File lots.gpkg/x.shp is odd.",
        "the library that reads the file says: lots.gpkg has odd pages, see help.txt."]
    assert capfd.readouterr().err == ""
    assert logging.getLogger("pyogrio").handlers == []


# ---------------------------------------------------------------- names
def test_a_name_with_a_zero_byte_is_shown_written_out(tmp_path: Path) -> None:
    said = refused(tmp_path / "lots.gpkg\0.csv")
    assert said.startswith("E-LOT-081 lots.gpkg\\u0000.csv: no such file")


def test_names_and_identifiers_beyond_ascii_are_kept(parts: dict[str, bytes], tmp_path: Path) -> None:
    path = tmp_path / "lots_東京.csv"
    path.write_text("lot_id,lon,lat\nÄ-1 東京,-98,32\n", encoding="utf-8")
    assert read(path)[0]["lot_id"].tolist() == ["Ä-1 東京"]
    inside = {f"Grundstücke/東京.{ending}": content for ending, content in parts.items()}
    assert len(read(packed(tmp_path / "Ä.zip", inside))[0]) == COUNT
    frame = LOTS.assign(lot_id="東京")
    for suffix in ("gpkg", "geojson", "parquet"):
        place = tmp_path / f"東.{suffix}"
        frame.to_parquet(place) if suffix == "parquet" else frame.to_file(place)
        raw = read(place)[0]
        assert set(raw["lot_id"]) == {"東京"}
        assert np.asarray(raw.geometry.is_valid).all()
