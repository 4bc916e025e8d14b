"""What reaches the terminal: words and line ends but no control characters, whoever wrote the text.

Names of areas, soils, files and lots come from others. A control character in them could move the cursor, overwrite
what was printed or rename the window. The guard is on the streams themselves, so that no message and no library's
warning can get past it.
"""

from __future__ import annotations

import io
import sys
import textwrap
from collections.abc import Callable
from contextlib import redirect_stderr, redirect_stdout
from functools import wraps
from typing import Any, NoReturn

from riskmap.common.errors import visible

WIDTH = 80


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


def wrapped(line: str) -> str:
    """Return a line broken between words into lines of at most 80 columns; all but the first are indented."""
    indent = " " * (len(line) - len(line.lstrip()))
    return "\n".join(textwrap.wrap(line.strip(), WIDTH, initial_indent=indent, subsequent_indent=indent + "  ",
                                   break_long_words=False, break_on_hyphens=False))
