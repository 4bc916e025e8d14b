"""Soil fetched tile by tile from a stand-in of the service equals the published download of the same polygons."""

from __future__ import annotations

import hashlib
import json
import os
import re
from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from stand_in import SoilService, envelope, running

from riskmap.common import part_folder
from riskmap.common.errors import LayerError
from riskmap.common.settings import Area, SoilEntry
from riskmap.download import soil, soil_layout
from riskmap.download.cache import Desk, whole_folder
from riskmap.download.client import TooMuch
from riskmap.layers import soil_ssurgo, ssurgo_names, ssurgo_tables

BOX = (-91.45, 33.58, -91.28, 33.72)  # around McGehee, Arkansas: crosses tile lines both ways


@pytest.fixture(scope="module")
def download(open_data) -> Path:
    return open_data / "soil" / "AR041_2021.zip"


@pytest.fixture(scope="module")
def survey(download) -> SoilService:
    return SoilService(download)


@pytest.fixture
def service():
    with running() as stand_in:
        yield stand_in


@pytest.fixture
def desk(service, tmp_path):
    return Desk(service.client(read_s=20.0), tmp_path / "cache")


def read(path: Path):
    entry = SoilEntry(reader="ssurgo", path=path.name)
    area = Area(name="t", lots={"path": "l.csv"}, soil=entry, folder=path.parent)
    return soil_ssurgo.read(entry, area)


def expected(download: Path, box=BOX):
    """The published download, cut to the polygons that touch the box and what belongs to them."""
    tables, sources, _ = read(download)
    polygons = tables.polygons[tables.polygons.intersects(shapely.box(*box))]
    keys = set(polygons["mukey"])
    component = tables.component[tables.component["mukey"].isin(keys)]
    return replace(tables, polygons=polygons, map_unit=tables.map_unit[tables.map_unit["mukey"].isin(keys)],
                   component=component,
                   horizon=tables.horizon[tables.horizon["component_id"].isin(component["component_id"])]), sources


def same(got: pd.DataFrame, wanted: pd.DataFrame, by: list[str]) -> None:
    order = [f.sort_values(by, ignore_index=True).reindex(columns=sorted(wanted.columns)) for f in (got, wanted)]
    pd.testing.assert_frame_equal(*order)


def assert_same_survey(folder: Path, download: Path, box=BOX) -> None:
    got, sources, problems = read(folder)
    wanted, native_sources = expected(download, box)
    same(got.map_unit, wanted.map_unit, ["mukey"])
    same(got.component, wanted.component, ["component_id"])
    same(got.horizon, wanted.horizon, ["component_id", "top_cm", "horizon_name"])
    assert len(got.horizon) > 20
    assert got.scale == wanted.scale
    shapes = [sorted(zip(t.polygons["mukey"], shapely.to_wkb(shapely.normalize(t.polygons.geometry.to_numpy())),
                         strict=True)) for t in (got, wanted)]
    assert len(shapes[0]) == len(shapes[1]) > 100
    assert shapes[0] == shapes[1]  # to the last bit
    assert sources[0].title == native_sources[0].title
    assert sources[0].valid_date == native_sources[0].valid_date
    assert not [p for p in problems if p.code.startswith("E-")]


# ------------------------------------------------------------------------------------- whole area, same answer
def test_whole_area_equals_the_published_download(service, desk, survey, download, tmp_path) -> None:
    service.answer_with(survey)
    paths = soil.run(BOX, tmp_path / "soil", desk=desk, service=service.origin)
    assert_same_survey(tmp_path / "soil", download)
    assert set(paths) == {p for p in (tmp_path / "soil").rglob("*") if p.is_file()}
    polygon_questions = [f["query"] for _, _, f in service.asked if "mupolygon" in f["query"]]
    assert len(polygon_questions) == 9  # three by three cells of the 0.1 degree grid

    count = len(service.asked)  # once more, without the service: byte for byte the same
    before = {p: p.read_bytes() for p in paths}
    soil.run(BOX, tmp_path / "soil", desk=replace(desk, offline=True), service=service.origin)
    assert {p: p.read_bytes() for p in paths if p.suffix != ".dbf" and ".dbf." not in p.name} == {
        p: c for p, c in before.items() if p.suffix != ".dbf" and ".dbf." not in p.name}  # a .dbf holds the day
    assert len(service.asked) == count


