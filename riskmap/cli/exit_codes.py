"""How the program ends: exit codes, what it says when it is stopped, and consoles that cannot show what is printed.

Progress and findings go to stderr, paths and data to stdout.
"""

from __future__ import annotations

import io
import os
import signal
import sys
import threading
import warnings
from collections.abc import Callable, Iterator
from contextlib import suppress
from enum import IntEnum
from types import FrameType
from typing import Any, NoReturn

import click

from riskmap.cli.terminal import Guarded, say
from riskmap.common.errors import RiskmapError


class Exit(IntEnum):
    """All exit codes. From 128 on, a code is 128 plus the number of the signal, as in shells."""

    ALL_ANSWERED = 0
    SOME_STATES = 1
    REFUSED = 2
    FAULT = 3
    LOST = 4
    STOPPED = 130
    ENDED = 143


MEANING = {
    Exit.ALL_ANSWERED: "The command did its work.",
    Exit.SOME_STATES: "It did its work, and something needs a look, such as lots without an\n"
                      "estimate. Each command's help says what.",
    Exit.REFUSED: "It refused: the message says what is wrong and what to do.",
    Exit.FAULT: "A fault of riskmap itself. Please report it.",
    Exit.LOST: "It did its work, but what it printed could not be written: the reader\n"
               "had closed the pipe, or the disk is full. Files it made are whole.",
    Exit.STOPPED: "It was stopped with Ctrl-C.",
    Exit.ENDED: "It was ended by another program (SIGTERM).",
}


def help_text() -> str:
    """Return the list of exit codes for `riskmap --help`."""
    lines = ["\b", "Exit codes:"]
    for code, meaning in MEANING.items():
        first, *more = meaning.split("\n")
        lines += [f"  {code:<3d}  {first}", *(f"       {line}" for line in more)]
    return "\n".join(lines)


# ---------------------------------------------------------------- consoles
class _Sink(io.FileIO):
    """The end of a standard stream. It remembers the first failure and drops what follows."""

    failed: OSError | None = None

    def write(self, content: Any) -> int:
        """Write bytes, or drop them."""
        if self.failed is None:
            try:
                return super().write(content)
            except OSError as error:
                self.failed = error
        return len(memoryview(content).cast("B"))


def _guarded(stream: Any) -> tuple[Any, _Sink | None]:
    """Return a stream that never raises and writes escapes for what its encoding lacks, and its end.

    A stream of another kind (a notebook, a console of Windows) keeps its own end.
    """
    if not isinstance(stream, io.TextIOWrapper):
        return stream, None
    raw = getattr(stream.buffer, "raw", stream.buffer)
    if type(raw) is not io.FileIO:
        stream.reconfigure(errors="backslashreplace")
        return stream, None
    stream.flush()
    sink = _Sink(raw.fileno(), "w", closefd=False)
    return io.TextIOWrapper(io.BufferedWriter(sink), encoding=stream.encoding, errors="backslashreplace",
                            newline="\n" if os.name != "nt" else None, line_buffering=stream.line_buffering,
                            write_through=True), sink


def _fill_closed() -> None:
    """Open the null device where a standard stream is closed, because the next opened file would take its place."""
    for descriptor in (0, 1, 2):
        try:
            os.fstat(descriptor)
        except OSError:
            os.open(os.devnull, os.O_RDWR)


# ---------------------------------------------------------------- signals
class _Stop:
    """Turns Ctrl-C and SIGTERM into KeyboardInterrupt and remembers it: a library may turn it into another error."""

    number = 0

    def listen(self) -> None:
        """Handle the signals that the program was not started to ignore."""
        if threading.current_thread() is not threading.main_thread():
            return
        for number in (signal.SIGINT, signal.SIGTERM):
            if signal.getsignal(number) is not signal.SIG_IGN:
                signal.signal(number, self._heard)
        usual = sys.unraisablehook

        def unraisable(what: Any) -> None:
            if not isinstance(what.exc_value, KeyboardInterrupt):  # it came at a point where nothing can be raised
                usual(what)

        sys.unraisablehook = unraisable

    def _heard(self, number: int, frame: FrameType | None) -> NoReturn:
        self.number = number
        raise KeyboardInterrupt

    def deaf(self) -> None:
        """Ignore all further signals, because the program is at its end."""
        for number in (signal.SIGINT, signal.SIGTERM):
            with suppress(ValueError):
                signal.signal(number, signal.SIG_IGN)


