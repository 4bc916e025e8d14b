"""Corrections of single lots, kept in a file of their own: the lot file stays as the county published it.

One row per correction: lot_id, column, value, reason, and if known the date on which it was noted. Nobody's name is
asked for. Every correction is told: applied, replaced by a later one, or refused and why.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from riskmap import units
from riskmap.errors import LayerError, Problem, joined, shown
from riskmap.layers import lots_csv
from riskmap.layers.lots_columns import NUMBER_COLUMNS, OTHER_UNITS, dropped_columns

if TYPE_CHECKING:
    import geopandas as gpd

NEEDED = ("lot_id", "column", "value", "reason")
TEXTS = ("pour_date", "pour_date_early", "pour_date_late", "pour_date_basis", "foundation_type")
COLUMNS = (*TEXTS, *NUMBER_COLUMNS, *OTHER_UNITS, "geometry")


def read(path: Path, name: str, problems: list[Problem]) -> pd.DataFrame:
    """Return the corrections as text, with `source_row`; rows that are none are told and left out.

    Raises
    ------
    LayerError
        No such file, no CSV, a column that is needed is missing.
    """
    if not path.is_file():
        raise LayerError(f"E-LOT-030 {name}: no such file. Check lots.corrections in the area file.")
    table, heading, rows = lots_csv.read_table(path, name, problems)
    lower = [column.strip().lower() for column in heading]
    missing = [column for column in NEEDED if column not in lower]
    if missing:
        raise LayerError(f"E-LOT-031 {name}: no column {joined(missing)}. Corrections need {joined(NEEDED)}, and may "
                         "have date.")
    kept = [*NEEDED, *(["date"] if "date" in lower else [])]
    others = [heading[k] for k, column in enumerate(lower) if column not in kept]
    problems += dropped_columns(others, name)
    frame = table[[lower.index(column) for column in kept]].set_axis(kept, axis=1).apply(lambda c: c.str.strip())
    frame = frame.assign(date=frame.get("date", ""), source_row=rows)
    day = pd.to_datetime(frame["date"], format="%Y-%m-%d", errors="coerce")
    good = pd.Series(True, index=frame.index)
    for bad, column, rule, remedy in (
            (frame["lot_id"] == "", "lot_id", "no lot is named.", "Write the identifier as in the lot file."),
            (~frame["column"].isin(COLUMNS), "column", f"it is not one of {joined(COLUMNS, 20)}.", "Use one of them."),
            (frame["reason"] == "", "reason", "a correction needs a reason.", "Write what it rests on."),
            ((frame["date"] != "") & day.isna(), "date", "it is not a date.", "Write YYYY-MM-DD or leave it empty.")):
        for row in frame[bad & good].to_dict("records"):
            problems.append(Problem("E-LOT-032", name, rule, remedy, "Correction not applied.",
                                    int(row["source_row"]), column, shown(row[column])))
        good &= ~bad
    return frame.assign(day=day)[good].reset_index(drop=True)


def apply(lots: gpd.GeoDataFrame, corrections: pd.DataFrame, name: str, problems: list[Problem]) -> gpd.GeoDataFrame:
    """Return the lots with corrections applied and a column `corrected`.

    Parameters
    ----------
    lots : GeoDataFrame
        As `lots.read` makes it. A corrected `geometry` is well-known text in the lots' own coordinate system.
    corrections : DataFrame
        As `read` returns it. Of several for one lot and column the one with the latest date holds, of equal dates the
        lower row; those without a date come first.
    """
    ids = lots["lot_id"].astype("str")
    where = pd.Series(np.arange(len(lots)), index=ids.to_numpy())
    counts = ids.value_counts()
    ordered = corrections.sort_values("day", kind="stable", na_position="first").reset_index(drop=True)
    later = ordered.duplicated(["lot_id", "column"], keep="last")
    shapes = np.array(lots.geometry.array, dtype=object)
    changed: dict[str, Any] = {column: lots[column].copy() for column in (*TEXTS, *NUMBER_COLUMNS)}
    mark = np.zeros(len(lots), dtype=bool)
    for k, row in enumerate(ordered.to_dict("records")):
        line, lot, column = int(row["source_row"]), str(row["lot_id"]), str(row["column"])
        count = int(counts.get(lot, 0))
        rule = "no lot has this identifier." if count == 0 else \
            f"{count} lots have this identifier." if count > 1 else ""
        if rule:
            problems.append(Problem("E-LOT-033", name, rule, "Name exactly one lot.", "Correction not applied.", line,
                                    "lot_id", shown(lot)))
            continue
        if later.iloc[k]:
            problems.append(Problem("W-LOT-034", name, f"a later correction of {column} for this lot holds.",
                                    "None needed.", "Passed over.", line, "lot_id", shown(lot)))
            continue
        place = int(where[lot])
        ours, value, wrong = _value(column, str(row["value"]))
        if wrong:
            problems.append(Problem("E-LOT-035", name, wrong, "Correct the value.", "Correction not applied.", line,
                                    "value", shown(row["value"])))
            continue
        if ours == "geometry":
            was, shapes[place] = "another outline", value
        else:
            was = shown(changed[ours].iloc[place])
            changed[ours].iloc[place] = value
        if ours == "pour_date":  # a range in the lot file would go before it
            changed["pour_date_early"].iloc[place] = changed["pour_date_late"].iloc[place] = ""
        mark[place] = True
        problems.append(Problem("W-LOT-036", name, f"{column} of lot {shown(lot)} was {was or 'empty'}; reason: "
                                f"{shown(row['reason'])}.", "None needed.", "Correction applied.", line, column,
                                shown(row["value"])))
    return lots.assign(**changed, corrected=mark).set_geometry(shapes, crs=lots.crs)


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
