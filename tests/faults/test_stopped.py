"""Ctrl-C and SIGTERM: one line that says what is kept, one code, no trace, no process and no half-made folder left."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from textwrap import indent

import psutil
import pytest
import ready_python
from changed_areas import write_area

from riskmap.cli import exit_codes
from riskmap.cli.exit_codes import Exit
from riskmap.common.errors import RunFolderError
from riskmap.run import store

ROOT = Path(__file__).resolve().parents[2]
pytestmark = pytest.mark.skipif(os.name == "nt", reason="signals of Windows are of another kind: NOT TESTED there")
NOTHING = "Stopped. Nothing of this run was kept."
ENDED_S = 60  # until a process that was stopped has ended, on a busy machine
SOME = "Stopped. No run folder was written. What has been computed is in"

# Two worker processes, each in the middle of a task, while the process that gave them out waits.
WORKERS = """
import sys, time
from pathlib import Path
from riskmap.cli import exit_codes
from riskmap.run import folder as run_folder
from riskmap.run import workers
def long_task(folder, number):
    (Path(folder) / f"begun_{number}").touch()
    while True:
        time.sleep(0.05)
def command():
    with run_folder.new_run(Path(sys.argv[1]), "x") as run, workers.Processes(2) as pool:
        pool.map(long_task, [(str(run.path), k) for k in range(4)])
if __name__ == "__main__":
    exit_codes.run_to_end(command)
