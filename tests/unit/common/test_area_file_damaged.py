"""Files that are not an area file, or a damaged one: one clear line, never a trace."""

from __future__ import annotations

import os
import zipfile
from pathlib import Path

import pytest
from click.testing import CliRunner

from riskmap.cli.main import cli
from riskmap.common import settings
from riskmap.common.area_text import LARGEST_BYTES
from riskmap.common.errors import SettingsError
from riskmap.run import check

GOOD = '[area]\nname = "a"\n[lots]\npath = "l.csv"\n[soil]\npath = "s.zip"\n'
DEEP = "E-SET-032 a.toml: brackets or dotted keys are nested far deeper"


def refused(path: Path) -> str:
    with pytest.raises(SettingsError) as caught:
        settings.load(path)
    line = str(caught.value)
    assert "\n" not in line
    return line


@pytest.mark.parametrize(("name", "data", "said"), [
    ("a.toml", GOOD.encode() + b"x = " + b"[" * 5000, DEEP),
    ("a.toml", GOOD.encode() + b"x = " + b"{a=" * 5000, DEEP),
    ("a.toml", b"a." * 100_000 + b"b = 1\n", DEEP),
    ("a.toml", GOOD.encode() + b"[soil]\n", "E-SET-032 a.toml: cannot be read as TOML: Cannot declare ('soil',) "
     "twice (at line 7, column 6). A key or a section is given twice: keep one of them."),
    ("a.toml", b'[area]\nname = "a"\nname = "b"\n', "A key or a section is given twice"),
    ("a.toml", b"x = {a = 1, a = 2}", "A key or a section is given twice"),
    ("a.toml", b'[lots]\npath = "C:\\new\\lots.csv"\n', "Write paths with / or in single quotes"),
    ("a.toml", b'[lots]\npath = "C:\\Users\\lots.csv"\n', "Write paths with / or in single quotes"),
    ("a.toml", b"[lots]\npath = lots.csv\n", "Put texts, paths and dates in quotes."),
    ("a.toml", "[area]\nname = \u201ca\u201d\n".encode(), "Use straight quotes."),
    ("a.toml", b"[movement]\nseed = " + b"9" * 5000, "E-SET-032 a.toml: cannot be read as TOML: Exceeds the limit"),
    ("a.toml", b"[area]\nname = 'a\x00b'\n", "E-SET-031 a.toml: line 2 contains a NUL character"),
    ("a.toml", GOOD.encode("utf-16"), "E-SET-031 a.toml: the text is saved as UTF-16: save it as UTF-8."),
    ("a.toml", GOOD.encode("utf-16-le"), "E-SET-031 a.toml: line 1 contains a NUL character"),
    ("a.toml", b'[area]\nname = "Caf\xe9"\n', "E-SET-031 a.toml: the text is not UTF-8 in line 2: save it as UTF-8."),
    ("lots.csv", b"lot_id,pour_date\n1,1985\n", "E-SET-032 lots.csv: cannot be read as TOML: "),
    ("lots", b"lot_id;pour_date\n1;1985\n", "This looks like a table: name it under `path` in an area file."),
    ("a.geojson", b'\n{"type": "FeatureCollection"}', "E-SET-031 a.geojson: this is JSON"),
    ("a.kml", b"<?xml version='1.0'?>", "this is XML or HTML"),
    ("a.gpkg", b"SQLite format 3\x00" + b"\x00" * 100, "this is a GeoPackage or SQLite database"),
    ("a.toml", b"# " + b"x" * LARGEST_BYTES, "E-SET-030 a.toml: cannot be read as an area file: it has 1,000,002 "),
])
def test_a_damaged_area_file_is_told_in_one_line(name: str, data: bytes, said: str, tmp_path: Path) -> None:
    (tmp_path / name).write_bytes(data)
    line = refused(tmp_path / name)
    assert said in line
    assert line.endswith("See layers/example/area.toml.")
    assert line.isprintable()
    report = check.check_area(tmp_path / name)
    assert (report.refusals, report.exit_code) == ([line], 2)


@pytest.mark.parametrize("name", ["a.zip", "a.xlsx"])
def test_an_archive_or_a_workbook_is_named_as_such(name: str, tmp_path: Path) -> None:
    with zipfile.ZipFile(tmp_path / name, "w") as made:
        made.writestr("xl/workbook.xml", "<workbook/>")
    assert "this is a zip archive or a workbook (XLSX)" in refused(tmp_path / name)


def test_a_folder_a_device_a_pipe_and_nothing_are_not_opened(tmp_path: Path) -> None:
    (tmp_path / "town").mkdir()
    (tmp_path / "town" / "area.toml").write_text(GOOD, encoding="utf-8")
    assert "it is a folder, and one TOML file is wanted; in it: area.toml" in refused(tmp_path / "town")
    assert "it is a device or a pipe" in refused(Path("/dev/zero"))
    os.mkfifo(tmp_path / "pipe.toml")
    assert "it is a device or a pipe" in refused(tmp_path / "pipe.toml")
    missing = refused(tmp_path / "none.toml")
    assert missing.startswith("E-SET-030 none.toml: cannot be read as an area file: there is no such file.")
    assert "there is no such file" in refused(Path("a\x00b.toml"))
    (tmp_path / "ring.toml").symlink_to(tmp_path / "ring.toml")
    assert refused(tmp_path / "ring.toml").startswith("E-SET-030 ring.toml: ")


def test_the_command_line_says_the_line_and_exits_with_two(tmp_path: Path) -> None:
    path = tmp_path / "a.toml"
    path.write_text(GOOD + "x = " + "[" * 5000, encoding="utf-8")
    checked = CliRunner().invoke(cli, ["check", str(path)])
    assert checked.exit_code == 2
    assert "E-SET-032" in checked.output
    ran = CliRunner().invoke(cli, ["estimate", str(path), "--outputs", str(tmp_path / "out")])
    assert isinstance(ran.exception, SettingsError)  # `main` turns it into exit 2
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(("text", "said"), [
    ("area = 3\n", "E-SET-001 a.toml: 'area' is a section"),
    ("[[area]]\nname = 'a'\n", "E-SET-001 a.toml: 'area' is a section"),
    ("today = '2025-10'\n[area]\nname = 'a'\ntoday = '2025-09'\n", "E-SET-012 a.toml: 'today' is given twice"),
    (GOOD + "[area.lots]\npath = 'x'\n", "E-SET-012 a.toml: 'lots' is given twice"),
    (GOOD.replace("name", "folder = 'x'\nname"), "E-SET-001 a.toml: 'folder' is neither a setting of [area] nor a"),
    (GOOD.replace("name", '"\\u001b[31m" = 1\nname'), "E-SET-001 a.toml: '\\u001b[31m' is neither a setting"),
    (GOOD.replace('"a"', '"\\u001b"'), "E-SET-001 a.toml: 'name' must have 1 to 120 characters, none of them"),
])
def test_keys_that_would_go_unnoticed_are_told(text: str, said: str, tmp_path: Path) -> None:
    (tmp_path / "a.toml").write_text(text, encoding="utf-8")
    assert said in refused(tmp_path / "a.toml")


def test_many_findings_are_cut_with_their_count(tmp_path: Path) -> None:
    keys = "".join(f"key{k} = 1\n" for k in range(300))
    (tmp_path / "a.toml").write_text(f"{GOOD}[movement]\n{keys}", encoding="utf-8")
    with pytest.raises(SettingsError) as caught:
        settings.load(tmp_path / "a.toml")
    lines = str(caught.value).splitlines()
    assert len(lines) == 41
    assert lines[-1] == "... and 260 more findings in a.toml."
