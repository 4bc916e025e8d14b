"""Months as whole numbers, `12 * year + month - 1`, and as text."""

from __future__ import annotations

NAMES = ("January", "February", "March", "April", "May", "June", "July", "August", "September", "October", "November",
         "December")


def month_number(year: int, month: int) -> int:
    """Return the month number of a calendar month (month 1-12)."""
    return 12 * year + month - 1


def month_name(number: int) -> str:
    """Return `YYYY-MM` for a month number."""
    return f"{number // 12:04d}-{number % 12 + 1:02d}"


def parse_month(value: str) -> int:
    """Return the month number of `YYYY-MM`; ValueError when it is not one."""
    year, _, month = value.partition("-")
    if len(year) != 4 or len(month) != 2 or not 1 <= int(month) <= 12:
        raise ValueError(f"{value!r} is not a month; use YYYY-MM")
    return month_number(int(year), int(month))


def in_words(first: int, last: int | None = None) -> str:
    """Return a month or a span of months in words: `July 2018`, `May to July 2018`, `November 2018 to January 2019`."""
    def name(number: int) -> str:
        return NAMES[number % 12]

    if last is None or last == first:
        return f"{name(first)} {first // 12}"
    if first // 12 == last // 12:
        return f"{name(first)} {'and' if last == first + 1 else 'to'} {name(last)} {last // 12}"
    return f"{name(first)} {first // 12} to {name(last)} {last // 12}"


def next_12_months(today: str) -> tuple[str, str]:
    """Return the first and the last month, YYYY-MM, of the twelve months after the present one."""
    now = parse_month(today)
    return month_name(now + 1), month_name(now + 12)
