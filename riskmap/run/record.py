"""What a run stores for later commands: everything of `Results` that `lots.parquet` does not contain.

`map`, `brief`, `screen`, `explain` and `compare` read a finished run folder; they do not compute again what is stored
here. Tables are Parquet with a checksum for each page, plain values are JSON: nothing in a run folder is ever executed
on reading. Files are opened by `files.RunFiles`; their content is checked here even if the manifest agrees with it.
"""

from __future__ import annotations

import json
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import numpy as np
import pandas as pd
from pydantic import BaseModel, ConfigDict, Field, TypeAdapter

from riskmap.common import month_numbers, tables
from riskmap.common.constants import SIZE_BASES
from riskmap.common.errors import RiskmapError, RunFolderError, TableError, shown, visible
from riskmap.common.json_values import plain
from riskmap.common.problems import Problem
from riskmap.common.results import AreaResults, History, Results
from riskmap.common.version import __version__
from riskmap.common.weather import ClimateHistory, DailyWeather, MovementInputs, days_in_months
from riskmap.run import files as run_files
from riskmap.run.files import RunFiles

if TYPE_CHECKING:
    import geopandas as gpd
    from numpy.typing import NDArray

    from riskmap.common.settings import Area

FOLDER = "record"
FACTS = "facts.json"
PROBLEMS = "problems.json"
LOTS = "lots.parquet"
FORMAT = 7
TABLES = ("climate", "drought_weeks")
SHAPES = ("soil_lines", "drought_shapes", "context")
INPUTS = ("archetype", "archetype_profile", "profile", "layer")
# these differ between equal runs (model runs are shared within a batch, archetypes are reused); the manifest has them
OF_ONE_RUN = ("stage_seconds", "seconds", "unit_draws_per_s", "unit_draws", "reused_archetypes")
SUMS = {"write_page_checksum": True}  # so that a table whose bytes changed is not read, with or without a manifest
CHECKED = {"page_checksum_verification": True}
# size of problems.json (judgement: the row-by-row findings of a poor file are 3 per lot, with 9 values and some 300
# bytes each)
_FINDINGS, _FINDINGS_A_LOT, _FINDING_BYTES, _FINDING_VALUES = 100_000, 20, 1000, 12
# what later commands need from each table, by kind: t text, m month, d day, n number, ? number that may be missing
# altogether, b boolean, s shape
_COLUMNS = {
    "climate": {"cell_id": "t", "month": "m", "precipitation_mm": "n", "pet_mm": "?", "spei_12": "?"},
    "drought_weeks": {"cell_id": "t", "valid_date": "d", "category": "t"},
    "soil_lines": {"map_unit_name_left": "t", "map_unit_name_right": "t", "geometry": "s"},
    "drought_shapes": {"valid_date": "d", "category": "t", "geometry": "s"},
    "context": {"layer": "t", "kind": "t", "label": "t", "geometry": "s"},
    "archetype": {"cell_id": "t", "half_width_m": "n", "half_width_basis": "t", "section_mn_m2": "n",
                  "stiffness_basis": "t", "plan_factor": "n", "pour_early_month": "n", "pour_late_month": "n"},
    "archetype_profile": {"archetype_id": "n", "profile_id": "n", "weight": "n"},
    "profile": {"profile_id": "n"},
    "layer": {"profile_id": "n", "top_m": "n", "bottom_m": "n", "lep_low_pct": "n", "lep_pct": "n",
              "lep_high_pct": "n"},
    "cell": {"cell_id": "t", "flags": "t", "coldest_normal_c": "n", "latitude_deg": "n"},
    "cell_month": {"cell": "n", "month": "n", "precipitation_mm": "n", "pet_mm": "n", "z": "n", "source": "n",
                   "temperature_c": "n"},
    "cell_day": {"cell": "n", "rain_mm": "n", "temperature_c": "n"},
    "lot_archetype": {"archetype": "n"}, "lot_series": {"series": "n"},
    "growth": {"archetype": "n", "year": "n", "middle_mm": "n", "edge_mm": "n"},
}
_KINDS = {"t": "OUST", "m": "OUST", "d": "OUST", "n": "iuf", "?": "iuf", "b": "b", "s": "O"}
_PARSED = {"m": month_numbers.parse_month, "d": date.fromisoformat}


