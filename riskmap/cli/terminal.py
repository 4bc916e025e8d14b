"""What reaches the terminal: words and line ends but no control characters, in lines as wide as the window.

Names of areas, soils, files and lots come from others. A control character in them could move the cursor, overwrite
what was printed or rename the window. The guard is on the streams themselves, so that no message and no library's
warning can get past it.

Messages are broken between words at the width of the window (80 columns where it is not known). What goes to a file or
another program is not broken, so that a finding is one line there; a width given as COLUMNS applies everywhere.
"""

from __future__ import annotations

import io
import os
import sys
import textwrap
from collections.abc import Callable, Iterable
from contextlib import redirect_stderr, redirect_stdout
from functools import wraps
from pathlib import Path
from typing import Any, NoReturn

import click

from riskmap.common.errors import visible

WIDTH, LEAST_WIDTH = 80, 40


class Guarded(io.TextIOBase):
    """A text stream that writes control characters, and what its encoding lacks, as escapes such as `\\u001b`.

    Line ends pass unchanged, and so does a carriage return before a text, with which a line of progress is rewritten.
    """

    def __init__(self, stream: Any) -> None:
        """Guard a text stream; everything except writing is passed on to it."""
        self._stream = stream

    def write(self, text: str) -> int:
        """Write a text and return its length."""
        back = "\r" if text.startswith("\r") else ""
        clean = back + "\n".join(visible(line) for line in text[len(back):].split("\n"))
        known = self.encoding or "utf-8"
        self._stream.write(clean.encode(known, "backslashreplace").decode(known))
        return len(text)

    def flush(self) -> None:
        """Pass on what was written."""
        self._stream.flush()

    @property
    def encoding(self) -> str:  # type: ignore[override]
        """Encoding of the stream."""
        return str(getattr(self._stream, "encoding", None) or "utf-8")

    @property
    def errors(self) -> str | None:  # type: ignore[override]
        """Return how the stream writes what its encoding lacks."""
        handling: str | None = getattr(self._stream, "errors", None)
        return handling

    def isatty(self) -> bool:
        """Return whether a person is reading the stream."""
        return bool(self._stream.isatty())

    def fileno(self) -> int:
        """Return the descriptor of the stream."""
        return int(self._stream.fileno())

    def writable(self) -> bool:
        """Return True."""
        return True


def guarded(main: Callable[[], NoReturn]) -> Callable[[], None]:
    """Return `main` with both streams guarded while it runs."""
    @wraps(main)
    def run() -> None:
        with redirect_stdout(Guarded(sys.stdout)), redirect_stderr(Guarded(sys.stderr)):  # type: ignore[type-var]
            main()

    return run


# ---------------------------------------------------------------- messages
class _Line:
    """Whether the cursor is behind a line of progress, which a message must not continue."""

    open = False


def progress_line(text: str, *, end: bool) -> None:
    """Rewrite the line of progress on a terminal; at its end the next text begins a new line."""
    columns = (width(sys.stderr) or WIDTH) - 1  # the last column would break the line in some windows
    click.echo(f"\r{text[:columns]:<{columns}}", err=True, nl=end)
    _Line.open = not end


def width(stream: Any) -> int | None:
    """Return the columns at which messages to a stream are broken; None where they are not."""
    told = os.environ.get("COLUMNS", "")
    if told.isdigit() and int(told):
        return max(int(told), LEAST_WIDTH)
    try:
        if not stream.isatty():
            return None
        columns = os.get_terminal_size(stream.fileno()).columns
    except (AttributeError, OSError, ValueError):
        columns = 0
    return max(columns or WIDTH, LEAST_WIDTH)


def say(text: str, *, err: bool = True) -> None:
    """Print a message, each of its lines broken at the width of the window; to stderr unless `err` is False."""
    if _Line.open:
        click.echo("", err=True)
        _Line.open = False
    columns = width(sys.stderr if err else sys.stdout)
    click.echo("\n".join(wrapped(line, columns) for line in text.split("\n")), err=err)


def show_files(files: Iterable[Path]) -> None:
    """Print the paths of files, one per line; on a terminal as seen from the current folder where they are in it."""
    here = Path.cwd()
    for path in files:
        near = sys.stdout.isatty() and path.is_absolute() and path.is_relative_to(here)
        click.echo((path.relative_to(here) if near else path).as_posix())


def wrapped(line: str, columns: int | None = WIDTH) -> str:
    """Return a line broken between words into lines of at most this many columns; all but the first are indented."""
    if columns is None or len(line) <= columns:
        return line
    indent = " " * (len(line) - len(line.lstrip()))
    return "\n".join(textwrap.wrap(line.strip(), columns, initial_indent=indent, subsequent_indent=indent + "  ",
                                   break_long_words=False, break_on_hyphens=False))
