"""What a run leaves behind for later commands: everything of `Results` that `lots.parquet` does not hold.

`map`, `brief`, `screen`, `explain` and `compare` read a finished run folder; they compute nothing again that stands
here. Tables are Parquet, plain values are JSON: nothing in a run folder is ever executed on reading.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from riskmap import __version__, tables
from riskmap.errors import Problem, RunFolderError, TableError
from riskmap.movement_inputs import ClimateHistory, MovementInputs
from riskmap.plain import plain
from riskmap.results import AreaResults, History, Results

if TYPE_CHECKING:
    import geopandas as gpd

FOLDER = "record"
FACTS = "facts.json"
PROBLEMS = "problems.json"
LOTS = "lots.parquet"
FORMAT = 1
TABLES = ("climate", "drought_weeks")
SHAPES = ("soil_lines", "drought_shapes")
INPUTS = ("column", "column_profile", "profile", "layer")
# differ between equal runs (draws are shared within a batch, columns are kept); the manifest has them
OF_ONE_RUN = ("stage_seconds", "seconds", "unit_draws_per_s", "unit_draws", "reused_columns")


def write(found: AreaResults, folder: Path) -> Path:
    """Write the folder `record` into a run folder and return its path."""
    place = folder / FOLDER
    place.mkdir()
    for name in TABLES:
        getattr(found, name).to_parquet(place / f"{name}.parquet", compression="zstd", index=False)
    for name in SHAPES:
        shapes: gpd.GeoDataFrame | None = getattr(found, name)
        if shapes is not None:
            shapes.to_parquet(place / f"{name}.parquet", compression="zstd", index=False)
    if found.history is not None:
        _history_table(found.history).to_parquet(place / "history.parquet", compression="zstd", index=False)
        pd.DataFrame({"series": found.history.series}).to_parquet(place / "lot_series.parquet", compression="zstd")
    if found.inputs is not None:
        _write_inputs(found.inputs, place)
    facts = {"format": FORMAT, "riskmap": __version__, "area_name": found.area_name, "today": found.today,
             "soil_scale": found.soil_scale, "credits": list(found.credits), "settings": found.settings,
             "facts": {name: value for name, value in found.facts.items() if name not in OF_ONE_RUN}}
    (place / FACTS).write_text(json.dumps(plain(facts), ensure_ascii=False, allow_nan=False) + "\n", encoding="utf-8",
                               errors="backslashreplace", newline="\n")
    return place


def lot_ids(folder: Path) -> pd.Series:
    """Return the identifiers of a run's lots in the order of its rows, without reading the rest."""
    return pd.read_parquet(folder / LOTS, columns=["lot_id"])["lot_id"].astype("str")


