"""Files of others in the folder that a command writes into stay as they are, to the byte; own leftovers are removed."""

from __future__ import annotations

import os
import stat
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

import ordinary
import pytest
from changed_areas import write_area
from click.testing import CliRunner

from riskmap.cli.main import cli
from riskmap.common import part_folder
from riskmap.common.errors import RunFolderError
from riskmap.run import folder as run_folder

ROOT = Path(__file__).resolve().parents[2]
MOMENT = datetime(2025, 10, 31, 12, 0, 0, tzinfo=UTC)
NAME = "x_20251031T120000Z"  # of a run of area "x" at MOMENT
OURS = ("town_20240101T000000Z", "map-town_20240101T000000Z-2", "exp_into", NAME)  # names that the tool makes itself
needs_links = pytest.mark.skipif(os.name == "nt", reason="making links needs rights on Windows: NOT TESTED there")


def part_of(folder: Path, name: str, mark: bytes | None = part_folder.TEXT) -> Path:
    """Make a folder in the making as a stopped run leaves it, or one that looks like it."""
    path = folder / f".{name}.part"
    (path / "content").mkdir(parents=True)
    (path / "content" / "a.jpg").write_bytes(b"mine")
    if mark is not None:
        (path / ".riskmap").write_bytes(mark)
    return path


def plant(home: Path) -> None:
    """Fill a folder with what only looks like leftovers of this tool."""
    home.mkdir(parents=True)
    pictures = home.parent / f"{home.name} pictures"
    part_of(pictures, "album")
    for name in ("photos", "my.notes", "Town_20240101T000000Z", "town_20240101T000000", "_into", "exp_into-1234", "x"):
        part_of(home, name)  # with a true mark, and a name that the tool never makes
    for k, name in enumerate(OURS[:3]):  # a true name and no true mark
        part_of(home, name, (None, b"", b"riskmap\n")[k])
        (home / f".{name}.lock").write_bytes(b"")
        (home / f".{name}.latest").write_bytes(b"town_20240101T000000Z\n")
    linked = part_of(home, "linked_20240101T000000Z", None)
    (linked / ".riskmap").symlink_to(pictures / ".album.part" / ".riskmap")
    part_of(home, "folder_20240101T000000Z", None).joinpath(".riskmap").mkdir()
    if hasattr(os, "mkfifo"):
        os.mkfifo(part_of(home, "pipe_20240101T000000Z", None) / ".riskmap")
    (home / ".away_20240101T000000Z.part").symlink_to(pictures / ".album.part", target_is_directory=True)
    (home / ".file_20240101T000000Z.part").write_bytes(part_folder.TEXT)
    for name in (".photos.part", ".app.lock", ".notes.latest", ".riskmap", "a.part", "b.lock", "c.latest"):
        if not (home / name).exists():
            (home / name).write_bytes(b"mine")


def state(folder: Path) -> dict[str, object]:
    """Return everything below a folder and beside it: kind, content, link."""
    out: dict[str, object] = {}
    for root in (folder, folder.parent / f"{folder.name} pictures"):
        for path in sorted(root.rglob("*")):
            kind = os.lstat(path)
            name = path.relative_to(folder.parent).as_posix()
            out[name] = (stat.S_IFMT(kind.st_mode), os.readlink(path) if path.is_symlink() else
                         path.read_bytes() if stat.S_ISREG(kind.st_mode) else b"")
    return out


def new_in(before: dict[str, object], folder: Path) -> set[str]:
    """Return the top names that were added, after a check that nothing that was there has changed."""
    now = state(folder)
    assert {name: now.get(name) for name in before} == before
    return {Path(name).parts[1] for name in set(now) - set(before)}


# ---------------------------------------------------------------- the mechanism
@needs_links
def test_a_sweep_leaves_every_look_alike_and_removes_own_leftovers(tmp_path: Path) -> None:
    home = tmp_path / "home"
    plant(home)
    before = state(home)
    own = [part_of(home, f"gone{k}_20240101T000000Z") for k in range(3)] + [part_of(home, "gone_into-2")]
    assert sorted(run_folder.clean(home)) == sorted(path.name[1:-5] for path in own)
    assert new_in(before, home) == set()
    assert run_folder.clean(home) == []


