"""From a table of texts to readings in SI; every row that cannot be used is reported.

Point form, one row per reading: `point`, `x_ft`/`x_m`, `y_ft`/`y_m`, `elevation_in`/`_mm`/`_m`/`_ft`; optional `zero`
(set-up), `floor` (covering), `floor_offset_in`/`_mm` (how much the covering raises the reading), `exclude` (reason,
such as garage), `date` (YYYY-MM-DD), `unit` (must be that of the elevation column), `lot_id` (must be one lot). A point
may be repeated, from another zero or on another covering; its x and y may then be empty. `elevation_m` and
`elevation_ft` may contain heights above a datum, because only differences count.

House form, one row per house: `house`, `xy_unit` (ft or m), `elevation_unit` (in, mm, m, ft), optional `date`, and one
column per point, named `point@x,y`, for example `A1@0,12.5`.
"""

from __future__ import annotations

from datetime import date
from pathlib import PurePath
from typing import Any

import numpy as np
import pandas as pd

from riskmap.answers.survey.contradictions import SAME_PLACE_M
from riskmap.answers.survey.lengths import MM_PER_UNIT, parse_mm
from riskmap.common.errors import LayerError, counted, joined, shown
from riskmap.common.problems import Problem, kept_by_refusal

LENGTH_UNITS = ("ft", "m")
READING_UNITS = ("in", "mm", "m", "ft")
COLUMNS = ("row", "point", "x_m", "y_m", "reading_mm", "zero", "floor", "floor_offset_mm", "exclude", "date")
LARGEST_MM = 5000.0  # judgement: floors of one house differ by less; a larger difference means a wrong unit
HIGHEST_MM = 9_000_000.0  # published: the highest ground is 8,849 m above the sea (survey of 2020)
ABOVE_DATUM = ("m", "ft")  # units in which heights above a datum may be given
MOST_READINGS = 1000  # measured: 900 points take 15 s, and the time grows with the third power
LARGEST_XY_M = 300.0  # judgement: a house is smaller
UNIT_WORDS = {'"': "in", "inch": "in", "inches": "in", "'": "ft", "foot": "ft", "feet": "ft", "millimetres": "mm",
              "millimeters": "mm", "metres": "m", "meters": "m", "metre": "m", "meter": "m"}
NOT_USED = "Row kept in the file of problems, not used."


def from_table(frame: pd.DataFrame, file: str, house: str | None = None, lot: str | None = None) \
        -> tuple[pd.DataFrame, list[Problem]]:
    """Read a table of texts (or numbers) whose column `row` is the row number in the user's editor.

    With `lot`, rows that have another lot_id are not used.

    Returns
    -------
    readings : DataFrame
        `COLUMNS`, one row per usable reading, in file order.
    problems : list of Problem

    Raises
    ------
    LayerError
        When a needed column is missing, given in two units, no row can be used, or the rows belong to several lots and
        none is asked for.
    """
    file = PurePath(file).name
    frame = frame.rename(columns=lambda name: str(name).strip())
    lower = [str(name).lower() for name in frame.columns]
    if len(set(lower)) < len(lower):
        twice = sorted({name for name in lower if lower.count(name) > 1})
        raise LayerError(f"E-SVY-002 {file}: two columns have the same name: {joined(repr(name) for name in twice)}. "
                         "Rename one, or remove an empty one.")
    problems: list[Problem] = []
    if "point" not in lower and any("@" in name for name in lower):
        frame, problems = _from_house_form(frame, file, house)
    else:
        frame.columns = pd.Index(lower)
    with kept_by_refusal(problems):
        x, unit_x = _column(frame, "x", LENGTH_UNITS, file)
        y, unit_y = _column(frame, "y", LENGTH_UNITS, file)
        z, unit_z = _column(frame, "elevation", READING_UNITS, file)
        if "point" not in frame:
            raise LayerError(f"E-SVY-001 {file}: column point is missing. Give each point a name of its own.")
        offset = next((n for n in ("floor_offset_in", "floor_offset_mm") if n in frame), None)
        if len(frame) > MOST_READINGS:
            raise LayerError(f"E-SVY-006 {file}: {len(frame):,} readings; at most {MOST_READINGS:,} are taken. Give "
                             "one house at a time.")
        lots = list(dict.fromkeys(name for name in frame["lot_id"].map(_text) if name)) if "lot_id" in frame else []
        if (len(lots) > 1 and lot is None) or (lots and lot not in (None, *lots)):
            advice = "Give each house in a file of its own." if lot is None else f"--lot asks for {shown(lot)}."
            raise LayerError(f"E-SVY-075 {file}: the rows are of {counted(len(lots), 'lot')}: {joined(lots, 3)}. "
                             f"{advice}")
        zeros = "zero" in frame and bool((frame["zero"].map(_text) != "").any())
        reader = _Reader(file, problems, zeros=zeros, lot=lot)
        rows = [reader.row(entry, x, unit_x, y, unit_y, z, unit_z, offset) for entry in frame.to_dict("records")]
        readings = pd.DataFrame([row for row in rows if row is not None], columns=list(COLUMNS))
        if unit_z in ABOVE_DATUM:
            readings = _near_each_other(readings, reader, z)
        readings = _placed(readings, reader)
        if readings.empty:
            first = f" The first finding: {problems[0]}" if problems else ""
            raise LayerError(f"E-SVY-003 {file}: no row can be used.{first}")
        return readings, problems