@pytest.mark.parametrize("how", ["service refuses large answers", "answers are cut at the row limit"])
def test_tiles_over_a_limit_are_split(service, desk, download, tmp_path, monkeypatch, how: str) -> None:
    if how.startswith("service"):
        service.answer_with(SoilService(download, too_big=100))
    else:
        monkeypatch.setattr(soil, "ROW_CAP", 100)
        service.answer_with(SoilService(download, cap=100))
    soil.run(BOX, tmp_path / "soil", desk=desk, service=service.origin)
    assert_same_survey(tmp_path / "soil", download)
    questions = [f["query"] for _, _, f in service.asked if "mupolygon" in f["query"]]
    assert len(questions) > 9
    soil.run(BOX, tmp_path / "again", desk=replace(desk, offline=True), service=service.origin)
    assert_same_survey(tmp_path / "again", download)


def test_splitting_ends(service, desk, download, tmp_path, monkeypatch) -> None:
    monkeypatch.setattr(soil, "SPLITS", 2)
    service.answer_with(SoilService(download, too_big=0))
    with pytest.raises(LayerError, match=r"E-FET-007.*cannot be split further"):
        soil.run(BOX, tmp_path / "soil", desk=desk, service=service.origin)
    assert len(service.asked) == 3
    assert not (tmp_path / "soil").exists()


def test_stored_ratings_come_too(service, desk, open_data, tmp_path) -> None:
    """Iowa, whose download contains the survey's own ratings."""
    download = open_data / "soil" / "IA073_aoi_2020.zip"
    survey = SoilService(download)
    service.answer_with(survey)
    west, south, east, north = survey.bounds
    soil.run((west, south, east, north), tmp_path / "soil", desk=desk, service=service.origin)
    got, wanted = read(tmp_path / "soil")[0], read(download)[0]
    assert got.shrink_swell_stored is not None
    same(got.shrink_swell_stored, wanted.shrink_swell_stored, ["component_id"])
    assert (got.shrink_swell_stored["rating"] > 0).sum() >= 3
    same(got.component, wanted.component, ["component_id"])  # with water tables and rock
    assert got.component["water_table_cm"].notna().any()


def test_provenance_beside_every_file(service, desk, survey, tmp_path) -> None:
    service.answer_with(survey)
    paths = soil.run(BOX, tmp_path / "soil", desk=desk, service=service.origin)
    data = [p for p in paths if p.suffix != ".provenance"]
    assert {p.name for p in data} >= {"comp.txt", "chorizon.txt", "mstab.txt", "soilmu_a_fetched.shp"}
    for path in data:
        said = json.loads(path.with_name(path.name + ".provenance").read_text(encoding="utf-8"))
        assert said["sha256"] == hashlib.sha256(path.read_bytes()).hexdigest()
        assert said["bytes"] == path.stat().st_size
        assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ", said["retrieved_utc"])
        assert "public domain" in said["licence"]
        assert said["credit"].startswith("Soil Survey Staff")
        assert {a["url"] for a in said["answers"]} == {service.origin + "/tabular/post.rest"}


def test_an_interrupted_fetch_leaves_the_earlier_one(service, desk, survey, download, tmp_path, monkeypatch) -> None:
    service.answer_with(survey)
    soil.run(BOX, tmp_path / "soil", desk=desk, service=service.origin)

    def full(*args):
        raise OSError(28, "No space left on device")
    monkeypatch.setattr(soil_layout, "write_polygons", full)
    with pytest.raises(LayerError, match=r"E-FET-022.*No space left"):
        soil.run(BOX, tmp_path / "soil", desk=desk, service=service.origin)
    assert_same_survey(tmp_path / "soil", download)


