"""What the user says about columns of the lot file and about cells of the weather: it goes before what was guessed."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import replace

from riskmap.common.errors import joined
from riskmap.run.new_area.choice import NAME_ID, NO_ID, Choice, order_of
from riskmap.run.new_area.guesses import Guess, Missing
from riskmap.run.new_area.weather_cells import WHICH_CELL, how_to_name

SECTION, REASON, NOT_USED = "lots.columns", "as you said", "no column is used for it, as you said"


def apply(choice: Choice, columns: Mapping[str, str]) -> None:
    """Write the columns that the user named, in place of what was guessed for them.

    Parameters
    ----------
    choice : Choice
        It is changed.
    columns : mapping
        Our name -> column of the lot file; empty text: no column is used for it, whatever was guessed. Names that do
        not exist are reported by `check`, which reads the area file afterwards.
    """
    theirs = {json.dumps(name, ensure_ascii=False) for name in columns.values() if name}
    kept = [guess for guess in choice.guesses
            if guess.section != SECTION or not (guess.key in columns or guess.value in theirs)]
    choice.guesses[:] = [*kept, *(Guess(SECTION, ours, json.dumps(name, ensure_ascii=False),
                                        REASON if name else NOT_USED)
                                  for ours, name in columns.items())]
    choice.guesses.sort(key=lambda guess: order_of(guess.section))  # stable: lines of a section stay in their order
    if "lot_id" in columns:
        choice.missing[:] = [one for one in choice.missing if one.what != NO_ID]
        if not columns["lot_id"]:
            choice.missing.append(Missing(NO_ID, NAME_ID))


def name_cells(choice: Choice, cells: Sequence[str]) -> None:
    """Write the cells of the weather in which the lots lie, as the user says.

    A name that answers no open question is written as a comment: it is not in the record, or the outlines of the cells
    say in which each lot lies.

    Parameters
    ----------
    choice : Choice
        It is changed.
    cells : sequence of str
        Names of cells; the months beside days may need another than the days.
    """
    unused = dict.fromkeys(cells)
    for key in dict.fromkeys(one.key for one in choice.cells):
        names = {one.name for one in choice.cells if one.key == key}
        said = [name for name in dict.fromkeys(cells) if name in names]
        if len(said) != 1:
            continue
        unused.pop(said[0], None)
        choice.guesses[:] = [replace(guess, value=json.dumps(said[0], ensure_ascii=False), reason=REASON, sure=True,
                                     written=True)
                             if (guess.section, guess.key) == ("climate", key) else guess for guess in choice.guesses]
        choice.missing[:] = [one for one in choice.missing
                             if (one.what, one.remedy) != (WHICH_CELL, how_to_name(key))]
    for name in unused:
        asked = joined(sorted({one.name for one in choice.cells}), 12)
        reason = f"it is not the one answer among {asked}" if choice.cells else "no cell has to be named"
        choice.line("climate", "cell", name, f"not taken, although you said it: {reason}", written=False)
    choice.guesses.sort(key=lambda guess: order_of(guess.section))