def read(folder: Path, lot_id: str | None = None) -> Results:
    """Read a finished run folder.

    Parameters
    ----------
    folder : Path
        As `run_folder.new_run` left it.
    lot_id : str, optional
        Read the rows of this identifier only, without past months and inputs: what a million lots would cost is not
        spent on one.

    Returns
    -------
    Results
        Values as written: rounded to the steps of the tables.

    Raises
    ------
    RunFolderError
        When the folder is no run of this version's format, or a file of it is damaged.
    """
    import geopandas as gpd

    place = folder / FOLDER
    if not (folder / LOTS).is_file() or not (place / FACTS).is_file():
        raise RunFolderError(f"E-RUN-010 {folder.as_posix()}: this is not a finished run of `riskmap estimate` "
                             f"({LOTS} and {FOLDER}/{FACTS} belong to one). Name a folder below outputs/, or `latest`.")
    try:
        told = json.loads((place / FACTS).read_text(encoding="utf-8"))
        if told["format"] != FORMAT:
            raise RunFolderError(f"E-RUN-011 {folder.as_posix()}: the run was written in format {told['format']}, "
                                 f"this version reads {FORMAT}. Run the estimate again.")
        lots = gpd.read_parquet(folder / LOTS, filters=None if lot_id is None else [("lot_id", "==", lot_id)])
        tables.check(tables.ESTIMATE, lots)
        frames = {name: pd.read_parquet(place / f"{name}.parquet") for name in TABLES}
        shapes = {name: gpd.read_parquet(place / f"{name}.parquet") for name in SHAPES
                  if (place / f"{name}.parquet").is_file()}
        history, inputs = (_history(place), _inputs(place)) if lot_id is None else (None, None)
        listed = json.loads((folder / PROBLEMS).read_text(encoding="utf-8"))
        if not isinstance(listed, list):
            raise TypeError(PROBLEMS)
        problems = [Problem(**entry) for entry in listed]
        return Results(
            lots=lots, area_name=str(told["area_name"]), today=str(told["today"]), soil_scale=told["soil_scale"],
            climate=frames["climate"], drought_weeks=frames["drought_weeks"], credits=tuple(told["credits"]),
            problems=problems, facts=dict(told["facts"]), history=history, soil_lines=shapes.get("soil_lines"),
            drought_shapes=shapes.get("drought_shapes"), inputs=inputs, settings=dict(told["settings"]))
    except (OSError, ValueError, KeyError, TypeError, AttributeError, TableError) as error:
        raise RunFolderError(f"E-RUN-012 {folder.as_posix()}: a file of the run is damaged ({type(error).__name__}). "
                             "`riskmap verify` names it; run the estimate again.") from None


def _history_table(history: History) -> pd.DataFrame:
    return pd.DataFrame(np.asarray(history.deflection_mm, dtype=np.float32), columns=list(history.months))


def _history(place: Path) -> History | None:
    if not (place / "history.parquet").is_file():
        return None
    values = pd.read_parquet(place / "history.parquet")
    series = pd.read_parquet(place / "lot_series.parquet")["series"].to_numpy(np.int64)
    return History(tuple(values.columns), values.to_numpy(np.float32), series)


# ---------------------------------------------------------------- inputs of the movement stage
def _write_inputs(inputs: MovementInputs, place: Path) -> None:
    for name in INPUTS:
        getattr(inputs, name).to_parquet(place / f"{name}.parquet", compression="zstd", index=False)
    pd.DataFrame({"column": inputs.lot_column}).to_parquet(place / "lot_column.parquet", compression="zstd")
    history = inputs.history
    cells, months = history.precipitation_mm.shape
    pd.DataFrame({"cell_id": list(history.cells), "flags": list(history.flags),
                  "coldest_normal_c": history.coldest_normal_c}).to_parquet(place / "cell.parquet", index=False)
    pd.DataFrame({
        "cell": np.repeat(np.arange(cells), months), "month": np.tile(history.first_month + np.arange(months), cells),
        "precipitation_mm": history.precipitation_mm.ravel(), "pet_mm": history.pet_mm.ravel(),
        "z": history.z.ravel(), "source": history.source.ravel(),
    }).to_parquet(place / "cell_month.parquet", compression="zstd", index=False)


def _inputs(place: Path) -> MovementInputs | None:
    if not (place / "column.parquet").is_file():
        return None
    frames = {name: pd.read_parquet(place / f"{name}.parquet") for name in INPUTS}
    cell, month = pd.read_parquet(place / "cell.parquet"), pd.read_parquet(place / "cell_month.parquet")
    rows = {name: month[name].to_numpy().reshape(len(cell), -1)
            for name in ("precipitation_mm", "pet_mm", "z", "source")}
    history = ClimateHistory(
        cells=tuple(cell["cell_id"]), first_month=int(month["month"].min()), flags=tuple(cell["flags"]),
        coldest_normal_c=cell["coldest_normal_c"].to_numpy(float), **rows)
    return MovementInputs(lot_column=pd.read_parquet(place / "lot_column.parquet")["column"].to_numpy(np.int64),
                          history=history, **frames)
