"""What goes wrong around the window: archives that lie, floods, cancelled and killed work, a killed window."""

from __future__ import annotations

import errno
import http.client
import os
import re
import shutil
import signal
import subprocess
import time
import zipfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import psutil
import pytest
from window_client import ENDED_S, WAIT_S, Client, window
from window_delivery import Delivery, small

from riskmap.run import manifest
from riskmap.window import areas, jobs
from riskmap.window.refusals import WindowError

LARGE = 2 << 30  # bytes of a large upload


@pytest.fixture(scope="module")
def opened(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Client, Path]]:
    root = tmp_path_factory.mktemp("faults") / "areas"
    with window(root) as (client, _):
        yield client, root


def until(true: Callable[[], bool], seconds: float = WAIT_S) -> None:
    began = time.monotonic()
    while not true():
        assert time.monotonic() - began < seconds
        time.sleep(0.05)


# ---------------------------------------------------------------- archives
def test_a_zip_that_unpacks_without_end_is_refused_and_nothing_is_unpacked(opened: tuple[Client, Path],
                                                                           tmp_path: Path) -> None:
    client, root = opened
    bomb = tmp_path / "bomb.zip"
    with zipfile.ZipFile(bomb, "w", zipfile.ZIP_DEFLATED) as made, made.open("lots.csv", "w") as inside:
        for _ in range(300):
            inside.write(bytes(1 << 20))
    assert bomb.stat().st_size < 1 << 20
    status, answer = client.give("/areas", bomb)
    assert status == 200
    text = client.ended(client.job(answer))
    assert "It did not work." in text
    assert re.search(r"would unpack to 314,572,800 bytes", text)
    assert sum(path.stat().st_size for path in root.rglob("*") if path.is_file()) < 1 << 21


def test_a_zip_that_points_outside_leaves_nothing_outside(opened: tuple[Client, Path], tmp_path: Path) -> None:
    client, root = opened
    evil = tmp_path / "evil.zip"
    with zipfile.ZipFile(evil, "w") as made:
        made.writestr("../../../../outside.csv", "lot_id,lon,lat\n1,-97,32\n")
    _, answer = client.give("/areas", evil)
    text = client.ended(client.job(answer))
    assert "unsafe names inside the zip" in text
    assert not list(root.parent.rglob("outside.csv"))


# ---------------------------------------------------------------- floods
def test_a_flood_is_refused_before_it_is_sent(opened: tuple[Client, Path]) -> None:
    client, root = opened
    before = sorted(root.iterdir())
    cookie = "; ".join(f"{one.name}={one.value}" for handler in client.opener.handlers
                       for one in getattr(handler, "cookiejar", ()))
    host, _, port = client.base.removeprefix("http://").partition(":")
    for length, said in ((1 << 50, "E-WIN-008"), (1 << 62, "E-WIN-008")):
        connection = http.client.HTTPConnection(host, int(port), timeout=WAIT_S)
        connection.putrequest("POST", "/areas")
        for name, value in (("Origin", client.base), ("Cookie", cookie), ("X-Riskmap-Token", client.token),
                            ("Accept", "application/json"), ("Content-Type", "multipart/form-data; boundary=e"),
                            ("Content-Length", str(length))):
            connection.putheader(name, value)
        connection.endheaders()
        answer = connection.getresponse()
        assert (answer.status, said in answer.read().decode()) == (413, True)
        connection.close()
    assert sorted(root.iterdir()) == before
    assert "New area" in client.get("/")


def test_a_form_that_is_cut_off_leaves_nothing(opened: tuple[Client, Path]) -> None:
    client, root = opened
    before = sorted(root.iterdir())
    status, answer = client.post("/areas", b'--e\r\nContent-Disposition: form-data; name="f"; filename="a"\r\n\r\nx',
                                 Content_Type="multipart/form-data; boundary=e")
    assert (status, "E-WIN-009" in answer) == (400, True)
    assert sorted(root.iterdir()) == before


# ---------------------------------------------------------------- work that is cancelled or dies
def hanging(desk: jobs.Desk, folder: Path) -> jobs.Job:
    """Start a job whose task waits for a named pipe that nobody writes."""
    os.mkfifo(folder / "area.toml")
    job = desk.start("a", "Check", "check", {"area": str(folder / "area.toml")}, "/after",
                     lock=areas.written_by_us(folder))
    until(lambda: job.worker is not None and bool(job.stages))
    return job


def is_free(folder: Path) -> bool:
    with suppress(WindowError), areas.written_by_us(folder):
        return True
    return False


@pytest.fixture
def desk() -> Iterator[jobs.Desk]:
    made = jobs.Desk()
    yield made
    made.close()


def test_a_job_is_cancelled_and_frees_the_area(desk: jobs.Desk, tmp_path: Path) -> None:
    job = hanging(desk, tmp_path)
    assert job.worker is not None
    process = job.worker.process
    assert not is_free(tmp_path)
    desk.cancel(job)
    until(lambda: bool(job.took))
    assert (job.state, process.is_alive(), is_free(tmp_path)) == ("cancelled", False, True)