def test_nothing_of_the_user_is_overwritten(service, desk, survey, tmp_path) -> None:
    service.answer_with(survey)
    (tmp_path / "soil").mkdir()
    (tmp_path / "soil" / "notes.txt").write_text("mine")
    with pytest.raises(LayerError, match=r"E-FET-023.*notes\.txt"):
        soil.run(BOX, tmp_path / "soil", desk=desk, service=service.origin)
    assert [p.name for p in (tmp_path / "soil").iterdir()] == ["notes.txt"]


def test_what_only_looks_like_a_stopped_fetch_stays(service, desk, survey, tmp_path) -> None:
    service.answer_with(survey)
    for name in (".soil.fetch-part", ".soil.fetch-old", ".soil.part", ".photos.part"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "a.jpg").write_bytes(b"mine")
    soil.run(BOX, tmp_path / "soil", desk=desk, service=service.origin)
    soil.run(BOX, tmp_path / "soil", desk=desk, service=service.origin)
    assert sorted(p.name for p in tmp_path.iterdir() if p.name.startswith(".")) == \
        [".photos.part", ".soil.fetch-old", ".soil.fetch-part", ".soil.part"]
    assert {p.read_bytes() for p in tmp_path.glob(".*/a.jpg")} == {b"mine"}
    assert len(list(tmp_path.glob(".*/*"))) == 4


def test_a_stopped_fetch_is_cleaned_and_what_it_had_put_aside_comes_back(tmp_path) -> None:
    left = tmp_path / ".soil.part"
    for name in ("content", "old"):
        (left / name).mkdir(parents=True)
        (left / name / "a.txt").write_text(name)
        (left / name / "a.txt.provenance").write_text("{}")
    (left / part_folder.MARK).write_bytes(part_folder.TEXT)
    with pytest.raises(LayerError, match="E-FET-000"), whole_folder(tmp_path / "soil"):
        raise LayerError("E-FET-000 the service fails")
    assert (tmp_path / "soil" / "a.txt").read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["soil"]


def test_a_file_of_the_user_that_appears_in_mid_fetch_stays(tmp_path) -> None:
    with pytest.raises(LayerError, match=r"E-FET-023.*notes\.txt"), whole_folder(tmp_path / "soil") as part:
        (part / "a.txt").write_text("a")
        (tmp_path / "soil").mkdir()
        (tmp_path / "soil" / "notes.txt").write_text("mine")
    assert (tmp_path / "soil" / "notes.txt").read_text() == "mine"
    assert [p.name for p in tmp_path.iterdir()] == ["soil"]


def test_the_earlier_folder_comes_back_when_the_exchange_fails(tmp_path, monkeypatch) -> None:
    for text in ("old", "new"):
        with whole_folder(tmp_path / "soil") as part:
            (part / "a.txt").write_text(text)
            (part / "a.txt.provenance").write_text("{}")
    real, calls = os.replace, []

    def failing(*names):
        calls.append(names)
        if len(calls) == 2:
            raise OSError(28, "No space left on device")
        real(*names)

    monkeypatch.setattr(os, "replace", failing)
    with pytest.raises(LayerError, match="E-FET-022"), whole_folder(tmp_path / "soil") as part:
        (part / "a.txt").write_text("newer")
    assert (tmp_path / "soil" / "a.txt").read_text() == "new"
    assert [p.name for p in tmp_path.iterdir()] == ["soil"]


@pytest.mark.parametrize("name", [".", "..", "/"])
def test_folder_needs_a_name(service, desk, survey, tmp_path, monkeypatch, name: str) -> None:
    service.answer_with(survey)
    (tmp_path / "here").mkdir()
    monkeypatch.chdir(tmp_path / "here")
    with pytest.raises(LayerError, match="E-FET-080"):
        soil.run((-91.41, 33.62, -91.39, 33.64), Path(name), desk=desk, service=service.origin)


