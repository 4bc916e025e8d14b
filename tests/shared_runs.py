"""What the whole test session computes once, also between processes: runs of the example, and the models of strips.

Each session has its own, below the folder of its temporary files, so that nothing outlives a change of the code.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType
from typing import TYPE_CHECKING

from riskmap.run import reuse, store

if TYPE_CHECKING:
    import pytest

    from riskmap.movement import reduced_model

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


@dataclass(frozen=True)
class _Both:
    """The shelf of a run's own store, filled from the one that the session shares."""

    own: reduced_model.Shelf
    shared: reduced_model.Shelf

    def take(self, name: str) -> reduced_model.ReducedModel | None:
        found = self.own.take(name)
        if found is None and (found := self.shared.take(name)) is not None:
            self.own.put(name, found)
        return found

    def put(self, name: str, model: reduced_model.ReducedModel) -> None:
        self.own.put(name, model)
        self.shared.put(name, model)


def share_models(folder: Path) -> None:
    """Let this process, and every Python that it starts, build a model only when no other one of the session has.

    A model from the shelf is the one that was put there to the last bit; tests/unit/run/test_store_reuse.py shows it.
    """
    from riskmap.movement import reduced_model

    for module in (reuse, reduced_model):
        share_in(module, folder)
    os.environ |= {"RISKMAP_TEST_MODELS": str(folder), "RISKMAP_TEST_SHARED_RUNS": __file__,
                   "PYTHONPATH": os.pathsep.join(filter(None, [str(IN_SUBPROCESSES), os.environ.get("PYTHONPATH")]))}


def share_in(module: ModuleType, folder: str | Path) -> None:
    """Let one of the two modules that know of models take them from a folder and put them there."""
    shared = reuse._Models(store.Store(Path(folder)))
    if module.__name__ == "riskmap.movement.reduced_model":
        module._shelf[:] = [shared]
        return

    def models_of(kept: store.Store) -> AbstractContextManager[None]:
        from riskmap.movement import reduced_model

        return reduced_model.kept_on(_Both(reuse._Models(kept), shared))

    module.models_of = models_of