def test_a_killed_worker_is_reported_and_the_next_job_works(desk: jobs.Desk, tmp_path: Path) -> None:
    job = hanging(desk, tmp_path)
    assert job.worker is not None
    assert job.worker.process.pid
    os.kill(job.worker.process.pid, signal.SIGKILL)
    until(lambda: bool(job.took))
    assert job.state == "unfinished"
    assert job.message.startswith("E-WIN-011 the work stopped before its end (exit code -9)")
    assert is_free(tmp_path)
    with pytest.raises(WindowError) as refused:
        desk.ask("screen", run=str(tmp_path / "no"), listing=str(tmp_path / "no.csv"), columns={}, units="us")
    assert refused.value.status == 422  # the API answered


def test_a_second_window_is_told_that_the_area_is_busy(desk: jobs.Desk, tmp_path: Path) -> None:
    job = hanging(desk, tmp_path)
    other = jobs.Desk()
    try:
        with pytest.raises(WindowError, match="E-WIN-005"):
            other.start("a", "Check", "check", {"area": "x"}, "/after", lock=areas.written_by_us(tmp_path))
        assert other.jobs == {}
    finally:
        other.close()
    desk.cancel(job)


def test_a_fault_of_a_task_is_reported_as_one(desk: jobs.Desk) -> None:
    with pytest.raises(WindowError) as fault:
        desk.ask("check", area=None)
    assert fault.value.status == 500
    assert str(fault.value).startswith("Internal fault: TypeError")


def test_a_killed_window_takes_its_workers_along(tmp_path: Path) -> None:
    with window(tmp_path / "areas") as (_, running):
        until(lambda: len(psutil.Process(running.pid).children(recursive=True)) >= 1)
        workers = psutil.Process(running.pid).children(recursive=True)
        running.kill()
        running.wait(ENDED_S)
        _, alive = psutil.wait_procs(workers, timeout=ENDED_S)
        assert alive == []


def test_ctrl_c_is_the_usual_end(tmp_path: Path) -> None:
    with window(tmp_path / "areas") as (client, running):
        assert "New area" in client.get("/")
        until(lambda: len(psutil.Process(running.pid).children(recursive=True)) >= 1)
        workers = psutil.Process(running.pid).children(recursive=True)
        running.send_signal(signal.SIGINT)
        assert running.wait(ENDED_S) == 0
        _, alive = psutil.wait_procs(workers, timeout=ENDED_S)
        assert alive == []


# ---------------------------------------------------------------- killed in mid-run
@pytest.fixture(scope="module")
def delivery(example: Path, tmp_path_factory: pytest.TempPathFactory) -> Delivery:
    return small(example, tmp_path_factory.mktemp("delivery"))


def put(delivery: Delivery, folder: Path) -> Path:
    """Make an area of a delivery that can be estimated, as the window would; return its folder."""
    from riskmap import api

    (folder / areas.FILES).mkdir(parents=True)
    for file in delivery.given:
        shutil.copy(file, folder / areas.FILES)
    api.new([folder / areas.FILES], folder)
    return folder


def content_of(folder: Path) -> dict[str, bytes]:
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def shown_runs(folder: Path) -> list[Path]:
    outputs = folder / areas.OUTPUTS
    found = outputs.iterdir() if outputs.is_dir() else ()
    return [path for path in found if path.is_dir() and not path.is_symlink() and not path.name.startswith(".")]


@pytest.mark.slow
@pytest.mark.parametrize("stage", ["suction, ground and slab", "writing products"])
def test_a_window_killed_in_mid_run_leaves_whole_runs_and_the_files_as_given(stage: str, delivery: Delivery,
                                                                             tmp_path: Path) -> None:
    folder = put(delivery, tmp_path / "areas" / "town")
    given = content_of(folder / areas.FILES)
    with window(tmp_path / "areas") as (client, running):
        status, answer = client.send("/areas/town/estimate")
        assert status == 200
        job = client.job(answer)
        events = client.opener.open(f"{client.base}{job}/events", timeout=WAIT_S)
        for line in events:
            assert b'"done"' not in line
            if stage.encode() in line:
                break
        else:
            raise AssertionError(f"the job never said: {stage}")
        workers = psutil.Process(running.pid).children(recursive=True)
        running.kill()
        running.wait(ENDED_S)
        psutil.wait_procs(workers, timeout=ENDED_S)
    assert content_of(folder / areas.FILES) == given
    for run in shown_runs(folder):  # the last stage may have ended just before
        assert manifest.verify(run, folder) == [], run
    with window(tmp_path / "areas") as (client, _):
        text = client.get("/areas/town")
        assert ("Newest run" in text) == bool(shown_runs(folder))
        assert "At work" not in text
        _, answer = client.send("/areas/town/estimate")  # nobody holds the lock of the killed window
        assert "It did not work." not in client.ended(client.job(answer))
        assert all(manifest.verify(run, folder) == [] for run in shown_runs(folder))
        assert len(shown_runs(folder)) >= 1