class _Lots(BaseModel):
    path: str | None = None


class _Settings(BaseModel):
    lots: _Lots = _Lots()


class _Cell(BaseModel):
    whatif_years: list[Any] = []


class _Calibration(BaseModel):
    sha256: str
    standing: str


class _Known(BaseModel):
    """What later commands need from the facts; other entries are free."""

    model_config = ConfigDict(strict=True)

    code: str = ""
    reference_lot: str = ""
    cells: dict[str, _Cell] = {}
    input_sha256: dict[str, list[str]] = {}
    lot_rows: list[Annotated[list[int], Field(min_length=2, max_length=2)]] = []
    calibration: _Calibration | None = None


class _Facts(BaseModel):
    """The content of facts.json."""

    model_config = ConfigDict(strict=True)

    area_name: str
    today: run_files.Month
    soil_scale: Annotated[int, Field(ge=1)] | None
    credits: list[str]
    settings: _Settings
    facts: _Known


def write(results: AreaResults, folder: Path) -> Path:
    """Write the folder `record` into a run folder and return its path."""
    place = folder / FOLDER
    place.mkdir()
    for name in TABLES:
        getattr(results, name).to_parquet(place / f"{name}.parquet", compression="zstd", index=False, **SUMS)
    for name in SHAPES:
        shapes: gpd.GeoDataFrame | None = getattr(results, name)
        if shapes is not None:
            shapes.to_parquet(place / f"{name}.parquet", compression="zstd", index=False, **SUMS)
    if results.history is not None:
        _history_table(results.history).to_parquet(place / "history.parquet", compression="zstd", index=False, **SUMS)
        pd.DataFrame({"series": results.history.series}).to_parquet(place / "lot_series.parquet", compression="zstd",
                                                                    **SUMS)
    if results.growth is not None:
        results.growth.to_parquet(place / "growth.parquet", compression="zstd", index=False, **SUMS)
    if results.inputs is not None:
        _write_inputs(results.inputs, place)
    facts = {"format": FORMAT, "riskmap": __version__, "area_name": results.area_name, "today": results.today,
             "soil_scale": results.soil_scale, "credits": list(results.credits), "settings": results.settings,
             "facts": {name: value for name, value in results.facts.items() if name not in OF_ONE_RUN}}
    (place / FACTS).write_text(json.dumps(plain(facts), ensure_ascii=False, allow_nan=False) + "\n", encoding="utf-8",
                               errors="backslashreplace", newline="\n")
    return place


def lot_ids(run: Path | RunFiles) -> pd.Series:
    """Return the identifiers of a run's lots in the order of its rows, without reading the rest."""
    files = run if isinstance(run, RunFiles) else RunFiles(run)
    with files.open(LOTS) as stream:
        return pd.read_parquet(stream, columns=["lot_id"], **CHECKED)["lot_id"].astype("str")


