"""The manifest says what went in and came out, names nobody's folders, and `verify` finds every change."""

from __future__ import annotations

import getpass
import hashlib
import json
import os
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest
from finished_runs import reseal
from invented_results import results

from riskmap.common import settings, tables
from riskmap.common.errors import RunFolderError
from riskmap.common.inputs import Source
from riskmap.common.results import RowCounts
from riskmap.common.settings import Area
from riskmap.run import files, manifest

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
    assert len(rows["by_state"]) == len(tables.STATES)
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
    for name in ("../secret", "/etc/passwd", "a/../../secret", "a\\..\\b", "a\0b", "C:a", ".hidden", "", "a//b",
                 "a" * 5000, "\x1b[2J"):
        reseal(run, lambda data, name=name: data.update(outputs={name: {"bytes": 1, "sha256": "0" * 64}}))
        (line,) = manifest.verify(run)
        assert line.startswith("E-MAN-002")
        assert "\x1b" not in line
        assert len(line) < 500


def test_absolute_paths_in_the_area_file_are_cut_to_names(tmp_path: Path) -> None:
    base = settings.Area(name="T", lots={"path": tmp_path / "lots.csv"}, soil={"path": [tmp_path / "a", "b"]})
    assert json.dumps(manifest.plain(base.model_dump(exclude={"folder"}))).count(tmp_path.name) == 0


# ---------------------------------------------------------------- a manifest that was changed, or that others wrote
def test_the_last_key_is_the_digest_of_all_the_rest(run: Path) -> None:
    data = told(run)
    assert list(data)[-1] == "sha256"
    assert data["format"] == 2
    assert data["sha256"] == files.seal_of(data) == files.manifest_of(run).sha256
    (run / "manifest.json").write_text(json.dumps(data, indent=7), encoding="utf-8")
    assert manifest.verify(run) == [], "only the form differs"
    data["rows"]["out"] += 1
    (run / "manifest.json").write_text(json.dumps(data), encoding="utf-8")
    assert [line.split()[0] for line in manifest.verify(run)] == ["E-MAN-010"]
    del data["sha256"]
    (run / "manifest.json").write_text(json.dumps(data), encoding="utf-8")
    assert [line.split()[0] for line in manifest.verify(run)] == ["E-MAN-010"]


def test_a_run_of_the_former_version_is_checked_by_its_hashes_and_says_what_is_missing(run: Path) -> None:
    data = told(run)
    del data["sha256"]
    (run / "manifest.json").write_text(json.dumps(data | {"format": 1}), encoding="utf-8")
    (line,) = manifest.verify(run)
    assert line.startswith("W-MAN-012")
    (run / "lots.csv").write_text("X")
    assert [line.split()[0] for line in manifest.verify(run)] == ["W-MAN-012", "E-MAN-004"]


@pytest.mark.parametrize("change", [
    lambda t: t["outputs"].update({"lots.csv": "x"}), lambda t: t["outputs"].update({"lots.csv": {}}),
    lambda t: t["outputs"].update({"lots.csv": {"bytes": "1", "sha256": "0" * 64}}),
    lambda t: t["outputs"].update({"lots.csv": {"bytes": 1, "sha256": "0" * 63 + "g"}}),
    lambda t: t.update(inputs=["a"]), lambda t: t["inputs"].append({"path": 5, "sha256": "0" * 64}),
    lambda t: t.update(inputs={"a": 1}), lambda t: t.update(area="x"),
    lambda t: t["area"].update(present_month="2026-13"),
    lambda t: t.update(format=3), lambda t: t.update(format=True), lambda t: t.update(written_utc="yesterday"),
    lambda t: t.update(outputs={f"a{k}": {"bytes": 1, "sha256": "0" * 64} for k in range(20_001)})])
def test_a_manifest_of_another_form_is_refused(run: Path, change: Callable[[dict], object]) -> None:
    reseal(run, change)
    (line,) = manifest.verify(run)
    assert line.startswith("E-MAN-001")
    assert len(line) < 500
    with pytest.raises(RunFolderError, match=r"E-RUN-040 .*E-MAN-001"):
        files.RunFiles(run).open("lots.csv")


@pytest.mark.parametrize("text", [
    "[" * 100_000 + "]" * 100_000, '{"a":' * 100_000, '{"format": NaN}', '{"a": 1, "a": 1}', "[" + "9" * 5000 + "]",
    '"' + "a" * 70_000, "\ud800", "[" + "0," * files.MOST_VALUES + "0]"], ids=lambda text: text[:9])
def test_a_manifest_that_is_no_json_of_ours_is_refused(run: Path, text: str) -> None:
    (run / "manifest.json").write_bytes(text.encode("utf-8", "surrogatepass"))
    (line,) = manifest.verify(run)
    assert line.startswith("E-MAN-001")


