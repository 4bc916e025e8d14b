"""The flow on one screen. This is the only module that knows the order of the stages."""

from __future__ import annotations

import time
from collections.abc import Callable
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from riskmap.common import settings as area_file
from riskmap.common.errors import LayerError, SettingsError
from riskmap.common.json_values import plain
from riskmap.common.results import AreaResults, Results, RowCounts, Run, editor_row
from riskmap.common.weather import MovementInputs

if TYPE_CHECKING:
    from collections.abc import Iterator

    import geopandas as gpd
    import numpy as np
    from numpy.typing import NDArray

    from riskmap.climate import ClimateAttached
    from riskmap.common.inputs import Layers
    from riskmap.common.problems import Problem
    from riskmap.common.results import History
    from riskmap.common.settings import Area
    from riskmap.run.store import Store
    from riskmap.run.workers import Workers

Progress = Callable[[str, float], None]  # stage in words, finished share 0-1
_CALIBRATE_LATER = ("Run the estimate without --calibration, and give it to `riskmap map`, `brief`, `screen` or "
                    "`export` of that run.")


class _Clock:
    """Times the stages and reports progress."""

    def __init__(self, progress: Progress | None) -> None:
        self.seconds: dict[str, float] = {}
        self._progress = progress

    @contextmanager
    def stage(self, name: str) -> Iterator[Callable[[float], None]]:
        began = time.perf_counter()

        def report(share: float) -> None:
            if self._progress:
                self._progress(name, share)

        report(0.0)
        yield report
        report(1.0)
        self.seconds[name] = time.perf_counter() - began


@dataclass(frozen=True)
class _Ready:
    """What all ways of computing begin with: the layers, the cleaned lots, and the weather of every lot."""

    area: Area
    layers: Layers  # without its lots and buildings
    weather: ClimateAttached
    today: int
    problems: list[Problem]
    drought_shapes: gpd.GeoDataFrame | None
    input_sha256: dict[str, list[str]]
    lot_rows: list[list[int]]


def _ready(area: Area, clock: _Clock, cache: Store, begin: Callable[[int], bool]) -> tuple[_Ready, gpd.GeoDataFrame]:
    """Read the layers, clean the lots and attach the weather; return also the clean lots.

    `begin(lots)` gets the number of lots, and returns whether all of them will be in memory at once.
    """
    from riskmap import climate, layers
    from riskmap.climate import drought_to_draw as shapes
    from riskmap.common import tables
    from riskmap.run import kept_lots, manifest, memory

    with clock.stage("reading layers"):
        key = kept_lots.key_of(cache, area)
        all_layers = layers.read(area, kept_lots.brief(cache, key, area))
        today = climate.present_month(all_layers.climate, all_layers.drought, all_layers.index, area.today)
        if against := area_file.against_today(area, today):
            raise SettingsError("\n".join(against))
        digests = manifest.input_digests(area, all_layers.sources)
    if all_layers.climate is None:
        raise LayerError("E-CLI-080 area file: there is no [climate] entry; monthly rain and temperature are needed.")
    count = all_layers.lots_in_brief.rows
    at_once = begin(count)
    memory.check(count, at_once)
    with clock.stage("cleaning lots"):
        cleaned = kept_lots.clean(cache, key, area, all_layers, today, keep=not at_once)
        lot = cleaned.lot
        all_layers = replace(all_layers, buildings=None, lots=None)
    with clock.stage("weather of each cell"):
        weather = climate.attach(lot, all_layers.climate, all_layers.drought, all_layers.index, area.climate_settings,
                                 area.crs, today)
        tables.check(tables.LOT_CLIMATE, weather.lot_climate)
        near = shapes.near_lots(lot, all_layers.drought, today, area.movement.history_months)
    return _Ready(area, all_layers, weather, today, [*all_layers.problems, *cleaned.problems], near, digests,
                  cleaned.lot_rows), lot


