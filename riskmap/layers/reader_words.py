"""What libraries say while they read files: it is kept off the console and reported as findings where it matters.

A library warns through `warnings` or `logging`, in its own words and with the paths of this machine. Here all of it is
collected while a file is read. Warnings about the file become findings with the file's own name; those for programmers
(about old names or resources) mean nothing to a user and are dropped.
"""

from __future__ import annotations

import logging
import re
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from riskmap.common.errors import visible
from riskmap.common.problems import Problem

LIBRARIES = ("pyogrio", "pyproj", "rasterio", "fiona", "openpyxl", "shapely", "geopandas", "pyarrow")
FOR_PROGRAMMERS = (DeprecationWarning, PendingDeprecationWarning, FutureWarning, ResourceWarning, ImportWarning)
SHOWN_CHARACTERS = 160  # judgement: two lines of a console
_PLACE = re.compile(r"(?<![\w.])(?:[A-Za-z]:)?(?:[\\/][^\\/\s'\":;,{}]+){2,}")
_OURS = str(Path(__file__).resolve().parent.parent)


@contextmanager
def as_findings(path: Path, name: str, problems: list[Problem], code: str, only: str = "") -> Iterator[None]:
    """Collect what libraries say while a file is read, and add each sentence once to `problems`.

    Parameters
    ----------
    path, name
        The file, and its name for messages.
    problems : list of Problem
        The findings are added to it when the block ends without an error; an error says itself what is wrong.
    code : str
        Message code.
    only : str
        Pattern of the sentences that concern the data; others are dropped.
    """
    collected = _Collected()
    loggers = [logging.getLogger(library) for library in LIBRARIES]
    before = [(logger.propagate, logger.handlers) for logger in loggers]
    for logger in loggers:
        logger.propagate, logger.handlers = False, [collected]
    try:
        with warnings.catch_warnings(record=True) as caught:
            # otherwise it would read the first file only
            warnings.filterwarnings("always", module=rf"({'|'.join(LIBRARIES)})(\.|$)")
            yield
    finally:
        for logger, (propagate, handlers) in zip(loggers, before, strict=True):
            logger.propagate, logger.handlers = propagate, handlers
    ours = [each for each in caught if each.filename.startswith(_OURS)]
    for each in ours:  # an error of our own is not hidden
        warnings.warn_explicit(each.message, each.category, each.filename, each.lineno)
    sentences = [str(each.message) for each in caught
                 if each not in ours and not issubclass(each.category, FOR_PROGRAMMERS)]
    touching = [text for text in [*sentences, *collected.texts] if re.search(only, text)]
    for sentence in dict.fromkeys(first_line(text, path, name) for text in touching):
        problems.append(Problem(code, name, rule=f"the library that reads the file says: {sentence}.",
                                remedy="Check that the file was exported whole.", action="It was read all the same."))


class _Collected(logging.Handler):
    def __init__(self) -> None:
        super().__init__(logging.WARNING)
        self.texts: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        self.texts.append(record.getMessage())


def first_line(said: object, path: Path, name: str) -> str:
    """Return the first line of what a library says, with the file's own name in place of paths of this machine."""
    text = next(iter(str(said).strip().splitlines()), "") or type(said).__name__
    for place in sorted({str(path), path.as_posix(), str(path.resolve())}, key=len, reverse=True):
        text = text.replace(f"/vsizip/{{{place}}}", name).replace(f"/vsizip/{place}", name).replace(place, name)
    text = visible(_PLACE.sub(lambda match: re.split(r"[\\/]", match[0])[-1], text)).rstrip(". ")
    return text if len(text) <= SHOWN_CHARACTERS else text[:SHOWN_CHARACTERS - 1] + "…"
