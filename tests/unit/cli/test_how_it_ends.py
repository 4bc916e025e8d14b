"""Exit codes have one home and are in the help; consoles and files that cannot take what is printed do not crash."""

from __future__ import annotations

import ast
import os
import re
import subprocess
import sys
import warnings
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from riskmap.cli import exit_codes
from riskmap.cli.exit_codes import MEANING, Exit
from riskmap.cli.main import cli
from riskmap.common.errors import LayerError

ROOT = Path(__file__).resolve().parents[3]
PACKAGE = ROOT / "riskmap"
LOTS = "lot_id,lon,lat\nÄ-1 東京,-99.001,31.001\n"
AREA = ('[area]\nname = "x"\n[lots]\npath = "lots_東京.csv"\n[soil]\npath = "no_soil_東京.zip"\n'
        '[climate]\nreader = "csv"\npath = "no_climate.csv"\ncell = "a"\nlatitude_deg = 30.0\n')
full_device = pytest.mark.skipif(not Path("/dev/full").exists(), reason="this system has no /dev/full: NOT TESTED here")


def riskmap(*arguments: str, cwd: Path = ROOT, **named: object) -> subprocess.CompletedProcess[bytes]:
    named = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, **named}
    environment = {**os.environ, "PYTHONPATH": str(ROOT), **named.pop("env", {})}  # type: ignore[dict-item]
    return subprocess.run([sys.executable, "-m", "riskmap", *arguments], cwd=cwd, check=False,
                          env=environment, **named)  # type: ignore[call-overload]


@pytest.fixture
def area(tmp_path: Path) -> Path:
    """Area whose files have names outside every one-byte encoding; two of them are missing."""
    (tmp_path / "lots_東京.csv").write_text(LOTS, encoding="utf-8")
    (tmp_path / "area.toml").write_text(AREA, encoding="utf-8")
    return tmp_path / "area.toml"


# ---------------------------------------------------------------- codes
def test_the_help_lists_exactly_the_codes() -> None:
    told = CliRunner().invoke(cli, ["--help"]).output.split("Exit codes:")[1]
    assert [int(code) for code in re.findall(r"(?m)^ *(\d+)  ", told)] == [int(code) for code in Exit]
    assert set(MEANING) == set(Exit)
    for text in MEANING.values():
        assert " ".join(text.split()) in " ".join(told.split())


def _commands(group: click.Group) -> list[click.Command]:
    return [one for command in group.commands.values()
            for one in (_commands(command) if isinstance(command, click.Group) else [command])]


def test_commands_that_end_with_1_say_when_in_their_help() -> None:
    uses = {name for path in (PACKAGE / "cli").glob("*.py")
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
            if isinstance(node, ast.FunctionDef) and "SOME_STATES" in ast.unparse(node) for name in [node.name]}
    told = {command.callback.__name__ for command in _commands(cli)  # type: ignore[union-attr]
            if re.search(r"\b(Exit|,) 1 when", " ".join((command.help or "").split()))}
    assert uses - {"_estimate", "_code", "run_to_end"} <= told
    assert {"estimate", "check", "explain", "verify", "compare", "screen", "brief", "survey", "calibrate",
            "selftest"} <= told


def test_no_command_writes_a_code_as_a_number() -> None:
    seen = 0
    for path in (PACKAGE / "cli").glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and ast.unparse(node.func) in ("sys.exit", "exit", "os._exit"):
                seen += 1
                given = [part for argument in node.args for part in ast.walk(argument)]
                assert not [part for part in given if (isinstance(part, ast.Constant) and isinstance(part.value, int))
                            or (isinstance(part, ast.Name) and part.id == "int")], f"{path.name}:{node.lineno}"
    assert seen > 10


def _end(command, capsys) -> tuple[int, str]:  # type: ignore[no-untyped-def]
    return exit_codes._code(command), capsys.readouterr().err


def _raise(error: BaseException):  # type: ignore[no-untyped-def]
    def command() -> None:
        raise error
    return command


@pytest.mark.parametrize(("error", "code", "words"), [
    (SystemExit(Exit.SOME_STATES), 1, ""), (SystemExit(), 0, ""), (SystemExit("text"), 3, ""),
    (LayerError("E-LAY-000 no"), 2, "E-LAY-000 no\n"), (click.UsageError("no such"), 2, "Error: no such\n"),
    (ValueError("x"), 3, "Internal fault: ValueError: x."),
])
def test_every_error_has_its_code(error: BaseException, code: int, words: str, capsys, monkeypatch) -> None:
    monkeypatch.delenv("RISKMAP_TRACE", raising=False)
    found, told = _end(_raise(error), capsys)
    assert found == code
    assert words in told
    assert told.count("\n") <= 1


# ---------------------------------------------------------------- consoles
@pytest.mark.parametrize("encoding", ["cp1252", "cp437", "ascii", "utf-8", "latin-1"])
def test_what_a_console_cannot_show_is_escaped(area: Path, encoding: str) -> None:
    done = riskmap("check", "area.toml", cwd=area.parent,
                   env={"PYTHONIOENCODING": encoding, "PYTHONUTF8": "0"})
    assert done.returncode == Exit.REFUSED, done.stderr
    assert b"Internal fault" not in done.stderr
    shown = done.stdout.decode(encoding)
    assert ("no_soil_東京.zip" if encoding == "utf-8" else r"no_soil_\u6771\u4eac.zip") in shown


