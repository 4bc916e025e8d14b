"""The flow on one screen: the only module that knows the order of the stages."""

from __future__ import annotations

import time
from collections.abc import Callable
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from riskmap import settings as area_file
from riskmap.errors import LayerError
from riskmap.movement_inputs import MovementInputs
from riskmap.plain import plain
from riskmap.results import Results

if TYPE_CHECKING:
    from collections.abc import Iterator

    from riskmap.layers import Layers
    from riskmap.settings import Area
    from riskmap.store import Store

Progress = Callable[[str, float], None]  # stage in words, finished share 0-1


class _Clock:
    """Times the stages and tells progress."""

    def __init__(self, progress: Progress | None) -> None:
        self.seconds: dict[str, float] = {}
        self._progress = progress

    @contextmanager
    def stage(self, name: str) -> Iterator[Callable[[float], None]]:
        began = time.perf_counter()

        def tell(share: float) -> None:
            if self._progress:
                self._progress(name, share)

        tell(0.0)
        yield tell
        tell(1.0)
        self.seconds[name] = time.perf_counter() - began


def assess(area: Area, *, workers: int | None = None, progress: Progress | None = None,
           kept: Store | None = None) -> tuple[Results, Layers]:
    """Run every stage in order.

    Parameters
    ----------
    area : Area
    workers : int, optional
        Threads of the movement stage; any number gives the same result.
    progress : callable, optional
        Told the stage and its finished share.
    kept : Store, optional
        Columns computed before; the result is the same with and without.

    Returns
    -------
    Results, Layers
        The estimate, and the layers it was made from (for the manifest).

    Raises
    ------
    LayerError
        When a layer cannot be used.
    """
    import pandas as pd

    from riskmap import climate, columns, layers, lots, manifest, memory, published, risk, store, tables
    from riskmap.climate import shapes
    from riskmap.layers import catalogue
    from riskmap.movement import past

    clock = _Clock(progress)
    with clock.stage("reading layers"):
        found = layers.read(area)
        today = climate.present_month(found.climate, found.drought, found.index, area.today)
    if found.climate is None:
        raise LayerError("E-CLI-001 area file: there is no [climate] entry; monthly rain and temperature are needed.")
    memory.check(len(found.lots))
    with clock.stage("cleaning lots"):
        lot, lot_problems = lots.clean(found.lots, area.lot_settings, area.crs, today, str(area.lots.path),
                                      catalogue.soil_box(found.soil))
        tables.check(tables.LOT, lot)
    with clock.stage("soil under each lot"):
        ground = store.attach_soil(kept or store.Store(None), area, lot, found.soil)
        for contract, frame in ((tables.LOT_SOIL, ground.lot_soil), (tables.LOT_MAP_UNIT, ground.lot_map_unit),
                                (tables.LOT_PROFILE, ground.lot_profile)):
            tables.check(contract, frame)
    with clock.stage("weather of each cell"):
        weather = climate.attach(lot, found.climate, found.drought, found.index, area.climate_settings, area.crs, today)
        tables.check(tables.LOT_CLIMATE, weather.lot_climate)
    with clock.stage("suction, ground and slab") as tell:
        lot_state = risk.states(lot, ground.lot_soil, weather.lot_climate)
        ready = lot.assign(state=lot_state["state"].to_numpy())
        unique = columns.collapse(ready, ground.lot_profile, weather.lot_climate, today=today)
        moved = store.simulate(kept or store.Store(None), area, unique.column, unique.column_profile, ground.profile,
                               ground.layer, weather.history, workers=workers, progress=tell)
        column, history = past.split(moved.column, unique.lot_column, area.movement.history_months, today)
    with clock.stage("estimate"):
        beside = published.of_lots(ground.lot_profile, ground.profile, ground.layer, len(lot))
        estimate = risk.score(lot, lot_state, pd.concat([ground.lot_soil, beside], axis=1), weather.lot_climate,
                              columns.expand(column, unique.lot_column))
        tables.check(tables.ESTIMATE, estimate)
    results = Results(
        lots=estimate, area_name=area.name, today=tables.month_name(today), soil_scale=found.soil.scale,
        climate=weather.climate, drought_weeks=weather.drought_weeks,
        credits=tuple(dict.fromkeys(source.credit for source in found.sources if source.credit)),
        problems=[*found.problems, *lot_problems, *ground.problems, *weather.problems],
        facts={"published_methods": [{**method.as_dict()} for method in published.METHODS
                                     if method.name in ("as2870", "cole_volume", "van_der_merwe_1964")],
               "published_notes": published.NOTES, **moved.facts, "seed": area.movement.seed,
               "code": store.code_digest(), "input_sha256": manifest.input_digests(area, found.sources),
               "stage_seconds": clock.seconds},
        history=history, soil_lines=ground.line,
        drought_shapes=shapes.near_lots(lot, found.drought, today, area.movement.history_months),
        inputs=MovementInputs(unique.column, unique.column_profile, unique.lot_column, ground.profile, ground.layer,
                              weather.history),
        settings=plain(area.model_dump(exclude={"folder"})),
    )
    return results, found


def run(area_path: Path, outputs: Path, *, units: str = "us", workers: int | None = None,
        progress: Progress | None = None, public_k: int | None = None, reuse: bool = True) -> tuple[Path, Results]:
    """Estimate an area and write one new run folder, whole or not at all.

    Parameters
    ----------
    area_path : Path
        The area file.
    outputs : Path
        Folder that receives the run folder.
    units : str
        `us` or `si`: what the map shows first; files are SI.
    public_k : int, optional
        Write only tables for publication: groups of at least so many lots, nothing about one lot.
    reuse : bool
        Take columns that an earlier run into `outputs` computed from equal inputs; numbers are the same either way.

    Returns
    -------
    Path, Results
        The run folder and what was written into it.

    Raises
    ------
    SettingsError, LayerError, RunFolderError
    """
    from riskmap import manifest, store
    from riskmap import outputs as products
    from riskmap.outputs import public_table, run_folder

    area = area_file.load(area_path)
    kept = store.Store(outputs / store.FOLDER if reuse else None)
    results, found = assess(area, workers=workers, progress=progress, kept=kept)
    if progress:
        progress("writing products", 0.0)
    with run_folder.new_run(outputs, area.name if public_k is None else f"{area.name} public") as folder:
        if public_k is None:
            products.write_all(results, folder.path, units)
        else:
            public_table.write(results, folder.path, public_k)
        manifest.write(folder.path, results, area, found.sources)
    if progress:
        progress("writing products", 1.0)
    return folder.final, results