@pytest.mark.parametrize("name", [NAME, "exp_into"])
def test_a_marked_folder_that_is_locked_stays(tmp_path: Path, name: str) -> None:
    live = part_folder.claim(tmp_path, name)
    assert live is not None
    (live.content / "half.csv").write_text("1,2", encoding="utf-8")
    assert run_folder.clean(tmp_path) == []
    with run_folder.new_run(tmp_path, "x", MOMENT) as run, run_folder.made_from(None, "x", tmp_path / "exp") as made:
        pass
    assert run.final.name == (f"{NAME}-2" if name == NAME else NAME)
    assert made.final == tmp_path / "exp"
    assert (live.content / "half.csv").read_text(encoding="utf-8") == "1,2"
    live.remove()
    assert {path.name for path in tmp_path.iterdir()} == {run.final.name, "latest", "exp"}


def _planted(path: Path, kind: str) -> None:
    if kind == "a file":
        path.write_bytes(b"mine")
    elif kind == "a link":
        path.symlink_to(path.parent.parent / "victim", target_is_directory=True)
    else:
        part_of(path.parent, path.name[1:-5], None if kind == "a folder" else b"mine")


@needs_links
@pytest.mark.parametrize("kind", ["a file", "a folder", "a link", "a folder with another mark"])
def test_whatever_has_the_name_of_the_part_folder_the_next_name_is_taken(tmp_path: Path, kind: str) -> None:
    victim, outputs = tmp_path / "victim", tmp_path / "outputs"
    part_of(tmp_path, "victim")
    (tmp_path / ".victim.part").rename(victim)
    outputs.mkdir()
    for name in (NAME, "exp_into"):
        _planted(outputs / f".{name}.part", kind)
    before = {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()}
    with run_folder.new_run(outputs, "x", MOMENT) as run, run_folder.made_from(None, "x", outputs / "exp") as made:
        (made.path / "b").write_bytes(b"")
    assert run.final.name == f"{NAME}-2"
    assert (outputs / "exp" / "b").exists()
    assert {path: path.read_bytes() for path in before} == before
    assert sorted(path.name for path in outputs.iterdir() if path.name.endswith(".part")) == \
        [f".{'exp_into'}.part", f".{NAME}.part"]


def test_a_stopped_command_with_into_is_cleaned_by_the_next_one_with_the_same_name_only(tmp_path: Path) -> None:
    left = part_of(tmp_path, "exp_into")
    stamped = part_of(tmp_path, "town_20240101T000000Z")
    with run_folder.made_from(None, "x", tmp_path / "other"):
        assert left.exists()
    with run_folder.made_from(None, "x", tmp_path / "exp"):
        pass
    assert not left.exists()
    assert stamped.exists()  # the parent of --into is not swept
    assert {path.name for path in tmp_path.iterdir()} == {"other", "exp", stamped.name}