def read(run: Path | RunFiles, lot_id: str | None = None, *, inputs: bool = False) -> Results:
    """Read a finished run folder.

    Parameters
    ----------
    run : Path or RunFiles
        A run folder. With a path, every file is compared with the manifest before it is read.
    lot_id : str, optional
        Read only the rows of this identifier, without findings, past months and inputs, so that one lot does not cost
        as much as a million.
    inputs : bool
        With `lot_id`: also read the inputs of the computation, for all lots.

    Returns
    -------
    Results
        Values as they were written, rounded to the steps of the tables. Columns that the estimate does not have are
        left out.

    Raises
    ------
    RunFolderError
        When the folder is not a run in this version's format, or a file of it was changed or is damaged.
    """
    folder = run.folder if isinstance(run, RunFiles) else run
    if not (folder / LOTS).is_file() or not (folder / FOLDER / FACTS).is_file():
        raise RunFolderError(f"E-RUN-010 {visible(folder.as_posix())}: this is not a finished run of `riskmap "
                             f"estimate` ({LOTS} and {FOLDER}/{FACTS} belong to one). Name a folder below outputs/, or "
                             "`latest`.")
    files = run if isinstance(run, RunFiles) else RunFiles(run)
    name = f"{FOLDER}/{FACTS}"
    try:
        header = files.json(name)
        if header["format"] != FORMAT:
            raise RunFolderError(f"E-RUN-011 {visible(folder.as_posix())}: the run was written in format "
                                 f"{shown(header['format'])} by another version of riskmap, and this version reads "
                                 f"format {FORMAT} only. Run `riskmap estimate` with the same area file again; the "
                                 f"settings of the run are in {name}.")
        _Facts.model_validate(header)
        name = LOTS
        lots = _lots(files, lot_id, calibrated=bool(header["facts"].get("calibration")))
        name = PROBLEMS
        problems = _problems(files, len(lots)) if lot_id is None else []
        frames = {}
        for table in (*TABLES, *SHAPES):
            name = f"{FOLDER}/{table}.parquet"
            frames[table] = _table(files, table) if table in TABLES or files.has(name) else None
        name = FOLDER
        history = _history(files, len(lots)) if lot_id is None else None
        source = None
        if lot_id is None or inputs:
            count = len(lots) if lot_id is None else len(lot_ids(files))
            source = _inputs(files, count)
        sharing = _sharing(files, lots)
        growth = _growth(files, source) if lot_id is None else None
        _can_be_driven(source, header["settings"])
    except RiskmapError as error:
        if isinstance(error, TableError):
            raise _damaged(folder, name, error) from None
        raise
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        raise _damaged(folder, name, error) from None
    return Results(
        lots=lots, area_name=header["area_name"], today=header["today"], soil_scale=header["soil_scale"],
        climate=frames["climate"], drought_weeks=frames["drought_weeks"], credits=tuple(header["credits"]),
        problems=problems, facts=header["facts"], history=history, soil_lines=frames["soil_lines"],
        drought_shapes=frames["drought_shapes"], context=frames["context"], inputs=source, growth=growth,
        settings=header["settings"], note=files.note, sharing=sharing)


def area_of(results: AreaResults) -> Area:
    """Return the settings of a run, so that lots of it can be computed again.

    Raises
    ------
    SettingsError
        When they are not settings of this version.
    """
    from riskmap.common import settings

    return settings.of_run(results.settings, f"run of {results.area_name}")


def _damaged(folder: Path, name: str, error: BaseException) -> RunFolderError:
    """Return the refusal of a run with a file that cannot be used. The libraries' own words can quote the file."""
    from pydantic import ValidationError

    ours = isinstance(error, _Contradiction | TableError | ValidationError | RecursionError)
    reason = run_files.why(error) if ours else type(error).__name__
    return RunFolderError(f"E-RUN-012 {visible(folder.as_posix())}: the file {name} of the run is damaged ({reason}). "
                          "Nothing of it was used. `riskmap verify` compares all files; run the estimate again.")


class _Contradiction(ValueError):
    """A table of a run contradicts itself or another one."""


def _lots(files: RunFiles, lot_id: str | None, *, calibrated: bool) -> gpd.GeoDataFrame:
    """Return the table of lots, or the rows of one identifier: the columns of the estimate and the shapes only.

    `calibrated`: the run was estimated with a calibration, and has its columns too.
    """
    import geopandas as gpd

    beside = tables.CALIBRATED if calibrated else ()
    names = [*(column.name for column in (*tables.ESTIMATE.columns, *beside)), "geometry"]
    with files.open(LOTS) as stream:
        lots = gpd.read_parquet(stream, columns=names, **CHECKED,
                                filters=None if lot_id is None else [("lot_id", "==", lot_id)])
    tables.check(tables.ESTIMATE, lots)
    if lots.crs is None or lots.crs.to_epsg() != 4326:
        raise _Contradiction("its shapes are not in EPSG:4326")
    if lot_id is None and not np.array_equal(lots["lot_row"].to_numpy(), np.arange(len(lots))):
        raise _Contradiction("its rows are not those of the lot file in their order")
    bounds = lots.total_bounds
    if np.isfinite(bounds).any() and not (np.abs(bounds) <= (180, 90, 180, 90)).all():
        raise _Contradiction("a shape lies outside of all longitudes and latitudes")
    return lots


