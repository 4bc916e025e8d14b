"""`riskmap check`: everything is read, nothing computed, counts add up."""

from __future__ import annotations

import json
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest
from click.testing import CliRunner

from riskmap.cli.main import cli
from riskmap.common.errors import LayerError
from riskmap.common.problems import Problem, kept_by_refusal, lines
from riskmap.run import check

ROOT = Path(__file__).resolve().parents[3]


def test_the_example_is_read_and_its_counts_add_up(example: Path) -> None:
    report = check.check_area(example / "area.toml")
    assert report.refusals == []
    assert report.lots["read"] == 1531
    assert sum(count for name, count in report.lots.items() if name != "read") == 1531
    assert report.exit_code == 1
    codes = {problem.code for problem in report.problems}
    assert {"W-LOT-011", "E-LOT-012", "W-LOT-013", "E-LOT-014"} <= codes
    assert {source.role for source in report.sources} >= {"lots", "soil", "climate", "drought", "index"}
    text = report.text()
    assert "\n1,531 lots read, 1,502 to be estimated (" in text
    assert "\n  20 not a slab-on-ground house (not_applicable)\n" in text
    assert "A run can start; nothing was computed." in text


def test_the_json_holds_the_same(example: Path, tmp_path: Path) -> None:
    report = check.check_area(example / "area.toml")
    told = json.loads(report.as_json())
    assert told["lots"] == report.lots
    assert len(told["problems"]) == len(report.problems)
    keys = {"code", "file", "rule", "remedy", "action", "row", "column", "value"}
    assert all(set(problem) == keys for problem in told["problems"])
    target = tmp_path / "report.json"
    done = subprocess.run([sys.executable, "-m", "riskmap", "check", str(example / "area.toml"), "--json", str(target)],
                          capture_output=True, text=True, check=False, cwd=ROOT)
    assert done.returncode == 1
    assert json.loads(target.read_text(encoding="utf-8"))["exit_code"] == 1


def test_the_findings_are_written_as_a_table(example: Path, tmp_path: Path) -> None:
    target = tmp_path / "findings.csv"
    done = CliRunner().invoke(cli, ["check", str(example / "area.toml"), "--csv", str(target)])
    assert done.exit_code == 1
    assert target.read_bytes().startswith(b"\xef\xbb\xbf")
    rows = pd.read_csv(target, dtype=str, keep_default_na=False, encoding="utf-8-sig")
    report = check.check_area(example / "area.toml")
    assert rows["code"].tolist() == [problem.code for problem in report.problems]
    assert rows["row"].tolist() == ["" if one.row is None else str(one.row) for one in report.problems]
    assert [value.lstrip("'") for value in rows["value"]] == [one.value.lstrip("'") for one in report.problems]
    refused = CliRunner().invoke(cli, ["check", str(example / "area.toml"), "--csv", str(tmp_path)])
    assert "E-RUN-051 --csv" in str(refused.exception)


def test_one_refused_layer_does_not_hide_the_others(example: Path, tmp_path: Path) -> None:
    text = (example / "area.toml").read_text(encoding="utf-8")
    for name in ("lots.gpkg", "climate.csv", "climate_cells.gpkg", "drought_weekly.parquet", "spei_6.tif", "pdsi.tif",
                 "buildings.parquet", "roads.geojson", "places.geojson"):
        text = text.replace(f'"{name}"', f'"{(example / name).as_posix()}"')
    path = tmp_path / "area.toml"
    path.write_text(text, encoding="utf-8")
    report = check.check_area(path)
    assert report.exit_code == 2
    assert any("soil_ZZ901.zip" in line for line in report.refusals)
    assert report.lots["read"] == 1531
    assert "A run would be refused." in report.text()


def test_single_files(example: Path) -> None:
    lots = check.check_file(example / "lots.gpkg", "lots")
    assert lots.lots["read"] == 1531
    soil = check.check_file(example / "soil_ZZ901.zip", "soil")
    assert soil.exit_code == 0
    assert [source.role for source in soil.sources] == ["soil"]
    wrong = check.check_file(example / "climate.csv", "soil")
    assert wrong.exit_code == 2
    assert "climate.csv" in wrong.text()