def test_an_id_outside_the_console_is_answered(tmp_path: Path) -> None:
    done = riskmap("explain", "東京", "Ä-1 東京", cwd=tmp_path,
                   env={"PYTHONIOENCODING": "cp1252", "PYTHONUTF8": "0"})
    assert done.returncode == Exit.REFUSED
    assert rb"\u6771\u4eac" in done.stderr
    assert b"E-RUN-014" in done.stderr


@full_device
@pytest.mark.parametrize("arguments", [["check", "area.toml"], ["--help"], ["check", "--help"]])
def test_a_full_disk_behind_stdout_is_one_line(area: Path, arguments: list[str]) -> None:
    with Path("/dev/full").open("wb") as device:
        done = riskmap(*arguments, cwd=area.parent, stdout=device)
    if arguments == ["check", "area.toml"]:
        assert done.returncode == Exit.REFUSED  # what the command has to say comes first
        return
    assert done.returncode == Exit.LOST
    assert done.stderr.decode().splitlines() == ["What was printed could not be written: No space left on device. "
                                                 "Files that the command made are whole."]


@full_device
def test_a_full_disk_behind_stderr_stops_nothing(area: Path) -> None:
    with Path("/dev/full").open("wb") as device:
        done = riskmap("check", "area.toml", cwd=area.parent, stderr=device)
    assert done.returncode == Exit.REFUSED
    assert done.stdout


@pytest.mark.skipif(os.name == "nt", reason="pipes of Windows are closed in another way: NOT TESTED there")
def test_a_reader_that_has_gone_is_one_line(tmp_path: Path) -> None:
    reading, writing = os.pipe()
    os.close(reading)
    try:
        done = riskmap("--help", stdout=writing)
    finally:
        os.close(writing)
    assert done.returncode == Exit.LOST
    assert done.stderr.decode().splitlines() == ["What was printed could not be written: Broken pipe. Files that the "
                                                 "command made are whole."]


@pytest.mark.skipif(os.name == "nt", reason="this shell is not there: NOT TESTED")
@pytest.mark.parametrize("closed", [">&-", "2>&-", ">&- 2>&-", "<&- >&- 2>&-"])
def test_closed_streams_are_no_fault(area: Path, closed: str) -> None:
    command = f'"{sys.executable}" -m riskmap check area.toml --json report.json {closed}'
    done = subprocess.run(["sh", "-c", command], cwd=area.parent, check=False, capture_output=True,
                          env={**os.environ, "PYTHONPATH": str(ROOT)})
    assert done.returncode == Exit.REFUSED
    assert (area.parent / "report.json").read_text(encoding="utf-8").startswith("{")


def test_own_warnings_are_one_line_without_a_path(capsys: pytest.CaptureFixture[str],
                                                   monkeypatch: pytest.MonkeyPatch) -> None:
    from riskmap.movement.compiled import CompiledInMemory

    heard: list[object] = []
    monkeypatch.setattr(warnings, "showwarning", lambda *given: heard.append(given))
    exit_codes._own_warnings_in_one_line()
    warnings.showwarning("W-ABC-001 words", CompiledInMemory, "/a/place.py", 3)
    assert capsys.readouterr().err == "W-ABC-001 words\n"
    warnings.showwarning("of a library", UserWarning, "place.py", 3)
    assert len(heard) == 1
    assert capsys.readouterr().err == ""


# ---------------------------------------------------------------- files to write
@pytest.mark.parametrize(("json", "code", "words"), [
    ("none/r.json", "E-RUN-051", "there is no folder none. Make it first"), ("folder", "E-RUN-051", "is a folder"),
    ("lots_東京.csv/r.json", "E-RUN-051", "there is no folder"),
    pytest.param("/dev/full", "E-RUN-052", "No space left on device", marks=full_device)])
def test_a_report_that_cannot_be_written_is_told_in_one_line(area: Path, json: str, code: str, words: str) -> None:
    (area.parent / "folder").mkdir()
    done = riskmap("check", "area.toml", "--json", json, cwd=area.parent)
    assert done.returncode == Exit.REFUSED
    (line,) = [line for line in done.stderr.decode().splitlines() if line.startswith("E-RUN")]
    assert line.startswith(f"{code} --json {json}: ")
    assert words in line
    assert bool(done.stdout) == (code == "E-RUN-052")  # a wrong name is said before the work
    assert sorted(path.name for path in area.parent.iterdir()) == ["area.toml", "folder", "lots_東京.csv"]


@pytest.mark.parametrize(("words", "option"), [
    (["estimate", "area.toml", "--outputs", "file"], "--outputs"),
    (["estimate", "area.toml", "--outputs", "file/below"], "--outputs"),
    (["survey", "survey.csv", "--into", "file"], "--into"), (["survey", "survey.csv", "--into", "file/x/y"], "--into"),
    (["fetch", "climate", "--offline", "--into", "file/x"], "--offline")])
def test_folders_that_cannot_be_made_are_told_in_one_line(area: Path, words: list[str], option: str) -> None:
    (area.parent / "file").write_text("mine", encoding="utf-8")
    (area.parent / "survey.csv").write_text("point,x_m,y_m,elevation_mm\nA,0,0,0\nB,5,0,1\nC,0,5,2\nD,5,5,4\n",
                                            encoding="utf-8")
    done = riskmap(*words, cwd=area.parent, env={"XDG_CACHE_HOME": str(area.parent / "cache")})
    assert done.returncode == Exit.REFUSED, done.stderr
    assert option in done.stderr.decode().splitlines()[-1]
    assert b"Internal fault" not in done.stderr
    assert (area.parent / "file").read_text(encoding="utf-8") == "mine"
