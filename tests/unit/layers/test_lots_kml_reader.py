"""KML and KMZ: placemarks with polygons or pins, columns of ExtendedData, and XML that means harm."""

from __future__ import annotations

import socket
import zipfile
from pathlib import Path

import pytest
import shapely
from shapely.geometry import Point, Polygon

from riskmap import lots as stage
from riskmap.common.errors import LayerError
from riskmap.common.settings import Area, LotsEntry, LotSettings, SoilEntry
from riskmap.layers import lots

HEAD = '<?xml version="1.0" encoding="UTF-8"?>\n<kml xmlns="http://www.opengis.net/kml/2.2"><Document>'
RING = "-98.6,37.9,0 -98.5998,37.9,0 -98.5998,37.9003,0 -98.6,37.9003,0 -98.6,37.9,0"
HOLE = "-98.5999,37.9001 -98.59985,37.9001 -98.59985,37.9002 -98.5999,37.9001"
POLYGON = (f"<Polygon><outerBoundaryIs><LinearRing><coordinates>{RING}</coordinates></LinearRing></outerBoundaryIs>"
           "</Polygon>")
PIN = "<Point><coordinates>-98.6,37.9,0</coordinates></Point>"


def data(**values: str) -> str:
    return "<ExtendedData>" + "".join(
        f'<Data name="{key}"><value>{value}</value></Data>' for key, value in values.items()) + "</ExtendedData>"


def placemark(shape: str, name: str = "a", more: str = "") -> str:
    return f"<Placemark><name>{name}</name>{more}{shape}</Placemark>"


def read(folder: Path, body: str, head: str = HEAD, **entry):
    path = folder / "lots.kml"
    path.write_text(head + body + "</Document></kml>", encoding="utf-8")
    return opened(path, **entry)


def opened(path: Path, **entry):
    area = Area(name="a", folder=path.parent, lots=LotsEntry(path=path.name, **entry), soil=SoilEntry(path="none.zip"))
    raw, _, problems = lots.read(area.lots, area)
    return raw, problems


def test_polygons_and_pins_with_their_columns(tmp_path):
    schema = '<ExtendedData><SchemaData schemaUrl="#s"><SimpleData name="LOT_ID">1E5</SimpleData>' \
             '<SimpleData name="pour_date">1987-05</SimpleData></SchemaData></ExtendedData>'
    raw, problems = read(tmp_path, "<Folder>" + placemark(POLYGON, more=data(LOT_ID="007", slab_width_ft="40"))
                         + "</Folder>" + placemark(PIN, more=schema))
    assert raw["lot_id"].tolist() == ["007", "1E5"]
    assert raw["pour_date"].tolist() == ["", "1987-05"]
    assert raw["slab_width_m"][0] == pytest.approx(12.192)
    assert raw["source_row"].tolist() == [1, 2]
    assert raw.crs == "EPSG:4326"
    assert raw.geometry[0].equals(Polygon([(-98.6, 37.9), (-98.5998, 37.9), (-98.5998, 37.9003), (-98.6, 37.9003)]))
    assert raw.geometry[1] == Point(-98.6, 37.9)
    assert not raw.geometry.has_z.any()  # heights that are all 0 are none
    assert [(p.code, p.rule) for p in problems] == [("W-LOT-002", "columns that the estimate does not use: name.")]


def test_the_name_of_a_placemark_is_the_identifier_when_there_is_no_other(tmp_path):
    raw, problems = read(tmp_path, placemark(PIN, "NA") + placemark(PIN, "  007 ") + f"<Placemark>{PIN}</Placemark>")
    assert raw["lot_id"].tolist() == ["NA", "007", ""]
    assert problems == []


def test_other_columns_and_those_about_people_are_named_and_let_go(tmp_path):
    more = data(OwnerName="Canary", acreage="Canary") + "<description>Canary</description>" \
        "<phoneNumber>Canary</phoneNumber>"
    raw, problems = read(tmp_path, placemark(PIN, "1", more))
    said = " ".join(map(str, problems))
    assert {p.code for p in problems} == {"W-LOT-002", "W-LOT-003"}
    assert "OwnerName" in said
    assert "phoneNumber" in said
    assert "description" in said
    assert "Canary" not in said + raw.to_csv()


def test_holes_parts_and_mixed_shapes(tmp_path):
    hole = f"<innerBoundaryIs><LinearRing><coordinates>{HOLE}</coordinates></LinearRing></innerBoundaryIs></Polygon>"
    holed = POLYGON.replace("</Polygon>", hole)
    raw, _ = read(tmp_path, placemark(holed) + placemark(f"<MultiGeometry>{POLYGON}{POLYGON}</MultiGeometry>")
                  + placemark(f"<MultiGeometry>{POLYGON}{PIN}</MultiGeometry>") + placemark(POLYGON + PIN)
                  + placemark(POLYGON.replace(",0 ", ",12 ")))
    assert raw.geometry.geom_type.tolist() == ["Polygon", "MultiPolygon", "GeometryCollection", "GeometryCollection",
                                              "Polygon"]
    assert len(raw.geometry[0].interiors) == 1
    assert raw.geometry[4].has_z
    table, problems = stage.clean(raw, LotSettings(), "EPSG:5070", 12 * 2025, "lots.kml")
    assert (table["state"] == "").all()
    assert {p.code for p in problems} >= {"W-LOT-022", "W-LOT-024"}


