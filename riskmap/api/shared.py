"""Parts that the functions of this package share."""

from __future__ import annotations

from dataclasses import dataclass, replace
from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING, Generic, TypeVar

from riskmap.common.errors import RunFolderError
from riskmap.common.results import Results, Run

if TYPE_CHECKING:
    from riskmap.run.files import RunFiles

FileName = str | PathLike[str]
T = TypeVar("T")


@dataclass(frozen=True)
class Outcome(Generic[T]):
    """What a function wrote and what it found.

    Attributes
    ----------
    folder : Path
        The new folder with the files.
    answer
        What was found; each function says what this is.
    note : str
        How the run was read, where its files were not compared with a manifest that can be trusted, and whether a
        calibration comes from another area; otherwise empty.
    """

    folder: Path
    answer: T
    note: str = ""

    @property
    def files(self) -> list[Path]:
        """Files of the folder, by name."""
        return sorted(self.folder.iterdir())


def folder_of(run: FileName | Run, outputs: FileName) -> Path:
    """Return the folder of a run that `estimate` returned, or one looked up as on the command line."""
    from riskmap.run import folder as run_folder

    return run.folder if isinstance(run, Run) else run_folder.find(str(run), Path(outputs))


def files_of(run: FileName | Run, outputs: FileName, verified: bool) -> RunFiles:
    """Return a reader of the files of a run, which compares each with its manifest unless `verified` is False."""
    from riskmap.run import files as run_files

    return run_files.RunFiles(folder_of(run, outputs), verified)


def with_calibration(results: Results, calibration: FileName | None) -> Results:
    """Return a run with the calibrated columns of a calibration.json added; without one, return it unchanged.

    Raises
    ------
    LayerError
        The file is not a calibration, or the calibration is off or belongs to other settings or code than the run.
    """
    if calibration is None:
        return results
    from riskmap.answers.calibration import apply, model_file

    model = model_file.read(Path(calibration))
    found = [str(problem) for problem in apply.findings(results, model)]
    beside = apply.beside(results, model, workers=None)
    return replace(beside, note=" ".join([*([results.note] if results.note else []), *found]))


def with_labels(results: Results, files: RunFiles, *, needed: bool = False) -> Results:
    """Return a run with the labels of its lots, for a command that shows them; as it is where the run has none.

    Raises
    ------
    RunFolderError
        The file of labels is damaged; or the run has none and they are `needed`.
    """
    from riskmap.run import labels

    found = labels.read(files)
    if found is None and needed:
        raise RunFolderError("E-RUN-084 this run has no labels. Write label = \"SITUS_ADDR\" (a column of the lot "
                             "file) under [lots] and run the estimate again.")
    return replace(results, labels=found)


def about(files: RunFiles) -> dict[str, str]:
    """Return what papers say of their run: its name and the first characters of the digest of its manifest."""
    from riskmap.run import files as run_files

    if files.manifest is None:
        digest = "NOT COMPARED with the files (--unverified)"
    else:
        with run_files.open_plain(files.folder, run_files.NAME) as stream:
            digest = run_files.sha256_of(stream)[:12]
    return {"run": files.folder.resolve().name, "manifest": digest}


def note_what_is_kept(error: BaseException, outputs: Path) -> None:
    """Correct an error's note that nothing was stored, where the store below `outputs` has parts of the work."""
    from riskmap.common.disk_space import NOTHING_KEPT
    from riskmap.run.store import FOLDER

    notes = getattr(error, "__notes__", [])
    if NOTHING_KEPT in notes and (outputs / FOLDER).is_dir():
        notes[notes.index(NOTHING_KEPT)] = (f"No run folder was written. What has been computed is in "
                                            f"{(outputs / FOLDER).as_posix()}, and the next run uses it.")


def optional(folder: FileName | None) -> Path | None:
    """Return a path where one is given."""
    return None if folder is None else Path(folder)
