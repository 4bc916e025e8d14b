"""CSV files as people send them: encodings, separators, rows that are not lots, coordinates in other notations."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from riskmap.common.errors import LayerError
from riskmap.common.problems import Problem
from riskmap.common.settings import Area, LotsEntry, SoilEntry
from riskmap.layers import lots
from riskmap.layers.lots_csv import _degrees


def read(folder: Path, content: str | bytes, **entry):
    path = folder / "lots.csv"
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    area = Area(name="a", folder=folder, lots=LotsEntry(path=path.name, **entry), soil=SoilEntry(path="none.zip"))
    raw, _, problems = lots.read(area.lots, area)
    return raw, problems


def told(problems: list[Problem], code: str) -> list[Problem]:
    return [p for p in problems if p.code == code]


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
def test_encodings_that_declare_themselves_are_read_without_a_word(encoding, tmp_path):
    raw, problems = read(tmp_path, "lot_id,lon,lat\nCañón 1,-98,37\n".encode(encoding))
    assert raw["lot_id"].tolist() == ["Cañón 1"]
    assert problems == []


def test_windows_text_is_read_and_said_to_be(tmp_path):
    raw, problems = read(tmp_path, "lot_id,lon,lat\n1,-98,37\nCañón – 2,-98,37\n".encode("cp1252"))
    assert raw["lot_id"].tolist() == ["1", "Cañón – 2"]
    assert [(p.code, p.row) for p in problems] == [("W-LOT-019", 3)]
    assert "cp1252" in problems[0].action


def test_bytes_of_no_encoding_are_refused_with_their_row(tmp_path):
    with pytest.raises(LayerError, match=r"row 3: the text is neither UTF-8 nor Windows-1252"):
        read(tmp_path, b"lot_id,lon,lat\n1,-98,37\n\x81\xff,-98,37\n")


@pytest.mark.parametrize("mark", [",", ";", "\t", "|"])
def test_every_separator_gives_the_same_lots(mark, tmp_path):
    text = 'lot_id,lon,lat,"pour_date"\n01,-98.5,37.25,1990\n02,-98.5,37.5,\n'.replace(",", mark)
    raw, problems = read(tmp_path, text)
    assert raw["lot_id"].tolist() == ["01", "02"]
    assert raw.geometry.y.tolist() == [37.25, 37.5]
    assert raw["source_row"].tolist() == [2, 3]
    assert problems == []


def test_a_separator_in_quotes_is_no_separator(tmp_path):
    raw, _ = read(tmp_path, 'lot_id;lon;lat;"a, b, c, d, e"\n01;-98.5;37.25;x\n')
    assert raw["lot_id"].tolist() == ["01"]


def test_a_declared_separator_and_blank_lines_before_the_heading_count_as_rows(tmp_path):
    raw, _ = read(tmp_path, "sep=;\r\nlot_id;lon;lat\r\n01;-98;37\r\n")
    assert raw["source_row"].tolist() == [3]
    raw, _ = read(tmp_path, "\r\n ,,\r\nlot_id,lon,lat\r\n01,-98,37\r\n")
    assert raw["source_row"].tolist() == [4]


def test_blank_rows_and_repeated_headings_are_told_and_the_others_keep_their_numbers(tmp_path):
    text = "lot_id,lon,lat\n1,-98,37\n\n , ,\n2,-98,37\nlot_id, lon,lat\n3,-98,37\n,,\n"
    raw, problems = read(tmp_path, text)
    assert raw["lot_id"].tolist() == ["1", "2", "3"]
    assert raw["source_row"].tolist() == [2, 5, 7]
    (blank,), (again,) = told(problems, "W-LOT-006"), told(problems, "W-LOT-004")
    assert "3 rows are blank: 3, 4, 8" in blank.rule
    assert "1 rows repeat the heading: 6" in again.rule
    assert len(raw) + 3 + 1 == 7  # every row below the heading is a lot or is told


def test_only_the_whole_heading_is_a_repeated_heading(tmp_path):
    raw, problems = read(tmp_path, "lot_id,lon,lat\nlot_id,-98,37\n")
    assert raw["lot_id"].tolist() == ["lot_id"]
    assert problems == []


@pytest.mark.parametrize("word", ["Total", "TOTALS:", "Grand total", "Subtotal", "Sum", "Count"])
def test_a_row_of_totals_is_kept_and_told(word, tmp_path):
    raw, problems = read(tmp_path, f"lot_id,lon,lat,slab_width_m\n1,-98,37,10\n{word},,,10\n")
    assert raw["lot_id"].tolist() == ["1", word]
    assert [(p.row, p.value) for p in told(problems, "W-LOT-005")] == [(3, word)]
    assert raw.geometry.isna().tolist() == [False, True]
    assert "no coordinate" in told(problems, "E-LOT-004")[0].rule


@pytest.mark.parametrize("word", ["Totality Lane 4", "12", "summer", "T-1"])
def test_other_identifiers_are_no_totals(word, tmp_path):
    assert read(tmp_path, f"lot_id,lon,lat\n{word},-98,37\n")[1] == []


def test_minutes_and_seconds_are_refused_with_the_number_to_write(tmp_path):
    raw, problems = read(tmp_path, 'lot_id|lon|lat\n1|"98°36\'45""W"|37 54 0 N\n2|-98.6|37,9\n')
    assert raw.geometry.isna().all()
    lon, lat, comma = told(problems, "E-LOT-004")
    assert (lon.row, lon.column) == (2, "lon")
    assert "minutes and seconds" in lon.rule
    assert "-98.612500" in lon.remedy
    assert "37.900000" in lat.remedy
    assert "comma" in comma.rule


@pytest.mark.parametrize(("text", "degrees"), [
    ("98°36'45\"W", -98.6125), ("98° 36' 45.0\" w", -98.6125), ("W 98 36 45", -98.6125), ("-98:36:45", -98.6125),
    ("N37°54.5'", 37.908333), ("37d 54m 30s N", 37.908333), ("98º36′45″W", -98.6125), ("-0 30 0", -0.5),
    ("98.6", None), ("-98.6125", None), ("12/5/1990", None), ("", None), ("98", None), ("98° W", None),
])
def test_notations_of_degrees(text, degrees):
    assert _degrees(text) == (None if degrees is None else pytest.approx(degrees, abs=1e-6))


def test_metres_taken_as_degrees_are_refused_with_candidates(tmp_path):
    with pytest.raises(LayerError, match=r'E-LOT-091 .*columns X and Y are not degrees.* crs = "EPSG:2277"'):
        read(tmp_path, "lot_id,X,Y\n1,3111207.2,10073480.1\n2,3111300,10073500\n", columns={"lon": "X", "lat": "Y"})
    raw, _ = read(tmp_path, "lot_id,X,Y\n1,3111207.2,10073480.1\n", columns={"lon": "X", "lat": "Y"}, crs="EPSG:2277")
    np.testing.assert_allclose(raw.to_crs("EPSG:4326").geometry.x, -97.75, atol=0.01)


def test_a_curve_in_text_costs_its_row_only(tmp_path):
    curve = '"CURVEPOLYGON (CIRCULARSTRING (0 0, 10 10, 20 0, 10 -10, 0 0))"'
    raw, problems = read(tmp_path, f'lot_id,wkt\n1,{curve}\n2,"POLYGON ((0 0, 9 0, 9 9, 0 0))"\n', crs="EPSG:26914")
    assert raw.geometry.isna().tolist() == [True, False]
    assert [(p.code, p.row) for p in problems] == [("E-LOT-004", 2)]
    assert "straight sides" in problems[0].remedy


def test_collections_without_end_do_not_end_the_program(tmp_path):
    deep = "GEOMETRYCOLLECTION(" * 200_000 + "POINT(1 1)" + ")" * 200_000
    raw, problems = read(tmp_path, f"lot_id,wkt\n1,{deep}\n2,POINT(1 1)\n", crs="EPSG:26914")
    assert raw.geometry.isna().tolist() == [True, False]
    assert "lie in one another" in problems[0].rule


def test_a_first_row_of_values_is_refused_without_telling_them(tmp_path):
    with pytest.raises(LayerError, match=r"E-LOT-090 lots\.csv row 1: it contains values") as caught:
        read(tmp_path, "1001,-98.1,37.1,Ann Example\n1002,-98.1,37.1,Bo Example\n")
    assert "Example" not in str(caught.value)


def test_names_that_are_years_do_not_make_a_heading_of_values(tmp_path):
    raw, _ = read(tmp_path, "lot_id,lon,lat,2019,2020\n1,-98,37,5,6\n")
    assert len(raw) == 1
