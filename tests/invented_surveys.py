"""Invented survey rows on the lots of a run: one single survey and one change a house."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from riskmap import settings, tables
from riskmap.calibrate import surveys, synthetic
from riskmap.outputs import record, run_folder
from riskmap.results import Results


def run_of(outputs: Path) -> Results:
    return record.read(run_folder.find("latest", outputs))


def rows_of(results: Results) -> pd.DataFrame:
    lots = results.lots
    usable = (lots["state"] == "") & (lots["pour_date_basis"] != "none") & (lots["pour_date_late"] < "2018")
    assert results.inputs is not None
    rows = np.flatnonzero(usable.to_numpy())
    now = tables.parse_month(results.today)
    houses = pd.DataFrame({"house": np.arange(rows.size), "lot_row": rows,
                           "lot_id": lots["lot_id"].to_numpy()[rows], "column": results.inputs.lot_column[rows]})
    back = np.random.default_rng(3).integers(0, 24, rows.size)
    table = pd.concat([houses.assign(kind="single", first_month=now - back, second_month=-1),
                       houses.assign(kind="change", first_month=now - 26, second_month=now - 2)], ignore_index=True)
    return surveys.with_ground(table, results)


def town_of(outputs: Path, truths: int) -> synthetic.Town:
    results = run_of(outputs)
    assert results.inputs is not None
    return synthetic.town(rows_of(results), results.inputs, settings.Area.model_validate(results.settings), truths)


def write_csv(town: synthetic.Town, values: np.ndarray, path: Path, **columns: object) -> Path:
    table = town.table
    change = table["kind"] == "change"
    text = pd.Series(np.round(values, 2)).astype(str)
    frame = pd.DataFrame({
        "lot_id": table["lot_id"], "first_date": table["first_month"].map(tables.month_name),
        "second_date": [tables.month_name(m) if m >= 0 else "" for m in table["second_month"]],
        "change_mm": text.where(change, ""), "dome_mm": text.where(~change, ""),
        "reading_sd_mm": np.where(change, synthetic.CHANGE_SD_MM, synthetic.SINGLE_SD_MM), **columns})
    frame.to_csv(path, index=False)
    return path