def assess(area: Area, *, workers: int | None = None, progress: Progress | None = None,
           cache: Store | None = None) -> tuple[Results, Layers]:
    """Run every stage in order, all lots at once.

    Parameters
    ----------
    area : Area
    workers : int, optional
        Number of threads of the movement stage; the result does not depend on it.
    progress : callable, optional
        Called with the stage and its finished share.
    cache : Store, optional
        Archetypes that were computed before; the result is the same without it.

    Returns
    -------
    Results, Layers
        The estimate, and the layers it was made from (for the manifest) without their lots.

    Raises
    ------
    LayerError
        When a layer cannot be used.
    SettingsError
        When settings cannot be meant with the present month.
    """
    from riskmap.run import store
    from riskmap.run.workers import InProcess

    clock, cache = _Clock(progress), cache or store.Store(None)
    ready, lot = _ready(area, clock, cache, lambda _: True)
    return _at_once(ready, lot, clock, cache, InProcess(workers)), ready.layers


def _at_once(ready: _Ready, lot: gpd.GeoDataFrame, clock: _Clock, cache: Store, pool: Workers) -> Results:
    """Return the estimate of lots that are in memory as one table."""
    import pandas as pd

    from riskmap.common import tables
    from riskmap.estimates import beside as estimates_beside
    from riskmap.estimates import table
    from riskmap.movement import archetypes, past
    from riskmap.run import reuse as run_reuse
    from riskmap.soil import overlap

    area, weather = ready.area, ready.weather
    with clock.stage("soil under each lot"):
        ground = run_reuse.attach_soil(cache, area, lot, ready.layers.soil)
        for contract, frame in ((tables.LOT_SOIL, ground.lot_soil), (tables.LOT_MAP_UNIT, ground.lot_map_unit),
                                (tables.LOT_PROFILE, ground.lot_profile)):
            tables.check(contract, frame)
    with clock.stage("suction, ground and slab") as progress:
        lot_state = table.states(lot, ground.lot_soil, weather.lot_climate)
        shared = archetypes.collapse(lot.assign(state=lot_state["state"].to_numpy()), ground.lot_profile,
                                  weather.lot_climate, today=ready.today)
        mixture = archetypes.normalised(shared.archetype_profile)
        moved = run_reuse.simulate(cache, area, shared.archetype, mixture, ground.profile, ground.layer,
                                   weather.history, pool=pool, progress=progress)
        archetype, history = past.split(moved.archetype, shared.lot_archetype, area.movement.history_months,
                                        ready.today)
    with clock.stage("estimate"):
        beside = estimates_beside.of_lots(ground.lot_profile, ground.profile, ground.layer, len(lot))
        estimate = table.score(lot, lot_state, pd.concat([ground.lot_soil, beside], axis=1), weather.lot_climate,
                              archetypes.expand(archetype, shared.lot_archetype))
        tables.check(tables.ESTIMATE, estimate)
    inputs = MovementInputs(shared.archetype, mixture, shared.lot_archetype, ground.profile, ground.layer,
                            weather.history)
    soil_problems = [*ground.problems, *_overlaps(ready, overlap.touched(ground.lot_soil))]
    return Results(lots=estimate, **_by_name(ready, clock, cache, soil_problems, moved.facts, ground.line, history,
                                             inputs))


def _overlaps(ready: _Ready, touched: dict[str, NDArray[np.int64]]) -> list[Problem]:
    """Return the findings on lots on which soil polygons overlap."""
    from riskmap.soil import overlap

    return overlap.findings(touched, lambda position: editor_row(ready.lot_rows, position))


