"""CSV, GeoPackage and GeoParquet contain every row in order with the same values; the dictionary names every column."""

from __future__ import annotations

import hashlib
import json
import sqlite3
import xml.etree.ElementTree as ET
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pyogrio
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from invented_results import HOSTILE, NEVER, results

from riskmap.common import tables
from riskmap.common.results import Results
from riskmap.outputs import palette
from riskmap.outputs.files import csv_table, geopackage, geoparquet, rounding
from riskmap.run import products

FORMULA_SIGNS = ("=", "+", "-", "@", "\t", "\r")


@pytest.fixture(scope="module")
def found() -> Results:
    return results()


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory, found: Results) -> Path:
    path = tmp_path_factory.mktemp("products")
    written = products.write_all(found, path, "si")
    assert [p.name for p in written] == ["lots.gpkg", "lots.parquet", "lots.csv", "lots.xlsx", "columns.json",
                                         "problems.json", "record", "map.html"]
    return path


def read_csv(folder: Path) -> pd.DataFrame:
    texts = {c.name: str for c in tables.ESTIMATE.columns if c.kind == "text"}
    blank = {c.name: [""] for c in tables.ESTIMATE.columns if c.kind != "text"} | {"lon": [""], "lat": [""]}
    return pd.read_csv(folder / "lots.csv", dtype=texts, keep_default_na=False, na_values=blank, encoding="utf-8-sig")


def same(frame: pd.DataFrame, lots: gpd.GeoDataFrame) -> None:
    assert len(frame) == len(lots)
    for column in tables.ESTIMATE.columns:
        if column.kind == "text":
            assert list(frame[column.name].fillna("")) == list(lots[column.name]), column.name
        else:
            np.testing.assert_allclose(frame[column.name].to_numpy(float), lots[column.name].to_numpy(float),
                                       rtol=1e-15, err_msg=column.name)


def test_csv_holds_every_value(folder: Path, found: Results) -> None:
    frame = read_csv(folder)
    for column in tables.ESTIMATE.columns:
        if column.kind == "text":
            frame[column.name] = csv_table.unguarded(frame[column.name])
    same(frame, rounding.rounded(found).lots)


def test_csv_has_no_cell_that_runs(folder: Path) -> None:
    frame = read_csv(folder)
    texts = [c.name for c in tables.ESTIMATE.columns if c.kind == "text"]
    cells = frame[texts].to_numpy().ravel()
    assert not [cell for cell in cells if cell.startswith(FORMULA_SIGNS)]
    assert frame.loc[HOSTILE.index("=1+1"), "lot_id"] == "'=1+1"


def test_csv_leaves_negative_numbers_alone(folder: Path, found: Results) -> None:
    assert (found.lots["bend_now_mm"] < 0).any()
    frame = read_csv(folder)
    assert (frame["bend_now_mm"] < 0).sum() == (found.lots["bend_now_mm"] < 0).sum()


def test_csv_begins_with_the_mark_that_spreadsheets_need(folder: Path) -> None:
    assert (folder / "lots.csv").read_bytes().startswith(b"\xef\xbb\xbflot_row,lot_id") or \
        (folder / "lots.csv").read_bytes().startswith(b'\xef\xbb\xbf"lot_row"')


def test_csv_point_lies_inside_its_lot(folder: Path, found: Results) -> None:
    frame = read_csv(folder)
    points = gpd.points_from_xy(frame["lon"], frame["lat"])
    shaped = (~found.lots.geometry.isna() & ~found.lots.geometry.is_empty).to_numpy()
    inside = found.lots.geometry[shaped].covers(gpd.GeoSeries(points[shaped], index=found.lots.index[shaped],
                                                              crs="EPSG:4326"))
    assert inside.all()
    assert frame.loc[~shaped, ["lon", "lat"]].isna().all().all()


@given(st.lists(st.text(alphabet="'=+-@\t\ra1 ", max_size=6), min_size=1, max_size=5))
def test_the_guard_can_be_undone(values: list[str]) -> None:
    texts = pd.Series(values, dtype="str")
    guarded = csv_table.guarded(texts)
    assert list(csv_table.unguarded(guarded)) == values
    assert not [v for v in guarded if v.startswith(FORMULA_SIGNS)]


def test_geoparquet_holds_every_value(folder: Path, found: Results) -> None:
    back = gpd.read_parquet(folder / "lots.parquet")
    same(back, rounding.rounded(found).lots)
    assert back.crs == "EPSG:4326"
    assert list(back.geometry.isna()) == list(found.lots.geometry.isna())
    geo = json.loads(pq.read_metadata(folder / "lots.parquet").metadata[b"geo"])
    assert geo["version"] == "1.1.0"
    assert geo["primary_column"] == "geometry"
    assert geo["columns"]["geometry"]["encoding"] == "WKB"
    assert geo["columns"]["geometry"]["bbox"] == pytest.approx(list(found.lots.total_bounds))


