"""Lengths as people write them: 1.4, 1 3/8, 1⅜", 12'6 1/2", 35 mm, 0.2 m."""

from __future__ import annotations

import math
import re
import unicodedata

from riskmap.common.units import M_PER_FOOT, MM_PER_INCH

MM_PER_UNIT = {"in": MM_PER_INCH, "ft": 1000 * M_PER_FOOT, "mm": 1.0, "cm": 10.0, "m": 1000.0}
LONGEST_TEXT = 40
_QUOTES = str.maketrans({"’": "'", "′": "'", "”": '"', "″": '"', "“": '"', "−": "-", "–": "-", "\u2044": "/",
                         "\u00a0": " ", "\u2009": " ", "\u202f": " "})
_PART = r"(?:\d{1,9}(?:\.\d{0,9})?|\.\d{1,9})"
_MIXED = rf"(?:(\d{{1,9}})[ -]+)?(\d{{1,4}})/(\d{{1,4}})|({_PART})"
_VALUE = re.compile(rf"([+-]?) ?(?:{_MIXED}) ?(in|ft|mm|cm|m|\"|')?\.?", re.ASCII)
_FEET = re.compile(rf"([+-]?) ?(\d{{1,5}}) ?(?:'|ft) ?-? ?(?:(?:{_MIXED}) ?(?:\"|in)?)?", re.ASCII)


def parse_mm(value: object, unit: str) -> float:
    """Return millimetres.

    Parameters
    ----------
    value : object
        A number, or a text with a decimal point, a whole number and a fraction, a Unicode fraction, feet and inches, or
        a unit at the end.
    unit : str
        `in`, `ft`, `mm`, `cm` or `m`; used when the text names none.

    Raises
    ------
    ValueError
        The error names the rule that the value breaks.
    """
    if isinstance(value, bool):
        raise ValueError("A reading is a number.")
    if isinstance(value, int | float):
        if not math.isfinite(value):
            raise ValueError("A reading is a finite number.")
        return float(value) * MM_PER_UNIT[unit]
    text = str(value).strip()
    if not text:
        raise ValueError("There is no reading.")
    if len(text) > LONGEST_TEXT:
        raise ValueError(f"A reading has at most {LONGEST_TEXT} characters.")
    text = " ".join(_fractions(text.translate(_QUOTES)).lower().split()).replace("''", '"')
    if match := _FEET.fullmatch(text):
        sign, feet, *rest = match.groups()
        size = int(feet) * MM_PER_UNIT["ft"] + (_number(rest) * MM_PER_INCH if any(rest) else 0.0)
        return -size if sign == "-" else size
    if match := _VALUE.fullmatch(text):
        sign, *rest, named = match.groups()
        named = {'"': "in", "'": "ft"}.get(named, named) or unit
        size = _number(rest) * MM_PER_UNIT[named]
        return -size if sign == "-" else size
    if "," in text:
        raise ValueError("The decimal mark is a point, not a comma.")
    raise ValueError("A reading is a number, a fraction such as 1 3/8, feet and inches such as 12'6\", or has in, ft, "
                     "mm, cm or m behind it.")


def _fractions(text: str) -> str:
    out = ""
    for mark in text:
        try:
            fraction = unicodedata.normalize("NFKC", mark) if unicodedata.category(mark) == "No" else ""
        except ValueError:
            fraction = ""
        out += f" {fraction.replace(chr(0x2044), '/')} " if "\u2044" in fraction else mark
    return re.sub(r"([+-]) +(?=\d)", r"\1", re.sub(r" +([\"'])", r"\1", out.strip()))


def _number(parts: list[str | None]) -> float:
    whole, top, bottom, plain = parts
    if plain is not None:
        return float(plain)
    if int(bottom or 0) == 0:
        raise ValueError("A fraction has a denominator other than 0.")
    if whole is not None and int(top or 0) >= int(bottom or 1):
        raise ValueError("A fraction behind a whole number is smaller than 1.")
    return float(whole or 0) + int(top or 0) / int(bottom or 1)