def test_a_manifest_without_end_is_not_read_to_its_end(run: Path) -> None:
    with (run / "manifest.json").open("r+b") as stream:
        stream.truncate(10 * files.MOST_BYTES)  # without taking room on the disk
    (line,) = manifest.verify(run)
    assert "more than" in line


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes and links of this kind here: NOT TESTED")
def test_links_and_pipes_in_the_place_of_outputs_are_refused(run: Path, tmp_path: Path) -> None:
    (tmp_path / "same").write_text("x")
    (run / "lots.csv").unlink()
    (run / "lots.csv").symlink_to(tmp_path / "same")
    (run / "map.html").unlink()
    os.mkfifo(run / "map.html")
    found = manifest.verify(run)
    assert [line.split()[0] for line in found] == ["E-MAN-011", "E-MAN-011"]
    for name in ("lots.csv", "map.html"):
        for verified in (True, False):
            with pytest.raises(RunFolderError, match="E-RUN-042"):
                files.RunFiles(run, verified).open(name)
    os.rename(run / "manifest.json", tmp_path / "m")
    (run / "manifest.json").symlink_to(tmp_path / "m")
    assert "it is a link" in manifest.verify(run)[0]


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes and links of this kind here: NOT TESTED")
def test_whatever_is_added_is_seen(run: Path, tmp_path: Path) -> None:
    (run / "to_a_file").symlink_to(tmp_path / "layers" / "lots.csv")
    (run / "to_a_folder").symlink_to(tmp_path)
    (run / "to_nothing").symlink_to(tmp_path / "gone")
    (run / "deep" / "er").mkdir(parents=True)
    os.mkfifo(run / "deep" / "er" / "pipe")
    (run / "\x1b[2J").write_text("")
    found = manifest.verify(run)
    assert [line.split(":")[0] for line in found] == [
        "W-MAN-005 \\u001b[2J", "W-MAN-005 deep/er/pipe", "W-MAN-005 to_a_file", "W-MAN-005 to_a_folder",
        "W-MAN-005 to_nothing"]


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes and links of this kind here: NOT TESTED")
def test_inputs_are_looked_for_below_the_folder_only(run: Path, area: Area, tmp_path: Path,
                                                     monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing outside is opened, no device, no pipe; a link inside the folder is an input like any other."""
    (tmp_path / "secret").write_text("s")
    os.mkfifo(area.folder / "pipe")
    (area.folder / "out").symlink_to(tmp_path / "secret")
    (area.folder / "in").symlink_to("lots.csv")
    (area.folder / "soil" / "out").symlink_to(tmp_path / "secret")
    opened: list[str] = []
    monkeypatch.setattr(files, "open_plain", lambda root, name, real=files.open_plain: (
        opened.append(str(root / name)), real(root, name))[1])
    (area.folder / "\x1b[2J").write_text("another one")
    named = ["/etc/shadow", "/dev/zero", "../secret", "pipe", "out", "in", "gone", "a\0b", "a" * 5000, "soil",
             "\x1b[2J"]
    reseal(run, lambda t: t.update(inputs=[{"path": name, "bytes": None, "sha256": "0" * 64} for name in named]))
    found = manifest.verify(run, area.folder)
    assert [line.split()[0] for line in found] == ["W-MAN-013"] * 5 + ["W-MAN-006", "W-MAN-013", "W-MAN-006"]
    assert [line.split()[2] for line in found] == [
        "/etc/shadow:", "/dev/zero:", "../secret:", "pipe:", "out:", "in:", "soil:", "\\u001b[2J:"]
    assert not [path for path in opened if "secret" in path or "/etc" in path or "/dev" in path]


@pytest.mark.parametrize("folder", ["/", "../..", ""])
def test_the_folder_of_the_inputs_is_not_taken_from_a_manifest_that_leads_out(run: Path, folder: str,
                                                                              monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(manifest, "_input_finding", lambda *_, **__: "looked")
    reseal(run, lambda t: t["area"].update(folder=folder))
    assert manifest.verify(run) == []
    reseal(run, lambda t: t["area"].update(folder="."))
    assert manifest.verify(run) == ["looked"] * 3


def test_an_input_of_another_size_is_not_read(run: Path, area: Area, monkeypatch: pytest.MonkeyPatch) -> None:
    (area.folder / "lots.csv").write_text("another length")
    (area.folder / "soil" / "b.txt").write_text("another length")
    read: list[str] = []
    monkeypatch.setattr(files, "sha256_of", lambda stream, real=files.sha256_of: (
        read.append(stream.name), real(stream))[1])
    assert [line.split()[0] for line in manifest.verify(run, area.folder)] == ["W-MAN-006", "W-MAN-006"]
    assert not [name for name in read if str(area.folder) in str(name)]
