"""Who does the work: this process, processes on this machine, or a cluster; the same tasks and the same results.

A task is a function of a module with plain arguments, most of them names of files. A worker that dies loses only its
task, which is given to another worker.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from types import TracebackType
from typing import TYPE_CHECKING, Any, Protocol, Self

from riskmap.common.errors import WorkerError, shown

if TYPE_CHECKING:
    from concurrent.futures import ProcessPoolExecutor
    from multiprocessing.process import BaseProcess
    from pathlib import Path

ATTEMPTS = 3  # attempts for a task whose worker died
# one thread each, because the tasks fill the cores
ONE_THREAD = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")
CONNECT_SECONDS = 20

ShareProgress = Callable[[float], None]
Task = Callable[..., Any]


class Workers(Protocol):
    """Runs tasks; `size` of them at a time, each on `threads` threads."""

    size: int
    threads: int

    def map(self, function: Task, tasks: Sequence[tuple[Any, ...]], progress: ShareProgress | None = None) -> list[Any]:
        """Return the results of `function(*task)` in the order of the tasks; `progress` gets the finished share."""

    def __enter__(self) -> Self:
        """Prepare the workers."""

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None,
                 trace: TracebackType | None) -> None:
        """Stop the workers."""


class _Base:
    size = 1
    threads = 1

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None,
                 trace: TracebackType | None) -> None:
        return None


class InProcess(_Base):
    """One task after the other in this process, on several threads."""

    def __init__(self, threads: int | None = None) -> None:
        """Use this number of threads for each task; default: the machine's cores."""
        self.threads = threads or os.cpu_count() or 1

    def map(self, function: Task, tasks: Sequence[tuple[Any, ...]], progress: ShareProgress | None = None) -> list[Any]:
        """Return the results in order."""
        out = []
        for number, task in enumerate(tasks):
            out.append(function(*task))
            if progress:
                progress((number + 1) / len(tasks))
        return out


class Processes(_Base):
    """Processes on this machine, started from scratch (`spawn`), so that no open file or lock is copied into them."""

    def __init__(self, size: int) -> None:
        """Use this number of processes; they start with the block."""
        self.size = size
        self._pool: ProcessPoolExecutor | None = None
        self._started: set[BaseProcess] = set()

    def __enter__(self) -> Self:
        try:
            self._start()
        except BaseException as error:  # Ctrl-C was put off while they started, and comes now
            self.__exit__(type(error), error, error.__traceback__)
            raise
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None,
                 trace: TracebackType | None) -> None:
        if self._pool is not None:
            if error is not None:  # what a task has begun is lost; files are moved into place only when complete
                for process in self._started:
                    process.terminate()
            self._pool.shutdown(wait=True, cancel_futures=True)
            self._pool = None

    def _start(self) -> ProcessPoolExecutor:
        """Return the running pool; new workers load the libraries while this process goes on."""
        import multiprocessing
        from concurrent.futures import ProcessPoolExecutor

        if self._pool is None:
            for name in ONE_THREAD:
                os.environ.setdefault(name, "1")
            before = set(multiprocessing.active_children())
            self._pool = ProcessPoolExecutor(self.size, mp_context=multiprocessing.get_context("spawn"),
                                             initializer=end_with_parent)
            with _deaf_to_ctrl_c():
                for _ in range(self.size):
                    self._pool.submit(warm_up)
                self._started = set(multiprocessing.active_children()) - before
        return self._pool

    def map(self, function: Task, tasks: Sequence[tuple[Any, ...]], progress: ShareProgress | None = None) -> list[Any]:
        """Return the results in order; the tasks of a worker that died are given to another.

        Raises
        ------
        WorkerError
            When workers died `ATTEMPTS` times; the message names what is missing.
        """
        from concurrent.futures import as_completed
        from concurrent.futures.process import BrokenProcessPool

        done: dict[int, Any] = {}
        for _ in range(ATTEMPTS):
            pool = self._start()
            try:
                waiting = {pool.submit(function, *task): number for number, task in enumerate(tasks)
                           if number not in done}
                for future in as_completed(waiting):
                    done[waiting[future]] = future.result()
                    if progress:
                        progress(len(done) / len(tasks))
                return [done[number] for number in range(len(tasks))]
            except BrokenProcessPool:
                self._pool = None
        raise _lost(function, len(tasks), done)


