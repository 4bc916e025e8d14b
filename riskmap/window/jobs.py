"""Work in processes of its own: the pages answer while it goes on, it can be cancelled, and a crash is reported.

A worker is a process that has loaded `riskmap.api` and waits for a task; one that has finished takes the next task. A
worker whose window has ended, however it ended, ends itself (`tasks.work`).
"""

from __future__ import annotations

import multiprocessing
import secrets
import threading
import time
from collections.abc import Callable
from contextlib import AbstractContextManager, nullcontext, suppress
from dataclasses import dataclass, field
from typing import Any

from riskmap.window import tasks
from riskmap.window.refusals import WindowError, cannot_write

FINISHED_KEPT = 200  # jobs that are finished; the oldest of more are forgotten
PATIENCE_S = 3.0  # a worker that was asked to end is killed after this time
Say = Callable[[str, float], None]


class CancelledError(WindowError):
    """The user cancelled the work."""


class _Worker:
    """One process that does one task after another."""

    def __init__(self) -> None:
        context = multiprocessing.get_context("spawn")
        self.pipe, theirs = context.Pipe()
        self.process = context.Process(target=tasks.work, args=(theirs,), name="riskmap window", daemon=False)
        self.process.start()
        theirs.close()

    def do(self, task: str, given: dict[str, Any], say: Say) -> Any:
        """Do a task and return its answer, or raise WindowError with what the API said."""
        try:
            self.pipe.send((task, given))
            while True:
                kind, *content = self.pipe.recv()
                if kind == "stage":
                    say(*content)
                elif kind == "done":
                    return content[0]
                else:
                    raise WindowError(content[0], 422 if kind == "refused" else 500)
        except (EOFError, OSError):
            self.process.join(PATIENCE_S)
            raise WindowError(f"E-WIN-011 the work stopped before its end (exit code {self.process.exitcode}): perhaps "
                              "the memory is full. The files as given and earlier runs are whole. Try it again.",
                              500) from None

    def end(self) -> None:
        """End the process, whatever it does."""
        self.process.terminate()
        self.process.join(PATIENCE_S)
        if self.process.is_alive():
            self.process.kill()
            self.process.join(PATIENCE_S)
        with suppress(OSError):
            self.pipe.close()


@dataclass
class Job:
    """One piece of work of an area.

    Attributes
    ----------
    key : str
        Random name, in the address of the job.
    area, title, after : str
        The area, what is done in words, and the page to show when it is done.
    command : str
        The command that does the same.
    back : str
        The page on which it was asked for.
    otherwise : tuple of str
        The page on which the user can help when it did not work, and what is done there; empty texts where there is
        none.
    state : str
        `running`, `done`, `unfinished` or `cancelled`.
    stages : list of [str, float, float]
        Stage in words, its finished share (0 to 1), and when it began. [-, s]
    message : str
        What is wrong, when it is unfinished.
    answer
        What the task returned.
    """

    key: str
    area: str
    title: str
    after: str
    command: str = ""
    back: str = "/"
    otherwise: tuple[str, str] = ("", "")
    state: str = "running"
    stages: list[list[Any]] = field(default_factory=list)
    message: str = ""
    answer: Any = None
    version: int = 0
    began: float = field(default_factory=time.monotonic)
    took: float = 0.0
    worker: _Worker | None = None

    def say(self, stage: str, share: float) -> None:
        """Note how far a stage is."""
        if not self.stages or self.stages[-1][0] != stage:
            self.stages.append([stage, 0.0, time.monotonic()])
        self.stages[-1][1] = share
        self.version += 1

    def shown(self) -> dict[str, Any]:
        """Return what the page shows, as plain values; the time left is computed as if the pace stayed the same."""
        stages = []
        for name, share, began in self.stages:
            passed = time.monotonic() - began
            left = passed * (1 - share) / share if 0.02 < share < 1 and passed > 2 and self.state == "running" else None
            stages.append({"stage": name, "share": round(share, 3), "left_s": None if left is None else round(left)})
        return {"state": self.state, "stages": stages, "message": self.message, "title": self.title,
                "after": self.after, "seconds": round(self.took or time.monotonic() - self.began, 1)}


