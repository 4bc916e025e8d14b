"""Advice for files without a coordinate system, shapes with curves, and kinds of feet."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyogrio
import pytest
import shapely
from pyproj import CRS
from shapely.geometry import Point, box

from riskmap.common.errors import LayerError
from riskmap.common.settings import Area, LotsEntry, SoilEntry
from riskmap.layers import crs_advice, lots

TOWN = gpd.GeoSeries([box(620_000, 3_350_000, 620_500, 3_350_400)], crs="EPSG:26914")  # central Texas
COVERAGE = (-98.0, 30.0, -97.5, 30.6)


def advice(series: gpd.GeoSeries, system: str, coverage: crs_advice.Box | None = None) -> str:
    return crs_advice.candidates(np.array(series.to_crs(system).array, dtype=object), coverage)


def read(path: Path, coverage: crs_advice.Box | None = None, **entry):
    area = Area(name="a", folder=path.parent, lots=LotsEntry(path=path.name, **entry), soil=SoilEntry(path="none.zip"))
    return lots.read(area.lots, area, coverage)


@pytest.mark.parametrize("system", ["EPSG:4326", "EPSG:5070", "EPSG:26914", "EPSG:2277", "EPSG:3857", "EPSG:32139"])
def test_the_line_to_write_is_the_system_the_lots_are_in(system):
    assert f'write: [lots] crs = "{system}"' in advice(TOWN, system, COVERAGE)


def test_without_a_coverage_several_zones_fit_and_the_source_is_to_be_asked():
    said = advice(TOWN, "EPSG:26914")
    assert "several systems fit" in said
    assert "EPSG:26914 UTM zone 14N" in said
    assert "Ask the source" in said
    assert "US survey feet" in advice(TOWN, "EPSG:2277")


def test_the_two_kinds_of_feet_are_told_apart_with_their_distance():
    utah = gpd.GeoSeries([Point(-111.9, 40.7)], crs="EPSG:4326")
    said = advice(utah, "EPSG:2281", (-112.5, 40.0, -111.0, 41.0))
    assert "in international feet EPSG:2281 Utah Central (ft)" in said
    assert "in US survey feet EPSG:3566 Utah Central (ftUS)" in said
    x, y = utah.to_crs("EPSG:2281")[0].coords[0]
    as_survey = gpd.GeoSeries([Point(x, y)], crs="EPSG:3566").to_crs("EPSG:2281")[0]
    apart = max(abs(as_survey.x - x), abs(as_survey.y - y)) * 0.3048
    assert f"lie {apart:.1f} m apart" in said
    assert crs_advice.foot(CRS("EPSG:2281")).startswith("international")
    assert crs_advice.foot(CRS("EPSG:3566")).startswith("US survey")
    assert crs_advice.foot(CRS("EPSG:5070")) == crs_advice.foot(CRS("EPSG:4326")) == ""


def test_kinds_of_feet_are_named_when_the_entry_disagrees_with_the_file(tmp_path):
    gpd.GeoDataFrame({"lot_id": ["1"]}, geometry=[Point(1.5e6, 7.4e6)], crs="EPSG:3566").to_file(tmp_path / "a.gpkg")
    raw, _, problems = read(tmp_path / "a.gpkg", crs="EPSG:2281")
    assert raw.crs == "EPSG:3566"
    assert "international feet (0.3048 m) and US survey feet (1200/3937 m)" in problems[0].rule


def test_degrees_that_look_swapped_are_said_to_be():
    swapped = np.array([Point(30.3, -97.7), Point(30.4, -97.6)], dtype=object)
    assert "look swapped" in crs_advice.candidates(swapped)
    assert "look swapped" in crs_advice.candidates(swapped, COVERAGE)
    assert "swapped" not in crs_advice.candidates(np.array([Point(-97.7, 30.3)], dtype=object))


def test_nothing_known_and_nothing_to_judge_by():
    assert "no known system fits" in crs_advice.candidates(np.array([Point(9e8, 9e8)], dtype=object))
    for nothing in ([], [None]):
        assert "no shape" in crs_advice.candidates(np.array(nothing, dtype=object))


def test_a_file_without_a_system_is_refused_with_the_line_to_write(tmp_path):
    bare = gpd.GeoDataFrame({"lot_id": ["1"]}, geometry=np.array(TOWN.array, dtype=object))
    bare.to_parquet(tmp_path / "a.parquet")
    with pytest.raises(LayerError, match=r'E-LOT-020 a.parquet: no .* write: \[lots\] crs = "EPSG:26914"'):
        read(tmp_path / "a.parquet", COVERAGE)


def curved_file(path: Path, *shapes: str) -> None:
    """Write shapes as well-known text with curves, through the library that knows them."""
    source = path.with_suffix(".csv")
    source.write_text("lot_id,WKT\n" + "".join(f'{n},"{shape}"\n' for n, shape in enumerate(shapes)))
    gpd.GeoDataFrame({"lot_id": [str(n) for n in range(len(shapes))]}, geometry=[Point(0, 0)] * len(shapes),
                     crs="EPSG:26914").to_file(path, layer="lots")
    _, table = pyogrio.raw.read_arrow(source)
    place = next(name for name in table.column_names if name not in ("lot_id", "WKT", "OGC_FID"))
    with sqlite3.connect(path) as store:
        for (trigger,) in store.execute("select name from sqlite_master where type = 'trigger'").fetchall():
            store.execute(f'drop trigger "{trigger}"')
        head = b"GP\x00\x01" + (26914).to_bytes(4, "little")
        for n, wkb in enumerate(table.column(place).to_pylist()):
            store.execute("update lots set geom = ? where lot_id = ?", (head + wkb, str(n)))


def test_curves_become_chords_and_are_told(tmp_path):
    circle = "CURVEPOLYGON (CIRCULARSTRING (0 0, 10 10, 20 0, 10 -10, 0 0))"
    curved_file(tmp_path / "a.gpkg", "POLYGON ((0 0, 20 0, 20 30, 0 30, 0 0))", circle, f"MULTISURFACE ({circle})",
                "GEOMETRYCOLLECTION (POINT (1 1), " + circle + ")", "TIN (((0 0, 1 0, 1 1, 0 0)))")
    raw, _, problems = read(tmp_path / "a.gpkg")
    assert raw["lot_id"].tolist() == ["0", "1", "2", "3", "4"]
    assert raw.geometry[0].area == 600.0
    for n in (1, 2):  # 90 sides: 0.08 % below pi r2
        assert raw.geometry[n].area == pytest.approx(100 * np.pi, rel=1e-3)
        assert raw.geometry[n].area < 100 * np.pi
    assert raw.geometry[3] is None  # a curve further in is refused
    assert {(p.code, p.row) for p in problems} >= {("W-LOT-023", None), ("E-LOT-004", 4)}
    (told,) = [p for p in problems if p.code == "W-LOT-023"]
    assert "the first in row 2" in told.rule
    assert (raw.geometry[4] is None) == (("E-LOT-004", 5) in {(p.code, p.row) for p in problems})


def test_collections_without_end_in_geoparquet_are_refused(tmp_path):
    import pyarrow as pa
    import pyarrow.parquet as pq

    gpd.GeoDataFrame({"lot_id": ["1"]}, geometry=[shapely.GeometryCollection([Point(1, 1)])],
                     crs="EPSG:26914").to_parquet(tmp_path / "a.parquet")
    table = pq.read_table(tmp_path / "a.parquet")
    deep = (b"\x01" + (7).to_bytes(4, "little") + (1).to_bytes(4, "little")) * 400_000 + shapely.to_wkb(Point(1, 1))
    place = table.schema.get_field_index("geometry")
    pq.write_table(table.set_column(place, table.schema.field(place), pa.array([deep], pa.binary())),
                   tmp_path / "a.parquet")
    with pytest.raises(LayerError, match="row 1: more than 64 collections"):
        read(tmp_path / "a.parquet")
