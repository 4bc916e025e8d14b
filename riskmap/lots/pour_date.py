"""Pour dates: from what people write to the range of months in which the slab was poured.

A date that is not certain remains a range. Nothing is guessed: what cannot be read is reported and treated as unknown.
"""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from riskmap.common.month_numbers import month_number

FIRST_YEAR = 1850  # judgement: anything earlier is older than slab-on-ground building, a typing error or a code
YEARS_AHEAD = 10  # judgement: a plan further ahead than this is a code such as 9999
NO_YEAR = "0 means that the year is not known."  # as county files write it
FORMS = "Use YYYY, YYYY-MM, YYYY-MM-DD or a range such as 1985/1988, or leave it empty."

# Months between the recorded event and the pour, (earliest, latest). Judgement, no source found: the permit comes
# before the slab, the certificate of occupancy after it, a plat well before. Any such lag turns the date into a range.
EVENT_LAG_MONTHS: dict[str, tuple[int, int]] = {
    "slab inspection": (0, 0),
    "pour": (0, 0),
    "year built": (0, 0),
    "building permit": (0, 6),
    "certificate of occupancy": (-12, -2),
    "plat": (3, 120),
}

_POINT = re.compile(r"(\d{4})(?:\.0+|-(\d{2})(?:-(\d{2})(?:[T ]00:00(?::00(?:\.0+)?)?Z?)?)?)?", re.ASCII)
_ZERO = re.compile(r"0+(\.0+)?", re.ASCII)
_NOTHING = {"", "none", "null", "nan", "na", "n/a", "unknown", "-"}


@dataclass(frozen=True)
class PourWindow:
    """Pour months of every row; all arrays have one entry per row.

    `early` and `late` are month numbers (inclusive), `basis` is date, month, year, range or none. `refused` contains,
    per column name, the rule that a value broke (empty text when it was read). `clipped` marks ranges that reached into
    this month or later and were cut.
    """

    early: NDArray[np.int64]
    late: NDArray[np.int64]
    basis: NDArray[np.object_]
    clipped: NDArray[np.bool_]
    refused: dict[str, NDArray[np.object_]]


def read_point(text: str, last_year: int) -> tuple[int, int, str, str]:
    """Read one year, month or date: (first month, last month, basis, broken rule)."""
    if _ZERO.fullmatch(text):
        return 0, 0, "none", NO_YEAR
    match = _POINT.fullmatch(text)
    if match is None:
        return 0, 0, "none", _why_not(text)
    year, month, day = int(match[1]), match[2], match[3]
    if not FIRST_YEAR <= year <= last_year:
        return 0, 0, "none", f"the year is not between {FIRST_YEAR} and {last_year}."
    if month is None:
        return month_number(year, 1), month_number(year, 12), "year", ""
    try:
        dt.date(year, int(month), int(day or 1))
    except ValueError:
        return 0, 0, "none", "there is no such day in the calendar."
    only = month_number(year, int(month))
    return only, only, "date" if day else "month", ""


def read_text(text: str, last_year: int) -> tuple[int, int, str, str]:
    """Read one value, which may be a range `A/B`: (first month, last month, basis, broken rule).

    Empty text gives the basis `none`.
    """
    text = text.strip()
    if text.lower() in _NOTHING:
        return 0, 0, "none", ""
    first, slash, second = text.partition("/")
    if not slash or "/" in second:
        return read_point(text, last_year)
    early, late = read_point(first.strip(), last_year), read_point(second.strip(), last_year)
    rule = early[3] or late[3]
    if not rule and early[0] > late[1]:
        rule = "the range ends before it begins."
    return (0, 0, "none", rule) if rule else (early[0], late[1], "range", "")


