"""Rows of a list for which the user says which lot is meant: the file of choices, and what becomes of these rows.

In: a CSV with `row` and `chosen_lot_id`, as `table` writes it for the rows that fit no lot or more than one. Out: the
rows with the lot that was chosen. A choice that is not certain is not taken, and a finding says so.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from riskmap.answers import matching_ids
from riskmap.common.errors import LayerError, counted, joined
from riskmap.common.problems import Problem, kept_by_refusal

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from riskmap.answers.screen import ScreenReport

NAME = "choices.csv"
BY = "your choice"  # in the column `matched_by`
ROW, LISTED, CHOSEN = "row", "listed_as", "chosen_lot_id"
_ROW_OF = r"^(.*) \(lot_row (\d{1,9})\)$"  # how a lot is named whose id other lots have too


@dataclass(frozen=True)
class Choices:
    """The lots that the user chose.

    Attributes
    ----------
    name : str
        Name of the file.
    row : int array
        The number of each row in the list, as a spreadsheet shows it.
    lot : Series of str
        What was chosen: the id of a lot, or `ID (lot_row 3)` where several lots have the id.
    listed_as : Series of str, optional
        What the list called each row when it was chosen; a row that has another name today is not the same.
    problems : list of Problem
    """

    name: str
    row: NDArray[np.int64]
    lot: pd.Series
    listed_as: pd.Series | None
    problems: list[Problem]


def read(path: Path) -> Choices:
    """Read a file of choices; rows without a choice are left out.

    Raises
    ------
    LayerError
        No such file, no columns `row` and `chosen_lot_id`, a row that is not a number or that occurs twice, or a file
        that is not a table.
    """
    from riskmap.layers import lots_csv

    name = path.name
    if not path.is_file():
        raise LayerError(f"E-SCR-015 {name}: no such file. Give a CSV with the columns {ROW} and {CHOSEN}.")
    problems: list[Problem] = []
    with kept_by_refusal(problems):
        table, heading, place = lots_csv.read_table(path, name, problems, {ROW, CHOSEN})
        table = table.set_axis(heading, axis=1)
        if not {ROW, CHOSEN} <= set(heading) or len(set(heading)) < len(heading):
            raise LayerError(f"E-SCR-015 {name}: the columns {ROW} and {CHOSEN} are needed, each once. It has: "
                             f"{joined(heading, 20)}.")
        given = (table[CHOSEN].str.strip() != "").to_numpy(bool)
        table, place = table[given].reset_index(drop=True), place[given]
        text = table[ROW].str.strip()
        wrong = (~text.str.fullmatch(r"\d{1,9}") | text.duplicated(keep=False)).to_numpy(bool)
        if wrong.any():
            raise LayerError(f"E-SCR-015 {name}: column {ROW} in rows {joined(place[wrong], 5)}: each must be the "
                             "number of a row of the list, once.")
    chosen = table[CHOSEN].str.strip().str.replace(r"^'(?=[=+\-@])", "", regex=True)  # the guard of our own CSV
    return Choices(name, text.astype(np.int64).to_numpy(), chosen, table.get(LISTED), problems)


def write(rows: Sequence[tuple[int, str, str]], path: Path) -> None:
    """Write a file of choices that does not exist yet: the row, what the list calls it, and the chosen lot.

    Raises
    ------
    FileExistsError
        The file exists.
    """
    from riskmap.outputs.files import csv_table

    table = pd.DataFrame(rows, columns=[ROW, LISTED, CHOSEN])
    with path.open("x", encoding="utf-8", newline="") as file:
        file.write(csv_table.text_of(table, numbers_stay=True))


def apply(found: pd.DataFrame, choices: Choices, lot_id: pd.Series, row: NDArray[np.int64],
          label: pd.Series | None) -> tuple[pd.DataFrame, list[Problem]]:
    """Return the rows of a list with the lots that were chosen, and a finding per reason for which one was not taken.

    Parameters
    ----------
    found : DataFrame
        What `matching.match` returns, in the order of the list.
    choices : Choices
    lot_id : Series
        Ids of the lots of the run, by position.
    row : int array
        The number of each row of the list.
    label : Series of str, optional
        What the list calls each row.
    """
    at = pd.Index(row).get_indexer(choices.row)
    lot, several = _lots(choices.lot, lot_id.astype("str").reset_index(drop=True))
    same = np.ones(len(at), dtype=bool)
    if choices.listed_as is not None and label is not None and len(label):
        called, before = label.astype("str").str.strip().to_numpy(dtype=object)[at], choices.listed_as.str.strip()
        same = ((called == before) | (called == before.str.removeprefix("'"))).to_numpy(bool)
    taken = (at >= 0) & same & (lot >= 0)
    where, chosen = at[taken], lot[taken]
    out = found.reset_index(drop=True).copy()
    before_rows = out["lot_row"].fillna(-1).to_numpy(np.int64)[where].tolist()
    fits = [(one,) if one >= 0 else rows for one, rows in zip(before_rows, out["candidates"].iloc[where], strict=True)]
    out.loc[where, "match_note"] = [_note(*pair) for pair in zip(fits, chosen.tolist(), strict=True)]
    out.loc[where, "match_status"], out.loc[where, "matched_by"] = "matched", BY
    out.loc[where, "lot_row"] = chosen
    problems = [*choices.problems]
    for mask, rule in ((at < 0, "the list has no such row"),
                       ((at >= 0) & ~same, f"the list has another name for this row than {LISTED}"),
                       ((at >= 0) & same & (lot < 0) & ~several, "the chosen id is not among the lots"),
                       ((at >= 0) & same & several, "several lots have the chosen id")):
        if mask.any():
            said = f"{counted(int(mask.sum()), 'choice')} (row {joined(choices.row[mask], 5)} of the list): {rule}."
            problems.append(Problem("W-SCR-071", choices.name, rule=said, column=CHOSEN, action="Not taken.",
                                    remedy="Choose again, with the id as the candidates have it."))
    return out, problems


def _lots(chosen: pd.Series, ids: pd.Series) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Return the position of the only lot that each text names, -1 for none, and where it names several."""
    named = chosen.str.extract(_ROW_OF)
    route = matching_ids.by_id(chosen, pd.DataFrame({"lot_id": ids}))
    count = np.bincount(route.pairs[0], minlength=len(chosen))
    lot = np.full(len(chosen), -1, dtype=np.int64)
    one = count[route.pairs[0]] == 1
    lot[route.pairs[0][one]] = route.pairs[1][one]
    place = pd.to_numeric(named[1], errors="coerce").fillna(-1).astype(np.int64).to_numpy()
    inside = (place >= 0) & (place < len(ids)) & (count == 0)
    agrees = inside.copy()
    agrees[inside] = ids.to_numpy(dtype=object)[place[inside]] == named[0].to_numpy(dtype=object)[inside]
    lot[agrees] = place[agrees]
    return lot, count > 1