# ------------------------------------------------------------------------------------------ half an answer
@pytest.mark.parametrize(("table", "change", "words"), [
    ("mapunit", lambda rows: rows[1:], "map units without a table row"),
    ("component", lambda rows: rows[1:], "rows of unknown components"),
    ("component", lambda rows: [], "no component at all"),
    ("component", lambda rows: [*rows, ["1", *rows[0][1:]]], "appear twice"),
    ("component", lambda rows: [*rows, [*rows[0][:-2], "999", "888"]], "rows of other map units"),
    ("chorizon", lambda rows: [[*rows[0][:-2], "777", "1"], *rows], "unknown components in chorizon"),
    ("comonth", lambda rows: rows[:1], "unknown components in cosoilmoist"),
])
def test_tables_that_do_not_fit_are_refused(service, desk, survey, tmp_path, table, change, words) -> None:
    class Changed:
        def __call__(self, handler, form):
            from stand_in import send

            names, rows = survey.rows(form["query"])
            if f"FROM {table} AS T" in form["query"]:
                rows = change(rows)
            send(handler, envelope(names, rows), "application/json")
    service.answer_with(Changed())
    with pytest.raises(LayerError, match=words):
        soil.run((-91.41, 33.62, -91.35, 33.66), tmp_path / "soil", desk=desk, service=service.origin)
    assert not (tmp_path / "soil").exists()


def test_two_versions_of_a_polygon_are_refused() -> None:
    one, other = "POLYGON ((0 0, 2 0, 2 2, 0 2, 0 0))", "POLYGON ((0 0, 2.1 0, 2 2, 0 2, 0 0))"
    with pytest.raises(LayerError, match="E-FET-037"):
        soil._frame({("5", one): "A", ("5", other): "A"})
    neighbour = "POLYGON ((2 0, 4 0, 4 2, 2 2, 2 0))"
    assert len(soil._frame({("5", one): "A", ("6", neighbour): "B"})) == 2


@pytest.mark.parametrize("shape", ["POINT (0 0)", "POLYGON EMPTY", "LINESTRING (0 0, 1 1)", "POLYGON ((0 0, 1", "x",
                                   ""])
def test_shapes_that_are_no_polygons_are_refused(shape: str) -> None:
    with pytest.raises(LayerError, match="E-FET-035"):
        soil._frame({("5", shape): "A"})


# ----------------------------------------------------------------------------------- envelope, queries, tiles
def test_documented_envelope_and_query(open_data) -> None:
    recorded = json.loads((open_data / "soil" / "sda_envelope_AR041.json").read_text(encoding="utf-8"))
    sample = recorded["mupolygon"]
    assert soil.polygon_query((-91.41, 33.62, -91.39, 33.64)) == sample["request"]["query"]
    content = json.dumps(sample["response"]).encode()
    rows = soil.rows(content, ("mukey", "musym", "geom"))
    assert len(rows) == 14
    assert rows[0][:2] == ("564213", "W")
    assert len(gpd.GeoSeries.from_wkt([r[2] for r in rows])) == 14
    table = recorded["component_horizon"]["response"]
    names = tuple(table["Table"][0])
    rows = soil.rows(json.dumps(table).encode(), names)
    assert any(None in row for row in rows)
    assert soil.rows(json.dumps(recorded["empty"].get("response", {})).encode(), names) == []


@pytest.mark.parametrize("count", [100_000, 100_001])
def test_as_many_rows_as_the_limit_are_suspicious(count: int) -> None:
    with pytest.raises(TooMuch):
        soil.rows(envelope(["mukey"], [["1"]] * count), ("mukey",))
    assert len(soil.rows(envelope(["mukey"], [["1"]] * 99_999), ("mukey",))) == 99_999