# ---------------------------------------------------------------- a full disk
@contextmanager
def small_disk(place: Path, megabytes: float) -> Iterator[None]:
    """Have a disk of a few MB at a place; the test is skipped where nobody may mount one."""
    place.mkdir()
    made = subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={int(megabytes * 1024)}k", "tmpfs", str(place)],
                          capture_output=True, text=True, check=False) if shutil.which("mount") else None
    if made is None or made.returncode:
        pytest.skip("no small disk can be mounted here: a disk that is really full is NOT TESTED; the next test "
                    "injects the error instead")
    try:
        yield
    finally:
        subprocess.run(["umount", "-l", str(place)], check=True)


@pytest.mark.slow
@pytest.mark.parametrize("megabytes", [0.5, 1.0])  # full before the products; while they are written
def test_a_disk_that_is_full_is_said_and_nothing_is_half_written(megabytes: float, delivery: Delivery,
                                                                 tmp_path: Path) -> None:
    with small_disk(tmp_path / "disk", megabytes):
        folder = put(delivery, tmp_path / "disk" / "areas" / "town")
        given = content_of(folder / areas.FILES)
        with window(tmp_path / "disk" / "areas") as (client, _):
            status, answer = client.give("/areas", *delivery.given)
            assert (status, "E-WIN-010" in answer, "the disk has no room for them" in answer) == (507, True, True)
            _, answer = client.send("/areas/town/estimate")
            text = client.ended(client.job(answer))
            assert "It did not work." in text
            assert "No space left on device" in text
            assert "Free some disk space" in text
            assert "Internal fault" not in text
            assert shown_runs(folder) == []
            before = (folder / areas.AREA_FILE).read_bytes()
            with suppress(OSError), (tmp_path / "disk" / "rest").open("wb", buffering=0) as rest:
                while True:
                    rest.write(bytes(512))
            status, answer = client.send("/areas/town/settings", text="[area]\n" + "# a long remark\n" * 2000)
            assert (status, "E-WIN-004" in answer, "No space left on device" in answer) == (507, True, True), answer
            assert (folder / areas.AREA_FILE).read_bytes() == before
            assert not list(folder.glob("*.part"))
            assert "Estimate" in client.get("/areas/town")
        assert content_of(folder / areas.FILES) == given


def test_an_answer_that_cannot_be_written_is_said(desk: jobs.Desk, tmp_path: Path) -> None:
    """The same without a small disk: what the window writes after an answer fails with ENOSPC."""
    def after(answer: object) -> str:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), str(tmp_path / "seen.json"))

    (tmp_path / "area.toml").write_text("[area]\n", encoding="utf-8")
    job = desk.start("town", "Check", "check", {"area": str(tmp_path / "area.toml")}, after,
                     lock=areas.written_by_us(tmp_path))
    until(lambda: bool(job.took), WAIT_S)
    assert (job.state, is_free(tmp_path)) == ("unfinished", True)
    assert job.message.startswith("E-WIN-004 town: the folder of the area cannot be written: No space left on device.")


# ---------------------------------------------------------------- a large upload
@pytest.mark.slow
def test_two_gigabytes_are_taken_piece_by_piece(tmp_path: Path) -> None:
    """They arrive whole, and the window does not hold them in memory."""
    if shutil.disk_usage(tmp_path).free < 6 * LARGE:
        pytest.skip("the disk has no room for two gigabytes: their upload is NOT TESTED")
    with window(tmp_path / "areas") as (client, running):
        cookie = "; ".join(f"{one.name}={one.value}" for handler in client.opener.handlers
                           for one in getattr(handler, "cookiejar", ()))
        host, _, port = client.base.removeprefix("http://").partition(":")
        head = b'--e\r\nContent-Disposition: form-data; name="files"; filename="large.bin"\r\n\r\n'
        tail = b"\r\n--e--\r\n"
        connection = http.client.HTTPConnection(host, int(port), timeout=WAIT_S)
        connection.putrequest("POST", "/areas")
        for name, value in (("Origin", client.base), ("Cookie", cookie), ("X-Riskmap-Token", client.token),
                            ("Accept", "application/json"), ("Content-Type", "multipart/form-data; boundary=e"),
                            ("Content-Length", str(len(head) + LARGE + len(tail)))):
            connection.putheader(name, value)
        connection.endheaders()
        process, most = psutil.Process(running.pid), 0
        before = process.memory_info().rss
        connection.send(head)
        piece = bytes(1 << 22)
        for _ in range(LARGE // len(piece)):
            connection.send(piece)
            most = max(most, process.memory_info().rss)
        connection.send(tail)
        answer = connection.getresponse()
        assert answer.status == 200, answer.read()
        assert most - before < 100 << 20
        (kept,) = (tmp_path / "areas" / "large" / areas.FILES).iterdir()
        assert kept.stat().st_size == LARGE
        kept.unlink()
