"""One estimate, six formats: same rows, same order, same values, nulls kept, text as text; each read by other software.

Outside readers: SQLite and GDAL for GeoPackage, pyarrow and GDAL's schema for GeoParquet, GDAL and strict RFC 7946
rules for GeoJSON, defusedxml and GDAL for KML, openpyxl for XLSX, the csv module for CSV.
"""

from __future__ import annotations

import csv
import json
import re
import sqlite3
from dataclasses import replace
from pathlib import Path
from typing import Any

import defusedxml.ElementTree as ET
import geopandas as gpd
import numpy as np
import openpyxl
import pandas as pd
import pyogrio
import pytest
import shapely
from click.testing import CliRunner
from finished_runs import finished
from hostile_texts import NEVER, TEXTS, spread
from invented_results import results, town

from riskmap.cli.main import cli
from riskmap.common import tables
from riskmap.common.errors import RunFolderError
from riskmap.common.results import Results
from riskmap.outputs import dates
from riskmap.outputs.files import csv_table, geojson, geopackage, geoparquet, kml, rounding, sheets, xlsx
from riskmap.run import folder as run_folder
from riskmap.run import record
from riskmap.run.products import write_all

TEXT = [column.name for column in tables.ESTIMATE.columns if column.kind == "text"]
NUMBER = [column.name for column in tables.ESTIMATE.columns if column.kind != "text"]
WRITERS = (csv_table, geojson, geopackage, geoparquet, kml, xlsx)
SPACE = {"kml": "http://www.opengis.net/kml/2.2"}


@pytest.fixture(scope="module", params=["usual", "hostile"])
def found(request: pytest.FixtureRequest) -> Results:
    made = results(max(60, len(TEXTS) + 5))
    return rounding.rounded(spread(made) if request.param == "hostile" else made)


