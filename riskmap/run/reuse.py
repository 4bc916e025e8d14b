"""Results that were computed before are found by content: soil under the lots, movement and shape of the archetypes."""

from __future__ import annotations

import hashlib
import json
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import AbstractContextManager
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from riskmap.run.code_digest import digest_bytes
from riskmap.run.store import Store

if TYPE_CHECKING:
    import geopandas as gpd
    from numpy.typing import NDArray

    from riskmap.common.inputs import SoilTables
    from riskmap.common.settings import Area
    from riskmap.common.weather import ClimateHistory, MovementInputs
    from riskmap.movement.reduced_model import ReducedModel
    from riskmap.movement.simulation import Movement
    from riskmap.run.workers import Workers
    from riskmap.soil.under_lots import SoilAttached

_ARCHETYPE = ("half_width_m", "half_width_basis", "section_mn_m2", "stiffness_basis", "plan_factor", "pour_early_month",
              "pour_late_month")
_PROFILE = ("rock_depth_m", "water_table_all_year_m")  # everything that movement reads of a profile except its layers
_LAYER = ("top_m", "bottom_m", "lep_low_pct", "lep_pct", "lep_high_pct")
_SALTS = (11, 23)  # two 64-bit sums: the chance that two of ten million archetypes get the same key is 1e-25
_KEYS = ["key_1", "key_2"]
_SUMS = ("unit_draws", "seconds")
_SOIL_FRAMES = ("lot_soil", "lot_map_unit", "lot_profile", "profile", "layer", "map_unit")
BATCH = 5000  # archetypes, some ten seconds on one core: a stopped run loses at most this much
SMALLEST_BATCH, ROUNDS = 500, 4  # for several workers: each gets about four batches, so that they end together
MOST_FILES = 12  # of one cell; more files are combined
MODELS_BYTES = 256 * 1024**2  # of this machine (judgement); the 164 models of the example take 16 MB (measured)


# ---------------------------------------------------------------- keys
def cell_key(history: ClimateHistory, cell: str, area: Area) -> str:
    """Return the key of one cell's weather together with the settings and the code that turn it into movement."""
    place = history.cells.index(cell)
    digest = hashlib.sha256(digest_bytes("movement"))
    settings = [part.model_dump(mode="json") for part in (area.movement, area.climate_settings, area.soil_settings)]
    digest.update(json.dumps([cell, settings, history.first_month, history.flags[place]], sort_keys=True).encode())
    for values in (history.precipitation_mm, history.pet_mm, history.z, history.source, history.coldest_normal_c,
                   history.temperature_c, history.latitude_deg):
        digest.update(np.ascontiguousarray(values[place]).tobytes() + b"|")
    own = history.days[place] if history.days else None
    for values in (own.rain_mm, own.temperature_c) if own else ():
        digest.update(np.ascontiguousarray(values).tobytes() + b"|")
    return digest.hexdigest()[:32]


def archetype_keys(archetype: pd.DataFrame, archetype_profile: pd.DataFrame, profile: pd.DataFrame,
                layer: pd.DataFrame) -> pd.DataFrame:
    """Return two 64-bit keys per archetype, over everything the movement stage reads of it except the weather.

    Equal keys mean equal soil mixture, slab and pour dates, whatever the numbering of profiles or archetypes.
    """
    keys = {}
    for name, salt in zip(_KEYS, _SALTS, strict=True):
        # a layer says where it begins, so the sum over the layers of a profile needs no order
        layers = pd.Series(_hashed(layer[list(_LAYER)], salt), index=layer["profile_id"].to_numpy())
        summed = layers.groupby(level=0).sum().reindex(profile["profile_id"])
        present = [name for name in _PROFILE if name in profile]
        whole = _hashed(profile[present].assign(layers=summed.to_numpy(np.uint64)), salt)
        of_profile = pd.Series(whole, index=profile["profile_id"].to_numpy())
        part = pd.DataFrame({"soil": of_profile.loc[archetype_profile["profile_id"]].to_numpy(),
                             "weight": archetype_profile["weight"].to_numpy(float)})
        of_part = archetype_profile["archetype_id"].to_numpy()
        mixture = pd.Series(_hashed(part, salt), index=of_part).groupby(level=0).sum()
        keys[name] = _hashed(archetype[list(_ARCHETYPE)].assign(
            soil=mixture.reindex(archetype.index).fillna(0).to_numpy(np.uint64)), salt)
    return pd.DataFrame(keys, index=archetype.index)


