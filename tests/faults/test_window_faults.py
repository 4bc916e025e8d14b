"""What goes wrong around the window: archives that lie, floods, cancelled and killed work, a killed window."""

from __future__ import annotations

import http.client
import os
import re
import signal
import time
import zipfile
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path

import psutil
import pytest
from window_client import Client, window

from riskmap.window import areas, jobs
from riskmap.window.refusals import WindowError


@pytest.fixture(scope="module")
def opened(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Client, Path]]:
    root = tmp_path_factory.mktemp("faults") / "areas"
    with window(root) as (client, _):
        yield client, root


def until(true: Callable[[], bool], seconds: float = 30) -> None:
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
        connection = http.client.HTTPConnection(host, int(port), timeout=30)
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
        running.wait(10)
        _, alive = psutil.wait_procs(workers, timeout=30)
        assert alive == []


def test_ctrl_c_is_the_usual_end(tmp_path: Path) -> None:
    with window(tmp_path / "areas") as (client, running):
        assert "New area" in client.get("/")
        until(lambda: len(psutil.Process(running.pid).children(recursive=True)) >= 1)
        workers = psutil.Process(running.pid).children(recursive=True)
        running.send_signal(signal.SIGINT)
        assert running.wait(30) == 0
        _, alive = psutil.wait_procs(workers, timeout=30)
        assert alive == []
