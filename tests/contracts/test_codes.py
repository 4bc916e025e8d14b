"""Every message code is in the register once, has one meaning, and can be looked up."""

from __future__ import annotations

import ast
import re
import tomllib
from collections import Counter, defaultdict
from functools import cache
from pathlib import Path

import pytest
from click.testing import CliRunner
from each_case import check_each

import riskmap
from riskmap import api
from riskmap.cli.main import cli
from riskmap.common import codes
from riskmap.common.errors import CodeError, RunFolderError

ROOT = Path(__file__).resolve().parents[2]
PACKAGE = ROOT / "riskmap"
CODE = re.compile(r"\b[EW]-[A-Z]{3,4}-\d{3}\b")
RAISED = re.compile(rf"\s*({CODE.pattern})(?=[\s:]|$)")  # a message begins with its code; within one it is an example
LONGEST = 200

# A code in several places has the same meaning in all of them. A place that is added here or moves to another module is
# looked at: does the register's sentence hold there too? If not, it needs a code of its own.
SEVERAL_PLACES = {
    "E-CAL-005": ({"answers/calibration/surveys.py": 2}, "a value in two columns: same name, or mm and inches"),
    "E-CAL-100": ({"answers/calibration/calibrate.py": 1, "answers/calibration/fitting.py": 1}, "none is too few"),
    "E-CAL-110": ({"answers/calibration/fitting.py": 2}, "the layer below is off from the start, or is put off later"),
    "E-CAL-216": ({"run/flow.py": 2}, "for publication, or in parts"),
    "E-CAL-211": ({"answers/calibration/apply.py": 1, "answers/calibration/calibrate.py": 1,
                   "answers/calibration/invented_surveys.py": 1}, "three uses of the same record"),
    "W-CAL-060": ({"answers/calibration/calibrate.py": 2}, "the finding, and the same code in the table of rows"),
    "E-CLI-001": ({"layers/climate_monthly.py": 1, "layers/noaa_fixed_width.py": 1}, "one check in two readers"),
    "E-CLI-018": ({"layers/climate_judged.py": 3}, "rain too high, warmth too high or too low: a wrong unit"),
    "E-CLI-020": ({"layers/noaa_fixed_width.py": 2}, "empty, or another kind of file"),
    "E-CLI-021": ({"layers/noaa_fixed_width.py": 2}, "the first line, or a later one"),
    "E-CLI-080": ({"run/check.py": 1, "run/flow.py": 1}, "check and estimate refuse the same"),
    "E-CLI-112": ({"layers/climate_area.py": 3}, "a setting that belongs to the other reader, or one file is wanted"),
    "E-CLI-113": ({"layers/climate_area.py": 2}, "no cell has a polygon, or several and no polygons"),
    "E-CLI-104": ({"layers/climate_daily.py": 2}, "no date, or no quantity"),
    "E-CLI-105": ({"layers/climate_daily.py": 2}, "two columns of a quantity with units, or one without"),
    "E-CLI-106": ({"layers/climate_daily.py": 2}, "decimals, or no warm day in the whole record"),
    "E-SHP-003": ({"layers/shape_file.py": 3}, "the library says so, another driver answers, or another encoding"),
    "E-SHP-004": ({"layers/shape_file.py": 3}, "one each for a database, a Parquet file and a CSV"),
    "E-SHP-011": ({"layers/shape_file.py": 2}, "a system that is not understood is none"),
    "E-FET-001": ({"download/client.py": 2}, "an address that cannot be read is on no list"),
    "E-FET-002": ({"download/client.py": 2}, "no connection, or no name"),
    "E-FET-003": ({"download/client.py": 2}, "before and after the connection"),
    "E-FET-004": ({"download/client.py": 3}, "redirects too many, unreadable or that lose the question"),
    "E-FET-006": ({"download/client.py": 3}, "by media type, by first bytes, by content"),
    "E-FET-007": ({"download/client.py": 3, "download/soil.py": 1}, "announced, received, or cut at the limit"),
    "E-FET-009": ({"download/client.py": 2}, "unknown packing, or not packed as said"),
    "E-FET-010": ({"download/client.py": 2}, "the transfer, or the packed stream"),
    "E-FET-022": ({"download/cache.py": 2, "download/soil_layout.py": 1}, "one file, or the folder"),
    "E-FET-023": ({"download/cache.py": 2}, "the folder, or a file in the cache"),
    "E-FET-031": ({"download/soil.py": 2}, "not four numbers, or not in order"),
    "E-FET-034": ({"download/soil.py": 5}, "five ways in which the answer is no such table"),
    "E-FET-035": ({"download/soil.py": 2}, "no shape or key, or no polygon"),
    "E-FET-040": ({"download/drought.py": 2}, "a time that ends before it begins holds no map either"),

    "E-FET-043": ({"download/drought.py": 4}, "four ways in which the answer is no such table"),
    "E-FET-052": ({"download/climate.py": 2}, "a record, or the end of the file"),
    "E-LAY-004": ({"layers/polygon_file.py": 3}, "a zip, GeoParquet, or another format"),
    "E-LAY-007": ({"layers/polygon_file.py": 2}, "no such layer, or several and none named"),
    "E-LOT-001": ({"layers/lots.py": 4, "layers/lots_csv.py": 1, "layers/lots_kml.py": 3, "layers/lots_vector.py": 3,
                   "layers/lots_workbook.py": 1},
                  "each reader meets damage in its own way"),
    "E-LOT-002": ({"layers/lots_kml.py": 2, "layers/lots_whole.py": 2}, "a KMZ and a zip, as a whole or a part of it"),
    "E-LOT-003": ({"layers/lots_csv.py": 1, "layers/lots_kml.py": 1, "layers/lots_vector.py": 2},
                  "no shapes, in the words of each format"),
    "E-LOT-004": ({"layers/lots_csv.py": 2, "layers/lots_kml.py": 1, "layers/lots_vector.py": 3},
                  "one shape cannot be read, in the words of each format"),
    "E-LOT-007": ({"layers/lots_columns.py": 2}, "the same name, or two names of ours"),
    "E-LOT-009": ({"layers/lots_columns.py": 4}, "four ways in which an entry is of no use"),
    "E-LOT-089": ({"layers/lots_vector.py": 1, "layers/lots_workbook.py": 2}, "layers, or sheets: none, or several"),
    "E-LOT-092": ({"layers/lots_columns.py": 2}, "a column about people, or none in the file"),
    "E-LOT-020": ({"layers/lots.py": 3}, "missing, not understood, or not convertible"),
    "E-LOT-025": ({"lots/findings.py": 2}, "one row, or all"),
    "E-LOT-060": ({"layers/lots_whole.py": 4}, "which part of the shapefile shows the damage"),
    "E-LOT-082": ({"layers/lots.py": 2, "layers/lots_csv.py": 1}, "each library says it in its own way"),
    "W-LOT-062": ({"layers/lots.py": 1, "layers/recognise_layers.py": 1}, "read as lots, or looked at first"),
    "E-LOT-086": ({"layers/lots_kml.py": 1, "layers/lots_whole.py": 1}, "a KMZ and a zip"),
    "E-LOT-087": ({"layers/lots_kml.py": 1, "layers/lots_whole.py": 1}, "a KMZ and a zip"),
    "E-LOT-088": ({"layers/lots_whole.py": 3}, "no .shp, another part missing, or other capitals"),
    "W-LOT-011": ({"lots/findings.py": 2}, "the first ones, and the count of the others"),
    "W-LOT-034": ({"layers/lots_corrections.py": 2}, "a later one, or the same one again"),
    "E-MEA-001": ({"answers/measured/series_file.py": 2}, "bytes, or rows"),
    "E-MEA-002": ({"answers/measured/series_file.py": 2}, "the file, or one row"),
    "E-MEA-004": ({"answers/measured/series_file.py": 2}, "date or depth, or the values"),
    "E-MEA-005": ({"answers/measured/series_file.py": 2}, "the same name, or two columns of values"),
    "E-MEA-016": ({"answers/measured/series_file.py": 2}, "before and after repeated days are set aside"),
    "E-NEW-003": ({"layers/recognise.py": 2, "layers/recognise_layers.py": 1}, "the zip, or a file in it"),
    "E-NEW-004": ({"layers/recognise.py": 1, "layers/recognise_layers.py": 1}, "one check, looked at twice"),
    "E-NEW-006": ({"layers/recognise.py": 1, "layers/recognise_layers.py": 4}, "each library says it in its own way"),
    "E-RUN-005": ({"outputs/files/geopackage.py": 1, "outputs/files/public_table.py": 1}, "two writers"),
    "E-RUN-014": ({"run/folder.py": 2}, "the name, or any"),
    "E-RUN-018": ({"run/folder.py": 2}, "no second run at all, or none of this area"),
    "E-RUN-041": ({"run/files.py": 3}, "missing, changed or added: it does not agree with the manifest"),
    "E-RUN-051": ({"cli/main.py": 2}, "the name of a folder, or in no folder"),
    "E-SCR-003": ({"answers/screen_list.py": 1, "layers/workbook.py": 1}, "a workbook is stopped while it is read"),
    "E-SCR-005": ({"answers/screen_list.py": 2, "cli/screen.py": 1}, "its form, its names, or a column of people"),
    "E-SCR-008": ({"answers/screen_list.py": 1, "layers/workbook.py": 1}, "a cell below the heading, or in it"),
    "E-SCR-009": ({"answers/screen.py": 2}, "no such column, or one about people"),
    "E-SCR-007": ({"layers/workbook.py": 2}, "the zip, or what is in it"),
    "E-SCR-015": ({"answers/screen_choices.py": 3}, "no such file, no such columns, or rows that are no numbers"),
    "E-SCR-062": ({"layers/workbook.py": 3}, "the heading, the rows, or the cells counted"),
    "E-SCR-082": ({"layers/workbook.py": 2}, "no row, or an empty first row"),
    "E-SET-001": ({"common/setting_words.py": 1, "common/settings.py": 1}, "a key, or a section given as a value"),
    "E-SET-021": ({"common/equal_area.py": 2}, "degrees, or another system that is not projected"),
    "E-SET-032": ({"common/area_text.py": 2}, "too deep for the parser, or refused by it"),
    "E-SOIL-002": ({"layers/soil_template.py": 1, "layers/ssurgo_tables.py": 1}, "one check in two readers"),
    "E-SOIL-003": ({"layers/soil_template.py": 1, "layers/ssurgo_tables.py": 2}, "the database, the zip, or a member"),
    "E-SOIL-005": ({"layers/soil_template.py": 1, "layers/ssurgo_tables.py": 1}, "one check in two readers"),
    "E-SOIL-006": ({"layers/soil_template.py": 1, "layers/ssurgo_tables.py": 1}, "one check in two readers"),
    "E-SOIL-008": ({"layers/ssurgo_tables.py": 3}, "the list of tables, or a table"),
    "E-SOIL-009": ({"layers/soil_template.py": 1, "layers/ssurgo_tables.py": 1}, "one check in two readers"),
    "E-SOIL-011": ({"layers/soil_template.py": 2, "layers/ssurgo_tables.py": 1}, "one check in two readers"),
    "E-SOIL-013": ({"layers/soil_key_raster.py": 1, "layers/ssurgo_tables.py": 1}, "a grid, or polygons"),
    "E-SOIL-021": ({"layers/soil_template.py": 2}, "its tables, or its polygons"),
    "E-SOIL-024": ({"layers/soil_key_raster.py": 2}, "unreadable, or bands of another kind"),
    "E-SOIL-025": ({"layers/soil_key_raster.py": 2}, "the grid ends before the lots, or is empty there"),
    "E-SOIL-060": ({"layers/ssurgo_tables.py": 2}, "by its first line, or by most of its lines"),
    "E-SOIL-061": ({"layers/soil_judged.py": 2}, "all three contents, or clay alone"),
    "E-SOIL-081": ({"layers/soil_template.py": 1, "layers/ssurgo_tables.py": 2}, "one check in two readers"),
    "W-SOIL-010": ({"layers/soil_template.py": 1, "layers/ssurgo_tables.py": 1}, "one check in two readers"),
    "E-SVY-001": ({"answers/survey/readings.py": 3}, "point, a length, or the columns of a house form"),
    "E-SVY-004": ({"answers/survey/readings.py": 2}, "several houses, or a name that fits none or several"),
    "E-SVY-006": ({"answers/survey/readings.py": 1, "answers/survey/table_file.py": 2}, "readings, bytes or rows"),
    "E-SVY-008": ({"answers/survey/table_file.py": 3}, "a CSV, a workbook, or its zip"),
    "E-SVY-043": ({"answers/survey/expected.py": 1, "answers/survey/house_survey.py": 1},
                  "before and after the levels are made"),
}


