"""Command lines that begin at once: a Python that has loaded what they need starts each as a process of its own.

A process that is started in this way computes, writes and dies as any other. Only the two seconds in which it would
load libraries are spared, in which nothing is written.
"""

from __future__ import annotations

import multiprocessing
import os
import sys
import time
from collections.abc import Sequence
from multiprocessing.process import BaseProcess
from pathlib import Path

HERE = "the command waits here"
_READY = multiprocessing.get_context("forkserver")
_READY.set_forkserver_preload(["estimate_at_hand"])  # in tests/in_subprocesses; where it is not found it takes longer


def start(words: Sequence[str], said: Path, wait_at: tuple[str, float] | None = None) -> BaseProcess:
    """Start `riskmap` with these words; what it prints is written into a file.

    The exit code is `exitcode` of the process, negative when a signal ended it. With `wait_at`, a stage and a share of
    it, the command writes the line `HERE` when it has done so much, and goes no further.
    """
    process = _READY.Process(target=_command, args=(list(words), str(said), wait_at))
    process.start()
    return process


def _command(words: list[str], said: str, wait_at: tuple[str, float] | None) -> None:
    from riskmap.cli import main as cli

    stream = os.open(said, os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
    os.dup2(stream, 1)
    os.dup2(stream, 2)
    sys.argv = ["riskmap", *words]
    if wait_at is not None:
        _wait_in(cli.Progress, *wait_at)
    cli.main()


def _wait_in(progress: type, at: str, reached: float) -> None:
    real = progress.__call__

    def call(self: object, stage: str, share: float) -> None:
        real(self, stage, share)
        if stage == at and share >= reached:
            print(HERE, flush=True)
            while True:
                time.sleep(0.05)

    progress.__call__ = call
