"""Dates as a page writes them: October 2013, 28 October 2025, and 1961 for January to December 1961.

A text that is not a date is returned as it is, with invisible characters written out: it may come from a file.
"""

from __future__ import annotations

import re

from riskmap.common.errors import visible
from riskmap.outputs import telling

_MONTH = re.compile(r"(\d{4})-(0[1-9]|1[0-2])")
_DAY = re.compile(r"(\d{4})-(0[1-9]|1[0-2])-(0[1-9]|[12]\d|3[01])")
_EITHER = re.compile(rf"(?<![\d-])(?:{_DAY.pattern}|{_MONTH.pattern})(?![\d-])")


def month(text: str) -> str:
    """Return a month such as 2013-10 in words: October 2013."""
    return telling.month_name(text) if _MONTH.fullmatch(text) else visible(text)


def day(text: str) -> str:
    """Return a day such as 2025-10-28 in words: 28 October 2025."""
    return f"{int(text[8:])} {telling.month_name(text)}" if _DAY.fullmatch(text) else visible(text)


def span(first: str, last: str) -> str:
    """Return two months and all between them: one month, whole years as years, or both months in words."""
    if first == last:
        return month(first)
    if not (_MONTH.fullmatch(first) and _MONTH.fullmatch(last)):
        return f"{month(first)} to {month(last)}"
    if first[5:] == "01" and last[5:] == "12":
        return first[:4] if first[:4] == last[:4] else f"{first[:4]} to {last[:4]}"
    return f"{month(first)} to {month(last)}"


def written_out(text: str) -> str:
    """Return a sentence of ours with every month and day in it in words."""
    return _EITHER.sub(lambda found: (day if len(found[0]) > 7 else month)(found[0]), text)
