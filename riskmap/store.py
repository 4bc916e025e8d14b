"""What was computed before is not computed again: results of movement and soil by the content of their inputs.

One file per climate cell's weather, settings and code; in it one row per unique column. A column is found again by the
content of its soil, slab and pour dates, never by a name or a date of a file. A new weekly map that leaves the monthly
weather as it was, a new list of lots on known soil, another product: all reuse. Files are checked on reading: one that
does not hold what its name says is dropped and computed anew. Deleting the folder is always safe. Only files of the
store's own names, two digests in a row, are ever removed; whatever else is in the folder stays and is not counted.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import stat
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from riskmap.code_digest import digest_bytes
from riskmap.plain import plain

if TYPE_CHECKING:
    import geopandas as gpd
    from numpy.typing import NDArray

    from riskmap.layers import SoilTables
    from riskmap.movement import Movement
    from riskmap.movement.reduced_model import ReducedModel
    from riskmap.movement_inputs import ClimateHistory
    from riskmap.settings import Area
    from riskmap.soil import SoilAttached
    from riskmap.workers import Crew

FOLDER = ".store"
LARGEST_BYTES = 2 * 1024**3  # of the whole folder; the files used longest ago go first
_COLUMN = ("half_width_m", "half_width_known", "slab_class", "plan_factor", "pour_early_month", "pour_late_month")
_PROFILE = ("rock_depth_m", "water_table_all_year_m")  # all that movement reads of a profile, besides its layers
_LAYER = ("top_m", "bottom_m", "lep_low_pct", "lep_pct", "lep_high_pct")
_SALTS = (11, 23)  # two 64-bit sums: the chance that any two of ten million columns are taken for one is about 1e-25
_KEYS = ["key_1", "key_2"]
_SUMS = ("unit_draws", "seconds")
_SOIL_FRAMES = ("lot_soil", "lot_map_unit", "lot_profile", "profile", "layer", "map_unit")
BATCH = 5000  # columns, some ten seconds on one core: what a stopped run loses at most
SMALLEST_BATCH, ROUNDS = 500, 4  # of several workers: each has about four batches, so that they end together
MOST_FILES = 12  # of one cell; more are put together
_OWN = re.compile(r"[0-9a-f]{32}[a-z_]*-[0-9a-f]{32}\.(?:parquet|\d+\.part)")  # key, digest of the content


@dataclass(frozen=True)
class Store:
    """A folder of results; `folder` None keeps nothing and finds nothing."""

    folder: Path | None

    def get(self, key: str) -> tuple[pd.DataFrame, dict[str, Any]] | None:
        """Return the rows and facts kept under a key, or None; damaged files are removed, the others count."""
        if self.folder is None:
            return None
        found, facts = [], {}
        for path in self._of(key):
            rows = None
            try:
                content = path.read_bytes()
            except OSError:
                continue  # of another account, or gone: not used, and not ours to judge
            with suppress(OSError, ValueError, KeyError):
                if _digest(content) == path.stem.rsplit("-", 1)[1]:
                    import pyarrow.parquet as pq

                    table = pq.read_table(path)
                    rows, facts = table.to_pandas(), json.loads(table.schema.metadata[b"facts"])
                    os.utime(path)  # marks the last use
            if rows is not None:
                found.append(rows)
                continue
            with suppress(OSError):
                path.unlink(missing_ok=True)
        return (pd.concat(found, ignore_index=True), facts) if found else None

    def put(self, key: str, rows: pd.DataFrame, facts: dict[str, Any], *, anew: bool = False) -> None:
        """Keep rows and facts under a key, beside what is there or, `anew`, in its place.

        A store that cannot be written is no fault.
        """
        if self.folder is None:
            return
        import pyarrow as pa
        import pyarrow.parquet as pq

        table = pa.Table.from_pandas(rows, preserve_index=False)
        told = json.dumps(plain(facts), allow_nan=False).encode()
        table = table.replace_schema_metadata({**(table.schema.metadata or {}), b"facts": told})
        buffer = pa.BufferOutputStream()
        pq.write_table(table, buffer, compression="zstd")
        content = buffer.getvalue().to_pybytes()
        with suppress(OSError):
            self.folder.mkdir(parents=True, exist_ok=True)
            target = self.folder / f"{key}-{_digest(content)}.parquet"
            part = target.with_suffix(f".{os.getpid()}.part")
            try:
                part.write_bytes(content)
                os.replace(part, target)
            except BaseException:
                part.unlink(missing_ok=True)  # half a file on a full disk takes the last of it
                raise
            for old in self._of(key) if anew else ():
                if old != target:
                    old.unlink(missing_ok=True)
            self._prune(target)

    def files(self, key: str) -> int:
        """Return the number of files kept under a key."""
        return len(self._of(key))

    def _of(self, key: str) -> list[Path]:
        """Return the files kept under a key, by name."""
        if self.folder is None:
            return []
        return sorted(path for path in self.folder.glob(f"{key}-*.parquet")
                      if re.fullmatch(r"[0-9a-f]{32}", path.name[len(key) + 1:-len(".parquet")])
                      and _kind(path) is not None)

    def _prune(self, newest: Path) -> None:
        assert self.folder is not None
        own = [(kind, path) for path in self.folder.iterdir() if _OWN.fullmatch(path.name) and (kind := _kind(path))]
        total = sum(kind.st_size for kind, _ in own)
        for kind, path in sorted(own, key=lambda one: (one[0].st_mtime, one[1])):
            if total <= LARGEST_BYTES:
                return
            if path != newest:
                total -= kind.st_size
                with suppress(OSError):
                    path.unlink(missing_ok=True)


def _kind(path: Path) -> os.stat_result | None:
    """Return what the system says of a plain file; None of links, folders and what is gone."""
    try:
        found = os.lstat(path)
    except OSError:
        return None
    return found if stat.S_ISREG(found.st_mode) else None


def _digest(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()[:32]


# ---------------------------------------------------------------- keys
def cell_key(history: ClimateHistory, cell: str, area: Area) -> str:
    """Return the key of one cell's weather with the settings and the code that turn it into movement."""
    place = history.cells.index(cell)
    digest = hashlib.sha256(digest_bytes("movement"))
    settings = [part.model_dump(mode="json") for part in (area.movement, area.climate_settings, area.soil_settings)]
    digest.update(json.dumps([cell, settings, history.first_month, history.flags[place]], sort_keys=True).encode())
    for values in (history.precipitation_mm, history.pet_mm, history.z, history.source, history.coldest_normal_c):
        digest.update(np.ascontiguousarray(values[place]).tobytes() + b"|")
    return digest.hexdigest()[:32]