def _near_each_other(readings: pd.DataFrame, reader: _Reader, column: str) -> pd.DataFrame:
    """Return the readings without those too far from the median. Of heights above a datum only differences count."""
    away = (readings["reading_mm"] - readings["reading_mm"].median()).abs() > LARGEST_MM
    for row, mm in readings.loc[away, ["row", "reading_mm"]].itertuples(index=False):
        reader.finding("E-SVY-063", row, column, f"{mm / 1000:,.3f} m", rule="The value is more than "
                       f"{LARGEST_MM / 1000:g} m from the median of all readings; floors of one house differ by less.",
                       remedy="Check unit and value; heights above a datum and readings from a zero cannot be in one "
                       "column.")
    return readings[~away].reset_index(drop=True)


def _column(frame: pd.DataFrame, name: str, units: tuple[str, ...], file: str) -> tuple[str, str]:
    columns = [(f"{name}_{unit}", unit) for unit in units if f"{name}_{unit}" in frame]
    if len(columns) != 1:
        names = " or ".join(f"{name}_{unit}" for unit in units)
        said = "is given in two units" if columns else "is missing"
        raise LayerError(f"E-SVY-001 {file}: column {names} {said}. The unit is the end of the column's name.")
    return columns[0]


def _text(value: Any) -> str:
    if value is None or (isinstance(value, float) and np.isnan(value)):
        return ""
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return str(value).strip()


class _Reader:
    """Turns rows into values and reports what cannot be used."""

    def __init__(self, file: str, problems: list[Problem], *, zeros: bool, lot: str | None) -> None:
        self.file, self.problems, self.zeros, self.lot = file, problems, zeros, lot

    def finding(self, code: str, row: int, column: str, value: object, *, rule: str, remedy: str,
                action: str = NOT_USED) -> None:
        self.problems.append(Problem(code, self.file, rule=rule, remedy=remedy, action=action, row=int(row),
                                     column=column, value=_text(value)))

    def row(self, entry: dict[Any, Any], x: str, unit_x: str, y: str, unit_y: str, z: str, unit_z: str,
            offset: str | None) -> tuple[object, ...] | None:
        row, point = int(entry["row"]), _text(entry["point"])
        bad = not point
        if bad:
            self.finding("E-SVY-010", row, "point", "", rule="A reading belongs to a named point.",
                         remedy="Give the point's name.")
        values = []
        for name, unit, most in ((x, unit_x, 1000 * LARGEST_XY_M), (y, unit_y, 1000 * LARGEST_XY_M),
                                 (z, unit_z, HIGHEST_MM if unit_z in ABOVE_DATUM else LARGEST_MM)):
            raw = entry[name]
            if name != z and _text(raw) == "":
                values.append(np.nan)
                continue
            number = self._length(row, name, raw, unit, most)
            bad |= number is None
            values.append(np.nan if number is None else number)
        own = _text(entry.get("lot_id"))
        if self.lot is not None and own and own != self.lot:
            bad = True
            self.finding("E-SVY-065", row, "lot_id", own, rule=f"The reading is of another lot than {shown(self.lot)}, "
                         "which is asked for.", remedy="Name the lot that was surveyed with --lot, or correct "
                         "the lot_id.")
        named = _text(entry.get("unit")).lower()
        if named and UNIT_WORDS.get(named, named) != unit_z:
            bad = True
            self.finding("E-SVY-064", row, "unit", named, rule=f"The row's unit is not that of the column {z}.",
                         remedy="Convert the reading, or correct the unit.")
        if self.zeros and _text(entry.get("zero")) == "":
            bad = True
            self.finding("E-SVY-066", row, "zero", "", rule="Other rows name the zero (set-up) they were read from.",
                         remedy="Name the zero of this reading too.")
        cover = np.nan
        if offset is not None and _text(entry[offset]) != "":
            number = self._length(row, offset, entry[offset], offset.rsplit("_", 1)[1], 300.0)
            bad |= number is None
            cover = np.nan if number is None else number
        day = _text(entry.get("date")).removesuffix(" 00:00:00")
        if day:
            try:
                day = date.fromisoformat(day).isoformat()
            except ValueError:
                self.finding("W-SVY-013", row, "date", day, rule="A date is YYYY-MM-DD.", remedy="Write it so.",
                             action="Reading used without a date.")
                day = ""
        if bad:
            return None
        return (row, point, values[0] / 1000, values[1] / 1000, values[2], _text(entry.get("zero")) or "1",
                _text(entry.get("floor")).lower(), cover, _text(entry.get("exclude")), day)

    def _length(self, row: int, name: str, raw: object, unit: str, most: float) -> float | None:
        try:
            number = parse_mm(raw if isinstance(raw, int | float) else _text(raw), unit)
        except ValueError as error:
            self.finding("E-SVY-011", row, name, raw, rule=str(error), remedy="Correct the value.")
            return None
        if abs(number) > most:
            self.finding("E-SVY-012", row, name, raw, rule="The value is at most "
                         f"{most / MM_PER_UNIT[unit]:,.0f} {unit}.",
                         remedy="Is another unit meant? The column's name says the unit; heights above a datum belong "
                         "under elevation_m or elevation_ft.")
            return None
        return number


