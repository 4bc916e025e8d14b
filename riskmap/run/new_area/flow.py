"""`new`: recognise files, choose, write the area file, and check what was written."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from riskmap.common.errors import LayerError, counted
from riskmap.layers.recognise import Found, recognise
from riskmap.run import check
from riskmap.run.new_area import fetching, given, writing
from riskmap.run.new_area.choice import choose
from riskmap.run.new_area.guesses import Column, Guess, Left, LotsFile, Missing, System, WeatherCell
from riskmap.run.new_area.weather_cells import Box

AREA_FILE = "area.toml"
UNPACKED = "unpacked"  # folder beside the area file that receives what had to be taken out of a zip


@dataclass(frozen=True)
class NewArea:
    """An area file that was written from files, and everything that was guessed for it.

    Attributes
    ----------
    path : Path
        The area file.
    guesses : tuple of Guess
        One per line, with `section`, `key`, `value`, `reason`, whether it is `sure`, and whether it was `written` as a
        line or as a comment.
    missing : tuple of Missing
        What the files do not give, with the way to get it; `needed` or not.
    left : tuple of Left
        Files that are not used, with the reason.
    findings : Report
        What `check` says of the area file.
    box : tuple of float or None
        West, south, east, north of the lots. [degree]
    replaced : bool
        Whether another area file was overwritten.
    fetched : Report or None
        What was fetched, in sentences (`said`), and its `findings`; None when nobody asked for it.
    columns : tuple of Column
        The columns of the lot file, each with up to five values; those about people are left out.
    lots_files : tuple of LotsFile
        The files that may be the lots, where none or several were recognised, or where somebody said which one it is.
    systems : tuple of System
        The coordinate systems that the lots may have, where their file names none.
    cells : tuple of WeatherCell
        The cells of the weather, where the files do not say in which of them the lots lie; the nearest first where the
        record has their coordinates.
    """

    path: Path
    guesses: tuple[Guess, ...]
    missing: tuple[Missing, ...]
    left: tuple[Left, ...]
    findings: check.Report
    box: Box | None
    replaced: bool = False
    fetched: fetching.Report | None = None
    columns: tuple[Column, ...] = ()
    lots_files: tuple[LotsFile, ...] = ()
    systems: tuple[System, ...] = ()
    cells: tuple[WeatherCell, ...] = ()

    @property
    def complete(self) -> bool:
        """Whether a run can start, and no line waits for the user."""
        return not self.open_points

    @property
    def open_points(self) -> list[str]:
        """What somebody has to look at before a run: things missing, guesses that are not sure, and refusals."""
        unsure = [f"[{guess.section}] {guess.key}: {guess.reason}." for guess in self.guesses
                  if not guess.sure and (guess.written or guess.section == "lots.columns")]  # the others are missing
        missing = [str(one) for one in self.missing if one.needed]
        explained = any(one.needed and one.layer != "drought" for one in self.missing)  # why `check` refuses the file
        return [*missing, *unsure, *([] if explained else self.findings.refusals)]

    @property
    def exit_code(self) -> int:
        """0 the file is complete, 1 it was written with open points."""
        return int(not self.complete)

    def text(self) -> str:
        """Return what was found, for people: lines, open points, what `check` says, and the next command."""
        width = max((len(guess.key) + len(guess.value) for guess in self.guesses), default=0)
        instead = ", in place of the file that was there" if self.replaced else ""
        lines = [f"{self.path.as_posix()} was written from your files{instead}:"]
        section = ""
        for guess in self.guesses:
            if guess.section != section:
                lines.append(f"  [{guess.section}]")
                section = guess.section
            said = f"{'' if guess.written else '# '}{guess.key} = {guess.value}"
            lines.append(f"    {said.ljust(min(width + 3, 48))}  {guess.reason}".rstrip())
        if self.fetched is not None:
            lines += ["Fetched:", *(f"  {one}" for one in (*self.fetched.said, *self.fetched.findings))]
        if self.left:
            lines.append(f"{counted(len(self.left), 'file is', 'files are')} not used:")
            lines += [f"  {line}" for line in writing.listed(self.left)]
        optional = [f"  {one}" for one in self.missing if not one.needed]
        lines += ["Not given:", *optional] if optional else []
        lines += ["", "What `riskmap check` says:", self.findings.text(), ""]
        return "\n".join([*lines, *self._end()])

    def _end(self) -> list[str]:
        name = self.path.as_posix()
        if self.complete:
            return [f"The area file is complete. Next: riskmap estimate {name}"]
        again = self.fetched is not None and any(one.layer for one in self.missing)
        return [f"{counted(len(self.open_points), 'open point')}:", *(f"  - {point}" for point in self.open_points),
                *(["To fetch what did not come, run the same command again with --replace; what came is stored."]
                  if again else []),
                f"Edit {name}, then: riskmap check {name}"]


def run(files: Sequence[Path], into: Path, replace: bool = False, more: fetching.FetchMore | None = None,
        columns: Mapping[str, str] | None = None, lots: str = "", crs: str = "",
        cells: Sequence[str] = ()) -> NewArea:
    """Write an area file from files and folders, and check it.

    Parameters
    ----------
    files : sequence of Path
        What the user has; folders and zips are opened.
    into : Path
        Folder of the area file.
    replace : bool
        Overwrite an area file that is there.
    more : callable, optional
        Fetches the layers that are missing, as `fetching.add` describes.
    columns : mapping, optional
        Our name -> column of the lot file, as `given.apply` takes them.
    lots, crs : str
        Name of the file or layer that is the lots, and its coordinate system, as `choose` takes them.
    cells : sequence of str
        Cells of the weather, as `given.name_cells` takes them.

    Raises
    ------
    LayerError
        When a path does not exist, a folder has too many files, or nothing is recognised.
    RunFolderError
        When another area file is there already, or the folder cannot be written.
    """
    path = into / AREA_FILE
    found = recognise(files, into / UNPACKED, [path, into / UNPACKED, into / fetching.FOLDER])
    _refuse_nothing(found, files)
    choice = choose(found, into, lots, crs)
    if columns:
        given.apply(choice, columns)
    given.name_cells(choice, cells)
    report = None if more is None else fetching.add(choice, more)
    replaced = writing.write(writing.text_of(choice), path, replace)
    return NewArea(path, tuple(choice.guesses), tuple(choice.missing), tuple(choice.left), check.check_area(path),
                   choice.box, replaced, report, tuple(choice.columns),
                   tuple(choice.lots_files), tuple(choice.systems), tuple(choice.cells))


def _refuse_nothing(found: list[Found], files: Sequence[Path]) -> None:
    """Refuse when no file is of any use: nothing is written then."""
    if any(one.kind not in ("left", "lines") for one in found):
        return
    said = [f"  {one.name}: {one.reason}" for one in found[:20]]
    more = [f"  ... and {len(found) - 20:,} more"] if len(found) > 20 else []
    names = ", ".join(path.as_posix() for path in files)
    raise LayerError("\n".join([
        f"E-NEW-007 {names}: none of these files is a layer that a map needs. Give a file of lots, a soil survey and a "
        "record of rain and temperature; layers/README.md lists the formats.", *said, *more]))