"""


@pytest.fixture(scope="module")
def area(example: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_area(example, tmp_path_factory.mktemp("area") / "a", last="2025-05", movement="draws = 20")


def start(*words: str, env: dict[str, str] | None = None) -> subprocess.Popen[str]:
    return subprocess.Popen([sys.executable, *words], cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
                            text=True, start_new_session=True,
                            env={**os.environ, **(env or {})})


def stopped(process: subprocess.Popen[str], number: int = signal.SIGINT, *, group: bool = False) -> list[str]:
    """Send the signal, as a terminal does to all processes or to one; return the lines of stderr."""
    children = psutil.Process(process.pid).children(recursive=True)
    (os.killpg if group else os.kill)(process.pid, number)
    told = process.communicate()[1]
    assert process.returncode == 128 + number, told
    assert "Traceback" not in told
    assert "Internal fault" not in told
    assert not psutil.wait_procs(children, timeout=ENDED_S)[1]
    return [line for line in told.splitlines() if line.strip()]


def stopped_at(stage: str, outputs: Path, number: int, *words: str) -> str:
    """Send the signal to a command that waits at the end of a stage; return its last line.

    No test depends on how fast a machine is. A command that is stopped ends at once (`os._exit`), so that the Python
    in which it runs adds nothing to its end.
    """
    said = outputs.parent / "said.txt"
    process = ready_python.start(["estimate", *words, "--outputs", str(outputs), "--workers", "1"], said, (stage, 1.0))
    try:
        while not said.exists() or f"{ready_python.HERE}\n" not in said.read_text(encoding="utf-8"):
            assert process.exitcode is None, said.read_text(encoding="utf-8")
            time.sleep(0.01)
        children = psutil.Process(process.pid).children(recursive=True)
        os.kill(process.pid or 0, number)
        process.join(ENDED_S)
        told = said.read_text(encoding="utf-8")
        assert process.exitcode == 128 + number, told
    finally:
        process.kill()
        process.join()
    assert "Traceback" not in told
    assert "Internal fault" not in told
    assert not psutil.wait_procs(children, timeout=ENDED_S)[1]
    return told.splitlines()[-1]


@pytest.mark.parametrize(("stage", "computed"), [
    ("reading layers", False), ("soil under each lot", False), ("suction, ground and slab", True), ("estimate", True),
    ("writing products", True)])
def test_ctrl_c_at_any_stage(area: Path, tmp_path: Path, stage: str, computed: bool) -> None:
    outputs = tmp_path / "outputs"
    said = stopped_at(stage, outputs, signal.SIGINT, str(area))
    left = {path.name for path in outputs.iterdir()}
    if computed:
        assert said == f"{SOME} {(outputs / store.FOLDER).as_posix()}, and the next run uses it."
        assert left == {store.FOLDER}
    else:
        assert said.startswith((NOTHING, SOME))
        assert left <= {store.FOLDER}


def test_without_reuse_nothing_is_kept(area: Path, tmp_path: Path) -> None:
    assert stopped_at("estimate", tmp_path / "o", signal.SIGTERM, str(area), "--no-reuse") == NOTHING
    assert list((tmp_path / "o").iterdir()) == []


@pytest.mark.slow
def test_ctrl_c_while_compiling(area: Path, tmp_path: Path) -> None:
    """An empty cache of compiled code: compiling takes many seconds and begins after the soil."""
    process = start("-m", "riskmap", "estimate", str(area), "--outputs", str(tmp_path / "o"), "--workers", "2",
                    env={"NUMBA_CACHE_DIR": str(tmp_path / "cache")})
    assert process.stderr is not None
    while (line := process.stderr.readline()) and "soil under each lot" not in line:
        pass
    while not list((tmp_path / "cache").rglob("*.nbc")):  # the first function is compiled, many are not
        assert process.poll() is None
        time.sleep(0.05)
    said = stopped(process)
    assert said[-1].startswith((NOTHING, SOME))
    assert {path.name for path in (tmp_path / "o").iterdir()} <= {store.FOLDER}


@pytest.mark.parametrize(("number", "group"), [(signal.SIGINT, True), (signal.SIGINT, False), (signal.SIGTERM, False)])
def test_ctrl_c_while_workers_run(tmp_path: Path, number: int, group: bool) -> None:
    script, outputs = tmp_path / "start.py", tmp_path / "outputs"
    script.write_text(WORKERS, encoding="utf-8")
    process = start(str(script), str(outputs))
    while len(list(outputs.glob(".x_*.part/content/begun_*"))) < 2:
        assert process.poll() is None, process.communicate()[1]
        time.sleep(0.01)
    assert stopped(process, number, group=group) == [NOTHING]
    assert list(outputs.iterdir()) == []


@pytest.mark.parametrize("group", [True, False])
def test_ctrl_c_while_workers_start(tmp_path: Path, group: bool) -> None:
    """The moment in which new processes load their libraries: each would print a trace of its own."""
    script, outputs = tmp_path / "start.py", tmp_path / "outputs"
    script.write_text(WORKERS, encoding="utf-8")
    process = start(str(script), str(outputs))
    while len(psutil.Process(process.pid).children()) < 3:  # two workers and what keeps the list of resources
        assert process.poll() is None, process.communicate()[1]
        time.sleep(0.01)
    assert stopped(process, group=group) == [NOTHING]
    assert list(outputs.iterdir()) == []


def test_ctrl_c_before_the_start_of_workers_has_ended(tmp_path: Path) -> None:
    """It is put off while they start and comes the moment that ends, before anybody waits for them."""
    early = ("import os, signal\n"
             "from concurrent.futures import ProcessPoolExecutor\n"
             "submit = ProcessPoolExecutor.submit\n"
             "def submit_and_press(self, *given):\n"
             "    future = submit(self, *given)\n"
             "    print('here', flush=True)\n"
             "    os.kill(os.getpid(), signal.SIGINT)\n"
             "    return future\n"
             "ProcessPoolExecutor.submit = submit_and_press\n")
    script, outputs = tmp_path / "start.py", tmp_path / "outputs"
    begin = 'if __name__ == "__main__":\n'
    script.write_text(WORKERS.replace(begin, begin + indent(early, "    ")), encoding="utf-8")
    process = start(str(script), str(outputs))
    told = process.communicate(timeout=ENDED_S)
    assert told[1].splitlines() == [NOTHING]
    assert told[0].split() == ["here"] * 2
    assert process.returncode == Exit.STOPPED
    assert list(outputs.iterdir()) == []


def test_the_map_server_ends_as_it_says(tmp_path: Path) -> None:
    from invented_results import results

    from riskmap.outputs.map import web_map

    web_map.write(results(), tmp_path)
    process = start("-m", "riskmap", "map", str(tmp_path), "--serve")
    assert process.stdout is not None
    assert process.stdout.readline().startswith("http://")
    process.send_signal(signal.SIGINT)
    assert "Traceback" not in process.communicate()[1]
    assert process.returncode == Exit.ALL_ANSWERED  # Ctrl-C is how it is meant to end


# ---------------------------------------------------------------- libraries that keep the signal to themselves
@pytest.fixture
def heard(monkeypatch: pytest.MonkeyPatch) -> exit_codes._Stop:
    stop = exit_codes._Stop()
    stop.number = signal.SIGINT
    monkeypatch.setattr(exit_codes, "stop", stop)
    monkeypatch.setattr(stop, "deaf", lambda: None)
    return stop


@pytest.mark.parametrize("error", [RuntimeError("a callback failed: KeyboardInterrupt"), RunFolderError("E-RUN-004 x"),
                                   KeyboardInterrupt()])
def test_an_error_that_a_library_made_of_it_is_the_stop(heard: exit_codes._Stop, error: BaseException,
                                                        capsys: pytest.CaptureFixture[str]) -> None:
    def command() -> None:
        raise error

    assert exit_codes._code(command) == Exit.STOPPED
    assert capsys.readouterr().err == "Stopped.\n"
    heard.number = signal.SIGTERM
    assert exit_codes._code(command) == Exit.ENDED


def test_what_a_library_swallowed_stops_the_next_stage(heard: exit_codes._Stop) -> None:
    from riskmap.cli.progress import Progress

    with pytest.raises(KeyboardInterrupt):
        Progress()("writing products", 0.0)
    heard.number = 0
    Progress()("writing products", 0.0)


def test_notes_of_every_error_behind_it_are_told_once(capsys: pytest.CaptureFixture[str]) -> None:
    def command() -> None:
        try:
            inner = KeyboardInterrupt()
            inner.add_note("a.")
            raise inner
        except KeyboardInterrupt as error:
            outer = RuntimeError("of a library")
            outer.add_note("a.")
            outer.add_note("b.")
            raise KeyboardInterrupt from (outer if error else None)

    def nested() -> None:
        try:
            command()
        except KeyboardInterrupt as error:
            error.__cause__.__cause__ = error.__context__  # type: ignore[union-attr]
            raise

    stop, exit_codes.stop.deaf = exit_codes.stop.deaf, lambda: None  # type: ignore[method-assign]
    try:
        assert exit_codes._code(nested) == Exit.STOPPED
    finally:
        exit_codes.stop.deaf = stop  # type: ignore[method-assign]
    assert capsys.readouterr().err == "Stopped. a. b.\n"
