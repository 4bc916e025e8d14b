"""The fixed-width monthly text of NOAA climate divisions and counties.

A record is state 2, division 2 (or county 3), element 2, year 4, then twelve values seven characters wide; inches and
degrees Fahrenheit; -9.99 (rain) and -99.9 (temperature) mean missing (NCEI divisional and county readme; the county
form 2 + 3 as in a copy of `county-readme.txt`, October 2018). County numbers are converted to the federal numbers that
polygon files use.
"""

from __future__ import annotations

import gzip
import re
import zlib
from pathlib import Path

import numpy as np
import pandas as pd

from riskmap.common import states, units
from riskmap.common.errors import LayerError
from riskmap.common.problems import Problem
from riskmap.layers import file_kinds

PRECIPITATION, TEMPERATURE = "01", "02"
QUANTITY = {"01": "precipitation", "02": "mean temperature", "05": "PDSI", "06": "PHDI", "07": "Z index", "08": "PMDI",
            "27": "maximum temperature", "28": "minimum temperature"}
MISSING_BELOW = {PRECIPITATION: -9.9, TEMPERATURE: -99.0}
WIDTH = 7


def read(path: Path, shown_path: Path, element: str) -> tuple[pd.DataFrame, list[Problem]]:
    """Return one row per cell and month: cell_id, month, value in mm or degC (NaN where missing), _row.

    Parameters
    ----------
    path, shown_path : Path
        Where the file is (plain or .gz), and the path as the user wrote it.
    element : str
        Element code that the file must have, `PRECIPITATION` or `TEMPERATURE`.

    Raises
    ------
    LayerError
        When the file is absent, not of this form, or contains another element.
    """
    lines = _lines(path, shown_path)
    key_width = _key_width(lines[0], shown_path)
    short = next((k for k, line in enumerate(lines) if not re.match(rf"\d{{{key_width + 6}}}(?!\d)", line)), None)
    if short is not None:
        raise LayerError(f"E-CLI-021 {shown_path} row {short + 1}: \"{lines[short][:20]}\": does not start like row 1; "
                         "a file contains either divisions or counties; give it as published.")
    codes = sorted({line[key_width:key_width + 2] for line in lines})
    if codes != [element]:
        held = ", ".join(QUANTITY.get(code, f"element {code}") for code in codes)
        raise LayerError(f"E-CLI-022 {shown_path}: contains {held}, but is given as {QUANTITY[element]}; "
                         "swap or correct the paths under [climate].")
    values, problems = _values(lines, key_width + 6, shown_path)
    values[values <= MISSING_BELOW[element]] = np.nan
    si = units.inch_to_mm(values) if element == PRECIPITATION else units.fahrenheit_to_celsius(values)
    first_month = 12 * np.array([int(line[key_width + 2:key_width + 6]) for line in lines])
    return pd.DataFrame({
        "cell_id": np.repeat(_keys(lines, key_width), 12),
        "month": (first_month[:, None] + np.arange(12)).ravel(),
        "value": si.ravel(),
        "_row": np.repeat(np.arange(1, len(lines) + 1), 12),
    }), problems


def first_record(path: Path) -> str:
    """Return the element code of the first record, such as `01`; empty text when the file is none of this form."""
    try:
        with (gzip.open if path.suffix == ".gz" else open)(path, "rt", encoding="ascii") as stream:
            line = stream.readline(200)
    except (OSError, UnicodeDecodeError, EOFError, zlib.error):
        return ""
    key = re.match(r"\d{4,5}(\d{2})(?:18|19|20)\d{2}(?!\d)", line)
    if key is None:
        return ""
    fields = [line[key.end() + WIDTH * k: key.end() + WIDTH * (k + 1)].strip() for k in range(12)]
    return key[1] if all(re.fullmatch(r"-?\d*\.\d+", text) for text in fields) else ""


def cells(path: Path, shown_path: Path) -> list[str]:
    """Return the names of the divisions or counties of a file, as `read` gives them, with its LayerError."""
    lines = _lines(path, shown_path)
    return sorted(set(_keys(lines, _key_width(lines[0], shown_path))))


def _lines(path: Path, shown_path: Path) -> list[str]:
    try:
        with (gzip.open if path.suffix == ".gz" else open)(path, "rt", encoding="ascii") as stream:
            lines = [line.rstrip("\r\n") for line in stream]
    except FileNotFoundError:
        raise LayerError(f"E-CLI-001 {shown_path}: no such file; correct the path under [climate].") from None
    except (OSError, UnicodeDecodeError, EOFError, zlib.error):
        kind = file_kinds.kind(path) if path.is_file() else ""
        raise LayerError(f"E-CLI-020 {shown_path}: is {kind or 'not plain text'}; give the text file of climate "
                         "divisions or counties as published.") from None
    lines = [line for line in lines if line.strip()]
    if not lines:
        raise LayerError(f"E-CLI-020 {shown_path}: is empty; download it again.")
    return lines


def _key_width(line: str, shown_path: Path) -> int:
    """Return 4 for a division file, 5 for a county file, from the run of digits that starts the record."""
    digits = re.match(r"\d*", line)
    width = digits.end() - 6 if digits else 0
    if width not in (4, 5):
        raise LayerError(f"E-CLI-021 {shown_path} row 1: \"{line[:20]}\": is not a climate division or county record "
                         "(10 or 11 digits, then twelve values); give the file as published.")
    return width


def _keys(lines: list[str], key_width: int) -> list[str]:
    if key_width == 4:
        return [line[:4] for line in lines]
    return [states.FEDERAL_BY_CLIMATE.get(line[:2], line[:2]) + line[2:5] for line in lines]


def _values(lines: list[str], start: int, shown_path: Path) -> tuple[np.ndarray, list[Problem]]:
    """Return the values of all records, shape (n_record, 12), and a finding per field that is not a number."""
    size = start + 12 * WIDTH
    padded = np.array([line[:size].ljust(size) for line in lines], dtype=f"S{size}")
    fields = padded.view("S1").reshape(len(lines), size)[:, start:]
    text = np.ascontiguousarray(fields).view(f"S{WIDTH}").reshape(len(lines), 12)
    try:
        return text.astype(np.float64), []
    except ValueError:
        flat = pd.Series(text.ravel()).str.decode("ascii").str.strip()
        numbers = pd.to_numeric(flat, errors="coerce").to_numpy(dtype=np.float64, copy=True).reshape(text.shape)
    bad = np.argwhere(np.isnan(numbers))
    return numbers, [Problem("E-CLI-023", str(shown_path), rule="a value must be a number seven characters wide.",
                             remedy="Download the file again.", action="Month treated as missing.", row=int(row) + 1,
                             column=f"month {month + 1}", value=str(flat.iloc[row * 12 + month])) for row, month in bad]