def moved_keys(archetype: pd.DataFrame) -> NDArray[np.uint64]:
    """Return two 64-bit keys per archetype over all that movement says of it, shape (n_archetype, 2)."""
    return np.stack([_hashed(archetype, salt) for salt in _SALTS], axis=1)


def _hashed(frame: pd.DataFrame, salt: int) -> NDArray[np.uint64]:
    """Return 64-bit sums of rows.

    The salt is a column of its own, because the library's hash key applies only to texts.
    """
    salted = pd.concat([pd.Series(salt, index=frame.index, name="salt"), frame], axis=1)
    return np.asarray(pd.util.hash_pandas_object(salted, index=False, categorize=True), dtype=np.uint64)


# ---------------------------------------------------------------- the stage
def simulate(store: Store, area: Area, archetypes: pd.DataFrame, archetype_profile: pd.DataFrame, profile: pd.DataFrame,
             layer: pd.DataFrame, history: ClimateHistory, *, pool: Workers,
             progress: Callable[[float], None] | None = None) -> Movement:
    """Return what `movement.simulate` returns for the same arguments, computing only what the store does not contain.

    Archetypes are computed in batches, which are distributed to the workers and stored one by one, so that a run that
    was stopped continues where it was. The facts also give `reused_archetypes`.
    """
    from riskmap.movement import simulation

    keys = archetype_keys(archetypes, archetype_profile, profile, layer)
    frames: list[pd.DataFrame] = []
    facts: dict[str, Any] = {}
    cells: dict[str, Any] = {}
    missing = pd.Series(True, index=archetypes.index)
    of_cell = {str(cell): group for cell, group in archetypes.groupby("cell_id", sort=True)}
    names = {cell: cell_key(history, cell, area) for cell in of_cell}
    for cell, name in names.items():
        hit, facts_of_cell = _known(store, name, keys.loc[of_cell[cell].index])
        frames.append(hit)
        missing[hit.index] = False
        cells |= {cell: facts_of_cell} if facts_of_cell is not None else {}
    reused = int((~missing).sum())
    began = time.perf_counter()
    batches = list(_batches(archetypes[missing], pool.size))
    of_archetype = archetype_profile.set_index("archetype_id", drop=False)
    tasks = [(area, store, names[cell], rows, of_archetype.loc[rows.index].reset_index(drop=True), profile, layer,
              history, keys.loc[rows.index], pool.threads) for cell, rows in batches]
    done = pool.map(compute_batch, tasks, None if progress is None else
                    lambda share: progress((reused + share * (len(archetypes) - reused)) / len(archetypes)))
    for batch in done:
        frames.append(batch.archetype)
        cells |= batch.facts["cells"]
        facts = {**batch.facts, **{name: facts.get(name, 0) + batch.facts[name] for name in _SUMS}}
    if not facts:  # nothing was computed; an empty call gives what all runs report
        facts = simulation.simulate(archetypes.iloc[:0], archetype_profile.iloc[:0], profile, layer, history,
                                  movement=area.movement, climate=area.climate_settings, soil=area.soil_settings,
                                  workers=1).facts
    filled = [frame for frame in frames if len(frame)]
    table = (pd.concat(filled).loc[archetypes.index] if filled else
             pd.DataFrame(columns=["state", "state_reason", "flags"]))
    seconds = max(time.perf_counter() - began, 1e-9) if len(batches) else max(float(facts["seconds"]), 1e-9)
    return simulation.Movement(table, {
        **facts, "archetypes": len(archetypes), "reused_archetypes": reused, "cells": dict(sorted(cells.items())),
        "seconds": seconds, "unit_draws_per_s": facts["unit_draws"] / seconds})