def _by_name(ready: _Ready, clock: _Clock, cache: Store, soil_problems: list[Problem], facts: dict[str, Any],
             line: gpd.GeoDataFrame | None, history: History | None, inputs: MovementInputs) -> dict[str, Any]:
    """Return everything of `AreaResults`, by name."""
    from riskmap.climate import freshness
    from riskmap.common import month_numbers
    from riskmap.estimates import beside as estimates_beside
    from riskmap.movement import growth
    from riskmap.run import code_digest
    from riskmap.run import reuse as run_reuse

    area, all_layers, weather = ready.area, ready.layers, ready.weather
    with run_reuse.models_of(cache):
        growth_of_archetypes = growth.curves(inputs, area.movement, area.climate_settings, area.soil_settings)
    return {
        "area_name": area.name, "today": month_numbers.month_name(ready.today), "soil_scale": all_layers.soil.scale,
        "climate": weather.climate, "drought_weeks": weather.drought_weeks,
        "credits": tuple(dict.fromkeys(source.credit for source in all_layers.sources if source.credit)),
        "problems": [*ready.problems, *soil_problems, *weather.problems],
        "facts": {"newest_data": freshness.newest_dates(all_layers.climate, all_layers.drought, all_layers.index),
                  "published_methods": [method.as_dict() for method in estimates_beside.METHODS],
                  "published_notes": estimates_beside.NOTES, **facts, "seed": area.movement.seed,
                  "code": code_digest.code_digest(), "input_sha256": ready.input_sha256,
                  "lot_rows": ready.lot_rows, "stage_seconds": clock.seconds},
        "history": history, "soil_lines": line, "drought_shapes": ready.drought_shapes, "context": all_layers.context,
        "inputs": inputs,
        "growth": growth_of_archetypes,
        "settings": plain(area.model_dump(exclude={"folder"})),
    }


def run(area_path: Path, outputs: Path, *, units: str = "us", workers: int | None = None,
        progress: Progress | None = None, public_k: int | None = None, reuse: bool = True,
        scheduler: str | None = None, part_lots: int | None = None,
        beside: Callable[[Results], Results] | None = None) -> Run:
    """Estimate an area and write one new run folder, complete or not at all.

    Up to `part_lots` lots are kept in memory as one table. More are computed in parts, by processes of this machine or
    by a cluster. Estimates and files are the same for any number of parts and workers.

    Parameters
    ----------
    area_path, outputs, units, progress, public_k, reuse, scheduler
        As in `riskmap.estimate`, which says what they mean.
    workers : int, optional
        Threads, or processes when there are several parts. Default: one per core.
    part_lots : int, optional
        Largest number of lots in a part; default `parts.PART_LOTS`.
    beside : callable, optional
        Adds columns to those of the estimate, such as a calibration's; only for a run that is one table in memory and
        has products lot by lot.

    Raises
    ------
    SettingsError, LayerError, RunFolderError, WorkerError
    """
    from riskmap.common import month_numbers
    from riskmap.run import folder as run_folder
    from riskmap.run import labels, manifest, part_files, store
    from riskmap.run.workers import InProcess, workers_of

    if beside is not None and public_k is not None:
        raise LayerError(f"E-CAL-216 tables for publication take no calibration. {_CALIBRATE_LATER}")
    area, clock = area_file.load(area_path), _Clock(progress)
    if area.lots.label is not None and public_k is not None:
        raise LayerError("E-LOT-093 tables for publication take no labels: a state may forbid publishing home "
                         "addresses. Remove the line label under [lots], or keep a second area file without it and "
                         "give that one with --public.")
    cache = store.Store((outputs / store.FOLDER).resolve() if reuse else None)  # workers may run in another folder
    size = part_lots or part_files.PART_LOTS

    pool: Workers | None = None

    def begin(lots: int) -> bool:
        """Return whether this many lots are in memory at once; if not, workers load libraries during the cleaning."""
        nonlocal pool
        if public_k is None and (lots > size or scheduler is not None):
            if beside is not None:
                raise LayerError(f"E-CAL-216 a run that is worked on in parts ({lots:,} lots) takes no calibration. "
                                 f"{_CALIBRATE_LATER}")
            pool = held.enter_context(workers_of(workers, scheduler))
        return pool is None

    with run_folder.new_run(outputs, area.name if public_k is None else f"{area.name} public") as folder, \
            ExitStack() as held:
        ready, lot = _ready(area, clock, cache, begin)
        folder.of_month(month_numbers.month_name(ready.today))
        if pool is None:
            whole = _at_once(ready, lot, clock, cache, InProcess(workers))
            if beside is not None:
                with clock.stage("calibration"):
                    whole = beside(whole)
            results: AreaResults = whole
            rows = _write_whole(whole, folder.path, units, public_k, clock)
        else:
            lots = [lot]
            del lot  # the parts will soon be in files, and a million lots take a gigabyte
            results, rows = _by_parts(ready, lots, clock, cache, pool, folder.path, size, units)
            held.close()
        if ready.layers.labels is not None:
            labels.write(ready.layers.labels, folder.path)
        manifest.write(folder.path, results, area, ready.layers.sources, rows)
    return Run(folder.final, results, rows)