class Desk:
    """Keeps the workers and the jobs of one window.

    Attributes
    ----------
    jobs : dict
        Random name -> job.
    done : callable
        Called with each job that is done, before its lock is released.
    """

    def __init__(self) -> None:
        """Make a desk without workers; `warm` starts the first."""
        self.done: Callable[[Job], None] = lambda job: None
        self.jobs: dict[str, Job] = {}
        self._idle: list[_Worker] = []
        self._all: list[_Worker] = []
        self._lock = threading.Lock()
        self._closed = False

    def warm(self) -> None:
        """Start a worker that waits, so that the first task does not wait for it."""
        with self._lock:
            if not self._closed and not self._idle:
                self._idle.append(self._new())

    def ask(self, task: str, **given: Any) -> Any:
        """Do a short task and wait for its answer.

        Raises
        ------
        WindowError
            With what the API said, or when the worker stopped.
        """
        return self._do(task, given, lambda stage, share: None, None)

    def start(self, area: str, title: str, task: str, given: dict[str, Any], after: str | Callable[[Any], str], *,
              command: str = "", lock: AbstractContextManager[None] | None = None) -> Job:
        """Start a job in the background, under a lock that is taken here and released at its end.

        Raises
        ------
        WindowError
            When somebody else has the lock.
        """
        held = lock or nullcontext()
        held.__enter__()
        job = Job(secrets.token_urlsafe(12), area, title, after if isinstance(after, str) else "", command)
        with self._lock:
            finished = [key for key, one in self.jobs.items() if one.state != "running"]
            for key in finished[:max(len(finished) - FINISHED_KEPT, 0)]:
                del self.jobs[key]
            self.jobs[job.key] = job
        threading.Thread(target=self._run, args=(job, task, given, after, held), daemon=True).start()
        return job

    def _run(self, job: Job, task: str, given: dict[str, Any], after: str | Callable[[Any], str],
             held: AbstractContextManager[None]) -> None:
        state, message = "unfinished", ""
        try:
            job.answer = self._do(task, given, job.say, job)
            job.after = after if isinstance(after, str) else after(job.answer)
            self.done(job)
            state = "done"
        except CancelledError:
            state = "cancelled"
        except WindowError as error:
            message = str(error)
        except OSError as error:  # what follows the answer is written here, such as on a full disk
            message = str(cannot_write(job.area, error))
        except Exception as error:
            message = f"Internal fault: {type(error).__name__}: {error}."
        finally:
            held.__exit__(None, None, None)
            job.took, job.message = time.monotonic() - job.began, message
            job.state = state
            job.version += 1

    def _do(self, task: str, given: dict[str, Any], say: Say, job: Job | None) -> Any:
        with self._lock:
            if self._closed or (job is not None and job.state == "cancelled"):
                raise CancelledError("cancelled")
            worker = self._idle.pop() if self._idle else self._new()
            if job is not None:
                job.worker = worker
        try:
            answer = worker.do(task, given, say)
        except WindowError as error:
            if error.status == 422:  # the API refused: the worker is as good as before
                self._give_back(worker, job)
                raise
            worker.end()
            self._forget(worker)
            if job is not None and job.state == "cancelled":
                raise CancelledError("cancelled") from None
            raise
        self._give_back(worker, job)
        return answer

    def _new(self) -> _Worker:
        worker = _Worker()
        self._all.append(worker)
        return worker

    def _give_back(self, worker: _Worker, job: Job | None) -> None:
        with self._lock:
            if job is not None:
                job.worker = None
            if len(self._idle) < 2 and not self._closed and worker.process.is_alive():
                self._idle.append(worker)
                return
        worker.end()
        self._forget(worker)

    def _forget(self, worker: _Worker) -> None:
        with self._lock, suppress(ValueError):
            self._all.remove(worker)

    def cancel(self, job: Job) -> None:
        """Cancel a job: its process is ended, and the API leaves no half-written run."""
        with self._lock:
            if job.state != "running":
                return
            job.state = "cancelled"
            worker = job.worker
        if worker is not None:
            worker.end()

    def running(self, area: str = "") -> list[Job]:
        """Return the jobs that run, of one area or of all."""
        return [job for job in list(self.jobs.values()) if job.state == "running" and area in ("", job.area)]

    def close(self) -> None:
        """End all processes."""
        with self._lock:
            self._closed = True
            workers, self._idle = list(self._all), []
        for worker in workers:
            worker.end()