stop = _Stop()


def check_stopped() -> None:
    """Raise KeyboardInterrupt when Ctrl-C was pressed and a library did not pass it on."""
    if stop.number:
        raise KeyboardInterrupt


def _chain(error: BaseException | None) -> Iterator[BaseException]:
    chain: set[int] = set()
    while error is not None and id(error) not in chain:
        chain.add(id(error))
        yield error
        error = error.__cause__ or error.__context__


def _said_of(error: BaseException) -> str:
    """Return what the commands noted about stored work, in the order of the notes."""
    notes = dict.fromkeys(note for one in _chain(error) for note in getattr(one, "__notes__", ()))
    return " ".join(["Stopped.", *notes])


def _own_warnings_in_one_line() -> None:
    """Print warnings of this package without the place in the code; warnings of libraries keep it."""
    usual = warnings.showwarning

    def show(message: Warning | str, category: type[Warning], filename: str, lineno: int, file: Any = None,
             line: str | None = None) -> None:
        if category.__module__.startswith("riskmap."):
            say(str(message))
        else:
            usual(message, category, filename, lineno, file, line)

    warnings.showwarning = show


# ---------------------------------------------------------------- the end
def run_to_end(command: Callable[[], object]) -> NoReturn:
    """Run a command line and end the process with its exit code. Known errors become one message.

    Parameters
    ----------
    command : callable
        It ends with SystemExit, with an error, or not at all.
    """
    _fill_closed()
    _own_warnings_in_one_line()
    sys.stdout, out = _guarded(sys.stdout)
    sys.stderr, _ = _guarded(sys.stderr)
    sys.stdout, sys.stderr = (stream and Guarded(stream) for stream in (sys.stdout, sys.stderr))  # None when closed
    stop.listen()
    code = _code(command)
    with suppress(OSError, ValueError, AttributeError):  # AttributeError: the stream was closed from the start
        sys.stdout.flush()
    if out is not None and out.failed is not None and code in (Exit.ALL_ANSWERED, Exit.SOME_STATES):
        say(f"What was printed could not be written: {out.failed.strerror}. Files that the command made are whole.")
        code = Exit.LOST
    if code in (Exit.STOPPED, Exit.ENDED):
        with suppress(OSError, ValueError, AttributeError):
            sys.stderr.flush()
        os._exit(code)  # otherwise the program would wait for a thread that is inside compiled code
    sys.exit(code)


def _code(command: Callable[[], object]) -> int:
    try:
        command()
        return Exit.ALL_ANSWERED
    except SystemExit as end:
        return end.code if isinstance(end.code, int) else Exit.ALL_ANSWERED if end.code is None else Exit.FAULT
    except BaseException as error:
        if stop.number or isinstance(error, KeyboardInterrupt | click.exceptions.Abort):
            stop.deaf()
            say(_said_of(error))
            return 128 + (stop.number or signal.SIGINT)
        if isinstance(error, click.ClickException):
            told = io.StringIO()
            error.show(told)
            say(told.getvalue().rstrip("\n"))
            return Exit.REFUSED
        if isinstance(error, RiskmapError):
            say(str(error))
            return Exit.REFUSED
        if os.environ.get("RISKMAP_TRACE"):
            raise
        say(f"Internal fault: {type(error).__name__}: {error}. Set RISKMAP_TRACE=1 to see where, and report it.")
        return Exit.FAULT
