"""Files of buildings and of context: every format, what is refused, what is left out."""

from __future__ import annotations

import zipfile
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from each_case import check_each
from shapely.geometry import LineString, Point, box

from riskmap.common.errors import LayerError
from riskmap.common.settings import Area
from riskmap.layers import buildings, catalogue, context, shape_file

LOTS_BOX = (-98.60, 37.90, -98.59, 37.91)
UTM = "EPSG:26914"
EAST, NORTH = 535_300.0, 4_195_300.0  # in the box


def houses(count: int = 3) -> gpd.GeoDataFrame:
    shapes = [box(EAST + 15 * k, NORTH, EAST + 15 * k + 10, NORTH + 14) for k in range(count)]
    return gpd.GeoDataFrame({"kind": ["house"] * count}, geometry=shapes, crs=UTM)


def area(folder: Path, **sections: Any) -> Area:
    needed = {"name": "a", "folder": folder, "lots": {"path": "-"}, "soil": {"path": "-"}}
    return Area.model_validate({**needed, **sections})


def read_buildings(path: Path, lots_box: Any = LOTS_BOX, **entry: Any) -> Any:
    own = area(path.parent, buildings={"path": path.name, **entry})
    assert own.buildings is not None
    return buildings.read(own.buildings, own, lots_box)


def read_context(*entries: dict[str, Any], folder: Path, lots: int = 100) -> Any:
    own = area(folder, context=entries)
    return context.read(own.context, own, LOTS_BOX, lots)


def refused(call: Any) -> str:
    with pytest.raises(LayerError) as caught:
        call()
    return str(caught.value)


def write_as(name: str, table: gpd.GeoDataFrame, folder: Path) -> Path:
    path = folder / name
    if name.endswith(".parquet"):
        table.to_parquet(path)
    elif name.endswith(".csv"):
        pd.DataFrame({"wkt": table.geometry.to_wkt(), "NAME": table.iloc[:, 0]}).to_csv(path, index=False)
    elif name.endswith(".zip"):
        inside = folder / "inside"
        inside.mkdir()
        table.to_file(inside / "b.shp")
        with zipfile.ZipFile(path, "w") as packed:
            for part in sorted(inside.iterdir()):
                packed.write(part, part.name)
    elif name.endswith(".kml"):
        marks = "".join(f"<Placemark><name>n</name><Polygon><outerBoundaryIs><LinearRing><coordinates>"
                        f"{' '.join(f'{x:.9f},{y:.9f}' for x, y in shape.exterior.coords)}</coordinates></LinearRing>"
                        "</outerBoundaryIs></Polygon></Placemark>" for shape in table.to_crs("EPSG:4326").geometry)
        path.write_text(f'<kml xmlns="http://www.opengis.net/kml/2.2"><Document>{marks}</Document></kml>')
    else:
        (table.to_crs("EPSG:4326") if name.endswith("json") else table).to_file(path)
    return path


@pytest.mark.parametrize("name", ["b.gpkg", "b.geojson", "b.shp", "b.zip", "b.parquet", "b.csv", "b.kml"])
def test_every_format_gives_the_same_outlines(name: str, tmp_path: Path) -> None:
    path = write_as(name, houses(), tmp_path)
    found, sources, problems = read_buildings(path, **({"crs": UTM} if name.endswith(".csv") else {}))
    shapes = gpd.GeoSeries.from_wkb(found.wkb.to_pylist(), crs=found.crs).to_crs(UTM)
    assert (shapely.hausdorff_distance(np.asarray(shapes), np.asarray(houses().geometry)) < 1e-3).all()
    assert [(one.role, one.rows) for one in sources] == [("buildings", 3)]
    assert problems == []