def column_keys(column: pd.DataFrame, column_profile: pd.DataFrame, profile: pd.DataFrame,
                layer: pd.DataFrame) -> pd.DataFrame:
    """Return two 64-bit keys per column, of everything the movement stage reads of it but the weather.

    Equal keys mean equal soil mixture, slab and pour dates, whatever the numbering of profiles or columns.
    """
    keys = {}
    for name, salt in zip(_KEYS, _SALTS, strict=True):
        # a layer says where it begins, so the sum over the layers of a profile needs no order
        layers = pd.Series(_hashed(layer[list(_LAYER)], salt), index=layer["profile_id"].to_numpy())
        summed = layers.groupby(level=0).sum().reindex(profile["profile_id"])
        present = [name for name in _PROFILE if name in profile]
        whole = _hashed(profile[present].assign(layers=summed.to_numpy(np.uint64)), salt)
        of_profile = pd.Series(whole, index=profile["profile_id"].to_numpy())
        part = pd.DataFrame({"soil": of_profile.loc[column_profile["profile_id"]].to_numpy(),
                             "weight": column_profile["weight"].to_numpy(float)})
        mixture = pd.Series(_hashed(part, salt), index=column_profile["column_id"].to_numpy()).groupby(level=0).sum()
        keys[name] = _hashed(column[list(_COLUMN)].assign(
            soil=mixture.reindex(column.index).fillna(0).to_numpy(np.uint64)), salt)
    return pd.DataFrame(keys, index=column.index)


def _hashed(frame: pd.DataFrame, salt: int) -> NDArray[np.uint64]:
    """Return 64-bit sums of rows. The salt is a column of its own: the library's hash key counts for texts only."""
    salted = pd.concat([pd.Series(salt, index=frame.index, name="salt"), frame], axis=1)
    return np.asarray(pd.util.hash_pandas_object(salted, index=False, categorize=True), dtype=np.uint64)


