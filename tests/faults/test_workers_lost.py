"""A worker is killed, a kept file is damaged, the disk is full: the run ends right or says what is missing."""

from __future__ import annotations

import errno
import os
import re
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import geopandas as gpd
import psutil
import pytest
from changed_areas import write_area

from riskmap.common.errors import LayerError, RunFolderError, WorkerError
from riskmap.run import code_digest, flow, part_files, part_tasks, store, workers


def double(value: int) -> int:
    return 2 * value


def dies_once(value: int, marker: str) -> int:
    """Kill the worker at the first call for 3, answer at the next."""
    if value == 3 and not os.path.exists(marker):
        Path(marker).touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return 2 * value


def always_dies(value: int) -> int:
    if value == 3:
        os.kill(os.getpid(), signal.SIGKILL)
    return 2 * value


def refuses(value: int) -> int:
    raise LayerError(f"E-LAY-000 part {value}")


@pytest.fixture(scope="module")
def area(example: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("area") / "a"
    return write_area(example, place, last="2025-05", movement="draws = 20")


@pytest.fixture(scope="module")
def clean(area: Path, tmp_path_factory: pytest.TempPathFactory) -> flow.Run:
    """A run in parts to which nothing happened."""
    return flow.run(area, tmp_path_factory.mktemp("clean"), workers=1, part_lots=12)


def test_a_killed_worker_costs_its_task_only(tmp_path: Path) -> None:
    heard: list[float] = []
    with workers.Processes(2) as pool:
        found = pool.map(dies_once, [(k, str(tmp_path / "died")) for k in range(6)], heard.append)
    assert found == [0, 2, 4, 6, 8, 10]
    assert (tmp_path / "died").exists()
    assert heard == sorted(heard)
    assert heard[-1] == 1.0


def test_workers_that_die_again_and_again_are_told() -> None:
    with workers.Processes(2) as pool, pytest.raises(WorkerError, match=r"E-RUN-030 .*Missing: .*'always dies'.* 4"):
        pool.map(always_dies, [(k,) for k in range(4)])


START_AND_WAIT = """
import time
from riskmap.run import workers
if __name__ == "__main__":
    with workers.Processes(2) as pool:
        pool.map(workers.warm_up, [(), ()])
        print("ready", flush=True)
        time.sleep(600)
"""


def test_workers_of_a_killed_run_end_with_it(tmp_path: Path) -> None:
    script = tmp_path / "start.py"
    script.write_text(START_AND_WAIT, encoding="utf-8")
    run = subprocess.Popen([sys.executable, str(script)], stdout=subprocess.PIPE)
    assert run.stdout is not None
    assert run.stdout.readline().strip() == b"ready"
    children = psutil.Process(run.pid).children(recursive=True)
    assert len(children) >= 2
    run.kill()
    run.wait()
    left = psutil.wait_procs(children, timeout=60)[1]
    assert not left


@pytest.mark.parametrize("pool", [workers.InProcess(1), workers.Processes(2)])
def test_a_refusal_in_a_task_is_told_as_it_is(pool: workers.Workers) -> None:
    with pool, pytest.raises(LayerError, match="E-LAY-000 part"):
        pool.map(refuses, [(1,), (2,)])
    with pool:
        assert pool.map(double, [(1,), (2,)]) == [2, 4]
        assert pool.map(double, []) == []


def test_a_run_with_a_killed_worker_is_whole(area: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    clean = flow.run(area, tmp_path / "clean", workers=1, reuse=False)
    monkeypatch.setenv("RISKMAP_TEST_DIES", str(tmp_path / "died"))
    monkeypatch.setattr(part_tasks, "soil_of_part", soil_or_death)
    run = flow.run(area, tmp_path / "hurt", workers=2, part_lots=12, reuse=False)
    assert (tmp_path / "died").exists()
    assert (run.folder / "lots.csv").read_bytes() == (clean.folder / "lots.csv").read_bytes()
    assert (run.folder / "lots.parquet").read_bytes() == (clean.folder / "lots.parquet").read_bytes()


_soil_of_part = part_tasks.soil_of_part


def soil_or_death(job: part_tasks.Job, number: int) -> object:
    if number == 1 and not os.path.exists(os.environ["RISKMAP_TEST_DIES"]):
        Path(os.environ["RISKMAP_TEST_DIES"]).touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return _soil_of_part(job, number)


@pytest.mark.parametrize("kind", ["soil", "ground", "mixture", "estimate"])
def test_a_damaged_part_in_the_store_is_computed_again(area: Path, clean: flow.Run, tmp_path: Path, kind: str) -> None:
    shutil.copytree(clean.folder.parent / store.FOLDER, tmp_path / store.FOLDER)
    if kind == "soil":  # it is asked for only where the whole ground of a part is not stored
        for path in (tmp_path / store.FOLDER).glob("*part_ground-*.parquet"):
            path.unlink()
    kept = sorted((tmp_path / store.FOLDER).glob(f"*part_{kind}-*.parquet"))
    assert len(kept) >= 2
    kept[0].write_bytes(kept[0].read_bytes()[:-40])
    kept[1].write_bytes(b"PAR1")
    again = flow.run(area, tmp_path, workers=1, part_lots=12)
    assert (again.folder / "lots.parquet").read_bytes() == (clean.folder / "lots.parquet").read_bytes()
    assert sorted((tmp_path / store.FOLDER).glob(f"*part_{kind}-*.parquet")) == kept


@pytest.mark.parametrize("file", ["lots_00001.parquet", "ground_00001.arrow", "weekly_00001.arrow",
                                  "estimate_00001.arrow"])
def test_a_part_damaged_in_mid_run_is_told_by_name(area: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
                                                   file: str) -> None:
    stage = {"lots": "soil_of_part", "ground": "estimate_of_part", "weekly": "estimate_of_part",
             "estimate": "write_products"}[file.split("_")[0]]
    real = getattr(part_tasks, stage)

    def after_damage(*task: object) -> object:
        folder = task[0].folder if isinstance(task[0], part_tasks.Job) else task[1]
        hit = Path(str(folder)) / file
        hit.write_bytes(hit.read_bytes()[: hit.stat().st_size // 2])
        return real(*task)

    monkeypatch.setattr(part_tasks, stage, after_damage)
    with pytest.raises(RunFolderError, match=rf"E-RUN-036 the part file {re.escape(file)} .*damaged"):
        flow.run(area, tmp_path / "out", workers=1, part_lots=12)
    assert {path.name for path in (tmp_path / "out").iterdir()} <= {store.FOLDER}


@pytest.mark.parametrize("place", ["write_lots", "write_rows"])
def test_a_full_disk_is_told_and_leaves_no_run(area: Path, clean: flow.Run, tmp_path: Path,
                                               monkeypatch: pytest.MonkeyPatch, place: str) -> None:
    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), str(tmp_path / "lots_00001.parquet"))

    monkeypatch.setattr(part_files, place, full)
    with pytest.raises(RunFolderError, match=r"E-RUN-001 .*lots_00001.*No space left.*Free some disk space"):
        flow.run(area, tmp_path / "out", workers=1, part_lots=12)
    left = {path.name for path in (tmp_path / "out").iterdir()}
    assert left <= {store.FOLDER}
    monkeypatch.undo()
    after = flow.run(area, tmp_path / "out", workers=1, part_lots=12)  # goes on with what was kept
    assert (after.folder / "lots.csv").read_bytes() == (clean.folder / "lots.csv").read_bytes()
    assert len(gpd.read_parquet(after.folder / "lots.parquet")) == clean.rows.out


# ---------------------------------------------------------------- a cluster
def test_no_scheduler_is_told_in_a_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(workers, "CONNECT_SECONDS", 1)
    with pytest.raises(WorkerError, match=r"E-RUN-032 --scheduler tcp://127\.0\.0\.1:9: no scheduler answers"):
        workers.Cluster("tcp://127.0.0.1:9")


def test_a_missing_package_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    import sys

    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(WorkerError, match=r"E-RUN-031 .*riskmap\[distributed\]"):
        workers.Cluster("tcp://127.0.0.1:9")


def test_a_cluster_survives_a_worker_and_is_checked(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from distributed import LocalCluster

    with LocalCluster(n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None,
                      host="127.0.0.1") as made, workers.Cluster(made.scheduler_address) as pool:
        assert pool.size == 2
        pool.check(tmp_path)
        with pytest.raises(WorkerError, match="E-RUN-035 2 of 2 workers do not see"):
            pool.check(tmp_path / "nowhere")
        with monkeypatch.context() as patch:
            patch.setattr(code_digest, "code_digest", lambda stage: "another")
            with pytest.raises(WorkerError, match="E-RUN-034 2 of 2 workers have another version"):
                pool.check(tmp_path)
        assert pool.map(dies_once, [(k, str(tmp_path / "died")) for k in range(6)]) == [0, 2, 4, 6, 8, 10]
        assert (tmp_path / "died").exists()
        with pytest.raises(LayerError, match="E-LAY-000 part"):
            pool.map(refuses, [(1,)])