def texts(tree: ast.Module) -> list[str]:
    """Every string that the code uses; docstrings and what a code is compared with are left out."""
    every = list(ast.walk(tree))
    left_out = {id(node) for top in every if isinstance(top, ast.Compare) for node in ast.walk(top)}
    left_out |= {id(node.value) for node in every
                 if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)}
    return [node.value for node in every
            if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in left_out]


@cache
def places() -> dict[str, Counter[str]]:
    """Where each code begins a message or is handed to one, by module."""
    found: dict[str, Counter[str]] = defaultdict(Counter)
    for path in sorted(PACKAGE.rglob("*.py")):
        for text in texts(ast.parse(path.read_text(encoding="utf-8"))):
            if begun := RAISED.match(text):
                found[begun[1]][path.relative_to(PACKAGE).as_posix()] += 1
    return found


def test_every_code_is_registered_and_every_entry_is_used() -> None:
    named = {code for path in sorted(PACKAGE.rglob("*")) if path.suffix in {".py", ".js", ".typ", ".html"}
             for code in CODE.findall(path.read_text(encoding="utf-8"))}
    assert named - set(codes.register()) == set(), "write what it means and what to do into common/codes.toml"
    assert set(codes.register()) - set(places()) == set(), "no message begins with it: remove the entry"