def windows(frame: pd.DataFrame, unknown_earliest: int, today: int) -> PourWindow:
    """Return the months between which each slab was poured.

    Parameters
    ----------
    frame : DataFrame
        Text columns pour_date, pour_date_early, pour_date_late, pour_date_basis; a missing column counts as empty.
    unknown_earliest : int
        A slab of unknown age may have been poured from January of this year on.
    today : int
        Number of the present month; existing slabs were poured before it.

    Notes
    -----
    A given early or late date states the range and takes precedence over `pour_date`. If only one of the two is given,
    the range extends to `unknown_earliest` or to last month. A range that begins this month or later is not cut.
    """
    last_year = today // 12 + YEARS_AHEAD
    dates = {name: _read_column(frame, name, last_year) for name in ("pour_date", "pour_date_early", "pour_date_late")}
    refused = {name: column[3] for name, column in dates.items()}
    first, last, basis, _ = dates["pour_date"]
    low, _, low_basis, _ = dates["pour_date_early"]
    _, high, high_basis, _ = dates["pour_date_late"]
    has_low, has_high = low_basis != "none", high_basis != "none"
    unknown_first, unknown_last = month_number(unknown_earliest, 1), today - 1
    ranged = has_low | has_high
    range_low = np.where(has_low, low, np.minimum(unknown_first, high))
    range_high = np.where(has_high, high, np.maximum(unknown_last, low))
    crossed = ranged & (range_low > range_high)
    refused["pour_date_late"] = np.where(crossed, "the latest date is before the earliest date.",
                                         refused["pour_date_late"])
    ranged &= ~crossed
    early, late = np.where(ranged, range_low, first), np.where(ranged, range_high, last)
    basis = np.where(ranged, "range", basis)

    lag_low, lag_high, lag_rule = _lags(frame)
    refused["pour_date_basis"] = np.where(basis != "none", lag_rule, "")
    basis = np.where(lag_rule == _EFFECTIVE, "none", basis)
    basis = np.where((basis != "none") & ((lag_low != 0) | (lag_high != 0)), "range", basis)
    unknown = basis == "none"
    early = np.where(unknown, unknown_first, early + lag_low)
    late = np.where(unknown, unknown_last, late + lag_high)
    clipped = ~unknown & (early < today) & (late >= today)
    late = np.where(clipped, unknown_last, late)
    return PourWindow(np.minimum(early, late).astype(np.int64), late.astype(np.int64), basis, clipped, refused)


_EFFECTIVE = ("an effective year is an appraiser's judgement of condition, not the year of the pour. "
              "Give the year built or the permit date, or leave it empty.")


def _why_not(text: str) -> str:
    if text.startswith(("~", "c.", "ca", "about")):
        return "this is too vague; write a range such as 1958/1962."
    if re.fullmatch(r"\d{1,2}[/.-]\d{1,2}[/.-]\d{2,4}", text, re.ASCII):
        return "the order of day and month is not known."
    return "this is not a date."


def _read_column(frame: pd.DataFrame, name: str, last_year: int) -> tuple[NDArray, NDArray, NDArray, NDArray]:
    """Read a text column by its distinct values. Return first month, last month, basis and broken rule of every row."""
    codes, distinct = _distinct(frame, name)
    readings = [read_text(text, last_year) for text in distinct]
    first = np.array([f[0] for f in readings], dtype=np.int64)
    last = np.array([f[1] for f in readings], dtype=np.int64)
    basis = np.array([f[2] for f in readings], dtype=object)
    rule = np.array([f[3] for f in readings], dtype=object)
    return first[codes], last[codes], basis[codes], rule[codes]


def _lags(frame: pd.DataFrame) -> tuple[NDArray, NDArray, NDArray]:
    """Return the earliest and latest lag and the broken rule of each row's `pour_date_basis`."""
    codes, distinct = _distinct(frame, "pour_date_basis")
    lags = [_lag(text) for text in distinct]
    low, high = (np.array([f[i] for f in lags], dtype=np.int64) for i in (0, 1))
    return low[codes], high[codes], np.array([f[2] for f in lags], dtype=object)[codes]


def _lag(text: str) -> tuple[int, int, str]:
    words = re.sub(r"[\s_-]+", " ", text.strip().lower())
    if words in _NOTHING or words in {"date", "month", "year", "range"}:
        return 0, 0, ""
    if words.startswith("eff"):
        return 0, 0, _EFFECTIVE
    short = {"permit": "building permit", "occupancy": "certificate of occupancy", "co": "certificate of occupancy",
             "plat date": "plat", "inspection": "slab inspection", "slab inspection record": "slab inspection"}
    lag = EVENT_LAG_MONTHS.get(short.get(words, words))
    if lag is None:
        return 0, 0, f"the basis is not known; known ones: {', '.join(EVENT_LAG_MONTHS)}. The date is used as given."
    return *lag, ""


def _distinct(frame: pd.DataFrame, name: str) -> tuple[NDArray[np.int64], list[str]]:
    """Return the code of each row and the distinct texts; a missing column or value is empty text."""
    if name not in frame:
        return np.zeros(len(frame), dtype=np.int64), [""]
    codes, distinct = pd.factorize(frame[name].astype("string").fillna(""))
    return codes.astype(np.int64), [str(text) for text in distinct] or [""]
