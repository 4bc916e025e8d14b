"""What an answered list leaves open: rows that fit no lot or several, and the lots that the user chooses for them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from riskmap.api.shared import FileName, files_of, with_labels
from riskmap.common.errors import RunFolderError

if TYPE_CHECKING:
    from riskmap.answers.screen_list import ListColumn
    from riskmap.common.results import Run

ANSWER, MOST_BYTES = "screened.json", 1 << 24


@dataclass(frozen=True)
class OpenRow:
    """A row of a list that the user can decide.

    Attributes
    ----------
    row : int
        Its number in the list, as a spreadsheet shows it.
    listed_as : str
        What the list calls it.
    status : str
        `ambiguous` or `unmatched`; `matched` when a lot was chosen for it.
    said : str
        The status in words.
    note : str
        Why no lot was taken.
    candidates : tuple of str
        The lots that it may mean, as `chosen_lot_id` of a file of choices names them.
    chosen : str
        The lot that was chosen; empty when none was.
    """

    row: int
    listed_as: str
    status: str
    said: str
    note: str
    candidates: tuple[str, ...]
    chosen: str


@dataclass(frozen=True)
class AnsweredList:
    """What a screening says of its list as a whole.

    Attributes
    ----------
    listing, run : str
        Names of the list and of the run.
    columns : dict
        Our name -> column of the list, as it was named.
    counts : dict
        Number of rows by match status and by state, as in `ScreenReport`.
    counts_said : tuple of (str, int)
        The same in words.
    cautions, notes : tuple of str
        Sentences: what the answer may be used for, and what was found in the list.
    open_rows : tuple of OpenRow
        At most 2,000 of them; `choices.csv` of the answer has all.
    open_count : int
        How many there are.
    """

    listing: str
    run: str
    columns: dict[str, str]
    counts: dict[str, int]
    counts_said: tuple[tuple[str, int], ...]
    cautions: tuple[str, ...]
    notes: tuple[str, ...]
    open_rows: tuple[OpenRow, ...]
    open_count: int


def answered_list(folder: FileName) -> AnsweredList:
    """Return what a folder that `screen` wrote says of its list.

    Parameters
    ----------
    folder : str or Path

    Returns
    -------
    AnsweredList

    Raises
    ------
    RunFolderError
        The folder has no answer to a list, or it is damaged or of another version.

    Examples
    --------
    >>> import riskmap
    >>> columns = {"lot_id": "parcel"}
    >>> made = riskmap.screen("latest", "layers/example/listings.csv", columns=columns, outputs=outputs)
    >>> told = riskmap.api.answered_list(made.folder)
    >>> [(row.row, row.listed_as, row.status) for row in told.open_rows]
    [(5, '9999999', 'unmatched')]
    """
    from riskmap.answers import screen_table, screen_words
    from riskmap.run import files

    try:
        with files.open_plain(Path(folder), ANSWER) as stream:
            told = files.bounded_json(stream.read(MOST_BYTES + 1), MOST_BYTES)
        rows = tuple(OpenRow(int(one["row"]), str(one["listed_as"]), str(one["status"]),
                             screen_words.CHOSEN.get(one["status"], ""), str(one["note"]),
                             tuple(str(name) for name in one["candidates"]), str(one["chosen_lot_id"]))
                     for one in told["open_rows"])
        counts = {str(name): int(count) for name, count in told["counts"].items()}
        return AnsweredList(str(told["list"]), str(told["run"]), _texts(told["columns"]), counts,
                            tuple(screen_table.counts_in_words({"counts": counts})),
                            tuple(map(str, told["cautions"])), tuple(map(str, told["notes"])), rows,
                            int(told["open_count"]))
    except (OSError, files.ManifestError, KeyError, TypeError, ValueError, AttributeError) as error:
        raise RunFolderError(f"E-SCR-016 {Path(folder).as_posix()}: {ANSWER} is not there, or is damaged or of another "
                             f"version ({type(error).__name__}). Answer the list again.") from None


def _texts(told: Any) -> dict[str, str]:
    return {str(ours): str(theirs) for ours, theirs in told.items()}


@dataclass(frozen=True)
class ListColumns:
    """The columns of a list by which its rows may be found.

    Attributes
    ----------
    rows : int
        Number of rows of the list.
    columns : tuple of ListColumn
        Each with `name`, up to five `values`, what it `means` to `screen` now (empty: nothing), and how many of its
        cells are `ids` of lots. Columns about people, postal areas and formulas are left out. Empty for pins and
        shapes.
    addresses : bool
        Whether the run has labels with which addresses are compared.
    """

    rows: int
    columns: tuple[ListColumn, ...]
    addresses: bool


def list_columns(run: FileName | Run, listing: FileName, *, columns: Mapping[str, str] | None = None,
                 outputs: FileName = "outputs", verified: bool = True) -> ListColumns:
    """Return the columns of a list, so that somebody can say by which of them `screen` finds its rows.

    Parameters
    ----------
    run, outputs, verified
        As in `read`.
    listing, columns
        As in `screen`.

    Returns
    -------
    ListColumns

    Raises
    ------
    LayerError
        The list cannot be used: no such file, another format, no column of a name that is given.
    RunFolderError
        No such run.

    Examples
    --------
    >>> import riskmap
    >>> found = riskmap.api.list_columns("latest", "layers/example/listings.csv", outputs=outputs)
    >>> [(column.name, column.means, column.ids) for column in found.columns if column.ids or column.means]
    [('parcel', '', 3), ('lon', 'lon', 0), ('lat', 'lat', 0)]
    """
    from riskmap.answers import screen_list
    from riskmap.run import record

    files, named = files_of(run, outputs, verified), dict(columns or {})
    found = screen_list.read(Path(listing), named)
    results = with_labels(record.read(files), files)
    return ListColumns(len(found.table), screen_list.columns_of(results, found, named), results.labels is not None)


def choose_lots(rows: Sequence[tuple[int, str, str]], file: FileName) -> Path:
    """Write the lots that the user chose for rows of a list, as the CSV that `screen` takes as `choices`.

    Parameters
    ----------
    rows : sequence of (row, listed_as, chosen_lot_id)
        As in `OpenRow`.
    file : str or Path
        The new file.

    Returns
    -------
    Path
        The file. Nothing in it is checked yet: `screen` does that.

    Raises
    ------
    FileExistsError
        The file exists.

    Examples
    --------
    >>> import pathlib
    >>> from riskmap import api
    >>> file = api.choose_lots([(5, "9999999", "0010021")], pathlib.Path(outputs) / "choices.csv")
    >>> file.read_text(encoding="utf-8")
    'row,listed_as,chosen_lot_id\\n5,9999999,0010021\\n'
    """
    from riskmap.answers import screen_choices

    screen_choices.write(rows, Path(file))
    return Path(file)
