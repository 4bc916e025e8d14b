"""The file of a measured series: a CSV with date, depth_m and one column of values whose heading names the unit.

Every row that cannot be used is a finding. A file whose values can only be in a wrong unit is refused.
"""

from __future__ import annotations

import csv
import io
import math
import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from riskmap.common import tables
from riskmap.common.errors import LayerError, joined, said_by, shown
from riskmap.common.problems import Problem

MOST_BYTES, MOST_ROWS = 50 * 1024**2, 500_000  # judgement: forty years of daily values at thirty depths
DEEPEST_M = 7.0  # the largest active depth that may be set
LAST_DAYS = 7  # a month's value must be from its last days (judgement)
MISSING = ("", "na", "n/a", "nan", "null", "none", "-", "m")
MISSING_NUMBERS = (-99.0, -999.0, -9999.0)  # how networks of stations write a missing value


@dataclass(frozen=True)
class Kind:
    """The kind of a column of values.

    Attributes
    ----------
    heading, words : str
    scale : float
        Factor from the file's unit to ours.
    low, high : float
        Possible values, in the file's unit.
    """

    heading: str
    words: str
    scale: float
    low: float
    high: float


KINDS = {
    "m3_m3": Kind("value_m3_m3", "water content [m3/m3]", 1.0, 0.0, 0.8),
    "pct": Kind("value_pct", "water content [% of volume]", 0.01, 0.0, 80.0),
    "share": Kind("value_share", "relative wetness [0 dry to 1 wet]", 1.0, -0.2, 1.2),
    "mm": Kind("value_mm", "ground level [mm, up positive]", 1.0, -1000.0, 1000.0),
}
LEVEL = "mm"
HEADINGS = {kind.heading: name for name, kind in KINDS.items()}
_DAY, _MONTH = re.compile(r"\d{4}-\d{2}-\d{2}"), re.compile(r"\d{4}-\d{2}")


@dataclass(frozen=True)
class Series:
    """A measured series.

    Attributes
    ----------
    kind : str
        Key of `KINDS`.
    rows : DataFrame
        date (day), depth_m, value in our unit; one row per day and depth, in order.
    problems : list of Problem
    file : str
    """

    kind: str
    rows: pd.DataFrame
    problems: list[Problem]
    file: str

    @property
    def level(self) -> bool:
        """Whether the values are levels of the ground."""
        return self.kind == LEVEL

    @property
    def depths_m(self) -> list[float]:
        """Depths, the shallowest first. [m]"""
        return sorted(self.rows["depth_m"].unique().tolist())

    def at(self, depth_m: float) -> pd.Series:
        """Return the values of one depth by day."""
        chosen = self.rows[self.rows["depth_m"] == depth_m]
        return pd.Series(chosen["value"].to_numpy(float), index=pd.DatetimeIndex(chosen["date"]))

    def month_ends(self, depth_m: float) -> pd.Series:
        """Return the last value of each month that has one in its last days, by month number."""
        day = self.at(depth_m)
        dates = day.index
        near_end = np.asarray(dates.days_in_month - dates.day) < LAST_DAYS  # type: ignore[attr-defined]
        month = np.asarray(12 * dates.year + dates.month - 1)  # type: ignore[attr-defined]
        return day[near_end].groupby(month[near_end]).last()


def read(path: Path, kind: str | None = None) -> Series:
    """Read a measured series.

    Parameters
    ----------
    path : Path
        CSV in UTF-8: date (YYYY-MM-DD, or YYYY-MM for the end of a month), depth_m, and value_m3_m3, value_pct,
        value_share or value_mm; a plain `value` needs `kind`.
    kind : str, optional
        Key of `KINDS`.

    Raises
    ------
    LayerError
        When the file does not exist, is too large or is not such a table, a column or the unit is missing, the values
        can only be in another unit, or no row can be used.
    """
    file = path.name
    if not path.is_file():
        raise LayerError(f"E-MEA-000 {file}: there is no such file. Name a CSV file of measured values.")
    if path.stat().st_size > MOST_BYTES:
        raise LayerError(f"E-MEA-001 {file}: more than {MOST_BYTES:,} bytes; a series of one place is far less.")
    heading, rows = _cells(path, file)
    columns = _columns(heading, kind, file)
    if len(rows) > MOST_ROWS:
        raise LayerError(f"E-MEA-001 {file}: more than {MOST_ROWS:,} rows. Give one place at a time.")
    text = pd.DataFrame([cells for _, cells in rows], columns=heading, dtype=str)
    text["row"] = [number for number, _ in rows]
    problems: list[Problem] = []
    name = columns["kind"]
    table = pd.DataFrame({
        "row": text["row"], "date": _dates(text, columns["date"], file, problems),
        "depth_m": _numbers(text, columns["depth_m"], file, problems, "E-MEA-013", 0.0, DEEPEST_M, "m", ()),
        "value": _values(text, columns["value"], name, file, problems)})
    table = table.dropna(subset=["date", "depth_m", "value"])
    if table.empty:
        raise LayerError(f"E-MEA-016 {file}: none of {len(text):,} rows can be used.", problems=problems)
    table["value"] *= KINDS[name].scale
    table = _once(table, file, problems).sort_values(["depth_m", "date"], kind="stable").reset_index(drop=True)
    if table.empty:
        raise LayerError(f"E-MEA-016 {file}: none of {len(text):,} rows can be used.", problems=problems)
    series = Series(name, table[["date", "depth_m", "value"]], problems, file)
    _tell_gaps(series)
    return series


