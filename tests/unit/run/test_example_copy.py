"""The example in a folder that has none: copied once, whole or not at all, and never over something else."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner
from shared_runs import with_store

from riskmap.cli.main import cli
from riskmap.common.errors import RunFolderError
from riskmap.run import example as finding
from riskmap.run.store import FOLDER

ROOT = Path(__file__).resolve().parents[3]


@pytest.fixture(autouse=True)
def empty_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """An empty working folder whose path has blanks."""
    here = tmp_path / "an empty folder"
    here.mkdir()
    monkeypatch.chdir(here)
    return here


def test_the_project_uses_its_own_example(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(ROOT)
    found = finding.at_hand()
    assert found.area.as_posix() == "layers/example/area.toml"
    assert found.note == ""
    assert not (ROOT / "riskmap-example").exists()


def test_elsewhere_it_is_copied_once_and_a_copy_stays_as_it_is(empty_folder: Path) -> None:
    first = finding.at_hand()
    assert first.area == Path("riskmap-example/area.toml")
    assert "copied" in first.note
    with first.area.open("a", encoding="utf-8") as stream:
        stream.write("# mine\n")
    again = finding.at_hand()
    assert again.area == first.area
    assert "used as it is" in again.note
    assert first.area.read_text(encoding="utf-8").endswith("# mine\n")
    assert os.listdir(empty_folder) == ["riskmap-example"]


def test_something_else_with_its_name_stays(empty_folder: Path) -> None:
    for make in (lambda path: path.write_text("mine"), lambda path: path.mkdir(),
                 lambda path: path.symlink_to(empty_folder / "nowhere")):
        place = empty_folder / "riskmap-example"
        make(place)
        before = os.lstat(place)
        with pytest.raises(RunFolderError, match=r"^E-RUN-086 riskmap-example: .* Rename or delete it"):
            finding.at_hand()
        assert os.lstat(place) == before
        assert os.listdir(empty_folder) == ["riskmap-example"]
        place.rmdir() if place.is_dir() else place.unlink()


def test_a_disk_that_fills_leaves_nothing_behind(empty_folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    copies = []

    def full(source: Path, to: Path) -> None:
        copies.append(to)
        if len(copies) == 5:
            raise OSError(28, "No space left on device")
        to.write_bytes(source.read_bytes())

    monkeypatch.setattr(shutil, "copyfile", full)
    with pytest.raises(RunFolderError, match=r"^E-RUN-087 riskmap-example: .*No space left on device\. Check"):
        finding.at_hand()
    assert len(copies) == 5
    assert os.listdir(empty_folder) == []


def test_an_installation_without_the_example_says_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(finding, "_HOMES", (tmp_path / "nothing",))
    with pytest.raises(RunFolderError, match=r"^E-RUN-081 the installed riskmap has no example area\. Install it"):
        finding.at_hand()


def test_demo_in_an_empty_folder_writes_a_run_to_outputs_there(empty_folder: Path, example_runs: Path) -> None:
    with_store(empty_folder / "outputs", example_runs / FOLDER)
    done = CliRunner().invoke(cli, ["demo"])
    assert done.exit_code == 0, (done.output, done.exception)
    assert done.stderr.startswith("The example was copied to riskmap-example;")
    assert sorted(os.listdir(empty_folder)) == ["outputs", "riskmap-example"]
    name = (empty_folder / "outputs" / "latest").read_text(encoding="utf-8").strip()
    assert {"map.html", "lots.gpkg", "manifest.json"} <= set(os.listdir(empty_folder / "outputs" / name))
    assert name.startswith("example-town-invented_2025-10_")
    assert sorted(os.listdir(empty_folder / "riskmap-example")) == sorted(
        [*(one for one in os.listdir(ROOT / "layers" / "example") if not one.endswith(".py")
           and one != "__pycache__"), "layers.md"])
