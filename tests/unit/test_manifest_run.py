"""The manifest tells what went in and came out, names nobody's folders, and `verify` finds every change."""

from __future__ import annotations

import getpass
import hashlib
import json
from datetime import UTC, datetime
from pathlib import Path

import pytest
from invented_results import results

from riskmap import manifest, settings
from riskmap.layers import Source
from riskmap.results import RowCounts
from riskmap.settings import Area

MOMENT = datetime(2025, 11, 3, 4, 5, 6, tzinfo=UTC)


@pytest.fixture
def area(tmp_path: Path) -> Area:
    folder = tmp_path / "layers"
    (folder / "soil").mkdir(parents=True)
    (folder / "lots.csv").write_text("lot_id\n1\n")
    (folder / "soil" / "a.txt").write_text("a")
    (folder / "soil" / "b.txt").write_text("b")
    (folder / "area.toml").write_text('[area]\nname = "T"\n[lots]\npath = "lots.csv"\n[soil]\npath = "soil"\n')
    return settings.load(folder / "area.toml")


@pytest.fixture
def run(tmp_path: Path, area: Area) -> Path:
    folder = tmp_path / "run"
    folder.mkdir()
    (folder / "lots.csv").write_text("x")
    (folder / "map.html").write_text("y")
    sources = [Source("lots", Path("lots.csv"), "Lots", "us", "CC0-1.0", "", "2025", 60),
               Source("soil", area.folder / "soil", rows=2), Source("climate", Path("gone.csv"))]
    manifest.write(folder, results(), area, sources, RowCounts.of(results().lots), MOMENT)
    return folder


def told(run: Path) -> dict:
    def refuse(word: str) -> None:
        raise ValueError(word)

    return json.loads((run / "manifest.json").read_text(encoding="utf-8"), parse_constant=refuse)


def test_what_went_in(run: Path) -> None:
    lots, soil, gone = told(run)["inputs"]
    assert lots["bytes"] == 9
    assert lots["sha256"] == hashlib.sha256(b"lot_id\n1\n").hexdigest()
    assert (lots["licence"], lots["valid_date"], lots["rows"]) == ("CC0-1.0", "2025", 60)
    assert (soil["path"], soil["bytes"]) == ("soil", 2)
    assert gone["sha256"] is None


def test_what_came_out(run: Path) -> None:
    found = told(run)
    assert set(found["outputs"]) == {"lots.csv", "map.html"}
    assert found["outputs"]["map.html"]["sha256"] == hashlib.sha256(b"y").hexdigest()
    rows = found["rows"]
    assert rows["lots_read"] == rows["out"] == 60
    assert rows["with_number"] + sum(rows["by_state"].values()) == 60
    assert len(rows["by_state"]) == 6
    assert found["written_utc"] == "2025-11-03T04:05:06Z"
    assert found["seed"] == settings.MovementSettings().seed
    assert found["stage_seconds"] == {"reading layers": 0.5}
    assert found["unit_draws_per_s"] == 15000.0
    assert found["facts"]["cells"]["Z01"]["mean_filling"] is None  # not a number is not JSON
    assert found["problems"] == {"total": 1, "by_code": {"W-LOT-001": 1}}
    assert found["packages"]["numpy"]


def test_it_names_nobody_and_no_place(run: Path, tmp_path: Path) -> None:
    text = (run / "manifest.json").read_text(encoding="utf-8")
    assert str(tmp_path) not in text
    assert str(Path.home()) + "/" not in text
    if len(getpass.getuser()) > 4:
        assert getpass.getuser() not in text


def test_same_run_same_manifest(run: Path, area: Area) -> None:
    before = (run / "manifest.json").read_bytes()
    names = ("role", "path", "title", "provider", "licence", "credit", "valid_date", "rows")
    sources = [Source(**{name: entry[name] for name in names} | {"path": Path(entry["path"])})
               for entry in told(run)["inputs"]]
    manifest.write(run, results(), area, sources, RowCounts.of(results().lots), MOMENT)
    assert (run / "manifest.json").read_bytes() == before


def test_verify_is_content_with_an_untouched_run(run: Path, area: Area) -> None:
    assert manifest.verify(run) == []
    assert manifest.verify(run, area.folder) == []


def test_verify_finds_every_change(run: Path, area: Area) -> None:
    (run / "lots.csv").write_text("X")
    (run / "map.html").unlink()
    (run / "new.txt").write_text("")
    (area.folder / "soil" / "b.txt").write_text("c")
    found = manifest.verify(run, area.folder)
    assert [line.split()[0] for line in found] == ["E-MAN-004", "E-MAN-003", "W-MAN-005", "W-MAN-006"]


@pytest.mark.parametrize("text", ["", "{}", "[]", '{"outputs": 3, "inputs": [], "area": {"folder": ""}}', "\x00"])
def test_verify_of_a_spoilt_manifest(run: Path, text: str) -> None:
    (run / "manifest.json").write_text(text)
    (line,) = manifest.verify(run)
    assert line.startswith("E-MAN-001")


def test_verify_of_a_folder_without_one(tmp_path: Path) -> None:
    assert manifest.verify(tmp_path)[0].startswith("E-MAN-001")


def test_verify_does_not_leave_the_run_folder(run: Path, tmp_path: Path) -> None:
    (tmp_path / "secret").write_text("s")
    data = told(run)
    data["outputs"]["../secret"] = {"sha256": "0"}
    (run / "manifest.json").write_text(json.dumps(data))
    assert [line.split()[0] for line in manifest.verify(run)] == ["E-MAN-002"]


def test_absolute_paths_in_the_area_file_are_cut_to_names(tmp_path: Path) -> None:
    base = settings.Area(name="T", lots={"path": tmp_path / "lots.csv"}, soil={"path": [tmp_path / "a", "b"]})
    assert json.dumps(manifest.plain(base.model_dump(exclude={"folder"}))).count(tmp_path.name) == 0