# ---------------------------------------------------------------- the stage
def simulate(store: Store, area: Area, columns: pd.DataFrame, column_profile: pd.DataFrame, profile: pd.DataFrame,
             layer: pd.DataFrame, history: ClimateHistory, *, crew: Crew,
             progress: Callable[[float], None] | None = None) -> Movement:
    """Return what `movement.simulate` returns for the same arguments, computing only what the store does not hold.

    Columns are computed in batches, given out to the crew and kept batch by batch, so that a run that is stopped goes
    on where it was. The facts also tell `reused_columns`.
    """
    from riskmap import movement

    keys = column_keys(columns, column_profile, profile, layer)
    frames: list[pd.DataFrame] = []
    facts: dict[str, Any] = {}
    cells: dict[str, Any] = {}
    missing = pd.Series(True, index=columns.index)
    of_cell = {str(cell): group for cell, group in columns.groupby("cell_id", sort=True)}
    names = {cell: cell_key(history, cell, area) for cell in of_cell}
    for cell, name in names.items():
        hit, told = _known(store, name, keys.loc[of_cell[cell].index])
        frames.append(hit)
        missing[hit.index] = False
        cells |= {cell: told} if told is not None else {}
    reused = int((~missing).sum())
    began = time.perf_counter()
    batches = list(_batches(columns[missing], crew.size))
    of_column = column_profile.set_index("column_id", drop=False)
    tasks = [(area, store, names[cell], wanted, of_column.loc[wanted.index].reset_index(drop=True), profile, layer,
              history, keys.loc[wanted.index], crew.threads) for cell, wanted in batches]
    done = crew.map(compute_batch, tasks, None if progress is None else
                    lambda share: progress((reused + share * (len(columns) - reused)) / len(columns)))
    for made in done:
        frames.append(made.column)
        cells |= made.facts["cells"]
        facts = {**made.facts, **{name: facts.get(name, 0) + made.facts[name] for name in _SUMS}}
    if not facts:  # nothing was computed; an empty call gives what all runs tell
        facts = movement.simulate(columns.iloc[:0], column_profile.iloc[:0], profile, layer, history,
                                  movement=area.movement, climate=area.climate_settings, soil=area.soil_settings,
                                  workers=1).facts
    filled = [frame for frame in frames if len(frame)]
    table = pd.concat(filled).loc[columns.index] if filled else pd.DataFrame(columns=["state", "state_reason", "flags"])
    seconds = max(time.perf_counter() - began, 1e-9) if len(batches) else max(float(facts["seconds"]), 1e-9)
    return movement.Movement(table, {
        **facts, "columns": len(columns), "reused_columns": reused, "cells": dict(sorted(cells.items())),
        "seconds": seconds, "unit_draws_per_s": facts["unit_draws"] / seconds})


def compute_batch(area: Area, store: Store, name: str, columns: pd.DataFrame, column_profile: pd.DataFrame,
                  profile: pd.DataFrame, layer: pd.DataFrame, history: ClimateHistory, keys: pd.DataFrame,
                  threads: int) -> Movement:
    """Compute columns of one cell and keep them under the cell's key; a task of a worker."""
    from riskmap import movement

    with models_of(store):
        made = movement.simulate(columns, column_profile, profile, layer, history, movement=area.movement,
                                 climate=area.climate_settings, soil=area.soil_settings, workers=threads)
    for told in made.facts["cells"].values():
        store.put(name, pd.concat([keys, made.column], axis=1), told)
    return made


def models_of(store: Store) -> AbstractContextManager[None]:
    """Return a context in which reduced models are taken from a store and kept there."""
    from riskmap.movement import reduced_model

    return reduced_model.kept_on(_Models(store))


@dataclass(frozen=True)
class _Models:
    """The shelf of reduced models in a store: each as one column of numbers and the shapes to read them by."""

    store: Store

    def take(self, name: str) -> ReducedModel | None:
        from riskmap.movement.reduced_model import ReducedModel

        found = self.store.get(self._key(name))
        if found is None:
            return None
        values, shapes, arrays, at = found[0]["value"].to_numpy(float), found[1]["shapes"], {}, 0
        for array, shape in shapes.items():
            size = int(np.prod(shape))
            arrays[array] = values[at:at + size].reshape(shape).copy()
            at += size
        return ReducedModel(ratio=float(found[1]["ratio"]), **arrays)

    def put(self, name: str, model: ReducedModel) -> None:
        arrays = {array: value for array, value in vars(model).items() if array != "ratio"}
        values = np.concatenate([np.ravel(value) for value in arrays.values()])
        shapes = {array: list(value.shape) for array, value in arrays.items()}
        self.store.put(self._key(name), pd.DataFrame({"value": values}), {"ratio": model.ratio, "shapes": shapes},
                       anew=True)

    def _key(self, name: str) -> str:
        return hashlib.sha256(digest_bytes("movement") + b"model" + name.encode()).hexdigest()[:32]


def _known(store: Store, name: str, keys: pd.DataFrame) -> tuple[pd.DataFrame, dict[str, Any] | None]:
    """Return the kept rows of one cell's columns, by column, and what is told of the cell; None when nothing is."""
    found = store.get(name)
    if found is None:
        return pd.DataFrame(index=keys.index[:0]), None
    rows, told = found
    rows = rows.drop_duplicates(_KEYS)
    if store.files(name) > MOST_FILES:
        store.put(name, rows, told, anew=True)
    hit = keys.reset_index(names="column").merge(rows, on=_KEYS, how="inner")
    return hit.set_index("column").drop(columns=_KEYS).rename_axis(None), told