def _write_whole(results: Results, folder: Path, units: str, public_k: int | None, clock: _Clock) -> RowCounts:
    """Write the products of a table that is in memory."""
    from riskmap.outputs.files import public_table
    from riskmap.run import products as run_products

    with clock.stage("writing products"):
        if public_k is None:
            run_products.write_all(results, folder, units)
        else:
            public_table.write(results, folder, public_k)
    return RowCounts.of(results.lots)


def _by_parts(ready: _Ready, lots: list[gpd.GeoDataFrame], clock: _Clock, cache: Store, pool: Workers, folder: Path,
              size: int, units: str) -> tuple[AreaResults, RowCounts]:
    """Estimate lots part by part and write the products into `folder`; the parts stay there until all is written.

    `lots` contains the table of clean lots and is emptied once its parts are written.
    """
    import shutil

    import numpy as np

    from riskmap.movement import archetypes, past
    from riskmap.outputs.files.arrow_lots import ShapeSummary
    from riskmap.run import code_digest, memory, part_tasks
    from riskmap.run import products as run_products
    from riskmap.run import reuse as run_reuse
    from riskmap.run.workers import Cluster
    from riskmap.soil import overlap

    area, weather = ready.area, ready.weather
    place = folder.resolve() / "parts"
    place.mkdir()
    if isinstance(pool, Cluster):
        pool.check(place)
    with clock.stage("soil under each lot") as progress:
        rows = part_tasks.write_lots(lots[0], weather, place, size)
        line, facts, key = part_tasks.write_survey(ready.layers.soil, lots.pop(), area, place)
        memory.release(sum(len(chosen) for chosen in rows))
        job = part_tasks.Job(area, place, cache, ready.today, key, code_digest.code_digest())
        parts = pool.map(part_tasks.soil_of_part, [(job, k) for k in range(len(rows))], progress)
        touched = {flag: np.concatenate([rows[k][marks[flag]] for k, (_, marks) in enumerate(parts)])
                   for flag in (overlap.OVERLAP, overlap.DOUBLED)}
    with clock.stage("suction, ground and slab") as progress:
        shared, numbers = archetypes.merged([marks for marks, _ in parts], today=ready.today)
        mixture = archetypes.normalised(shared.archetype_profile)
        moved = run_reuse.simulate(cache, area, shared.archetype, mixture, facts.profile, facts.layer, weather.history,
                                   pool=pool, progress=progress)
        lot_archetype = part_tasks.archetypes_of_lots(job, rows, numbers)
        archetype, history = past.split(moved.archetype, lot_archetype, area.movement.history_months, ready.today)
    with clock.stage("estimate") as progress:
        archetype.to_parquet(place / "moved.parquet", compression="lz4")
        moved_keys = run_reuse.moved_keys(archetype)
        tasks = [(job, k, numbers[k], rows[k], moved_keys[numbers[k]]) for k in range(len(rows))]
        counted = pool.map(part_tasks.estimate_of_part, tasks, progress)
        counts, shapes = RowCounts(), ShapeSummary()
        for count, shape in counted:
            counts, shapes = counts + count, shapes.with_(shape)
    inputs = MovementInputs(shared.archetype, mixture, lot_archetype, facts.profile, facts.layer, weather.history)
    soil_problems = [*facts.problems, *_overlaps(ready, touched)]
    results = AreaResults(**_by_name(ready, clock, cache, soil_problems, moved.facts, line, history, inputs))
    with clock.stage("writing products") as progress:
        pool.map(part_tasks.write_products,
                 [(kinds, place, folder.resolve(), len(rows), results.today, shapes, counts.out)
                  for kinds in part_tasks.products_of_tasks(pool.size)], progress)
        shutil.rmtree(place)
        run_products.write_beside(results, folder, units, counts.out)
    return results, counts
