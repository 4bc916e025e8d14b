"""Read daily rain and temperature: station files of the global daily archive, and plain tables with units in headings.

Two layouts:

* a station file of the Global Historical Climatology Network - Daily as published (one column per element, followed by
one
  with its attributes): rain in tenths of a millimetre, temperatures in tenths of a degree Celsius, attributes
  `measurement,quality,source[,hour of observation]`. The layout is from memory, not read in its documentation; the
  checks below refuse a file that does not follow it;
* a plain CSV: date, rain and temperature with their units in the headings, such as `rain_mm`, `tavg_c`, `tmax_f`,
`tmin_f`;
  optionally a column with the cell.

A value with a quality flag is dropped. A month is used only when it is complete after short gaps are filled
(`daily_gaps`). The other months come from the monthly record, if there is one.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from riskmap.common import month_numbers, tables, units
from riskmap.common.errors import LayerError, joined, shown
from riskmap.common.inputs import DailyRecord
from riskmap.common.problems import Problem, first_rows, kept_by_refusal
from riskmap.layers import climate_judged, climate_monthly, daily_gaps

LEAST_MONTHS = 20 * 12  # of a record: shorter ones do not show what dry and wet years do
MEANS, EXTREMES = "mean of the day", "mean of highest and lowest"

# The possible values of a day. The largest rain is about 1,260 mm in the United States and 1,825 mm in the world (from
# memory); temperatures are the world's records, with a margin.
POSSIBLE = {"rain_mm": (0.0, 1900.0, "mm"), "mean_c": (-75.0, 50.0, "degC"), "highest_c": (-75.0, 58.0, "degC"),
            "lowest_c": (-90.0, 50.0, "degC")}
TRACE = "t"  # rain too little to measure
ELEMENTS = {"PRCP": "rain_mm", "TAVG": "mean_c", "TMAX": "highest_c", "TMIN": "lowest_c"}
PRESUMED_ZERO = "P"  # measurement flag: nothing was written down, and zero was assumed
MIDNIGHT = ("", "2400", "0000")
WARMEST_DAY_C, SOUTH_OF_DEG = 10.0, 60.0  # a record whose warmest day is colder than this is not in tenths (judgement)

_RAIN = re.compile(r"(?:precip|precipitation|prcp|ppt|rain|rainfall)(?:_([a-z]+))?")
_WARMTH = {name: re.compile(rf"(?:{words})(?:_([a-z]+))?") for name, words in (
    ("mean_c", "tavg|tmean|temp|temperature"), ("highest_c", "tmax|temp_max|temperature_max"),
    ("lowest_c", "tmin|temp_min|temperature_min"))}
PATTERNS = {"rain_mm": (_RAIN, ("in", "mm")), **{name: (pattern, ("f", "c")) for name, pattern in _WARMTH.items()}}
EXAMPLES = {"rain_mm": "rain_mm or rain_in", "mean_c": "tavg_c or tavg_f", "highest_c": "tmax_c or tmax_f",
            "lowest_c": "tmin_c or tmin_f"}

Array = NDArray[np.float64]


def read(path: Path, shown_path: Path, *, cell: str | None = None,
         latitude_deg: float | dict[str, float] | None = None,
         months: pd.DataFrame | None = None, placed: bool = True) -> tuple[list[DailyRecord], list[Problem]]:
    """Read the daily records of a file, one for each station or cell.

    Parameters
    ----------
    path, shown_path : Path
        File (plain or .gz), and its name in messages.
    cell : str, optional
        Name of the cell where the file has no column for it; where it has one, the cell to read.
    latitude_deg : float or dict, optional
        Degrees north, or those of each cell, where the file has no column for it.
    months : DataFrame, optional
        Monthly record (`tables.CLIMATE_MONTHLY`) of the same cells; it fills the time before and after the days, and
        their gaps.
    placed : bool
        False to check a file alone: a latitude that is not known is nan then.

    Raises
    ------
    LayerError
        When the file cannot be read, a column is missing or has no unit, the file is not in tenths, most dates cannot
        be read, the latitude is not known, or days and monthly record together are shorter than 20 years.
    """
    problems: list[Problem] = []
    with kept_by_refusal(problems):
        text = climate_monthly.text_table(path, shown_path)
        file = str(shown_path)
        layout = _station_file if {"STATION", "DATE"} <= set(text.columns) else _plain_table
        days = layout(text, cell, file, problems)
        days = _possible(_dated(days, file, problems), file, problems)
        days = _once(_wanted(days, cell, file), file, problems)
        north = latitude_deg if isinstance(latitude_deg, dict) else dict.fromkeys(days["cell_id"], latitude_deg)
        if not placed:
            north = {name: np.nan if degrees is None else degrees for name, degrees in north.items()}
        records = [_record(str(name), part, north.get(str(name)), months, file, problems)
                   for name, part in days.groupby("cell_id", sort=True)]
        monthly = pd.concat([record.monthly for record in records], ignore_index=True)
        climate_judged.check_units(monthly, {r.cell_id: r.latitude_deg for r in records}, file, problems)
        tables.check(tables.CLIMATE_MONTHLY, monthly)
    return records, problems


# ---------------------------------------------------------------------------------------------------- layouts
def _station_file(text: pd.DataFrame, cell: str | None, file: str, problems: list[Problem]) -> pd.DataFrame:
    """Return cell_id, written, row, latitude, hour and our elements of a station file. Flagged values are dropped."""
    days = _frame(text["STATION"], text["DATE"])
    days["latitude"] = pd.to_numeric(text["LATITUDE"], errors="coerce") if "LATITUDE" in text else np.nan
    for element, name in ELEMENTS.items():
        if element not in text:
            continue
        values = _numbers(text[element], element, file, problems, ("",))
        _refuse_decimals(text[element], values, element, file)
        flags = _attributes(text, element, file, problems)
        days[name] = _without_flagged(values / 10, flags, element, file, problems)
        if element == "PRCP":
            days["hour"] = flags[3]
    _refuse_without(days, "PRCP in tenths of a millimetre, and TAVG or TMAX and TMIN in tenths of a degree Celsius",
                    file, text)
    _refuse_cold(days, file)
    return days


def _plain_table(text: pd.DataFrame, cell: str | None, file: str, problems: list[Problem]) -> pd.DataFrame:
    """Return the same for a plain table whose headings name the units."""
    lowered = {c.lower(): c for c in text.columns}
    key = next((lowered[k] for k in climate_monthly.KEY_COLUMNS if k in lowered), None)
    if "date" not in lowered:
        raise LayerError(f"E-CLI-104 {file}: no column date; write each day as YYYY-MM-DD; it has "
                         f"{joined(text.columns, 20)}.")
    days = _frame(text[key] if key else pd.Series(cell or "area", index=text.index), text[lowered["date"]])
    days["latitude"] = np.nan
    days["hour"] = text[lowered["observation_hour"]] if "observation_hour" in lowered else ""
    for name, (pattern, allowed) in PATTERNS.items():
        column, unit = _column(text, name, pattern, allowed, file)
        if column is None:
            continue
        written = text[column].mask(text[column].str.lower() == TRACE, "0") if name == "rain_mm" else text[column]
        values = _numbers(written, column, file, problems, climate_monthly.MISSING_TEXT)
        codes = (*climate_monthly.MISSING_CODES, *((-9.99,) if name == "rain_mm" else ()))
        days[name] = units.BY_SUFFIX[unit][1](values.mask(values.isin(codes)).to_numpy())
    _refuse_without(days, f"{EXAMPLES['rain_mm']}, and {EXAMPLES['mean_c']} or both {EXAMPLES['highest_c']} and "
                    f"{EXAMPLES['lowest_c']}", file, text)
    return days


def _frame(cell: pd.Series, written: pd.Series) -> pd.DataFrame:
    return pd.DataFrame({"cell_id": cell, "written": written, "row": np.arange(2, len(written) + 2), "hour": ""})


def _column(text: pd.DataFrame, name: str, pattern: re.Pattern[str], allowed: tuple[str, ...],
            file: str) -> tuple[str | None, str]:
    """Return the column of a quantity and its unit; None where there is none."""
    found = [(c, match.group(1)) for c in text.columns if (match := pattern.fullmatch(c.lower()))]
    with_unit = [(c, unit) for c, unit in found if unit in allowed]
    if len(with_unit) > 1:
        raise LayerError(f"E-CLI-105 {file}: columns {joined(c for c, _ in with_unit)} give the same quantity; keep "
                         "one of them.")
    if found and not with_unit:
        raise LayerError(f"E-CLI-105 {file} column {found[0][0]}: its heading names no unit that is read; rename it "
                         f"{EXAMPLES[name]}.")
    return with_unit[0] if with_unit else (None, "")


def _numbers(written: pd.Series, column: str, file: str, problems: list[Problem],
             missing: tuple[str, ...]) -> pd.Series:
    absent = written.str.lower().isin(missing)
    values = pd.to_numeric(written.mask(absent), errors="coerce").astype(float)
    values = values.where(np.isfinite(values))
    problems += [Problem("E-CLI-101", file, rule="a value must be a number.", remedy="Correct the row.",
                         action="Value treated as missing.", row=int(row) + 2, column=column, value=written.iloc[row])
                 for row in np.flatnonzero(values.isna() & ~absent)]
    return values


def _attributes(text: pd.DataFrame, element: str, file: str, problems: list[Problem]) -> pd.DataFrame:
    """Return measurement flag, quality flag, source and hour of an element in columns 0 to 3; empty where not given."""
    column = f"{element}_ATTRIBUTES"
    if column not in text:
        problems.append(Problem("W-CLI-104", file, rule=f"{element} should have its attributes beside it.",
                                remedy="Order the file with its flags.", action="Values that failed a quality check "
                                "are not marked; all are used.", column=column))
        return pd.DataFrame("", index=text.index, columns=range(4))
    parts = text[column].str.split(",", expand=True).reindex(columns=range(4), fill_value="")
    return parts.fillna("").apply(lambda part: part.str.strip())


def _without_flagged(values: pd.Series, flags: pd.DataFrame, element: str, file: str,
                     problems: list[Problem]) -> pd.Series:
    presumed = (flags[0] == PRESUMED_ZERO) & values.notna()
    flagged = (flags[1] != "") & values.notna()
    for chosen, code, rule in ((flagged, "W-CLI-103", "values with a quality flag are not used"),
                               (presumed & ~flagged, "W-CLI-107", "a value that was never written down and presumed to "
                                "be zero is not used")):
        if chosen.any():
            rows = np.flatnonzero(chosen) + 2
            problems.append(Problem(code, file, rule=f"{rule}: {len(rows):,} rows ({first_rows(rows.tolist())}).",
                                    remedy="", action="Values treated as missing.", column=element,
                                    value=" ".join(sorted(set(flags[1][chosen]) - {""}))))
    return values.mask(flagged | presumed)


# ----------------------------------------------------------------------------------------------------- checks
def _refuse_without(days: pd.DataFrame, expected: str, file: str, text: pd.DataFrame) -> None:
    if "rain_mm" not in days or not ("mean_c" in days or {"highest_c", "lowest_c"} <= set(days.columns)):
        raise LayerError(f"E-CLI-104 {file}: rain or mean temperature is missing; needed are {expected}; it has "
                         f"{joined(text.columns, 20)}.")


def _refuse_decimals(written: pd.Series, values: pd.Series, element: str, file: str) -> None:
    broken = np.flatnonzero(values.notna() & written.str.contains(".", regex=False))
    if len(broken):
        first = int(broken[0])
        raise LayerError(f"E-CLI-106 {file} row {first + 2} column {element}: \"{shown(written.iloc[first])}\": the "
                         "station files of the archive contain whole numbers, tenths of a millimetre and of a degree "
                         "Celsius. Download the station's file as published, or rename the columns as in a plain "
                         f"table, with their units: {joined(EXAMPLES.values())}.")


def _refuse_cold(days: pd.DataFrame, file: str) -> None:
    """Refuse a file in whole degrees: read as tenths, its warmest day would be colder than anywhere on earth."""
    north = days["latitude"].abs().median()
    warmest = days[[name for name in ("mean_c", "highest_c") if name in days]].max().max()
    if north < SOUTH_OF_DEG and warmest < WARMEST_DAY_C:
        raise LayerError(f"E-CLI-106 {file} column TMAX or TAVG: {warmest:g}: the warmest day of the whole record "
                         f"would have {warmest:g} degC at a latitude of {north:.1f} degrees. Temperatures of the "
                         "archive are in tenths of a degree Celsius; download the station's file as published.")


def _dated(days: pd.DataFrame, file: str, problems: list[Problem]) -> pd.DataFrame:
    """Return the rows whose date can be read, with that date."""
    date = pd.to_datetime(days["written"].where(days["written"].str.fullmatch(r"\d{4}-\d{2}-\d{2}")),
                          format="%Y-%m-%d", errors="coerce")
    number = date.dt.year * 12 + date.dt.month - 1
    lost = ~number.between(tables.FIRST_MONTH, tables.LAST_MONTH)
    if lost.mean() > 0.5:
        first = int(np.argmax(lost))
        raise LayerError(f"E-CLI-110 {file} column date: the date of {int(lost.sum()):,} of {len(lost):,} rows cannot "
                         f"be read; row {first + 2}: \"{shown(days['written'].iloc[first])}\" is not a date. Write "
                         "YYYY-MM-DD.")
    problems += [Problem("E-CLI-100", file, rule="a date must be YYYY-MM-DD.", remedy="Correct the row.",
                         action="Row left out; its day is a gap.", row=int(days["row"].iloc[k]), column="date",
                         value=days["written"].iloc[k]) for k in np.flatnonzero(lost)]
    return days.assign(date=date)[~lost]


def _possible(days: pd.DataFrame, file: str, problems: list[Problem]) -> pd.DataFrame:
    """Return the days without impossible values, which are out of range or a minimum temperature above the maximum."""
    clean = days.copy()
    for name, (low, high, unit) in POSSIBLE.items():
        if name in days:
            _take_out(clean, name, (days[name] < low) | (days[name] > high),
                      f"must lie within {low:g}..{high:g} {unit}.", file, problems)
    if {"highest_c", "lowest_c"} <= set(days.columns):
        crossed = clean["lowest_c"] > clean["highest_c"]
        _take_out(clean, "lowest_c", crossed, "the lowest temperature of a day is not above its highest.", file,
                  problems)
        clean.loc[crossed, "highest_c"] = np.nan
    return clean


def _take_out(days: pd.DataFrame, name: str, bad: pd.Series, rule: str, file: str, problems: list[Problem]) -> None:
    problems += [Problem("E-CLI-102", file, rule=rule, remedy="Correct the value or its unit.",
                         action="Value treated as missing.", row=int(row), column=name, value=f"{value:g}")
                 for row, value in zip(days.loc[bad, "row"], days.loc[bad, name], strict=True)]
    days.loc[bad, name] = np.nan


def _wanted(days: pd.DataFrame, cell: str | None, file: str) -> pd.DataFrame:
    given = sorted(days["cell_id"].unique())
    if cell is None:
        return days
    if cell not in given:
        raise LayerError(f"E-CLI-108 {file}: no station or cell '{cell}'; it has {joined(given)}.")
    return days[days["cell_id"] == cell]


def _once(days: pd.DataFrame, file: str, problems: list[Problem]) -> pd.DataFrame:
    """Return each day once; rows that contradict each other are all left out."""
    again = days.duplicated(["cell_id", "date"], keep=False)
    if not again.any():
        return days
    values = [name for name in POSSIBLE if name in days]
    lost: list[Any] = []
    for (cell, date), same in days[again].groupby(["cell_id", "date"], sort=True):
        agree = bool((same[values].nunique() <= 1).all())
        problems.append(Problem("W-CLI-108" if agree else "E-CLI-103", file, rule="each day must appear once.",
                                remedy=f"Remove all but one of rows {joined(same['row'])}.",
                                action="The first is used." if agree else "None of them is used; the day is a gap.",
                                row=int(same["row"].iloc[0]), value=f"{cell} {date:%Y-%m-%d}"))
        lost += [] if agree else list(same.index)
    return days.drop(index=lost).drop_duplicates(["cell_id", "date"])


# ------------------------------------------------------------------------------------------------- one record
def _record(cell: str, days: pd.DataFrame, latitude: float | None, months: pd.DataFrame | None, file: str,
            problems: list[Problem]) -> DailyRecord:
    days = days.sort_values("date").set_index("date")
    north = days["latitude"].median() if days["latitude"].notna().any() else latitude
    if north is None or not (-90 <= north <= 90 or np.isnan(north)):
        raise LayerError(f"E-CLI-109 {file}: the latitude of {cell} is not known; set latitude_deg, within -90..90.")
    warmth, what = _mean_temperature(days)
    known = days["rain_mm"].notna() | warmth.notna()
    if not known.any():
        raise LayerError(f"E-CLI-111 {file}: no day of {cell} has a value; check the file.")
    filled, found = daily_gaps.whole_months(days["rain_mm"][known], warmth[known], cell, file)
    problems += found
    hour = _hour(days, cell, file, problems)
    return _continued(cell, float(north), filled, months, what, hour, file, problems)


def _mean_temperature(days: pd.DataFrame) -> tuple[pd.Series, str]:
    """Return the mean temperature that more days have, and its kind; it is of one kind for the whole record.

    Two kinds in one record would differ by some tenths of a degree from the day on which one ends.
    """
    none = pd.Series(np.nan, index=days.index)
    mean = days.get("mean_c", none)
    extremes = (days.get("highest_c", none) + days.get("lowest_c", none)) / 2
    return (extremes, EXTREMES) if extremes.notna().sum() > mean.notna().sum() else (mean, MEANS)


def _hour(days: pd.DataFrame, cell: str, file: str, problems: list[Problem]) -> str:
    """Return the hour at which most days of rain were read; report it if it is not midnight."""
    given = days["hour"][(days["hour"] != "") & days["rain_mm"].notna()]
    if given.empty:
        return ""
    hour = str(given.mode().iloc[0])
    other = ~given.isin(MIDNIGHT)
    if other.any():
        problems.append(Problem("W-CLI-102", file, rule=f"a day of rain should end at midnight; {int(other.sum()):,} "
                                f"of {len(given):,} days with an hour do not.", remedy="Nothing to do.",
                                action="Used as written: rain read in the morning fell mostly the day before, which "
                                "moves a month's end by a day at most.", column="observation hour",
                                value=f"{cell} {hour}"))
    return hour


def _continued(cell: str, latitude: float, filled: daily_gaps.Months, months: pd.DataFrame | None, what: str, hour: str,
               file: str, problems: list[Problem]) -> DailyRecord:
    """Return days and months on one axis: the monthly record before, after and in the gaps of the days."""
    own = filled.monthly(cell)
    columns = ["precipitation_mm", "temperature_c"]
    other = own.iloc[:0] if months is None else months[months["cell_id"] == cell].dropna(subset=columns)
    both = [*own["month"].iloc[[0, -1]], *other["month"]]
    first, last = int(min(both)), int(max(both))
    axis = np.arange(first, last + 1)
    by_days = own[filled.usable].set_index("month").reindex(axis)[columns]
    by_months = other.set_index("month").reindex(axis)[columns]
    from_days = by_days["precipitation_mm"].notna().to_numpy()
    monthly = by_days.combine_first(by_months)
    known = monthly["precipitation_mm"].notna().to_numpy()
    if known.sum() < LEAST_MONTHS:
        raise LayerError(f"E-CLI-107 {file}: {cell} has {int(from_days.sum())} whole months by days and "
                         f"{int(known.sum())} with the monthly record; {LEAST_MONTHS} are needed. Give a longer file, "
                         "or the monthly record of the same place beside it.")
    problems += _told_months(cell, first, from_days, known, filled, file)
    day = pd.date_range(pd.Period(year=first // 12, month=first % 12 + 1, freq="M").start_time,
                        pd.Period(year=last // 12, month=last % 12 + 1, freq="M").end_time.normalize(), freq="D")
    rain, warmth = (pd.Series(values, index=filled.day).reindex(day).to_numpy(float)
                    for values in (filled.rain_mm, filled.temperature_c))
    table = monthly.reset_index(names="month").assign(cell_id=cell, pet_mm=np.nan)
    return DailyRecord(cell, latitude, first, rain, warmth, from_days, table, what, hour)


def _told_months(cell: str, first: int, from_days: NDArray[np.bool_], known: NDArray[np.bool_],
                 filled: daily_gaps.Months, file: str) -> list[Problem]:
    """Return one finding per run of months without daily values: those inside the daily record, and those around it."""
    start = filled.first_month - first
    inside = np.zeros(from_days.size, dtype=bool)
    inside[start : start + filled.usable.size] = True
    needed = (f"a month may lack {daily_gaps.RAIN_DAYS} days of rain, and {daily_gaps.WARMTH_DAYS} days of temperature "
              "in a row; these lack more.")
    kinds = ((~known, "W-CLI-101", needed, "kept without value; bridged later with an index, the weekly map or "
              "the usual season, and flagged."),
             (inside & known & ~from_days, "W-CLI-105", needed, "taken from the monthly record, as one rain "
              "per week."),
             (~inside & known, "W-CLI-106", "the days do not cover the whole record.", "taken from the monthly "
              "record, as one rain per week, by the same equations."))
    return [Problem(code, file, rule=rule, remedy="Add the days if you have them.",
                    action=f"{_count(b - a + 1)} {action}", value=f"{cell} {_span(a, b)}")
            for chosen, code, rule, action in kinds for a, b in daily_gaps.runs(first, chosen)]


def _count(months: int) -> str:
    return "1 month" if months == 1 else f"{months:,} months"


def _span(first: int, last: int) -> str:
    names = month_numbers.month_name(first), month_numbers.month_name(last)
    return names[0] if first == last else "..".join(names)