def test_only_what_is_near_the_lots_is_held_piece_by_piece(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    near, far = houses(40), houses(500)
    far["geometry"] = far.translate(100_000, 0)
    every = pd.concat([far, near, far], ignore_index=True)
    monkeypatch.setattr(shape_file, "PIECE", 64)
    for name in ("b.gpkg", "b.parquet", "b.geojson"):
        found, sources, _ = read_buildings(write_as(name, every, tmp_path))
        assert len(found.wkb) == 40, name
        assert sources[0].rows == 1040, name
    monkeypatch.setattr(buildings, "MOST_OUTLINES", 39)
    assert refused(lambda: read_buildings(tmp_path / "b.parquet")).startswith("E-BLD-001 b.parquet: more than 39")


def test_what_cannot_be_used_is_refused_with_the_way_out(tmp_path: Path) -> None:
    good = write_as("good.gpkg", houses(), tmp_path)
    cut = tmp_path / "cut.gpkg"
    cut.write_bytes(good.read_bytes()[:-8192])
    (tmp_path / "page.gpkg").write_text("<html>not found</html>")
    (tmp_path / "b.pdf").write_text("x")
    houses().set_crs(None, allow_override=True).to_parquet(tmp_path / "bare.parquet")
    pd.DataFrame({"a": [1]}).to_parquet(tmp_path / "table.parquet")
    pd.DataFrame({"x": [1], "y": [2]}).to_csv(tmp_path / "xy.csv", index=False)
    two = write_as("two.gpkg", houses(), tmp_path)
    houses().to_file(two, layer="other")
    wrong = houses().set_crs("EPSG:26910", allow_override=True)
    wrong.to_file(tmp_path / "wrong.gpkg")
    parquet = write_as("flipped.parquet", houses(200), tmp_path)
    content = bytearray(parquet.read_bytes())
    content[len(content) // 3] ^= 0xFF
    parquet.write_bytes(bytes(content))
    cases = {"b.pdf": "E-SHP-001", "gone.gpkg": "E-SHP-002", "cut.gpkg": "E-LOT-063", "page.gpkg": "E-LOT-063",
             "bare.parquet": "E-SHP-011", "table.parquet": "E-SHP-004", "xy.csv": "E-SHP-004", "two.gpkg": "E-SHP-007",
             "wrong.gpkg": "E-BLD-002", "flipped.parquet": "E-SHP-003"}

    def check(name: str, code: str) -> None:
        text = refused(lambda: read_buildings(tmp_path / name))
        assert text.startswith(f"{code} {name}: "), text
        assert str(tmp_path) not in text

    check_each(cases.items(), lambda case: check(*case))
    assert "`layer` in [buildings], one of" in refused(lambda: read_buildings(two))
    assert "NAD83 / UTM zone 10N" in refused(lambda: read_buildings(tmp_path / "wrong.gpkg"))
    assert "there is no layer 'missing'" in refused(lambda: read_buildings(two, layer="missing"))
    assert len(read_buildings(two, layer="other")[0].wkb) == 3


def test_an_empty_file_and_unreadable_shapes_are_told(tmp_path: Path) -> None:
    houses(0).to_parquet(tmp_path / "none.parquet")
    found, _, problems = read_buildings(tmp_path / "none.parquet")
    assert len(found.wkb) == 0
    assert [p.code for p in problems] == ["W-BLD-003"]
    some = houses()
    some.loc[1, "geometry"] = None
    some.to_parquet(tmp_path / "some.parquet")
    found, _, problems = read_buildings(tmp_path / "some.parquet")
    assert len(found.wkb) == 2
    assert [(p.code, "1 of 3" in p.rule) for p in problems] == [("E-BLD-004", True)]


def test_the_vintage_of_the_outlines_is_its_first_month(tmp_path: Path) -> None:
    path = write_as("b.gpkg", houses(), tmp_path)
    assert read_buildings(path)[0].month is None
    assert read_buildings(path, valid_date="2019")[0].month == 12 * 2019
    assert read_buildings(path, valid_date="2019-03-01..2020-05")[0].month == 12 * 2019 + 2


def test_without_a_lot_in_its_place_nothing_is_read(tmp_path: Path) -> None:
    assert read_buildings(tmp_path / "gone.gpkg", lots_box=None) == (None, [], [])
    lots = gpd.GeoDataFrame(geometry=[Point(0, 0), Point(-98.6, 37.9)], crs="EPSG:4326")
    assert catalogue.lots_box(lots, (-99.0, 37.0, -98.0, 38.0)) == (-98.6, 37.9, -98.6, 37.9)
    assert catalogue.lots_box(lots.iloc[:1], (-99.0, 37.0, -98.0, 38.0)) is None


# ---------------------------------------------------------------- context
def roads(folder: Path, count: int = 5, corners: int = 40) -> Path:
    rng = np.random.default_rng(5)
    x = np.linspace(-3000, 6000, corners)
    lines = [LineString(np.column_stack([EAST + x, NORTH + 40 * k + rng.normal(0, 0.4, corners)]))
             for k in range(count)]
    table = gpd.GeoDataFrame({"NAME": [f"Road {k}" for k in range(count)], "OWNER": ["A"] * count}, geometry=lines,
                             crs=UTM)
    table.to_file(folder / "roads.gpkg")
    return folder / "roads.gpkg"


def test_context_is_cut_simplified_and_labelled(tmp_path: Path) -> None:
    roads(tmp_path)
    park = gpd.GeoDataFrame({"N": ["Park"]}, geometry=[shapely.MultiPolygon([
        box(EAST, NORTH, EAST + 50, NORTH + 50), box(EAST + 80, NORTH, EAST + 90, NORTH + 9)])], crs=UTM)
    park.to_file(tmp_path / "park.gpkg")
    gpd.GeoDataFrame({"N": ["Hall"]}, geometry=[Point(EAST, NORTH)], crs=UTM).to_file(tmp_path / "points.gpkg")
    frame, sources, problems = read_context(
        {"name": "Roads", "path": "roads.gpkg", "label": "NAME"}, {"name": "Parks", "path": "park.gpkg"},
        {"name": "Places", "path": "points.gpkg", "label": "N"}, folder=tmp_path)
    assert problems == []
    assert [one.role for one in sources] == ["context"] * 3
    assert frame.groupby("layer", sort=False)["kind"].agg(list).to_dict() == {
        "Roads": ["line"] * 5, "Parks": ["area"] * 2, "Places": ["point"]}
    assert frame["label"].tolist() == [*(f"Road {k}" for k in range(5)), "", "", "Hall"]
    assert frame.crs == "EPSG:4326"
    flat = frame.to_crs("EPSG:5070")
    frame_of_lots = gpd.GeoSeries([box(*LOTS_BOX)], crs="EPSG:4326").to_crs("EPSG:5070").total_bounds
    beyond = frame_of_lots + np.array([-1, -1, 1, 1]) * (context.MARGIN_M + 1)
    assert (flat.total_bounds[:2] >= beyond[:2]).all()
    assert (flat.total_bounds[2:] <= beyond[2:]).all()
    original = gpd.read_file(tmp_path / "roads.gpkg").to_crs("EPSG:5070").geometry
    for drawn, line in zip(flat.geometry[:5], original, strict=True):
        assert len(drawn.coords) < 5  # 0.4 m of noise is not drawn
        assert shapely.hausdorff_distance(drawn, shapely.clip_by_rect(line, *drawn.bounds)) < 60
        assert max(line.distance(Point(each)) for each in drawn.coords) <= context.TOLERANCES_M[0]


def test_labels_about_people_and_names_twice_are_refused_together(tmp_path: Path) -> None:
    roads(tmp_path)
    text = refused(lambda: read_context({"name": "A", "path": "roads.gpkg", "label": "OWNER"},
                                        {"name": "A", "path": "gone.gpkg"},
                                        {"name": "B", "path": "roads.gpkg", "label": "STREET"}, folder=tmp_path))
    assert [line.split()[0] for line in text.splitlines()] == ["E-CTX-002", "E-SHP-009", "E-SHP-002", "E-SHP-008"]
    assert "NAME" in text


def test_a_large_layer_is_simplified_then_left_out(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    roads(tmp_path, count=20, corners=3000)
    entries = [{"name": "Roads", "path": "roads.gpkg"}, {"name": "Again", "path": "roads.gpkg"}]
    monkeypatch.setattr(context, "TOLERANCES_M", (0.1, 5.0))
    monkeypatch.setattr(context, "LEAST_BYTES", 5_000)
    frame, _, problems = read_context(*entries, folder=tmp_path, lots=0)
    assert [p.code for p in problems] == ["W-CTX-006"] * 2
    assert context.size_bytes(frame) <= 5_000
    monkeypatch.setattr(context, "LEAST_BYTES", 500)
    frame, _, problems = read_context(*entries, folder=tmp_path, lots=0)
    assert [p.code for p in problems] == ["W-CTX-006", "W-CTX-007"]
    assert set(frame["layer"]) == {"Roads"}
    assert context.size_bytes(frame) <= 500


def test_context_elsewhere_is_told_and_not_drawn(tmp_path: Path) -> None:
    far = gpd.GeoDataFrame(geometry=[Point(0, 0)], crs="EPSG:4326")
    far.to_file(tmp_path / "far.gpkg")
    frame, sources, problems = read_context({"name": "Far", "path": "far.gpkg"}, folder=tmp_path)
    assert frame.empty
    assert [p.code for p in problems] == ["W-CTX-005"]
    assert sources[0].rows == 1
