"""What can go wrong, and how it is reported.

Two kinds of trouble are kept apart. A `Problem` is a finding about one file, row or value: it is collected and reported
with all the others, and never stops the run by itself. A `RiskmapError` stops the run, because going on would give a
wrong answer (no coordinate reference system, a missing table).
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from difflib import SequenceMatcher
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from riskmap.common.problems import Problem

_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f\u00ad\u200b-\u200f\u2028-\u202e\u2060\u2066-\u2069\ufeff]")
SHOWN_CHARACTERS = 40
SAID_CHARACTERS = 200  # length of what another library says: a sentence with its row number (judgement)


def visible(text: str) -> str:
    """Return text with control, zero-width and direction characters written out."""
    return _CONTROL.sub(lambda m: f"\\u{ord(m.group()):04x}", text)


def shown(value: object) -> str:
    """Return `value` as short text with control and direction characters made visible."""
    text = visible(str(value))
    return text if len(text) <= SHOWN_CHARACTERS else text[: SHOWN_CHARACTERS - 1] + "…"


def said_by(error: BaseException, lines_before: int = 0) -> str:
    """Return what another library says of a file in one line, with its whole row number and without a full stop.

    `lines_before` is added to that number, for a parser that got a file without its first lines.
    """
    text = " ".join(visible(line) for line in str(error).split("\n") if line.strip())
    text = re.sub(r"^Error tokenizing data\. (?:C error: )?", "", text).rstrip(". ")
    text = re.sub(r"(?<=in line )\d+", lambda number: str(int(number.group()) + lines_before), text)
    return (text if len(text) <= SAID_CHARACTERS else text[: SAID_CHARACTERS - 1] + "…") or type(error).__name__


def counted(count: int, one: str, many: str = "") -> str:
    """Return `1 lot` or `3,200 lots`; `many` is the plural where it is not the word with an s."""
    return f"{count:,} {one if count == 1 else many or one + 's'}"


class RiskmapError(Exception):
    """Base of every error that riskmap raises on purpose."""


class LayerError(RiskmapError):
    """An input layer cannot be used as it is.

    Attributes
    ----------
    problems : list of Problem
        What was found in the layer before it was refused; it is reported with the refusal.
    """

    def __init__(self, *message: object, problems: Iterable[Problem] = ()) -> None:
        """Take the message, and the findings that would be lost with the layer otherwise."""
        super().__init__(*message)
        self.problems = list(problems)


class TableError(RiskmapError):
    """A table between two stages broke its contract in `tables.py`."""


class SettingsError(RiskmapError):
    """The area file or a setting in it is wrong."""


class WorkerError(RiskmapError):
    """Workers are not available, or stopped too often."""


class RunFolderError(RiskmapError):
    """The run folder could not be written completely."""


class CodeError(RiskmapError):
    """A message code that was asked for does not exist."""


def closest(wanted: str, names: Iterable[str]) -> list[str]:
    """Return names by their similarity to `wanted`, the nearest first. Capitals do not matter; equals stay in order."""
    return sorted(names, key=lambda name: -SequenceMatcher(None, wanted.lower(), name.lower()).ratio())


def joined(items: Iterable[object], limit: int = 8) -> str:
    """Return items as `a, b, c and 5 more`, each shortened for display."""
    listed = [shown(item) for item in items]
    more = len(listed) - limit
    return ", ".join(listed[:limit]) + (f" and {more} more" if more > 0 else "")