def test_into_an_empty_folder_and_through_a_link(tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    (tmp_path / "real" / "deep").mkdir(parents=True)
    (tmp_path / "link").symlink_to(tmp_path / "real" / "deep", target_is_directory=True)
    for name in ("empty", "link", "not yet/below"):
        with run_folder.made_from(None, "x", tmp_path / name) as made:
            (made.path / "a").write_bytes(b"a")
        assert made.final == tmp_path / name
        assert (tmp_path / name / "a").read_bytes() == b"a"
    assert (tmp_path / "link").is_symlink()
    assert [path.name for path in (tmp_path / "real").iterdir()] == ["deep"]


@pytest.mark.parametrize("content", [b"mine", b"", b"Town\n", b"x_20251031T120000Z\nand more\n", b"y" * 1000, None])
def test_a_foreign_latest_is_never_replaced(tmp_path: Path, content: bytes | None) -> None:
    """`latest` is a common name: a link to a release, a folder, a note."""
    latest = tmp_path / "latest"
    if content is None:
        (tmp_path / "releases").mkdir()
        latest.symlink_to(tmp_path / "releases", target_is_directory=True)
    else:
        latest.write_bytes(content)
    with pytest.raises(RunFolderError, match=r"E-RUN-050 .*latest: .*not written by riskmap.*Nothing was changed"), \
            run_folder.new_run(tmp_path, "x", MOMENT):
        pass
    assert latest.is_symlink() if content is None else latest.read_bytes() == content
    assert len(list(tmp_path.iterdir())) == (2 if content is None else 1)
    with run_folder.new_run(tmp_path, "x", MOMENT, point=False) as made:  # does not touch it
        pass
    assert made.final.is_dir()


def test_a_folder_that_cannot_be_opened_stops_nobody(tmp_path: Path) -> None:
    """A shared outputs folder in which a run of another account and of this second is in progress or was killed."""
    part = part_of(tmp_path, NAME)
    for path in (part / ".riskmap", part):
        path.chmod(0)
    code = ("import sys; from datetime import datetime, UTC; from pathlib import Path\n"
            "from riskmap.run import folder as run_folder\n"
            "with run_folder.new_run(Path(sys.argv[1]), 'x', datetime(2025, 10, 31, 12, tzinfo=UTC)) as run: pass\n"
            "print(run.final.name)")
    done = subprocess.run([*ordinary.prefix(), sys.executable, "-c", code, str(tmp_path)], capture_output=True,
                          text=True, check=False, cwd=ROOT)
    assert done.stdout.strip() == f"{NAME}-2", done.stderr
    part.chmod(0o700)
    assert (part / "content" / "a.jpg").read_bytes() == b"mine"


# ---------------------------------------------------------------- every command
@pytest.fixture(scope="module")
def runs(example: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder with the runs `outputs/...` of two moments, a list and a survey."""
    place = tmp_path_factory.mktemp("foreign")
    for k, last in enumerate(("2025-05", "2025-08")):
        area = write_area(example, place / f"area{k}", last=last, movement="draws = 20")
        done = CliRunner().invoke(cli, ["estimate", str(area), "--outputs", str(place / "outputs"), "--workers", "1"])
        assert done.exit_code in (0, 1), done.output
    (place / "list.csv").write_text("lot_id\n0010001\n", encoding="utf-8")
    (place / "survey.csv").write_text("point,x_m,y_m,elevation_mm\nA,0,0,0\nB,5,0,1\nC,0,5,2\nD,5,5,4\nE,2,2,3\n",
                                      encoding="utf-8")
    return place


INTO = {"export": ["--format", "csv"], "map": [], "brief": ["--top", "2"], "screen": ["list.csv"]}


@pytest.fixture
def home(tmp_path: Path) -> Path:
    plant(tmp_path / "home")
    return tmp_path / "home"


@needs_links
@pytest.mark.parametrize("command", INTO)
def test_commands_with_into_beside_look_alikes(runs: Path, home: Path, command: str) -> None:
    before = state(home)
    given = [str(runs / word) if word.endswith(".csv") else word for word in INTO[command]]
    done = CliRunner().invoke(cli, [command, "latest", *given, "--outputs", str(runs / "outputs"),
                                    "--into", str(home / "exp")])
    assert done.exit_code in (0, 1), done.output
    assert new_in(before, home) == {"exp"}


@needs_links
def test_a_survey_with_into_beside_look_alikes(runs: Path, home: Path) -> None:
    before = state(home)
    done = CliRunner().invoke(cli, ["survey", str(runs / "survey.csv"), "--into", str(home / "exp")])
    assert done.exit_code in (0, 1), done.output
    assert new_in(before, home) == {"exp"}


@needs_links
def test_estimate_and_compare_into_a_folder_of_look_alikes(runs: Path, home: Path) -> None:
    before = state(home)
    for k in (0, 1):
        done = CliRunner().invoke(cli, ["estimate", str(runs / f"area{k}" / "area.toml"), "--outputs", str(home),
                                        "--workers", "1"])
        assert done.exit_code in (0, 1), done.output
    made = new_in(before, home)
    assert len([name for name in made if name.startswith("example-town")]) == 2
    assert {name for name in made if not name.startswith("example-town")} == {".store", "latest"}
    done = CliRunner().invoke(cli, ["compare", "previous", "latest", "--outputs", str(home)])
    assert done.exit_code in (0, 1), done.output
    (run,) = new_in(before, home) - made
    assert run.startswith("change-")
    for words in (["export", "--format", "csv"], ["map"], ["brief", "--top", "1"], ["screen", str(runs / "list.csv")]):
        done = CliRunner().invoke(cli, [words[0], "latest", *words[1:], "--outputs", str(home)])
        assert done.exit_code in (0, 1), done.output
    assert len(new_in(before, home) - made) == 5
