"""The text of an area file: every line with its reason, and what is missing with the way to get it."""

from __future__ import annotations

import os
import textwrap
from collections.abc import Sequence
from itertools import groupby
from pathlib import Path

from riskmap.common.errors import RunFolderError, visible
from riskmap.run.new_area.choice import Choice
from riskmap.run.new_area.guesses import Guess, Left

SECTIONS = ("area", "lots", "lots.columns", "soil", "climate", "drought")
MOST_LISTED = 40  # judgement: files that are not used; nobody reads more
_HEAD = ("Written by `riskmap new` from your files. Each line that was guessed has its reason behind it; change "
         "what is wrong. Paths are relative to this file. All keys are listed in layers/README.md.")


def text_of(choice: Choice) -> str:
    """Return the area file."""
    out = [f"# {line}" for line in textwrap.wrap(_HEAD, 100)]
    for section in SECTIONS:
        lines = [guess for guess in choice.guesses if guess.section == section]
        if lines:
            header = f"[{section}]"
            out += ["", header if any(guess.written for guess in lines) else f"# {header}", *map(_line, lines)]
    index = [guess for guess in choice.guesses if guess.section == "index"]
    for _, grid in groupby(index, key=_Counter()):
        out += ["", "[[index]]", *map(_line, grid)]
    for missing in choice.missing:
        begin = "Missing" if missing.needed else "Not given"
        out += ["", *(f"# {line}" for line in textwrap.wrap(f"{begin}: {visible(str(missing))}", 100,
                                                             break_long_words=False, break_on_hyphens=False))]
    delivered = [left for left in choice.left if not left.ours]  # the same files give the same text after a run
    if delivered:
        out += ["", "# Files that are not used:", *(f"# - {visible(line)}" for line in listed(delivered))]
    return "\n".join(out) + "\n"


def listed(left: Sequence[Left]) -> list[str]:
    """Return files that are not used as lines, at most `MOST_LISTED` of them."""
    more = [f"... and {len(left) - MOST_LISTED:,} more"] if len(left) > MOST_LISTED else []
    return [*map(str, left[:MOST_LISTED]), *more]


class _Counter:
    """Numbers the grids: each begins with its path."""

    def __init__(self) -> None:
        self.number = 0

    def __call__(self, guess: Guess) -> int:
        self.number += guess.key == "path"
        return self.number


def _line(guess: Guess) -> str:
    reason = f"  # {visible(guess.reason)}" if guess.reason else ""
    return f"{'' if guess.written else '# '}{guess.key} = {guess.value}{reason}"


def write(text: str, path: Path, replace: bool) -> bool:
    """Write an area file, complete or not at all; return whether it took the place of another one.

    Raises
    ------
    RunFolderError
        When another area file is there and `replace` is False, or the folder cannot be written.
    """
    content = text.encode("utf-8")
    try:
        if path.is_file() and path.read_bytes() == content:
            return False
        there = path.exists()
        if there and not replace:
            raise RunFolderError(f"E-NEW-008 {path.as_posix()}: this file is there already, and it is not overwritten. "
                                 f"To use it: riskmap estimate {path.as_posix()}. To write another one: --into another "
                                 "folder, or riskmap new --replace.")
        path.parent.mkdir(parents=True, exist_ok=True)
        half = path.with_name(f".{path.name}.{os.getpid()}")
        half.write_bytes(content)
        half.replace(path)
        return there
    except OSError as error:
        raise RunFolderError(f"E-NEW-009 {path.as_posix()}: the area file cannot be written: {error.strerror}. Check "
                             "the folder and your rights, or name another one with --into.") from None