def _cells(path: Path, file: str) -> tuple[list[str], list[tuple[int, list[str]]]]:
    """Return the heading and the rows below it, with the line numbers that an editor shows."""
    try:
        text = path.read_bytes().decode("utf-8-sig")
        reader = csv.reader(io.StringIO(text, newline=""), strict=True)
        rows = [(reader.line_num, [cell.strip() for cell in cells]) for cells in reader]
    except (UnicodeDecodeError, csv.Error, OSError) as error:
        raise LayerError(f"E-MEA-002 {file}: cannot be read as a CSV in UTF-8: {said_by(error)}. Save the table again "
                         "as CSV (UTF-8).") from None
    rows = [(number, cells) for number, cells in rows if any(cells)]
    if len(rows) < 2:
        raise LayerError(f"E-MEA-003 {file}: there is no row below the heading.")
    heading = [cell.lower() for cell in rows[0][1]]
    for number, cells in rows[1:]:
        if len(cells) > len(heading):
            raise LayerError(f"E-MEA-002 {file} row {number}: more cells than the heading has. Columns are separated "
                             "by commas, and the decimal mark is a point.")
    return heading, [(number, cells + [""] * (len(heading) - len(cells))) for number, cells in rows[1:]]


def _columns(heading: list[str], kind: str | None, file: str) -> dict[str, str]:
    """Return the column of each quantity, and the kind of the values."""
    twice = sorted({name for name in heading if name and heading.count(name) > 1})
    if twice:
        raise LayerError(f"E-MEA-005 {file}: the heading names {joined(twice)} twice; rename or remove one.")
    lacking = [name for name in ("date", "depth_m") if name not in heading]
    if lacking:
        raise LayerError(f"E-MEA-004 {file}: no column {joined(lacking)}; needed are date, depth_m and one of "
                         f"{joined(HEADINGS)}; it has {joined(heading, 20)}.")
    named = [name for name in heading if name in HEADINGS]
    if len(named) > 1:
        raise LayerError(f"E-MEA-005 {file}: columns {joined(named)} both contain values; keep one of them.")
    if named:
        own = HEADINGS[named[0]]
        if kind is not None and kind != own:
            raise LayerError(f"E-MEA-007 {file} column {named[0]}: --kind says {kind}, the heading {own}. Leave the "
                             "option out, or correct the heading.")
        return {"date": "date", "depth_m": "depth_m", "value": named[0], "kind": own}
    if "value" not in heading:
        raise LayerError(f"E-MEA-004 {file}: no column of values; needed is one of {joined(HEADINGS)}, or value with "
                         f"--kind; it has {joined(heading, 20)}.")
    if kind is None:
        raise LayerError(f"E-MEA-006 {file} column value: its heading names no unit. Rename it {joined(HEADINGS)}, or "
                         f"say which with --kind {'|'.join(KINDS)}.")
    return {"date": "date", "depth_m": "depth_m", "value": "value", "kind": kind}