def _problems(files: RunFiles, lots: int) -> list[Problem]:
    most = _FINDINGS + _FINDINGS_A_LOT * lots
    listed = files.json(PROBLEMS, _FINDING_BYTES * most, _FINDING_VALUES * most)
    return TypeAdapter(list[Problem]).validate_python(listed)


def _table(files: RunFiles, name: str) -> Any:
    """Return one table of the record, with the columns that belong to it."""
    import geopandas as gpd

    with files.open(f"{FOLDER}/{name}.parquet") as stream:
        frame = (gpd if name in SHAPES else pd).read_parquet(stream, **CHECKED)
    for column, kind in _COLUMNS[name].items():
        if column not in frame and kind == "?":
            continue
        if column not in frame or (frame[column].dtype.kind not in _KINDS[kind] and len(frame)):
            raise _Contradiction(f"{name}: column {column} is missing or of another kind")
        for value in frame[column].unique() if kind in _PARSED else ():
            _PARSED[kind](value)
    return frame


def _within(values: np.ndarray[Any, Any], low: int, high: int, name: str) -> None:
    if len(values) and not (low <= values.min() and values.max() < high):
        raise _Contradiction(f"{name} names rows that are not there")


def _history_table(history: History) -> pd.DataFrame:
    return pd.DataFrame(np.asarray(history.deflection_mm, dtype=np.float32), columns=list(history.months))


def _history(files: RunFiles, lots: int) -> History | None:
    if not files.has(f"{FOLDER}/history.parquet"):
        return None
    with files.open(f"{FOLDER}/history.parquet") as stream:
        values = pd.read_parquet(stream, **CHECKED)
    series = _table(files, "lot_series")["series"].to_numpy(np.int64)
    for month in values.columns:
        month_numbers.parse_month(month)
    if len(series) != lots:
        raise _Contradiction(f"history and lots have {len(series):,} and {lots:,} rows")
    _within(series, -1, len(values), "lot_series")
    return History(tuple(values.columns), values.to_numpy(np.float32), series)


def _sharing(files: RunFiles, lots: gpd.GeoDataFrame) -> NDArray[np.int64] | None:
    """Return how many lots of the run share the estimate of each of these lots; None if the run did not record it."""
    from riskmap.estimates import order

    if not files.has(f"{FOLDER}/lot_archetype.parquet"):
        return None
    counts = order.sharing(_table(files, "lot_archetype")["archetype"].to_numpy(np.int64))
    rows = lots["lot_row"].to_numpy(np.int64)
    _within(rows, 0, len(counts), "lots")
    return counts[rows]


def _growth(files: RunFiles, inputs: MovementInputs | None) -> pd.DataFrame | None:
    """Return the ground of each archetype at each December since the pour; None where the run did not record it."""
    if inputs is None or not files.has(f"{FOLDER}/growth.parquet"):
        return None
    table = _table(files, "growth")[list(_COLUMNS["growth"])]
    _within(table["archetype"].to_numpy(), 0, len(inputs.archetype), "growth")
    step = table.sort_values(["archetype", "year"])[["archetype", "year"]].diff().to_numpy(float)
    if not np.isfinite(table.to_numpy(float)).all() or (step[step[:, 0] == 0, 1] != 1).any():
        raise _Contradiction("growth has a year of an archetype twice, leaves one out or has one without numbers")
    return table


# ---------------------------------------------------------------- inputs of the movement stage
def _write_inputs(inputs: MovementInputs, place: Path) -> None:
    for name in INPUTS:
        getattr(inputs, name).to_parquet(place / f"{name}.parquet", compression="zstd", index=False, **SUMS)
    pd.DataFrame({"archetype": inputs.lot_archetype}).to_parquet(place / "lot_archetype.parquet", compression="zstd",
                                                                 **SUMS)
    history = inputs.history
    cells, months = history.precipitation_mm.shape
    pd.DataFrame({"cell_id": list(history.cells), "flags": list(history.flags),
                  "coldest_normal_c": history.coldest_normal_c, "latitude_deg": history.latitude_deg,
                  }).to_parquet(place / "cell.parquet", index=False, **SUMS)
    pd.DataFrame({
        "cell": np.repeat(np.arange(cells), months), "month": np.tile(history.first_month + np.arange(months), cells),
        "precipitation_mm": history.precipitation_mm.ravel(), "pet_mm": history.pet_mm.ravel(),
        "z": history.z.ravel(), "source": history.source.ravel(), "temperature_c": history.temperature_c.ravel(),
    }).to_parquet(place / "cell_month.parquet", compression="zstd", index=False, **SUMS)
    days = [pd.DataFrame({"cell": cell, "rain_mm": own.rain_mm, "temperature_c": own.temperature_c})
            for cell, own in enumerate(history.days) if own is not None]
    if days:
        pd.concat(days).to_parquet(place / "cell_day.parquet", compression="zstd", index=False, **SUMS)