@given(st.text(max_size=40))
def test_only_digits_reach_a_query(key: str) -> None:
    if re.fullmatch("[0-9]{1,30}", key):
        assert f"IN ({key})" in soil.table_query(soil_layout.TABLES[0], [key])
    else:
        with pytest.raises(LayerError, match="E-FET-033"):
            soil.table_query(soil_layout.TABLES[0], ["1", key])


@pytest.mark.parametrize("key", ["1\n", "١٢", "-1", "1 OR 1=1", "1" * 31, "", "1,2"])
def test_hostile_keys(key: str) -> None:
    with pytest.raises(LayerError, match="E-FET-033"):
        soil.table_query(soil_layout.TABLES[0], [key])


numbers = st.floats(-180, 180, allow_nan=False)


@given(numbers, st.floats(-90, 90), st.floats(1e-6, 1.5), st.floats(1e-6, 1.5))
def test_tiles_are_the_box_without_overlap(west: float, south: float, width: float, height: float) -> None:
    box = (west, south, min(west + width, 180.0), min(south + height, 90.0))
    if not (box[0] < box[2] and box[1] < box[3]):
        return
    parts = list(soil.tiles(soil.check_box(box)))
    shapes = np.array([shapely.box(*part) for part in parts])
    assert all(r - le <= 0.1 + 1e-9 and t - b <= 0.1 + 1e-9 for le, b, r, t in parts)
    assert shapely.union_all(shapes).bounds == pytest.approx(box)
    assert sum(shapely.area(shapes)) == pytest.approx(shapely.box(*box).area)
    for part in parts:
        assert re.fullmatch(r"POLYGON\(\([-\d. ,]+\)\)", soil.rectangle_text(part))
        assert sum(shapely.box(*q).area for q in soil.quarters(part)) == pytest.approx(shapely.box(*part).area)


@pytest.mark.parametrize("box", [(1, 2, 3), (1, 1, 1, 2), (2, 1, 1, 2), (float("nan"), 0, 1, 1), (-181, 0, 1, 1),
                                 (0, 0, float("inf"), 1), (0, -91, 1, 1), ("a", 0, 1, 1), None, (-100, 25, -90, 35)])
def test_boxes_that_are_none(box, tmp_path) -> None:
    with pytest.raises(LayerError, match=r"E-FET-03[12]"):
        soil.run(box, tmp_path / "soil")


@given(st.floats(-179, 178), st.floats(-89, 88), st.floats(0, 0.5), st.floats(0, 0.5))
def test_box_around_lots_holds_them_and_tells_no_lot(west: float, south: float, width: float, height: float) -> None:
    bounds = (west, south, west + width, south + height)
    box = soil.check_box(soil.around(bounds))
    for inner, outer, sign in zip(bounds, box, (1, 1, -1, -1), strict=True):
        assert 0.005 - 1e-9 <= sign * (inner - outer) <= 0.015 + 1e-9
        assert outer == round(outer, 2)


def test_columns_are_what_the_reader_needs() -> None:
    """The fetched layout and the reader may not import each other; this keeps them together."""
    ours = {t.name: t for t in soil_layout.TABLES}
    assert set(ours) == set(ssurgo_tables.LAYOUT)
    for name, (file, _, columns) in ssurgo_tables.LAYOUT.items():
        assert ours[name].file == file
        assert set(columns) <= set(ours[name].columns)
    assert (soil_layout.RATING_RULE, soil_layout.RATING_SUB_RULE) == (
        ssurgo_names.RATING_RULE, ssurgo_names.RATING_SUB_RULE)


@given(st.lists(st.one_of(st.none(), st.text(st.characters(exclude_characters="\x00", codec="utf-8"), min_size=1,
                                             max_size=12)), min_size=2, max_size=4))
def test_values_survive_the_file(values) -> None:
    import csv
    import io

    text = soil_layout.table_text([tuple(values), tuple(values)]).decode()
    back = list(csv.reader(io.StringIO(text, newline=""), delimiter="|"))
    assert back == [[v or "" for v in values]] * 2
