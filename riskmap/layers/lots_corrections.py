"""Corrections of single lots, in a file of their own, so that the lot file stays as the county published it.

One row per correction: lot_id, column, value, reason, and optionally the date on which it was noted; `row` where
several rows of the lot file have the identifier. It asks for nobody's name. Every correction is reported: as applied,
as replaced by a later one, or as refused, with the reason.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from riskmap.common import units
from riskmap.common.errors import LayerError, joined, shown
from riskmap.common.problems import Problem
from riskmap.layers import lots_csv
from riskmap.layers.lots_columns import NUMBER_COLUMNS, OTHER_UNITS, dropped_columns

if TYPE_CHECKING:
    import geopandas as gpd

NEEDED = ("lot_id", "column", "value", "reason")
OPTIONAL = ("date", "row")
TEXTS = ("pour_date", "pour_date_early", "pour_date_late", "pour_date_basis", "foundation_type", "land_use",
         "post_tensioned")
COLUMNS = (*TEXTS, *NUMBER_COLUMNS, *OTHER_UNITS, "geometry")


def read(path: Path, name: str, problems: list[Problem]) -> pd.DataFrame:
    """Return the corrections as text, with `source_row`; rows that are not corrections are reported and left out.

    Raises
    ------
    LayerError
        The file does not exist or is not a CSV, or a required column is missing.
    """
    if not path.is_file():
        raise LayerError(f"E-LOT-030 {name}: no such file. Check lots.corrections in the area file.")
    table, heading, rows = lots_csv.read_table(path, name, problems)
    lower = [column.strip().lower() for column in heading]
    missing = [column for column in NEEDED if column not in lower]
    if missing:
        raise LayerError(f"E-LOT-031 {name}: no column {joined(missing)}. Corrections need {joined(NEEDED)}, and may "
                         f"have {joined(OPTIONAL)}.")
    columns = [*NEEDED, *(column for column in OPTIONAL if column in lower)]
    others = [heading[k] for k, column in enumerate(lower) if column not in columns]
    problems += dropped_columns(others, name)
    frame = table[[lower.index(column) for column in columns]].set_axis(columns, axis=1).apply(lambda c: c.str.strip())
    frame = frame.assign(date=frame.get("date", ""), row=frame.get("row", ""), source_row=rows)
    day = pd.to_datetime(frame["date"], format="%Y-%m-%d", errors="coerce")
    good = pd.Series(True, index=frame.index)
    for bad, column, rule, remedy in (
            (frame["lot_id"] == "", "lot_id", "no lot is named.", "Write the identifier as in the lot file."),
            (~frame["column"].isin(COLUMNS), "column", f"it is not one of {joined(COLUMNS, 20)}.", "Use one of them."),
            (~frame["row"].str.fullmatch(r"(0*[1-9][0-9]{0,14})?"), "row", "it is not the number of a row.",
             "Write the row of the lot file as your editor numbers it, or leave it empty."),
            (frame["reason"] == "", "reason", "a correction needs a reason.", "Write what it rests on."),
            ((frame["date"] != "") & day.isna(), "date", "it is not a date.", "Write YYYY-MM-DD or leave it empty.")):
        for row in frame[bad & good].to_dict("records"):
            problems.append(Problem("E-LOT-032", name, rule=rule, remedy=remedy, action="Correction not applied.",
                                    row=int(row["source_row"]), column=column, value=shown(row[column])))
        good &= ~bad
    return frame.assign(day=day)[good].reset_index(drop=True)


def apply(lots: gpd.GeoDataFrame, corrections: pd.DataFrame, name: str, problems: list[Problem]) -> gpd.GeoDataFrame:
    """Return the lots with corrections applied and a column `corrected`.

    Parameters
    ----------
    lots : GeoDataFrame
        As returned by `lots.read`. A corrected `geometry` is well-known text in the lots' own coordinate system.
    corrections : DataFrame
        As returned by `read`. If there are several for one lot and column, the one with the latest date is used, and of
        equal dates the lower row; those without a date count as earliest. `row` selects one of several rows with the
        same identifier.
    """
    ordered = corrections.sort_values("day", kind="stable", na_position="first").reset_index(drop=True)
    places = _places(lots, ordered)
    shapes = np.array(lots.geometry.array, dtype=object)
    changed: dict[str, Any] = {column: lots[column].copy() for column in (*TEXTS, *NUMBER_COLUMNS)}
    mark = np.zeros(len(lots), dtype=bool)
    used = _used_instead(ordered, places)
    for k, row in enumerate(ordered.to_dict("records")):
        line, lot, column = int(row["source_row"]), str(row["lot_id"]), str(row["column"])
        if len(places[k]) != 1:
            problems.append(_not_one(lots, places[k], row, name))
            continue
        if used[k] != k:
            problems.append(_replaced(row, ordered.iloc[used[k]], name))
            continue
        place = places[k][0]
        ours, value, wrong = _value(column, str(row["value"]))
        if wrong:
            problems.append(Problem("E-LOT-035", name, rule=wrong, remedy="Correct the value.",
                                    action="Correction not applied.", row=line, column="value",
                                    value=shown(row["value"])))
            continue
        if ours == "geometry":
            was, shapes[place] = _kind(shapes[place]), value
        else:
            was = shown(changed[ours].iloc[place])
            changed[ours].iloc[place] = value
        if ours == "pour_date":  # a range in the lot file would take precedence over it
            changed["pour_date_early"].iloc[place] = changed["pour_date_late"].iloc[place] = ""
        mark[place] = True
        problems.append(Problem("W-LOT-036", name, rule=f"{column} of lot {shown(lot)} was {was or 'empty'}; reason: "
                                f"{shown(row['reason'])}.", remedy="", action="Correction applied.", row=line,
                                column=column, value=shown(row["value"])))
    return lots.assign(**changed, corrected=mark).set_geometry(shapes, crs=lots.crs)


def _used_instead(ordered: pd.DataFrame, places: list[list[int]]) -> NDArray[np.int64]:
    """Return for each correction the position of the one that is used for its lot and column: the last of them."""
    place = [rows[0] if len(rows) == 1 else -1 - k for k, rows in enumerate(places)]
    grouped = ordered.assign(place=place, position=np.arange(len(ordered))).groupby(["place", "column"], sort=False)
    used: NDArray[np.int64] = grouped["position"].transform("last").to_numpy(np.int64)
    return used


def _replaced(row: dict[Any, Any], used: pd.Series, name: str) -> Problem:
    """Return the finding for a correction that another one replaces: a later one, or one of the same date."""
    column, line, other = str(row["column"]), int(row["source_row"]), int(used["source_row"])
    if row["date"] != used["date"]:
        return Problem("W-LOT-034", name, rule=f"row {other} has a later correction of {column} for this lot.",
                       remedy="", action="Row not used.", row=line, column="lot_id", value=shown(row["lot_id"]))
    date = f"the same date, {row['date']}" if row["date"] else "no date either"
    values = f"'{shown(row['value'])}' and '{shown(used['value'])}'"
    if str(row["value"]) == str(used["value"]):
        return Problem("W-LOT-034", name, rule=f"row {other} has the same correction of {column} for this lot.",
                       remedy="Remove one of the two.", action="Row not used.", row=line, column="lot_id",
                       value=shown(row["lot_id"]))
    return Problem("W-LOT-068", name, rule=f"rows {line} and {other} correct {column} of this lot to {values}; the "
                   f"second has {date}, so the dates do not say which one is right.", remedy="Give the right one a "
                   "later date, or remove the wrong one.", action=f"Row {other} is used, because it is lower in the "
                   "file.", row=line, column="lot_id", value=shown(row["lot_id"]))


def _places(lots: gpd.GeoDataFrame, corrections: pd.DataFrame) -> list[list[int]]:
    """Return the positions of the lots that each correction names: by identifier, and by row if one is given."""
    ids = lots["lot_id"].astype("str")
    named = np.flatnonzero(ids.isin(corrections["lot_id"]))
    by_id = pd.Series(named).groupby(ids.to_numpy()[named]).agg(list).to_dict() if named.size else {}
    rows = lots["source_row"].to_numpy()
    return [[place for place in by_id.get(lot, []) if row in ("", str(rows[place]))]
            for lot, row in zip(corrections["lot_id"], corrections["row"].str.lstrip("0"), strict=True)]


def _not_one(lots: gpd.GeoDataFrame, places: list[int], row: dict[Any, Any], name: str) -> Problem:
    """Return the finding for a correction that names no lot or several lots."""
    if places:
        rule = f"{len(places)} lots have this identifier."
        remedy = f"Say which in a column `row`: one of {joined(lots['source_row'].iloc[place] for place in places)}."
    elif row["row"]:
        rule, remedy = f"no lot has this identifier in row {row['row']}.", "Write the row as your editor numbers it."
    else:
        rule, remedy = "no lot has this identifier.", "Write it as it is in the lot file."
    return Problem("E-LOT-033", name, rule=rule, remedy=remedy, action="Correction not applied.",
                   row=int(row["source_row"]), column="lot_id", value=shown(row["lot_id"]))


def _kind(shape: Any) -> str:
    """Return in words what kind of shape a lot had."""
    if shape is None or shape.is_empty:
        return ""
    return "another point" if "Point" in shape.geom_type else "another outline"


def _value(column: str, text: str) -> tuple[str, Any, str]:
    """Return our column, the value in our unit, and what is wrong with it."""
    import shapely

    if column == "geometry":
        shape = shapely.from_wkt(text, on_invalid="ignore")
        return column, shape, "" if shape is not None else "this is not well-known text."
    if column in TEXTS:
        return column, text, ""
    ours = NUMBER_COLUMNS[OTHER_UNITS.index(column)] if column in OTHER_UNITS else column
    try:
        number = float(text)
    except ValueError:
        return ours, None, "this is not a decimal number."
    if not np.isfinite(number):
        return ours, None, "this is not a decimal number."
    return ours, float(units.BY_SUFFIX[column.rsplit("_", 1)[1]][1](number)), ""
