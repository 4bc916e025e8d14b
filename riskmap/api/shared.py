"""What the functions of this package share."""

from __future__ import annotations

from dataclasses import dataclass
from os import PathLike
from pathlib import Path
from typing import Generic, TypeVar

from riskmap.results import Run

FileName = str | PathLike[str]
T = TypeVar("T")


@dataclass(frozen=True)
class Made(Generic[T]):
    """What a function wrote and what it found.

    Attributes
    ----------
    folder : Path
        The new folder with the files.
    answer
        What was found; each function says what it is.
    """

    folder: Path
    answer: T

    @property
    def files(self) -> list[Path]:
        """Files of the folder, by name."""
        return sorted(self.folder.iterdir())


def folder_of(run: FileName | Run, outputs: FileName) -> Path:
    """Return the folder of a run: of what `estimate` returned, or looked up as on the command line."""
    from riskmap.outputs import run_folder

    return run.folder if isinstance(run, Run) else run_folder.find(str(run), Path(outputs))


def about(folder: Path) -> dict[str, str]:
    """Return what papers tell of their run: its name and the beginning of the digest of its manifest."""
    from riskmap import manifest

    return {"run": folder.resolve().name, "manifest": manifest.sha256(folder / manifest.NAME)[:12]}


def optional(folder: FileName | None) -> Path | None:
    """Return a path where one is given."""
    return None if folder is None else Path(folder)
