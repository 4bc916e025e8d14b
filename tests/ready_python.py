"""Command lines that begin at once: a Python that has loaded what they need starts each as a process of its own.

A process that is started in this way computes, writes and dies as any other. Only the two seconds in which it would
load libraries are spared, in which nothing is written.
"""

from __future__ import annotations

import multiprocessing
import os
import sys
from collections.abc import Sequence
from multiprocessing.process import BaseProcess
from pathlib import Path

_READY = multiprocessing.get_context("forkserver")
_READY.set_forkserver_preload(["estimate_at_hand"])  # in tests/in_subprocesses; where it is not found it takes longer


def start(words: Sequence[str], said: Path) -> BaseProcess:
    """Start `riskmap` with these words; what it prints is written into a file.

    The exit code is `exitcode` of the process, negative when a signal ended it.
    """
    process = _READY.Process(target=_command, args=(list(words), str(said)))
    process.start()
    return process


def _command(words: list[str], said: str) -> None:
    from riskmap.cli.main import main

    stream = os.open(said, os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
    os.dup2(stream, 1)
    os.dup2(stream, 2)
    sys.argv = ["riskmap", *words]
    main()