def compute_batch(area: Area, store: Store, name: str, archetypes: pd.DataFrame, archetype_profile: pd.DataFrame,
                  profile: pd.DataFrame, layer: pd.DataFrame, history: ClimateHistory, keys: pd.DataFrame,
                  threads: int) -> Movement:
    """Compute archetypes of one cell and store them under the cell's key. It is a task of a worker."""
    from riskmap.movement import simulation

    with models_of(store):
        models = simulation.simulate(archetypes, archetype_profile, profile, layer, history, movement=area.movement,
                                 climate=area.climate_settings, soil=area.soil_settings, workers=threads)
    for facts in models.facts["cells"].values():
        store.put(name, pd.concat([keys, models.archetype], axis=1), facts)
    return models


def models_of(store: Store) -> AbstractContextManager[None]:
    """Return a context in which reduced models are kept between runs.

    A model depends on the code and on one ratio alone, as compiled code does. So all areas of a machine share them
    beside the compiled code; where nothing can be kept there, they are in the store.
    """
    from riskmap.movement import reduced_model

    return reduced_model.kept_on(_Models(models_of_machine() or store))


@cache
def models_of_machine() -> Store | None:
    """Return the folder of reduced models that all areas share; None where compiled code cannot be kept."""
    from riskmap.movement import compiled

    beside = compiled.folder()
    return None if beside is None else Store(beside / "models", MODELS_BYTES)


@dataclass(frozen=True)
class _Models:
    """The shelf of reduced models in a store: each is one column of numbers, with the shapes to read them by."""

    store: Store

    def take(self, name: str) -> ReducedModel | None:
        from riskmap.movement.reduced_model import ReducedModel

        stored = self.store.get(self._key(name))
        if stored is None:
            return None
        values, shapes, arrays, at = stored[0]["value"].to_numpy(float), stored[1]["shapes"], {}, 0
        for array, shape in shapes.items():
            size = int(np.prod(shape))
            arrays[array] = values[at:at + size].reshape(shape).copy()
            at += size
        return ReducedModel(ratio=float(stored[1]["ratio"]), **arrays)

    def put(self, name: str, model: ReducedModel) -> None:
        arrays = {array: value for array, value in vars(model).items() if array != "ratio"}
        values = np.concatenate([np.ravel(value) for value in arrays.values()])
        shapes = {array: list(value.shape) for array, value in arrays.items()}
        self.store.put(self._key(name), pd.DataFrame({"value": values}), {"ratio": model.ratio, "shapes": shapes},
                       anew=True)

    def _key(self, name: str) -> str:
        return hashlib.sha256(digest_bytes("movement") + b"model" + name.encode()).hexdigest()[:32]


def _known(store: Store, name: str, keys: pd.DataFrame) -> tuple[pd.DataFrame, dict[str, Any] | None]:
    """Return the stored rows of one cell's archetypes by number, and the facts on the cell; None if there are none."""
    stored = store.get(name)
    if stored is None:
        return pd.DataFrame(index=keys.index[:0]), None
    rows, facts = stored
    rows = rows.drop_duplicates(_KEYS)
    if store.files(name) > MOST_FILES:
        store.put(name, rows, facts, anew=True)
    hit = keys.reset_index(names="archetype").merge(rows, on=_KEYS, how="inner")
    return hit.set_index("archetype").drop(columns=_KEYS).rename_axis(None), facts


def _batches(archetypes: pd.DataFrame, workers: int) -> Iterator[tuple[str, pd.DataFrame]]:
    """Return batches of archetypes of one cell.

    Those of one width are together, because what they share is computed once.
    """
    size = BATCH if workers == 1 else int(np.clip(len(archetypes) / (ROUNDS * workers), SMALLEST_BATCH, BATCH))
    for cell, group in archetypes.groupby("cell_id", sort=True):
        ordered = group.sort_values(["half_width_m", "half_width_basis"], kind="stable")
        for start in range(0, len(ordered), size):
            yield str(cell), ordered.iloc[start:start + size].sort_index()