def _batches(columns: pd.DataFrame, workers: int) -> Iterator[tuple[str, pd.DataFrame]]:
    """Return batches of columns of one cell, those of one width together: what they share is computed once a batch."""
    size = BATCH if workers == 1 else int(np.clip(len(columns) / (ROUNDS * workers), SMALLEST_BATCH, BATCH))
    for cell, group in columns.groupby("cell_id", sort=True):
        ordered = group.sort_values(["half_width_m", "half_width_known"], kind="stable")
        for start in range(0, len(ordered), size):
            yield str(cell), ordered.iloc[start:start + size].sort_index()


# ---------------------------------------------------------------- soil under the lots
def attach_soil(store: Store, area: Area, lot: gpd.GeoDataFrame, survey: SoilTables) -> SoilAttached:
    """Return what `soil.attach` returns for the same arguments, from the store when lots and survey are the same."""
    from riskmap import soil
    from riskmap.errors import Problem

    if store.folder is None:
        return soil.attach(lot, survey, area.soil_settings, area.crs)
    key = _soil_key(area, lot, survey)
    kept = {name: store.get(f"{key}{name}") for name in (*_SOIL_FRAMES, "line")}
    if all(found is not None for found in kept.values()):
        frames = {name: found[0] for name, found in kept.items() if found is not None}
        told = kept[_SOIL_FRAMES[0]]
        line = frames.pop("line")
        return soil.SoilAttached(**frames, problems=[Problem(**entry) for entry in told[1]["problems"]] if told else [],
                                 line=_as_shapes(line) if told and told[1]["has_line"] else None)
    made = soil.attach(lot, survey, area.soil_settings, area.crs)
    facts = {"problems": [problem.as_dict() for problem in made.problems], "has_line": made.line is not None}
    for name in _SOIL_FRAMES:
        store.put(f"{key}{name}", getattr(made, name), facts, anew=True)
    store.put(f"{key}line", _as_bytes(made.line), {}, anew=True)
    return made


def _soil_key(area: Area, lot: gpd.GeoDataFrame, survey: SoilTables) -> str:
    """Return the key of the content of lots, survey, settings and code that decide the soil under the lots."""
    return lots_key(survey_key(area, survey), lot)


def survey_key(area: Area, survey: SoilTables) -> str:
    """Return the key of everything but the lots that decides the soil under them."""
    digest = hashlib.sha256(digest_bytes("soil"))
    digest.update(repr([area.crs, survey.scale, survey.from_raster]).encode())
    digest.update(json.dumps(area.soil_settings.model_dump(mode="json"), sort_keys=True).encode())
    for frame in (survey.polygons.drop(columns=survey.polygons.geometry.name), survey.map_unit, survey.component,
                  survey.horizon, survey.shrink_swell_stored):
        if frame is not None:
            _add_rows(digest, frame)
    _add_shapes(digest, survey.polygons)
    return digest.hexdigest()[:32]


def lots_key(survey: str, lot: gpd.GeoDataFrame) -> str:
    """Return the key of some lots (lot_row, state, geometry) on a survey with a key."""
    digest = hashlib.sha256(survey.encode())
    _add_rows(digest, lot[["lot_row", "state"]])
    _add_shapes(digest, lot)
    return digest.hexdigest()[:32]


def _add_rows(digest: hashlib._Hash, frame: pd.DataFrame) -> None:
    digest.update(repr(list(frame.columns)).encode())
    digest.update(np.asarray(pd.util.hash_pandas_object(frame, index=False)).tobytes() + b"|")


def _add_shapes(digest: hashlib._Hash, frame: gpd.GeoDataFrame) -> None:
    import shapely

    for part in shapely.to_wkb(frame.geometry.to_numpy()):
        digest.update(part if part is not None else b"none")


def _as_bytes(line: gpd.GeoDataFrame | None) -> pd.DataFrame:
    if line is None:
        return pd.DataFrame({"geometry": pd.Series([], dtype=object)})
    return pd.DataFrame(line.drop(columns=line.geometry.name)).assign(geometry=line.geometry.to_wkb())


def _as_shapes(frame: pd.DataFrame) -> gpd.GeoDataFrame:
    import geopandas as gpd

    shapes = gpd.GeoSeries.from_wkb(frame["geometry"], crs="EPSG:4326")
    return gpd.GeoDataFrame(frame.drop(columns="geometry"), geometry=shapes, crs="EPSG:4326")
