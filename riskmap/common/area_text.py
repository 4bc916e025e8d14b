"""The text of an area file, read as TOML. Every way in which it can fail to be an area file has its own sentence."""

from __future__ import annotations

import re
import tomllib
from typing import Any

from riskmap.common.errors import SettingsError, visible

# judgement: an area file has some thousand characters; with the latitudes of all US counties 100,000
LARGEST_BYTES = 1_000_000
DEEPEST = 50  # judgement: parts of one dotted key; an area file needs three
_DEEP_KEY = re.compile(rf"""(?<![\w"'-])(?:[\w"'-]+[ \t]*\.[ \t]*){{{DEEPEST}}}""", re.ASCII)
_TABLE = re.compile(r"[^=\[\]#\"']*[,;\t][^=\[\]#]*")  # what a first line of a CSV looks like
_SEE = "See layers/example/area.toml."
_KINDS = ((b"PK\x03\x04", "a zip archive or a workbook (XLSX)"), (b"\x1f\x8b", "a gzip archive"),
          (b"SQLite format 3\x00", "a GeoPackage or SQLite database"), (b"PAR1", "a Parquet file"),
          (b"%PDF", "a PDF"), (b"\xd0\xcf\x11\xe0", "an old workbook (XLS)"), (b"{", "JSON"), (b"<", "XML or HTML"))
_WIDE = ((b"\xff\xfe", "UTF-16"), (b"\xfe\xff", "UTF-16"))


def parsed(data: bytes, name: str) -> dict[str, Any]:
    """Return the content of an area file.

    Parameters
    ----------
    data : bytes
        The whole file.
    name : str
        Its name, for messages.

    Raises
    ------
    SettingsError
        When the bytes are not UTF-8 text (E-SET-031) or the text is not TOML (E-SET-032).
    """
    text = _decoded(data, name)
    try:
        if _DEEP_KEY.search(text):
            raise RecursionError
        return tomllib.loads(text)
    except RecursionError:
        raise SettingsError(f"E-SET-032 {name}: brackets or dotted keys are nested far deeper than an area file needs. "
                            f"{_SEE}") from None
    except ValueError as error:  # this also covers a number or a date that Python cannot represent
        raise SettingsError(f"E-SET-032 {name}: cannot be read as TOML: {visible(str(error))}. "
                            f"{_hint(str(error), text, name)}{_SEE}") from None


def _decoded(data: bytes, name: str) -> str:
    def no(what: str) -> SettingsError:
        return SettingsError(f"E-SET-031 {name}: {what} {_SEE}")

    begin = data[:100].lstrip()
    if kind := next((kind for mark, kind in _KINDS if begin.startswith(mark)), ""):
        raise no(f"this is {kind}, and an area file is a text in TOML that names your files. "
                 + _instead(kind, name))
    if kind := next((kind for mark, kind in _WIDE if data.startswith(mark)), ""):
        raise no(f"the text is saved as {kind}: save it as UTF-8.")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data[:error.start].count(b"\n") + 1
        raise no(f"the text is not UTF-8 in line {line}: save it as UTF-8.") from None
    if "\x00" in text:
        line = text[:text.index("\x00")].count("\n") + 1
        raise no(f"line {line} contains a NUL character: the file is damaged, or its text is saved as UTF-16. Save it "
                 "as UTF-8.")
    return text.replace("\r\n", "\n")


def _instead(kind: str, name: str) -> str:
    """Return what to do with a file of data that was given where an area file is expected."""
    if kind == "a PDF":
        return "`riskmap new` writes one from files of lots, soil and weather."
    if name.lower().endswith((".xls", ".xlsm")):
        return "Save the table of lots as .xlsx; `riskmap new` writes an area file from it."
    return f"`riskmap new {name}` writes one from it."


def _hint(error: str, text: str, name: str) -> str:
    """Return what to do about an error of the TOML reader, as far as it is known."""
    at = re.search(r"at line (\d+)", error)
    line = text.split("\n")[int(at[1]) - 1] if at else ""
    if name.lower().endswith((".csv", ".tsv", ".txt")) or _TABLE.fullmatch(text.lstrip().partition("\n")[0]):
        return ("This looks like a table: name it under `path` in an area file. "
                f"`riskmap new {name}` writes one from it. ")
    if any(word in error.lower() for word in ("overwrite", "twice", "duplicate")):
        return "A key or a section is given twice: keep one of them. "
    if "\\" in line and any(word in error for word in ("Unescaped", "hex")):
        return "Write paths with / or in single quotes, as in path = 'C:\\data\\lots.gpkg'. "
    if any(mark in line for mark in "\u201c\u201d\u2018\u2019"):
        return "Use straight quotes. "
    if "=" in line and any(word in error for word in ("Invalid value", "Expected newline")):
        return "Put texts, paths and dates in quotes. "
    return ""