def _days(files: RunFiles, cells: int, days: int) -> tuple[DailyWeather | None, ...]:
    """Return the daily records of the cells that have one."""
    if not files.has(f"{FOLDER}/cell_day.parquet"):
        return ()
    table = _table(files, "cell_day")
    of_cell = dict(list(table.groupby("cell")))
    _within(table["cell"].to_numpy(), 0, cells, "cell_day")
    if any(len(part) != days for part in of_cell.values()):
        raise _Contradiction("cell_day does not have every day of its cells once")
    return tuple(DailyWeather(of_cell[k]["rain_mm"].to_numpy(float), of_cell[k]["temperature_c"].to_numpy(float))
                 if k in of_cell else None for k in range(cells))


def _can_be_driven(inputs: MovementInputs | None, settings: dict[str, Any]) -> None:
    """Refuse a record without temperature when its settings name a driver that needs it."""
    driver = settings.get("climate_settings", {}).get("driver", "month")
    if inputs is None or driver == "month":
        return
    history = inputs.history
    known = np.isfinite(history.temperature_c) & np.isfinite(history.latitude_deg)[:, None]
    if not known[history.source == 1].all():
        raise _Contradiction("cell_month has no temperature, or cell no latitude, which the run's driver needs")


def _inputs(files: RunFiles, lots: int) -> MovementInputs | None:
    if not files.has(f"{FOLDER}/archetype.parquet"):
        return None
    frames = {name: _table(files, name) for name in INPUTS}
    cell, month = _table(files, "cell"), _table(files, "cell_month")
    months = len(month) // max(len(cell), 1)
    first = int(month["month"].min()) if months else 0
    if not (cell["cell_id"].is_unique
            and np.array_equal(month["cell"].to_numpy(), np.repeat(np.arange(len(cell)), months))
            and np.array_equal(month["month"].to_numpy(), np.tile(first + np.arange(months), len(cell)))):
        raise _Contradiction("cell and cell_month do not have every month of every cell once")
    rows = {name: month[name].to_numpy().reshape(len(cell), -1)
            for name in ("precipitation_mm", "pet_mm", "z", "source")}
    history = ClimateHistory(
        cells=tuple(cell["cell_id"]), first_month=first, flags=tuple(cell["flags"]),
        coldest_normal_c=cell["coldest_normal_c"].to_numpy(float),
        temperature_c=month["temperature_c"].to_numpy(float).reshape(len(cell), -1),
        latitude_deg=cell["latitude_deg"].to_numpy(float),
        days=_days(files, len(cell), int(days_in_months(first, months).sum())), **rows)
    lot_archetype = _table(files, "lot_archetype")["archetype"].to_numpy(np.int64)
    if len(lot_archetype) != lots:
        raise _Contradiction(f"lot_archetype and lots have {len(lot_archetype):,} and {lots:,} rows")
    _within(lot_archetype, -1, len(frames["archetype"]), "lot_archetype")
    _within(frames["archetype_profile"]["archetype_id"].to_numpy(), 0, len(frames["archetype"]), "archetype_profile")
    if not frames["archetype"]["half_width_basis"].isin(SIZE_BASES).all():
        raise _Contradiction("an archetype names an unknown source of the slab's size")
    if not frames["archetype"]["cell_id"].isin(cell["cell_id"]).all():
        raise _Contradiction("archetype names cells that are not there")
    for name in ("archetype_profile", "layer"):
        if not frames[name]["profile_id"].isin(frames["profile"]["profile_id"]).all():
            raise _Contradiction(f"{name} names profiles that are not there")
    return MovementInputs(lot_archetype=lot_archetype, history=history, **frames)