def test_geopackage_holds_every_value_and_row_without_shape(folder: Path, found: Results) -> None:
    back = pyogrio.read_dataframe(folder / "lots.gpkg", layer="lots")
    same(back, rounding.rounded(found).lots)
    assert back.geometry.isna().sum() >= 1
    known = ~found.lots.geometry.isna() & ~found.lots.geometry.is_empty
    areas = [shapely.area(frame.geometry[known].to_numpy()) for frame in (back, found.lots)]
    np.testing.assert_allclose(*areas, rtol=1e-12)


def test_geopackage_version_and_times(folder: Path) -> None:
    with sqlite3.connect(folder / "lots.gpkg") as base:
        (version,) = base.execute("PRAGMA user_version").fetchone()
        contents = dict(base.execute("SELECT table_name, last_change FROM gpkg_contents").fetchall())
        column = base.execute("SELECT column_name FROM gpkg_geometry_columns WHERE table_name='lots'").fetchone()
        assert base.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    assert version == 10300  # GeoPackage 1.3: requirement 2, user version 10300
    assert column == ("geom",)
    assert contents["lots"].endswith("Z")


def test_geopackage_carries_its_style(folder: Path) -> None:
    with sqlite3.connect(folder / "lots.gpkg") as base:
        base.row_factory = sqlite3.Row
        rows = base.execute("SELECT * FROM layer_styles").fetchall()
    assert [row["styleName"] for row in rows] == ["largest bending from now to October 2026", "now", "next 12 months",
                                                "long run", "soil shrink-swell class"]
    assert [row["useAsDefault"] for row in rows] == [1, 0, 0, 0, 0]
    for found, layer in zip(rows, geopackage.STYLES, strict=True):
        row = dict(found)
        assert row["f_table_name"] == "lots"
        assert row["f_geometry_column"] == "geom"
        assert row["f_table_catalog"] in ("", None)
        assert row["update_time"].endswith("Z")
        root = ET.fromstring(row["styleQML"].split("\n", 1)[1])
        rules = root.findall("renderer-v2/rules/rule")
        symbols = {symbol.get("name") for symbol in root.findall("renderer-v2/symbols/symbol")}
        assert len(rules) == len(palette.SCALES[layer].colors) + len(tables.STATES)
        assert {rule.get("symbol") for rule in rules} == symbols
        aliases = {alias.get("field"): alias.get("name") for alias in root.findall("aliases/alias")}
        assert list(aliases) == [column.name for column in tables.ESTIMATE.columns]
        assert aliases["bend_now_mm_p10"] == "slab centre minus slab edge today, 10th percentile [mm]"
        assert all(aliases.values())
        shown = root.find("labeling/settings/rendering")
        assert shown is not None
        assert (shown.get("scaleVisibility"), shown.get("scaleMax")) == ("1", "5000")
        expressions = [option.get("value") for option in root.iter("Option") if option.get("name") == "expression"]
        assert set(expressions) == {"if(@map_scale > 15000, 'no', 'solid')"}


@pytest.mark.parametrize("layer", geopackage.STYLES)
def test_style_filters_take_every_row_once(folder: Path, found: Results, layer: str) -> None:
    """The filters are SQL that the database understands too: each row falls under exactly one rule."""
    root = ET.fromstring(geopackage.qml(layer).split("\n", 1)[1])
    with sqlite3.connect(folder / "lots.gpkg") as base:
        counts = [base.execute(f"SELECT count(*) FROM lots WHERE {rule.get('filter')}").fetchone()[0]
                  for rule in root.findall("renderer-v2/rules/rule")]
    assert sum(counts) == len(found.lots)
    assert counts[len(palette.SCALES[layer].colors):] == [1] * len(tables.STATES)


def test_the_dictionary_names_every_column(folder: Path) -> None:
    told = json.loads((folder / "columns.json").read_text(encoding="utf-8"))
    fields = {entry["name"]: entry for entry in told["fields"]}
    assert list(fields) == list(read_csv(folder).columns)
    assert {entry["type"] for entry in fields.values()} <= {"string", "integer", "number", "boolean"}
    for column in tables.ESTIMATE.columns:
        assert fields[column.name]["description"] == column.meaning
        assert fields[column.name].get("unit", "") == column.unit
    assert "apostrophe" in told["description"]


def test_problems_are_all_there(folder: Path) -> None:
    (told,) = json.loads((folder / "problems.json").read_text(encoding="utf-8"))
    assert told["row"] == 3
    assert told["value"] == HOSTILE[0]


def test_nothing_was_evaluated(folder: Path) -> None:
    for path in (file for file in folder.rglob("*") if file.is_file()):
        assert NEVER.encode() not in path.read_bytes(), path.name


@pytest.mark.parametrize("writer", [csv_table, geopackage, geoparquet])
def test_the_same_results_give_the_same_bytes(writer, tmp_path: Path, found: Results) -> None:  # type: ignore[no-untyped-def]
    digests = set()
    for name in ("a", "b"):
        (tmp_path / name).mkdir()
        digests.add(hashlib.sha256(writer.write(found, tmp_path / name).read_bytes()).hexdigest())
    assert len(digests) == 1


def test_inputs_are_left_as_they_were(folder: Path, found: Results) -> None:
    pd.testing.assert_frame_equal(pd.DataFrame(found.lots), pd.DataFrame(results().lots))