# ---------------------------------------------------------------- single lots
def of_archetypes(store: Store, kind: str, inputs: MovementInputs, ids: Iterable[int], area: Area,
                  compute: Callable[[list[int]], dict[int, NDArray[np.float64]]]) -> dict[int, NDArray[np.float64]]:
    """Return a row of numbers of each archetype of a run, computing only those that the store does not contain.

    Parameters
    ----------
    store : Store
    kind : str
        What the numbers are. It is part of the key.
    inputs : MovementInputs
    ids : iterable of int
        Archetypes.
    area : Area
        Settings of the run.
    compute : callable
        Returns the numbers of some archetypes, shape (n,), n being the same for all of a kind. Those that it leaves out
        have none.
    """
    chosen = sorted(set(ids))
    if store.folder is None or not chosen:
        return compute(chosen)
    table = inputs.archetype.loc[chosen]
    parts = inputs.archetype_profile[inputs.archetype_profile["archetype_id"].isin(chosen)]
    profile = inputs.profile[inputs.profile["profile_id"].isin(parts["profile_id"])]
    keys = archetype_keys(table, parts, profile, inputs.layer[inputs.layer["profile_id"].isin(parts["profile_id"])])
    digest, name_of = digest_bytes("papers") + kind.encode(), {}
    out: dict[int, NDArray[np.float64]] = {}
    for cell, group in table.groupby("cell_id", sort=True):
        name = hashlib.sha256(digest + cell_key(inputs.history, str(cell), area).encode()).hexdigest()[:32]
        name_of[name] = group.index
        hit, _ = _known(store, name, keys.loc[group.index])
        out |= dict(zip(hit.index.tolist(), hit.to_numpy(float), strict=True))
    made = compute([one for one in chosen if one not in out]) if len(out) < len(chosen) else {}
    for name, of_cell in name_of.items():
        new = [one for one in of_cell.tolist() if one in made]
        if new:
            numbers = pd.DataFrame(np.array([made[one] for one in new])).add_prefix("value_")
            store.put(name, pd.concat([keys.loc[new].reset_index(drop=True), numbers], axis=1), {})
    return out | made


# ---------------------------------------------------------------- soil under the lots
def attach_soil(store: Store, area: Area, lot: gpd.GeoDataFrame, survey: SoilTables) -> SoilAttached:
    """Return what `soil.attach` returns for the same arguments, from the store when lots and survey are the same."""
    from riskmap.common.problems import Problem
    from riskmap.soil import under_lots

    if store.folder is None:
        return under_lots.attach(lot, survey, area.soil_settings, area.crs)
    key = _soil_key(area, lot, survey)
    stored = {name: store.get(f"{key}{name}") for name in (*_SOIL_FRAMES, "line")}
    if all(pair is not None for pair in stored.values()):
        frames = {name: pair[0] for name, pair in stored.items() if pair is not None}
        first = stored[_SOIL_FRAMES[0]]
        line = frames.pop("line")
        return under_lots.SoilAttached(**frames,
                                       problems=[Problem(**entry) for entry in first[1]["problems"]] if first else [],
                                       line=_as_shapes(line) if first and first[1]["has_line"] else None)
    attached = under_lots.attach(lot, survey, area.soil_settings, area.crs)
    facts = {"problems": [problem.as_dict() for problem in attached.problems], "has_line": attached.line is not None}
    for name in _SOIL_FRAMES:
        store.put(f"{key}{name}", getattr(attached, name), facts, anew=True)
    store.put(f"{key}line", _as_bytes(attached.line), {}, anew=True)
    return attached


def _soil_key(area: Area, lot: gpd.GeoDataFrame, survey: SoilTables) -> str:
    """Return the key of the content of lots, survey, settings and code that decide the soil under the lots."""
    return lots_key(survey_key(area, survey), lot)


def survey_key(area: Area, survey: SoilTables) -> str:
    """Return the key of everything except the lots that decides the soil under them."""
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