class Cluster(_Base):
    """Workers of a dask scheduler; all must see the outputs folder under the same path."""

    def __init__(self, address: str) -> None:
        """Connect to a scheduler, such as tcp://10.0.0.5:8786.

        Raises
        ------
        WorkerError
            When the package is not installed or no scheduler answers.
        """
        try:
            from distributed import Client
        except ImportError:
            raise WorkerError("E-RUN-031 --scheduler needs the package distributed: pip install riskmap[distributed]."
                              ) from None
        try:
            self._client = Client(address, timeout=CONNECT_SECONDS, set_as_default=False)
        except (OSError, ValueError, TypeError) as error:
            raise WorkerError(f"E-RUN-032 --scheduler {shown(address)}: no scheduler answers there "
                              f"({type(error).__name__}). Start one with `dask scheduler` and give its address, such "
                              "as tcp://10.0.0.5:8786.") from None
        self.size = max(len(self._client.scheduler_info(n_workers=-1)["workers"]), 1)

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None,
                 trace: TracebackType | None) -> None:
        self._client.close()

    def check(self, folder: Path) -> None:
        """Refuse workers that have other code or do not see the folder.

        Raises
        ------
        WorkerError
            The error names the workers and what differs.
        """
        from riskmap.run.code_digest import code_digest

        answers = self._client.run(seen_by_worker, str(folder))
        if not answers:
            raise WorkerError("E-RUN-033 the scheduler has no workers. Start some with `dask worker ADDRESS`.")
        ours = code_digest("worker")
        other = sorted(name for name, (code, _) in answers.items() if code != ours)
        blind = sorted(name for name, (_, sees) in answers.items() if not sees)
        if other:
            raise WorkerError(f"E-RUN-034 {len(other)} of {len(answers)} workers have another version of riskmap or "
                              f"its libraries ({other[0]}). Install the same versions everywhere.")
        if blind:
            raise WorkerError(f"E-RUN-035 {len(blind)} of {len(answers)} workers do not see the outputs folder "
                              f"({blind[0]}). Use a folder that all machines share under one path.")

    def map(self, function: Task, tasks: Sequence[tuple[Any, ...]], progress: ShareProgress | None = None) -> list[Any]:
        """Return the results in order; the scheduler gives the tasks of a lost worker to another.

        Raises
        ------
        WorkerError
            When a task lost its worker more often than `ATTEMPTS`.
        """
        from distributed import KilledWorker, as_completed

        waiting = {self._client.submit(function, *task, pure=False, retries=ATTEMPTS): number
                   for number, task in enumerate(tasks)}
        done: dict[int, Any] = {}
        try:
            for future in as_completed(list(waiting), loop=self._client.loop):
                done[waiting[future]] = future.result()
                future.release()  # a result is stored once, here
                if progress:
                    progress(len(done) / len(tasks))
        except KilledWorker:
            raise _lost(function, len(tasks), done) from None
        return [done[number] for number in range(len(tasks))]


def _lost(function: Task, count: int, done: dict[int, Any]) -> WorkerError:
    missing = [number + 1 for number in range(count) if number not in done]
    listed = ", ".join(map(str, missing[:8])) + (" and more" if len(missing) > 8 else "")
    return WorkerError(
        f"E-RUN-030 workers were ended {ATTEMPTS} times, perhaps for want of memory. Missing: {len(missing)} of "
        f"{count} tasks of '{function.__name__.replace('_', ' ')}' (number {listed}). Run again with fewer --workers; "
        "what is finished is kept and not computed again.")


def seen_by_worker(folder: str) -> tuple[str, bool]:
    """Return a worker's digest of its code, and whether it sees a folder."""
    from pathlib import Path

    from riskmap.run.code_digest import code_digest

    return code_digest("worker"), Path(folder).is_dir()


@contextmanager
def _deaf_to_ctrl_c() -> Iterator[None]:
    """Start processes that Ctrl-C does not reach: a terminal sends it to all, and each would print a trace.

    A process inherits blocked signals from the one that starts it. Here Ctrl-C is delayed to the end of the block.
    """
    import signal

    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def end_with_parent() -> None:
    """End this worker when the process that started it is gone, because a killed run must leave nothing behind."""
    import multiprocessing
    import signal
    import threading
    from multiprocessing.connection import wait

    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the process that distributes the tasks handles it and ends this one
    parent = multiprocessing.parent_process()

    def watch(sentinel: int) -> None:
        wait([sentinel])
        os._exit(1)

    if parent is not None:
        threading.Thread(target=watch, args=(parent.sentinel,), daemon=True).start()


def warm_up() -> None:
    """Load what every task needs, and let the garbage collector skip it from now on."""
    import gc

    import geopandas  # noqa: F401
    import pyarrow.parquet  # noqa: F401

    import riskmap.common.tables  # noqa: F401

    gc.collect()
    gc.freeze()  # otherwise every release of a part checks all modules again, which takes a tenth of a second each


def workers_of(workers: int | None, scheduler: str | None) -> Workers:
    """Return a cluster's workers, processes of this machine (default: one per core), or this process alone."""
    if scheduler:
        return Cluster(scheduler)
    count = workers or os.cpu_count() or 1
    return Processes(count) if count > 1 else InProcess(1)