@pytest.fixture(scope="module")
def folder(found: Results, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("formats")
    for writer in WRITERS:
        writer.write(found, path)  # type: ignore[attr-defined]
    return path


# ---------------------------------------------------------------- readers: a table with our column names
def from_csv(folder: Path) -> pd.DataFrame:
    with (folder / "lots.csv").open(encoding="utf-8-sig", newline="") as stream:
        frame = pd.DataFrame(list(csv.DictReader(stream)), dtype=str)
    for name in TEXT:
        frame[name] = csv_table.unguarded(frame[name])
    return frame


def from_geojson(folder: Path) -> pd.DataFrame:
    def refuse(text: str) -> float:
        raise ValueError(f"{text} is no JSON number")

    told = json.loads((folder / "lots.geojson").read_text(encoding="utf-8"), parse_constant=refuse)
    return pd.DataFrame([feature["properties"] for feature in told["features"]])


def from_kml(folder: Path) -> pd.DataFrame:
    root = ET.parse(folder / "lots.kml", forbid_dtd=True).getroot()
    return pd.DataFrame([{entry.get("name"): entry.text or "" for entry in mark.iterfind(".//kml:SimpleData", SPACE)}
                         for mark in root.iterfind(".//kml:Placemark", SPACE)])


def from_xlsx(folder: Path) -> pd.DataFrame:
    book = openpyxl.load_workbook(folder / "lots.xlsx", read_only=True)
    lines = book["All columns"].iter_rows(values_only=True)
    heading = next(lines)
    return pd.DataFrame([dict(zip(heading, line, strict=True)) for line in lines])


READERS = {"csv": from_csv, "geojson": from_geojson, "kml": from_kml, "xlsx": from_xlsx,
           "gpkg": lambda folder: pyogrio.read_dataframe(folder / "lots.gpkg", layer="lots"),
           "parquet": lambda folder: gpd.read_parquet(folder / "lots.parquet")}


def as_kml_shows(text: str) -> str:
    shown = re.sub("[\x00-\x08\x0b\x0c\x0e-\x1f]", lambda m: f"\\u{ord(m.group()):04x}", text)
    return shown


def as_xlsx_shows(text: str) -> str:
    return text[:32767]


SHOWN = {"kml": as_kml_shows, "xlsx": as_xlsx_shows, "gpkg": lambda text: text.replace("\x00", "\\u0000")}


@pytest.mark.parametrize("kind", READERS)
def test_every_format_holds_the_same_rows_and_values(kind: str, folder: Path, found: Results) -> None:
    frame = READERS[kind](folder)
    assert len(frame) == len(found.lots)
    shown = SHOWN.get(kind, str)
    for name in TEXT:
        told = ["" if value is None or value != value else str(value) for value in frame[name]]
        if kind == "xlsx":  # the reader undoes the format's own escapes of control characters
            told = [re.sub("_x([0-9A-Fa-f]{4})_", lambda m: chr(int(m.group(1), 16)), value) for value in told]
        wanted = [shown(value) for value in found.lots[name]]
        different = [(a, b) for a, b in zip(told, wanted, strict=True) if a.replace("\r\n", "\n").replace(
            "\r", "\n") != b.replace("\r\n", "\n").replace("\r", "\n")]
        assert different == [], name
    for name in NUMBER:
        told = pd.to_numeric(frame[name] if name in frame else pd.Series([None] * len(frame)).replace("", None),
                             errors="coerce").to_numpy(float)
        np.testing.assert_array_equal(told, found.lots[name].to_numpy(float, na_value=np.nan), err_msg=name)


def test_numbers_are_rounded_once_and_ranges_still_hold_their_middle() -> None:
    whole = results()
    lots = rounding.rounded(whole).lots
    for column in tables.ESTIMATE.columns:
        digits = rounding.decimals(column)
        if digits is None:
            continue
        before, after = (frame[column.name].to_numpy(float) for frame in (whole.lots, lots))
        np.testing.assert_allclose(after, before, atol=0.51 * 10.0**-digits, rtol=0)
        known = after[np.isfinite(after)]
        assert (known == np.round(known, digits)).all(), column.name
    for name in ("expected_movement_mm", "long_run_mm", "bend_now_mm"):
        known = lots["state"] == ""
        assert (lots.loc[known, f"{name}_p10"] <= lots.loc[known, name]).all()
        assert (lots.loc[known, name] <= lots.loc[known, f"{name}_p90"]).all()
    assert whole.lots["expected_movement_mm"].iloc[30] != lots["expected_movement_mm"].iloc[30]
    again = rounding.rounded(rounding.rounded(whole)).lots
    pd.testing.assert_frame_equal(pd.DataFrame(again), pd.DataFrame(lots))


@pytest.mark.parametrize("kind", ["csv", "geojson", "gpkg", "parquet", "kml", "xlsx"])
def test_no_template_was_evaluated(kind: str, folder: Path) -> None:
    assert NEVER.encode() not in (folder / f"lots.{kind}").read_bytes()


# ---------------------------------------------------------------- each format by its own rules
def test_csv_has_no_cell_that_a_spreadsheet_would_run(folder: Path) -> None:
    with (folder / "lots.csv").open(encoding="utf-8-sig", newline="") as stream:
        cells = [(name, cell) for row in csv.DictReader(stream) for name, cell in row.items() if name in TEXT]
    assert [cell for _, cell in cells if cell[:1] in set("=+-@\t\r\n\x00＝＋－＠") - {""}] == []


def test_xlsx_holds_texts_as_texts_and_no_formula_or_link(folder: Path, found: Results) -> None:
    import zipfile

    book = openpyxl.load_workbook(folder / "lots.xlsx")
    assert book.sheetnames == ["Read me first", "Lots", "All columns", "Columns"]
    sheet = book["All columns"]
    heading = {cell.value: cell.column for cell in sheet[1]}
    for name in TEXT:
        for (cell,) in sheet.iter_rows(min_row=2, min_col=heading[name], max_col=heading[name]):
            assert cell.data_type in ("s", "inlineStr", "n") if cell.value is None else cell.data_type == "s", name
            assert cell.hyperlink is None
    assert {row[0].value for row in book["Columns"].iter_rows(min_row=2)} == {
        column.name for column in tables.ESTIMATE.columns}
    assert any("Planning information" in str(row[1].value) for row in book["Read me first"].iter_rows())
    for page in book:
        assert all(cell.data_type != "f" and cell.hyperlink is None for row in page.iter_rows() for cell in row)
    with zipfile.ZipFile(folder / "lots.xlsx") as packed:
        for name in packed.namelist():
            content = packed.read(name)
            assert b"<f>" not in content, name
            assert b"<hyperlink" not in content, name


@pytest.mark.parametrize(("system", "unit", "per"), [("us", "in", 25.4), ("si", "mm", 1.0)])
def test_the_sheet_of_lots_can_be_read_by_a_person(system: str, unit: str, per: float, tmp_path: Path) -> None:
    made = rounding.rounded(results())
    xlsx.write(made, tmp_path, system)
    book = openpyxl.load_workbook(tmp_path / "lots.xlsx")
    assert book.active.title == "Read me first"
    sheet, last = book["Lots"], len(made.lots) + 2
    assert (sheet.max_column, sheet.max_row) == (12, last)
    assert (sheet.freeze_panes, sheet.auto_filter.ref) == ("C3", f"A2:L{last}")  # below the codes
    heading, codes = ([cell.value for cell in sheet[row]] for row in (1, 2))
    assert heading[1].startswith("largest bending from now to ")
    assert heading[1].endswith(f", {unit}")
    told = {row[0].value for row in book["Read me first"].iter_rows()}
    assert set(heading) <= told
    every = {row[0].value for row in book["Columns"].iter_rows(min_row=2)}
    assert all(set(code.split(", ")) <= every for code in codes)
    assert len(set(codes)) == 12
    (bars,) = sheet.conditional_formatting
    assert str(bars.sqref) == f"B3:B{last}"
    (rule,) = bars.rules
    assert rule.type == "dataBar"
    assert next((limit.type, limit.val) for limit in rule.dataBar.cfvo) == ("num", 0)
    for number, name in enumerate(codes, start=1):
        cells = [row[0] for row in sheet.iter_rows(min_row=3, min_col=number, max_col=number)]
        width = sheet.column_dimensions[cells[0].column_letter].width
        assert width >= max(map(len, heading[number - 1].split()))
        if name.endswith(("_mm", "_p10", "_p90")):
            assert {cell.number_format for cell in cells if cell.value is not None} == {"0.0"}, name
            values = np.array([np.nan if cell.value is None else cell.value for cell in cells], float)
            np.testing.assert_allclose(values, made.lots[name].to_numpy(float) / per, atol=0.0501, err_msg=name)
        else:
            longest = max(len(str(cell.value or "")) for cell in cells)
            assert width >= min(longest, 48), name
            assert all(cell.alignment.wrap_text for cell in cells if cell.value), name
    states = [cell.value for cell in sheet["L"][2:]]
    for state, note in zip(made.lots["state"], states, strict=True):
        assert not state or note.startswith(tables.STATES[state])
    assert book["All columns"].auto_filter.ref.startswith("A1:")
    described = {row[0].value: (row[1].value, row[2].value) for row in book["Columns"].iter_rows(min_row=2)}
    assert described["expected_movement_mm"][1] == "mm"
    assert all(meaning for meaning, _ in described.values())


def test_a_period_of_the_pour_is_said_as_people_say_it() -> None:
    assert [dates.span(*months) for months in (("1961-01", "1961-12"), ("1961-03", "1961-03"), ("1958-01", "1962-12"),
                                               ("1958-04", "1971-12"), ("", ""))] == [
        "1961", "March 1961", "1958 to 1962", "April 1958 to December 1971", ""]


def test_geojson_follows_its_standard(folder: Path, found: Results) -> None:
    """RFC 7946: 4 (no crs), 3.2 (null geometry), 3.1.6 (right-hand rule, closed rings), degrees in range."""
    told = json.loads((folder / "lots.geojson").read_text(encoding="utf-8"))
    assert told["type"] == "FeatureCollection"
    assert "crs" not in told
    empty = found.lots.geometry.isna() | found.lots.geometry.is_empty
    assert [feature["geometry"] is None for feature in told["features"]] == empty.tolist()
    for feature in told["features"]:
        assert set(feature) == {"type", "geometry", "properties"}
        if feature["geometry"] is None:
            continue
        polygons = feature["geometry"]["coordinates"]
        for polygon in [polygons] if feature["geometry"]["type"] == "Polygon" else polygons:
            for k, ring in enumerate(polygon):
                assert ring[0] == ring[-1]
                assert len(ring) >= 4
                assert shapely.is_ccw(shapely.LinearRing(ring)) == (k == 0)
                assert all(len(point) == 2 and abs(point[0]) <= 180 and abs(point[1]) <= 90 for point in ring)
    back = pyogrio.read_dataframe(folder / "lots.geojson")
    assert back.crs == "EPSG:4326"
    same_areas(back, found)


def test_kml_follows_its_standard_and_links_to_nothing(folder: Path, found: Results) -> None:
    text = (folder / "lots.kml").read_text(encoding="utf-8")
    root = ET.fromstring(text.encode(), forbid_dtd=True)
    assert root.tag == "{http://www.opengis.net/kml/2.2}kml"
    styles = {style.get("id") for style in root.iterfind(".//kml:Style", SPACE)}
    used = {mark.findtext("kml:styleUrl", namespaces=SPACE)[1:] for mark in root.iterfind(".//kml:Placemark", SPACE)}
    assert used <= styles
    for tag in ("NetworkLink", "href", "Icon", "IconStyle", "BalloonStyle", "Link"):
        assert root.find(f".//kml:{tag}", SPACE) is None, tag
    fields = [field.get("name") for field in root.iterfind(".//kml:SimpleField", SPACE)]
    assert fields == [column.name for column in tables.ESTIMATE.columns]
    back = pyogrio.read_dataframe(folder / "lots.kml", layer="lots")
    same_areas(back, found)


def test_geoparquet_follows_its_standard(folder: Path, found: Results) -> None:
    """GeoParquet 1.1.0: version, primary column, encoding, geometry types, bounding box and its column."""
    import pyarrow.parquet as pq

    geo = json.loads(pq.read_metadata(folder / "lots.parquet").metadata[b"geo"])
    assert geo["version"] == "1.1.0"
    column = geo["columns"][geo["primary_column"]]
    assert column["encoding"] == "WKB"
    assert set(column["geometry_types"]) <= {"Polygon", "MultiPolygon"}
    covering = column["covering"]["bbox"]
    assert set(covering) == {"xmin", "ymin", "xmax", "ymax"}
    boxes = pq.read_table(folder / "lots.parquet", columns=["bbox"]).column("bbox").to_pylist()
    sides = [[(entry or {}).get(name) for name in ("xmin", "ymin", "xmax", "ymax")] for entry in boxes]
    np.testing.assert_allclose(np.array(sides, dtype=float), found.lots.bounds.to_numpy(), rtol=0, atol=1e-6)
    same_areas(pyogrio.read_dataframe(folder / "lots.parquet") if "Parquet" in pyogrio.list_drivers()
               else gpd.read_parquet(folder / "lots.parquet"), found)


def test_geopackage_follows_its_standard(folder: Path) -> None:
    """GeoPackage 1.3: application id (requirement 2), required tables, spatial reference systems, extension rows."""
    with sqlite3.connect(folder / "lots.gpkg") as base:
        assert base.execute("PRAGMA application_id").fetchone() == (0x47504B47,)
        assert base.execute("PRAGMA user_version").fetchone() == (10300,)
        assert base.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert base.execute("PRAGMA foreign_key_check").fetchall() == []
        names = {row[0] for row in base.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
        assert {"gpkg_spatial_ref_sys", "gpkg_contents", "gpkg_geometry_columns", "lots", "layer_styles"} <= names
        srs = {row[0] for row in base.execute("SELECT srs_id FROM gpkg_spatial_ref_sys")}
        assert {-1, 0, 4326} <= srs
        kinds = dict(base.execute("SELECT table_name, data_type FROM gpkg_contents"))
        assert kinds["lots"] == "features"
        styled = {row[0] for row in base.execute("SELECT f_table_name FROM layer_styles WHERE useAsDefault = 1")}
        assert styled == {name for name, kind in kinds.items() if kind == "features"}


def same_areas(back: gpd.GeoDataFrame, found: Results) -> None:
    known = ~(found.lots.geometry.isna() | found.lots.geometry.is_empty).to_numpy()
    areas = [shapely.area(frame.geometry.to_numpy()[known]) for frame in (back, found.lots)]
    np.testing.assert_allclose(*areas, rtol=1e-3)  # 1e-7 degrees of 4e-4
    assert (back.geometry.isna() | back.geometry.is_empty).to_numpy()[~known].all()


@pytest.mark.parametrize("writer", WRITERS, ids=lambda writer: writer.__name__.rsplit(".", 1)[1])
def test_equal_results_give_equal_files(writer: Any, found: Results, tmp_path: Path) -> None:
    made = []
    for name in ("a", "b"):
        (tmp_path / name).mkdir()
        made.append(writer.write(found, tmp_path / name).read_bytes())
    assert made[0] == made[1]


def test_a_workbook_that_would_not_hold_every_row_is_refused(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(sheets, "MOST_ROWS", 59)
    with pytest.raises(RunFolderError, match=r"E-RUN-016 lots\.xlsx: 60 lots"):
        xlsx.write(results(), tmp_path)


# ---------------------------------------------------------------- the command
@pytest.fixture(scope="module")
def outputs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("outputs")
    finished(path, results())
    return path


def export(*words: object) -> Any:
    return CliRunner().invoke(cli, ["export", *map(str, words)])


def test_export_writes_what_is_asked_and_leaves_the_run_alone(outputs: Path, tmp_path: Path) -> None:
    newest = (outputs / "latest").read_text(encoding="ascii")
    done = export("latest", "--format", "geojson,kml,xlsx,csv,gpkg,parquet", "--into", tmp_path / "new", "--outputs",
                  outputs)
    assert done.exit_code == 0, done.output
    names = sorted(path.name for path in (tmp_path / "new").iterdir())
    assert names == ["columns.json", "lots.csv", "lots.geojson", "lots.gpkg", "lots.kml", "lots.parquet", "lots.xlsx"]
    run = run_folder.latest(outputs)
    assert run is not None
    for name in ("lots.csv", "lots.gpkg", "lots.parquet", "lots.xlsx"):
        assert (tmp_path / "new" / name).read_bytes() == (run / name).read_bytes(), name
    assert (outputs / "latest").read_text(encoding="ascii") == newest
    frame = from_geojson(tmp_path / "new")
    assert len(frame) == len(record.read(run).lots)
    raw = export("latest", "--format", "csv", "--raw-csv", "--into", tmp_path / "raw", "--outputs", outputs)
    assert raw.exit_code == 0
    with (tmp_path / "raw" / "lots.csv").open(encoding="utf-8-sig", newline="") as stream:
        assert "=1+1" in [row["lot_id"] for row in csv.DictReader(stream)]


@pytest.mark.parametrize(("given", "code"), [("shp", "E-EXP-001"), ("", "E-EXP-001"), ("csv,dwg", "E-EXP-001")])
def test_export_refuses_formats_it_does_not_have(given: str, code: str, outputs: Path) -> None:
    assert code in str(export("latest", "--format", given, "--outputs", outputs).exception)


def test_export_never_writes_over_anything(outputs: Path, tmp_path: Path) -> None:
    (tmp_path / "there").mkdir()
    (tmp_path / "there" / "mine.txt").write_text("x", encoding="utf-8")
    done = export("latest", "--format", "csv", "--into", tmp_path / "there", "--outputs", outputs)
    assert "E-RUN-017" in str(done.exception)
    assert [path.name for path in (tmp_path / "there").iterdir()] == ["mine.txt"]


def test_export_never_writes_into_the_run_and_by_default_beside_it(outputs: Path) -> None:
    run = run_folder.latest(outputs)
    assert run is not None
    before = sorted(path.name for path in run.iterdir())
    done = export("latest", "--format", "csv", "--into", run / "more", "--outputs", outputs)
    assert "E-RUN-015" in str(done.exception)
    assert sorted(path.name for path in run.iterdir()) == before
    done = export(run, "--format", "csv")
    assert done.exit_code == 0
    assert Path(done.output.splitlines()[0]).parent.parent == run.resolve().parent


def test_parts_of_a_score_add_up_after_rounding() -> None:
    """Six numbers rounded to 0.01 and one to 0.1: at most 0.08 mm apart."""
    draw = np.random.default_rng(8)
    lots = results().lots.copy()
    names = [f"part_{part}_mm" for part in ("soil", "age", "weather", "slab", "gaps")]
    known = (lots["state"] == "").to_numpy()
    for name in [*names, "typical_lot_mm"]:
        lots.loc[known, name] = draw.uniform(0, 20, known.sum())
    lots.loc[known, "expected_movement_mm"] = lots.loc[known, [*names, "typical_lot_mm"]].sum(axis=1)
    told = rounding.rounded(replace(results(), lots=lots)).lots[known]
    gap = told[[*names, "typical_lot_mm"]].sum(axis=1) - told["expected_movement_mm"]
    assert gap.abs().max() <= 0.08


def test_a_text_longer_than_a_cell_is_cut_and_says_so(tmp_path: Path) -> None:
    made = results()
    lots = made.lots.copy()
    lots.loc[40, "map_unit_name"] = "y" * 40_000
    xlsx.write(replace(made, lots=lots), tmp_path)
    told = from_xlsx(tmp_path)["map_unit_name"][40]
    assert len(told) == 32_767
    assert told.endswith("[cut: a cell takes no more]")


def test_no_lots_at_all_still_gives_headings(tmp_path: Path) -> None:
    made = results()
    empty = replace(made, lots=made.lots.iloc[:0])
    for writer in WRITERS:
        writer.write(empty, tmp_path)  # type: ignore[attr-defined]
    heading = next(openpyxl.load_workbook(tmp_path / "lots.xlsx")["All columns"].iter_rows(values_only=True))
    assert list(heading) == [column.name for column in tables.ESTIMATE.columns]
    assert json.loads((tmp_path / "lots.geojson").read_text(encoding="utf-8"))["features"] == []


def test_large_areas_leave_the_workbook_to_export(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(xlsx, "USUAL_ROWS", 100)
    names = [path.name for path in write_all(town(101), tmp_path)]
    assert "lots.xlsx" not in names
    assert "lots.csv" in names