def _placed(readings: pd.DataFrame, reader: _Reader) -> pd.DataFrame:
    """Give every reading the place of its point."""
    keep = np.ones(len(readings), dtype=bool)
    places = readings.dropna(subset=["x_m", "y_m"]).drop_duplicates("point").set_index("point")[["x_m", "y_m"]]
    columns = (readings[name] for name in ("row", "point", "x_m", "y_m"))
    for k, (row, point, x, y) in enumerate(zip(*columns, strict=True)):
        if point not in places.index:
            keep[k] = False
            reader.finding("E-SVY-014", row, "x, y", "", rule=f"No row gives x and y of point {point}.",
                           remedy="Give them once.")
            continue
        own = places.loc[point]
        if np.isfinite(x) and np.isfinite(y) and np.hypot(x - own["x_m"], y - own["y_m"]) > SAME_PLACE_M:
            keep[k] = False
            reader.finding("E-SVY-015", row, "point", point, rule=f"Point {point} has another place in an earlier row.",
                           remedy="Give different points different names.")
    readings = readings[keep].reset_index(drop=True)
    readings[["x_m", "y_m"]] = places.reindex(readings["point"]).to_numpy(float).reshape(-1, 2)
    return readings


def _from_house_form(frame: pd.DataFrame, file: str, house: str | None) -> tuple[pd.DataFrame, list[Problem]]:
    frame = frame.rename(columns=lambda name: name if "@" in name else name.lower())
    missing = [name for name in ("house", "xy_unit", "elevation_unit") if name not in frame]
    if missing:
        raise LayerError(f"E-SVY-001 {file}: one row per house needs the columns {joined(missing)} too.")
    ids = frame["house"].map(_text)
    if house is None and len(frame) != 1:
        raise LayerError(f"E-SVY-004 {file}: it contains {len(frame)} houses. Name one with --house.")
    chosen = frame if house is None else frame[ids == house]
    if len(chosen) != 1:
        raise LayerError(f"E-SVY-004 {file}: {len(chosen)} rows have house {house!r}; there must be one.")
    entry = chosen.iloc[0]
    units = _text(entry["xy_unit"]).lower(), _text(entry["elevation_unit"]).lower()
    if units[0] not in LENGTH_UNITS or units[1] not in READING_UNITS:
        raise LayerError(f"E-SVY-005 {file}: xy_unit is ft or m, elevation_unit in, mm, m or ft.")
    rows, problems = [], []
    for name in frame.columns:
        if "@" not in name:
            continue
        point, _, place = name.rpartition("@")
        x, _, y = place.partition(",")
        if _text(entry[name]) == "":
            problems.append(Problem("W-SVY-016", file, rule="The house has no reading at this point.",
                                    remedy="Nothing, or add it.", action="Point left out.", row=int(entry["row"]),
                                    column=name))
            continue
        rows.append({"row": entry["row"], "point": point, f"x_{units[0]}": x, f"y_{units[0]}": y,
                     f"elevation_{units[1]}": entry[name], "date": entry.get("date")})
    return pd.DataFrame(rows, columns=["row", "point", f"x_{units[0]}", f"y_{units[0]}", f"elevation_{units[1]}",
                                       "date"]), problems
