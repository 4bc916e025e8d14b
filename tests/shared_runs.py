"""What the whole test session computes once, also between processes: runs of the example, and the models of strips.

Each session has its own, below the folder of its temporary files, so that nothing outlives a change of the code.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from riskmap.run import reuse, store

if TYPE_CHECKING:
    import pytest

IN_SUBPROCESSES = Path(__file__).parent / "in_subprocesses"
AREAS = ("area_september.toml", "area.toml")


def session_folder(factory: pytest.TempPathFactory) -> Path:
    """Return the folder that all processes of one test session see."""
    own = factory.getbasetemp()
    return own.parent if "PYTEST_XDIST_WORKER" in os.environ else own


@contextmanager
def one_at_a_time(folder: Path) -> Iterator[bool]:
    """Let one process in after another; tell the first one, and each one after a failed one, to do the work."""
    import fcntl

    folder.mkdir(exist_ok=True)
    with (folder / "lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)  # given back when the process ends, however it ends
        done = folder / "done"
        yield not done.exists()
        done.touch()


def example_runs(folder: Path, example: Path) -> Path:
    """Return the outputs folder with the two runs of the example, made by the first process that asks."""
    from riskmap.run import flow

    with one_at_a_time(folder) as first:
        if first:
            for name in AREAS:
                flow.run(example / name, folder / "outputs")
    return folder / "outputs"


def with_store(outputs: Path, kept: Path) -> Path:
    """Put results that are kept for reuse into the store of a new outputs folder, as earlier runs there would."""
    (outputs / store.FOLDER).mkdir(parents=True)
    for path in kept.glob("*.parquet"):
        shutil.copy2(path, outputs / store.FOLDER)
    return outputs


def share_models(folder: Path) -> None:
    """Let this process build a model of a strip only when no other one of the session has.

    They are not kept beside the compiled code, so that a test that changes how models are built spoils none for later
    sessions.
    """
    from riskmap.movement import reduced_model

    shared = store.Store(folder)
    reuse.models_of_machine = lambda: shared
    reduced_model._shelf[:] = [reuse._Models(shared)]
    os.environ["PYTHONPATH"] = os.pathsep.join(filter(None, [str(IN_SUBPROCESSES), os.environ.get("PYTHONPATH")]))
