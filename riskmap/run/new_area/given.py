"""What the user says about columns of the lot file: it takes the place of what was guessed."""

from __future__ import annotations

import json
from collections.abc import Mapping

from riskmap.run.new_area.choice import NAME_ID, NO_ID, Choice, order_of
from riskmap.run.new_area.guesses import Guess, Missing

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