def test_no_code_has_two_entries() -> None:
    text = codes.REGISTER.read_text(encoding="utf-8")
    entries = re.findall(r"^\[(.+)\]$", text, re.MULTILINE)
    assert len(entries) == len(set(entries)) == len(codes.register()) > 400
    with pytest.raises(tomllib.TOMLDecodeError):
        tomllib.loads(text + f'[{entries[0]}]\nmeaning = "Another."\nremedy = "Another."\n')


def test_meaning_and_remedy_are_short_sentences() -> None:
    def check(code: str) -> None:
        entry = codes.register()[code]
        assert CODE.fullmatch(code), code
        for sentence in (entry.meaning, entry.remedy):
            assert sentence.endswith("."), code
            assert sentence[0].isupper(), code
            assert len(sentence) <= LONGEST, code
            assert sentence == " ".join(sentence.split()), code

    check_each(codes.register(), check)


def test_a_code_in_several_places_has_one_meaning() -> None:
    several = {code: dict(found) for code, found in places().items() if found.total() > 1}
    expected = {code: where for code, (where, _) in SEVERAL_PLACES.items()}
    assert {c: several.get(c) for c in several.keys() | expected if several.get(c) != expected.get(c)} == {}
    assert all(reason for _, reason in SEVERAL_PLACES.values())