def _dates(text: pd.DataFrame, column: str, file: str, problems: list[Problem]) -> pd.Series:
    """Return the day of each row; a month without a day means its last day."""
    written = text[column]
    day = pd.to_datetime(written.where(written.str.fullmatch(_DAY.pattern)), format="%Y-%m-%d", errors="coerce")
    month = pd.to_datetime(written.where(written.str.fullmatch(_MONTH.pattern)), format="%Y-%m", errors="coerce")
    dates = day.fillna(month + pd.offsets.MonthEnd(0))
    number = dates.dt.year * 12 + dates.dt.month - 1
    lost = ~number.between(tables.FIRST_MONTH, tables.LAST_MONTH)
    if lost.mean() > 0.5:
        first = int(np.argmax(lost))
        raise LayerError(f"E-MEA-011 {file} column {column}: the date of {int(lost.sum()):,} of {len(lost):,} rows "
                         f"cannot be read; row {text['row'].iloc[first]}: \"{shown(written.iloc[first])}\" is not a "
                         "date. Write YYYY-MM-DD, or YYYY-MM for the end of a month.")
    problems += [Problem("E-MEA-010", file, rule="a date must be YYYY-MM-DD, or YYYY-MM for the end of a month.",
                         remedy="Correct the row.", action="Row left out.", row=int(text["row"].iloc[k]),
                         column=column, value=written.iloc[k]) for k in np.flatnonzero(lost)]
    return dates.mask(lost)


def _numbers(text: pd.DataFrame, column: str, file: str, problems: list[Problem], code: str, low: float, high: float,
             unit: str, missing: tuple[float, ...]) -> pd.Series:
    """Return numbers within limits. Other cells are findings; cells that say missing are absent without a finding."""
    written = text[column]
    empty = written.str.lower().isin(MISSING)
    values = pd.to_numeric(written.mask(empty), errors="coerce").astype(float)
    absent = (empty if missing else pd.Series(False, index=text.index)) | values.isin(missing)
    wrong = ~absent & ~values.between(low, high)
    problems += [Problem(code, file, rule=f"must be a number within {low:g}..{high:g} {unit}.".replace(" .", "."),
                         remedy="Correct the value or its unit.", action="Row left out.",
                         row=int(text["row"].iloc[k]), column=column, value=written.iloc[k])
                 for k in np.flatnonzero(wrong)]
    return values.mask(absent | wrong)


def _values(text: pd.DataFrame, column: str, kind: str, file: str, problems: list[Problem]) -> pd.Series:
    """Return the values in the file's unit; refuse those that can only be in another unit."""
    plain = pd.to_numeric(text[column], errors="coerce")
    plain = plain[np.isfinite(plain) & ~plain.isin(MISSING_NUMBERS)]
    middle, most = (plain.median(), plain.max()) if len(plain) else (math.nan, math.nan)
    slip = {"m3_m3": (middle > 1, "per cent (value_pct)"), "share": (middle > 1.2, "per cent; divide by 100"),
            "pct": (most <= 1, "shares of the volume (value_m3_m3)")}.get(kind, (False, ""))
    if slip[0]:
        raise LayerError(f"E-MEA-017 {file} column {column}: the middle one of the values is {middle:g}, the largest "
                         f"{most:g}: they look like {slip[1]}, not {KINDS[kind].words}. Correct the heading.")
    known = KINDS[kind]
    unit = {"m3_m3": "m3/m3", "pct": "%", "share": "", "mm": "mm"}[kind]
    return _numbers(text, column, file, problems, "E-MEA-012", known.low, known.high, unit, MISSING_NUMBERS)


def _once(table: pd.DataFrame, file: str, problems: list[Problem]) -> pd.DataFrame:
    """Return each day and depth once; rows that contradict each other are all left out."""
    again = table.duplicated(["date", "depth_m"], keep=False)
    lost: list[int] = []
    for (date, depth), same in table[again].groupby(["date", "depth_m"], sort=True):
        agree = same["value"].nunique() == 1
        problems.append(Problem(
            "W-MEA-001" if agree else "E-MEA-014", file, rule="a day and depth must have one value.",
            remedy=f"Remove all but one of rows {joined(same['row'])}.",
            action="The first is used." if agree else "None of them is used.", row=int(same["row"].iloc[0]),
            column="date, depth_m", value=f"{date:%Y-%m-%d} {depth:g} m"))
        lost += [] if agree else list(same.index)
    return table.drop(index=lost).drop_duplicates(["date", "depth_m"])


def _tell_gaps(series: Series) -> None:
    """Report the months between the first and the last without a value near their end."""
    for depth in series.depths_m:
        known = series.month_ends(depth).index.to_numpy()
        days = series.at(depth).index
        first, last = (12 * day.year + day.month - 1 for day in (days.min(), days.max()))
        gaps = last - first + 1 - known.size
        if gaps:
            series.problems.append(Problem(
                "W-MEA-002", series.file, rule=f"{gaps:,} of {last - first + 1:,} months have no value in their last "
                f"{LAST_DAYS} days.", remedy="Add values if there are any.",
                action="These months are not compared; nothing is filled in.", column="date",
                value=f"depth {depth:g} m"))