@pytest.mark.parametrize("shape", [
    "<Point><coordinates>here</coordinates></Point>", "<Point><coordinates/></Point>", "<Point/>", "<Polygon/>",
    "<Point><coordinates>-98</coordinates></Point>", "<Model/>", "<MultiGeometry/>",
    "<Point><coordinates>1_0,2</coordinates></Point>", f"{POLYGON}<Model/>",
    "<Polygon><outerBoundaryIs><LinearRing><coordinates>1,2 3,4</coordinates></LinearRing></outerBoundaryIs></Polygon>",
])
def test_shapes_that_cannot_be_read_keep_their_row(shape, tmp_path):
    raw, problems = read(tmp_path, placemark(PIN, "1") + placemark(shape, "2") + placemark("", "3"))
    assert raw["lot_id"].tolist() == ["1", "2", "3"]
    told = [(p.code, p.row) for p in problems]
    assert told == ([("E-LOT-004", 2)] if shape != "<MultiGeometry/>" else told)
    assert raw.geometry.isna().tolist() == [False, True, True]


def test_links_are_listed_and_not_followed(tmp_path, monkeypatch):
    def refuse(*_: object) -> None:
        raise AssertionError("a link was followed")

    monkeypatch.setattr(socket.socket, "connect", refuse)
    link = "<NetworkLink><name>x</name><Link><href>http://127.0.0.1:9/more.kml</href></Link></NetworkLink>"
    raw, problems = read(tmp_path, link + placemark(PIN) + link.replace("more", "file:///etc/hosts"))
    assert len(raw) == 1
    (told,) = [p for p in problems if p.code == "W-LOT-008"]
    assert "2 links" in told.rule
    assert "http://127.0.0.1:9/more.kml" in told.rule
    with pytest.raises(LayerError, match=r"there is no placemark. It only links to http"):
        read(tmp_path, link)


@pytest.mark.parametrize("doctype", [
    '<!DOCTYPE kml [<!ENTITY a "canary">]>', '<!DOCTYPE kml SYSTEM "http://127.0.0.1:9/kml.dtd">', "<!DOCTYPE kml>",
    '<!DOCTYPE kml [<!ENTITY a SYSTEM "canary.txt">]>', '<!DOCTYPE kml [<!ENTITY % p SYSTEM "canary.txt"> %p;]>',
    "<!DOCTYPE kml [<!ENTITY a0 'ha'>" + "".join(f"<!ENTITY a{i} '{f'&a{i - 1};' * 10}'>" for i in range(1, 10)) + "]>",
])
def test_entities_and_doctypes_are_refused(doctype, tmp_path):
    (tmp_path / "canary.txt").write_text("canary in a file")
    with pytest.raises(LayerError) as error:
        read(tmp_path, placemark(PIN, "&a;"), HEAD.replace("?>\n", f"?>\n{doctype}"))
    assert "E-LOT-021" in str(error.value)
    assert "canary" not in str(error.value)


@pytest.mark.parametrize(("text", "words"), [
    (HEAD, "cannot be read as KML"), ("<html><body>503</body></html>", "not KML"), ("{}", "not KML"),
    (HEAD + "<Placemark></Document></kml>", "cannot be read as KML"), ("<!DOCTYPE html><html/>", "saved web page"),
    (HEAD + placemark(PIN, "&undefined;") + "</Document></kml>", "cannot be read as KML"),
    (HEAD + "</Document></kml>", "no placemark"), (HEAD + "<Folder>" * 5000, "deep"),
    ('<?xml version="1.0" encoding="nothing"?><kml/>', "cannot be read as KML"),
])
def test_what_is_no_kml_is_refused(text, words, tmp_path):
    (tmp_path / "lots.kml").write_text(text)
    with pytest.raises(LayerError, match=words):
        opened(tmp_path / "lots.kml")


def test_a_kmz_is_read_without_unpacking(tmp_path):
    document = HEAD + placemark(POLYGON, "12345678901234567") + "</Document></kml>"
    with zipfile.ZipFile(tmp_path / "lots.kmz", "w", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr("doc.kml", document)
        packed.writestr("files/picture.png", b"x")
    raw, _ = opened(tmp_path / "lots.kmz")
    assert raw["lot_id"].tolist() == ["12345678901234567"]
    assert [path.name for path in tmp_path.iterdir()] == ["lots.kmz"]
    with zipfile.ZipFile(tmp_path / "lots.kmz", "a") as packed:
        packed.writestr("second.kml", document)
    with pytest.raises(LayerError, match="2 KML documents"):
        opened(tmp_path / "lots.kmz")


def test_a_kmz_that_is_damaged_or_points_outside_is_refused(tmp_path):
    path = tmp_path / "lots.kmz"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr("doc.kml", HEAD + placemark(PIN) * 50 + "</Document></kml>")
    content = bytearray(path.read_bytes())
    content[60:90] = bytes(30)
    path.write_bytes(content)
    with pytest.raises(LayerError, match="E-LOT-002"):
        opened(path)
    with zipfile.ZipFile(path, "w") as packed:
        packed.writestr("../doc.kml", "x")
    with pytest.raises(LayerError, match="outside"):
        opened(path)


def test_a_thousand_placemarks_keep_their_order(tmp_path):
    pins = "".join(placemark(PIN.replace("37.9", f"37.{n:04d}"), f"{n:04d}") for n in range(1000))
    raw, _ = read(tmp_path, pins)
    assert raw["lot_id"].tolist() == [f"{n:04d}" for n in range(1000)]
    assert shapely.get_y(raw.geometry.array)[123] == 37.0123