def test_a_second_place_is_seen() -> None:
    tree = ast.parse('"""E-LOT-014 in a docstring."""\nraise LayerError(f"E-LOT-014 {name}: wrong.")\n'
                     'if code == "E-LOT-014":\n    raise LayerError("see E-LOT-014")\ncheck(unsafe="E-LOT-014")\n')
    assert sum(bool(RAISED.match(text)) for text in texts(tree)) == 2


# ---------------------------------------------------------------- explain
def test_explain_tells_what_a_code_means() -> None:
    entry = codes.register()["E-LOT-014"]
    told = f"E-LOT-014: {entry.meaning}\nWhat to do: {entry.remedy}"
    assert riskmap.explain("E-LOT-014") == riskmap.explain("e-lot-014") == api.explain_code(" E-LOT-014 ") == told
    for written in ("E-LOT-014", "e-lot-014"):
        done = CliRunner().invoke(cli, ["explain", written, "--outputs", "nowhere"])
        assert (done.exit_code, done.output) == (0, told + "\n")


def test_an_unknown_code_names_the_closest() -> None:
    with pytest.raises(CodeError, match=r"^E-COD-001 'e-lot-899' is not .* E-LOT-08\d"):
        riskmap.explain("e-lot-899")
    for written in ("E-LOT-999", "W-XYZ-001", "E-LOT-14"):
        done = CliRunner().invoke(cli, ["explain", written])
        assert isinstance(done.exception, CodeError)
        assert len(set(CODE.findall(str(done.exception))) & set(codes.register())) >= codes.CLOSEST_SHOWN


def test_a_run_without_a_lot_is_refused_with_words() -> None:
    with pytest.raises(RunFolderError, match="E-RUN-082 no lot is named"):
        riskmap.explain("latest")


def test_a_code_is_an_argument_of_explain_in_its_help() -> None:
    told = " ".join(CliRunner().invoke(cli, ["explain", "--help"]).output.split())
    assert "With a message code alone, such as E-LOT-014" in told