@pytest.mark.parametrize("text", ["", "[area]\nname = 'x'\nfast = 1\n"])
def test_a_bad_area_file_is_a_refusal_not_a_fault(tmp_path: Path, text: str) -> None:
    path = tmp_path / "area.toml"
    path.write_text(text, encoding="utf-8")
    report = check.check_area(path)
    assert report.exit_code == 2
    assert report.refusals
    assert "Nothing was read." not in report.text() or report.sources == []


def test_no_network_is_touched(example: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import socket

    def refuse(*args: object, **kwargs: object) -> None:
        raise AssertionError("a socket was opened")

    monkeypatch.setattr(socket.socket, "connect", refuse)
    assert check.check_area(example / "area.toml").refusals == []


def _area_with_lots(example: Path, folder: Path, lots: str) -> Path:
    text = (example / "area.toml").read_text(encoding="utf-8").replace('layer = "lots"\n', "", 1)
    for name in ("climate.csv", "climate_cells.gpkg", "drought_weekly.parquet", "spei_6.tif", "pdsi.tif",
                 "soil_ZZ901.zip", "buildings.parquet", "roads.geojson", "places.geojson"):
        text = text.replace(f'"{name}"', f'"{(example / name).as_posix()}"')
    text = text.replace('"lots.gpkg"', '"lots.csv"')
    (folder / "lots.csv").write_text(lots, encoding="utf-8")
    (folder / "area.toml").write_text(text, encoding="utf-8")
    return folder / "area.toml"


def _inside(example: Path) -> tuple[float, float]:
    import geopandas as gpd

    west, south, east, north = gpd.read_file(example / "lots.gpkg", layer="lots").to_crs("EPSG:4326").total_bounds
    return (west + east) / 2, (south + north) / 2


def test_the_soil_map_tells_that_longitude_and_latitude_are_swapped(example: Path, tmp_path: Path) -> None:
    lon, lat = _inside(example)
    path = _area_with_lots(example, tmp_path, f"lot_id,lon,lat\n1,{lat},{lon}\n2,{lat + 1e-4},{lon}\n")
    report = check.check_area(path)
    assert [p.code for p in report.problems if "swapped" in p.rule] == ["E-LOT-025"]
    assert report.lots == {"read": 2, "usable": 0, "unmatched": 2}


def test_one_row_with_a_lost_sign_is_told_with_its_row(example: Path, tmp_path: Path) -> None:
    lon, lat = _inside(example)
    path = _area_with_lots(example, tmp_path, f"lot_id,lon,lat\n1,{lon},{lat}\n2,{-lon},{lat}\n")
    report = check.check_area(path)
    assert [(p.row, "sign is lost" in p.rule) for p in report.problems if p.code == "E-LOT-025"] == [(3, True)]
    assert report.lots == {"read": 2, "usable": 1, "unmatched": 1}


def test_advice_for_lots_without_a_system_names_only_what_lies_on_the_soil_map(example: Path, tmp_path: Path) -> None:
    import geopandas as gpd

    lots = gpd.read_file(example / "lots.gpkg", layer="lots").to_crs("EPSG:5070")
    middle = lots.geometry.iloc[0].centroid
    path = _area_with_lots(example, tmp_path, f"lot_id,geometry\n1,POINT ({middle.x} {middle.y})\n")
    with_map = [line for line in check.check_area(path).refusals if "E-LOT-020" in line]
    path.write_text(path.read_text(encoding="utf-8").replace("soil_ZZ901.zip", "not_there.zip"), encoding="utf-8")
    without = [line for line in check.check_area(path).refusals if "E-LOT-020" in line]
    assert "EPSG:5070" in with_map[0]
    assert len(with_map[0]) <= len(without[0])


def test_findings_that_differ_only_in_the_row_stand_on_one_line_and_files_keep_each(tmp_path: Path) -> None:
    rows = "".join(f"p{k},-98.0,32.0,{0 if k % 2 else 1990 + k % 9}\n" for k in range(20))
    (tmp_path / "lots.csv").write_text(f"PARCEL,lon,lat,YR_BUILT\n{rows}", encoding="utf-8")
    (tmp_path / "area.toml").write_text('[area]\nname = "a"\n[lots]\npath = "lots.csv"\n[lots.columns]\n'
                                        'lot_id = "PARCEL"\npour_date = "YR_BUILT"\n[soil]\npath = "no.zip"\n',
                                        encoding="utf-8")
    report = check.check_area(tmp_path / "area.toml")
    zero = [line for line in report.text().splitlines() if "the year is not known" in line]
    assert zero == ['W-LOT-014 lots.csv column YR_BUILT (pour_date): "0" in 10 rows (3, 5, 7, ...): 0 means that '
                    "the year is not known. Row kept, pour date unknown."]
    kept = [p for p in json.loads(report.as_json())["problems"] if p["code"] == "W-LOT-014"]
    assert [p["row"] for p in kept] == list(range(3, 23, 2))


def test_few_findings_of_a_kind_stand_row_by_row() -> None:
    found = [Problem("E-LOT-010", "a.csv", rule="rule.", remedy="", action="Kept.", row=row,
                     column="lot_id") for row in (2, 4, 5, 8)]
    assert lines(found) == [str(problem) for problem in found]
    assert str(found[0]) == "E-LOT-010 a.csv row 2 column lot_id: rule. Kept."
    whole = Problem("W-LOT-001", "a.csv", rule="no rows.", remedy="", action="")
    assert lines([*found, whole, replace(found[0], row=9)]) == [
        "E-LOT-010 a.csv column lot_id: 5 rows (2, 4, 5, ...): rule. Kept.", "W-LOT-001 a.csv: no rows."]


def test_many_values_that_break_one_rule_stand_on_one_line() -> None:
    found = [Problem("E-LOT-016", "a.csv", rule="too wide.", remedy="Look.", action="Kept.", row=2 + k, column="w",
                     value=str(900 + k % 24))
             for k in range(30)]
    assert lines(found) == ['E-LOT-016 a.csv column w: "900", "901", "902" and other values in 30 rows (2, 3, 4, ...): '
                            "too wide. Look. Kept."]
    assert lines(found[:20]) == [str(problem) for problem in found[:20]]


@pytest.mark.parametrize(("column", "value", "line"), [
    ("slab_width_ft", "2541", 'E-LOT-016 lots.csv row 2 column SQFT_BLDG (slab_width_ft): "2541": a slab side lies '
     "between 6.56 and 197 ft. Is this an area?"),
    ("slab_width_m", "150", 'column SQFT_BLDG (slab_width_m): "150": a slab side lies between 2 and 60 m. Were feet'),
    ("beam_depth_in", "600", 'column SQFT_BLDG (beam_depth_in): "600": a beam depth lies between 3.94 and 78.7 in. '
     "Is it in inches?")])
def test_sizes_are_told_in_the_column_and_unit_of_the_file(column: str, value: str, line: str, tmp_path: Path) -> None:
    (tmp_path / "lots.csv").write_text(f"lot_id,lon,lat,SQFT_BLDG\n1,-98.0,32.0,{value}\n", encoding="utf-8")
    (tmp_path / "area.toml").write_text('[area]\nname = "a"\n[lots]\npath = "lots.csv"\n[lots.columns]\n'
                                        f'{column} = "SQFT_BLDG"\n[soil]\npath = "no.zip"\n', encoding="utf-8")
    assert line in check.check_area(tmp_path / "area.toml").text()


@pytest.mark.parametrize(("given", "told"), [
    ("43.6", ["the lots lie at 33.7 degrees north, the latitude of cell 0309 is given as 43.6."]), ("35.5", []),
    ("31.5", ["the lots lie at 33.7 degrees north, the latitude of cell 0309 is given as 31.5."]),
    ('{ "0309" = 23.7 }', ["the lots lie at 33.7 degrees north, the latitude of cell 0309 is given as 23.7."]),
    ('{ "0309" = -33.7 }', None)])
def test_a_latitude_far_from_the_lots_is_told_with_both(given: str, told: list[str] | None,
                                                              tmp_path: Path) -> None:
    lots = "lot_id,lon,lat\n1,-97.0,33.7\n2,-97.0,33.7\n3,33.7,-97.0\n4,,\n"
    (tmp_path / "lots.csv").write_text(lots, encoding="utf-8")
    months = "".join(f"0309,{year},{month},2.0,{50 + 20 * min(month, 13 - month) / 6:.1f}\n"
                     for year in range(1990, 2024) for month in range(1, 13))
    (tmp_path / "climate.csv").write_text(f"cell_id,year,month,precip_in,tavg_f\n{months}", encoding="utf-8")
    (tmp_path / "area.toml").write_text(
        '[area]\nname = "a"\n[lots]\npath = "lots.csv"\n[soil]\npath = "no.zip"\n[climate]\nreader = "csv"\n'
        f'path = "climate.csv"\ncell = "0309"\nlatitude_deg = {given}\n', encoding="utf-8")
    report = check.check_area(tmp_path / "area.toml")
    if told is None:  # the other hemisphere, and a summer of this one
        assert [line[:9] for line in report.refusals] == ["E-SOIL-00", "E-CLI-065"]
        return
    assert len(report.refusals) == 1, report.refusals
    assert [p.rule for p in report.problems if p.code == "W-CLI-049"] == told


def test_latitudes_of_cell_polygons_are_their_own(example: Path) -> None:
    assert "W-CLI-049" not in {p.code for p in check.check_area(example / "area.toml").problems}


@pytest.mark.parametrize(("content", "refused", "kept"), [
    ("lot_id,street,owner,lon\n1,Ca\xf1on,A,-98\n".encode("cp1252"), "E-LOT-003", ["W-LOT-019"]),
    ("lot_id,owner,lon,lat\n1,Ca\xf1on,-9800,32\n".encode("cp1252"), "E-LOT-091", ["W-LOT-019"]),
])
def test_a_refused_file_of_lots_keeps_what_was_found_before(content: bytes, refused: str, kept: list[str],
                                                            tmp_path: Path) -> None:
    (tmp_path / "lots.csv").write_bytes(content)
    report = check.check_file(tmp_path / "lots.csv", "lots")
    assert [line.split()[0] for line in report.refusals] == [refused]
    assert [problem.code for problem in report.problems] == kept
    assert kept[0] in report.text()
    assert f"1 refusal, {len(kept)} finding" in report.text()


def test_a_refused_climate_keeps_what_was_found_before(example: Path, tmp_path: Path) -> None:
    months = "".join(f"Z,{year}-{month:02d},50,60\n" for year in range(1990, 2020) for month in range(1, 13))
    (tmp_path / "climate.csv").write_text(f"cell_id,month,precip_mm,tavg_c\nZ,1989-xx,1,1\n{months}", encoding="utf-8")
    (tmp_path / "area.toml").write_text(
        f'[area]\nname = "a"\n[lots]\npath = "{(example / "lots.gpkg").as_posix()}"\n[soil]\npath = '
        f'"{(example / "soil_ZZ901.zip").as_posix()}"\n[climate]\nreader = "csv"\n'
        'path = "climate.csv"\nlatitude_deg = 32\n', encoding="utf-8")
    report = check.check_area(tmp_path / "area.toml")
    assert {line.split()[0] for line in report.refusals} == {"E-CLI-018"}
    assert ("E-CLI-032", 2) in [(problem.code, problem.row) for problem in report.problems]


def test_findings_go_with_a_refusal_in_the_order_in_which_they_were_made() -> None:
    first, second = (Problem("W-LOT-001", name, rule="", remedy="", action="") for name in ("a", "b"))
    with pytest.raises(LayerError, match=r"^refused$") as caught, kept_by_refusal([first]):
        raise LayerError("refused", problems=[second])
    assert caught.value.problems == [first, second]
    assert LayerError("refused").problems == []