def _note(candidates: tuple[int, ...], chosen: int) -> str:
    if not candidates:
        return "you chose this lot; the row itself fits none"
    if chosen in candidates:
        return f"you chose this lot among {counted(len(candidates), 'lot')} that the row fits"
    return f"you chose this lot; the row itself fits {counted(len(candidates), 'other lot')}"


def names_of(lot_id: pd.Series) -> NDArray[np.object_]:
    """Return the lots as they are chosen: the id, with the row of the lot where other lots have the id too."""
    ids = lot_id.astype("str").reset_index(drop=True)
    row = pd.Series(ids.index.astype(str), index=ids.index)
    return ids.mask(ids.duplicated(keep=False), ids + " (lot_row " + row + ")").to_numpy(dtype=object)


def open_places(done: ScreenReport) -> NDArray[np.int64]:
    """Return the positions of the rows that the user can decide: without a lot, or with the lot that was chosen."""
    mine = done.ours("matched_by") == BY
    return np.flatnonzero(((done.ours("match_status") != "matched") | mine).to_numpy(bool))


def table(done: ScreenReport, places: NDArray[np.int64]) -> pd.DataFrame:
    """Return rows of a list with the lots that they may mean.

    Columns: `row`, `listed_as`, `status`, `note`, `candidates` (joined by semicolons), `chosen_lot_id`.
    """
    def of(values: pd.Series) -> NDArray[np.object_]:
        return values.astype("str").to_numpy(dtype=object)[places]

    mine = of(done.ours("matched_by")) == BY
    candidates = np.array([" ; ".join(done.candidates[k]) for k in places.tolist()] or [""], dtype=object)
    return pd.DataFrame({
        ROW: done.row[places], LISTED: of(done.rows[done.label]), "status": of(done.ours("match_status")),
        "note": of(done.ours("match_note")), "candidates": candidates[:len(places)],
        CHOSEN: np.where(mine, done.chosen_as[places], "")})
