"""The stages over parts: files between them, one task per part, and no table of all lots except what identifies them.

Everything is in one folder that all workers see. A part is read, computed and written. Results are also in the store,
so that a run that was stopped finds its parts and archetypes again. Tasks are plain functions of file names: they run
in this process, in others or on other machines and give the same files.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from riskmap.common.errors import RunFolderError
from riskmap.common.results import RowCounts
from riskmap.run import memory, part_files
from riskmap.run.store import Store

if TYPE_CHECKING:
    import geopandas as gpd
    import pyarrow as pa
    from numpy.typing import NDArray

    from riskmap.climate import ClimateAttached
    from riskmap.common.inputs import SoilTables
    from riskmap.common.settings import Area
    from riskmap.movement.archetypes import Archetypes
    from riskmap.outputs.files.arrow_lots import ShapeSummary
    from riskmap.soil import SurveyFacts
    from riskmap.soil.overlay import SoilPolygons

MARGIN_M, WIDER = 1000.0, 4.0  # soil read around a part at first; more when a soil boundary may lie farther away
GROUP_ROWS = 2000  # soil polygons or boundaries per row group, which is what a reader skips or reads
_SOIL = ("map_unit", "component", "horizon", "shrink_swell_stored")
_CLIMATE = ("cell_id", "driver_level", "climate_flags")
_WEEKLY = ("drought_category", "drought_valid_date")  # of today's weekly map; nothing else of a lot follows from them


@dataclass(frozen=True)
class Job:
    """What every task of a run gets.

    Attributes
    ----------
    area : Area
    folder : Path
        Folder of the parts.
    store : Store
    today : int
        Number of the present month.
    survey_key : str
        Key in the store of everything but the lots that decides the soil under them.
    code : str
        Digest of the code that decides the estimate.
    """

    area: Area
    folder: Path
    store: Store
    today: int
    survey_key: str
    code: str


# ---------------------------------------------------------------- before the tasks
def write_lots(lot: gpd.GeoDataFrame, weather: ClimateAttached, folder: Path, size: int) -> list[NDArray[np.int64]]:
    """Write the parts of the lots with the result of the weather stage, and return the rows of each part."""
    import pyarrow as pa

    rows = part_files.split(lot, size)
    part_files.write_lots(lot.assign(**{name: weather.lot_climate[name].to_numpy() for name in _CLIMATE}), rows, folder)
    weekly = pa.table({name: pa.array(weather.lot_climate[name], pa.string(), from_pandas=True) for name in _WEEKLY})
    for number, chosen in enumerate(rows):
        part_files.write(weekly.take(chosen), _file(folder, "weekly", number))
    return rows


def write_survey(survey: SoilTables, lot: gpd.GeoDataFrame, area: Area, folder: Path) \
        -> tuple[gpd.GeoDataFrame, SurveyFacts, str]:
    """Write the survey so that a part reads its tables and the polygons near it: along a curve, with boxes.

    Returns
    -------
    GeoDataFrame, SurveyFacts, str
        Boundaries between map units near the lots; what the tables say; the key in the store of everything but the
        lots.
    """
    from riskmap import soil
    from riskmap.run.reuse import survey_key
    from riskmap.soil import lines, overlay
    from riskmap.soil import lines_to_draw as near

    polygons = overlay.prepare(survey.polygons, area.crs)
    every_line = lines.soil_lines(polygons)
    _write_shapes(folder / "polygons.parquet", polygons.geometry, area.crs, unit=polygons.unit)
    _write_shapes(folder / "lines.parquet", every_line.geometry, area.crs, own=every_line.own, other=every_line.other)
    for name in _SOIL:
        table = getattr(survey, name)
        if table is not None:
            table.to_parquet(folder / f"{name}.parquet")
    facts = {"scale": survey.scale, "from_raster": survey.from_raster, "mukeys": polygons.mukeys.tolist()}
    (folder / "survey.json").write_text(json.dumps(facts), encoding="utf-8")
    survey_facts = soil.describe(survey, area.soil_settings, polygons.mukeys)
    line = near.near_lots(lot.geometry.to_numpy(), every_line, polygons, survey_facts.named, area.crs)
    return line, survey_facts, survey_key(area, survey)


# ---------------------------------------------------------------- soil under the lots of a part
def soil_of_part(job: Job, number: int) -> tuple[Archetypes, dict[str, NDArray[np.int64]]]:
    """Find soil, states and archetypes of a part and write `ground_*`.

    Returns
    -------
    Archetypes, dict
        The archetypes without their lots; positions in the part of the lots on which soil polygons overlap.
    """
    from riskmap.movement.archetypes import Archetypes

    key = _part_key(job, number)
    stored = {name: job.store.get_table(f"{key}part_{name}") for name in _GROUND} if key else {}
    if not stored or None in stored.values():
        tables, touched = _ground(job, number)
        for name in _GROUND if key else ():
            job.store.put_table(f"{key}part_{name}", tables[name], {"touched": touched})
    else:
        tables = {name: pair[0] for name, pair in stored.items() if pair is not None}
        touched = {name: np.array(places, np.int64)
                   for name, places in (stored["ground"] or ({}, {}))[1]["touched"].items()}
    part_files.write(tables["ground"], _file(job.folder, "ground", number))
    archetype, mixture = (tables[name].to_pandas() for name in _GROUND[1:])
    return Archetypes(archetype, mixture, np.empty(0, np.int64)), touched


_GROUND = ("ground", "archetype", "mixture")  # what is stored of the ground of a part


def _part_key(job: Job, number: int) -> str:
    """Return the key of the cleaned lots of a part with their weather, of the survey and of the code; "" without."""
    if job.store.folder is None:
        return ""
    digest = hashlib.sha256(f"{job.survey_key} {job.code} {job.today} ".encode())
    digest.update(_file(job.folder, "lots", number).read_bytes())
    return digest.hexdigest()[:32]


def _ground(job: Job, number: int) -> tuple[dict[str, pa.Table], dict[str, NDArray[np.int64]]]:
    """Compute what `soil_of_part` returns and writes."""
    import pyarrow as pa

    from riskmap.estimates import beside as estimates_beside
    from riskmap.estimates import table as risk
    from riskmap.movement import archetypes
    from riskmap.soil import overlap

    lot, climate = _lots(job, number)
    survey, facts = _survey(job.folder, job.area.soil_settings)
    lot_soil, lot_profile = _soil(job, lot, survey, facts)
    state = risk.states(lot, lot_soil, climate)
    shared = archetypes.collapse(lot.assign(state=state["state"].to_numpy()), lot_profile, climate, today=job.today)
    beside = estimates_beside.of_lots(lot_profile, facts.profile, facts.layer, len(lot))
    ground = pd.concat([lot_soil.drop(columns="lot_row"), beside, state.add_prefix("lot_")], axis=1)
    frames = {"ground": ground.assign(archetype=shared.lot_archetype), "archetype": shared.archetype,
              "mixture": shared.archetype_profile}
    tables = {name: pa.Table.from_pandas(frame, preserve_index=False) for name, frame in frames.items()}
    touched = overlap.touched(lot_soil)
    del lot, climate, lot_soil, lot_profile, ground, beside, frames
    memory.release(len(shared.lot_archetype))
    return tables, touched


def _soil(job: Job, lot: gpd.GeoDataFrame, survey: SoilTables, facts: SurveyFacts) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return lot_soil and lot_profile of a part, from the store when its lots and the survey are the same."""
    from riskmap.run import reuse

    key = "" if job.store.folder is None else reuse.lots_key(job.survey_key, lot)
    stored = [job.store.get(f"{key}{name}") for name in ("part_soil", "part_profile")] if key else [None, None]
    if stored[0] is not None and stored[1] is not None:
        return stored[0][0], stored[1][0]
    tables = _soil_anew(job, lot, survey, facts)
    for name, frame in zip(("part_soil", "part_profile"), tables, strict=True):
        if key:
            job.store.put(f"{key}{name}", frame, {}, anew=True)
    return tables


def _soil_anew(job: Job, lot: gpd.GeoDataFrame, survey: SoilTables, facts: SurveyFacts) \
        -> tuple[pd.DataFrame, pd.DataFrame]:
    """Compute lot_soil and lot_profile of a part from the polygons and boundaries near it."""
    from riskmap import soil
    from riskmap.soil.overlay import SoilPolygons

    mukeys = _facts(job.folder)["mukeys"]
    shapes, frame, _ = _near(job.folder / "polygons.parquet", lot, 0.0)
    polygons = SoilPolygons(shapes, frame["unit"].to_numpy(np.int64), np.array(mukeys, dtype=object))
    lot_soil, _, lot_profile = soil.of_lots(lot, survey, facts, polygons, _nearest_line(job, lot, polygons),
                                            job.area.soil_settings)
    return lot_soil, lot_profile


def _nearest_line(job: Job, lot: gpd.GeoDataFrame, polygons: SoilPolygons) \
        -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Return what `soil.lines.nearest` does, reading boundaries around the part until no nearer one can be outside."""
    from riskmap import soil
    from riskmap.soil import lines

    points = soil.middle(lot.geometry.to_numpy())
    distance, beyond = np.full(len(lot), np.nan), np.full(len(lot), -1, np.int64)
    ask = np.flatnonzero(lines.home(points, polygons) >= 0)
    margin = MARGIN_M
    while len(ask):
        shapes, frame, whole = _near(job.folder / "lines.parquet", lot, margin)
        line = lines.Lines(shapes, frame["own"].to_numpy(np.int64), frame["other"].to_numpy(np.int64))
        distance[ask], beyond[ask] = lines.nearest(points[ask], polygons, line)
        if whole:
            break
        ask = ask[~(distance[ask] <= margin)]
        margin *= WIDER
    return distance, beyond


def _near(path: Path, lot: gpd.GeoDataFrame, margin: float) -> tuple[NDArray[np.object_], pd.DataFrame, bool]:
    """Return the shapes whose box meets the part's box with a margin [m], in the survey's order; and whether all do."""
    import geopandas as gpd
    import pyarrow.parquet as pq
    import shapely

    known = lot.geometry[~(lot.geometry.isna() | lot.geometry.is_empty)]
    box = np.asarray(known.total_bounds) if len(known) else np.zeros(4)
    near = gpd.read_parquet(path, bbox=tuple((box + np.array([-margin, -margin, margin, margin])).tolist()))
    near = near.sort_values("place")
    shapes = near.geometry.to_numpy()
    shapely.prepare(shapes)
    return shapes, pd.DataFrame(near.drop(columns="geometry")), \
        len(near) == pq.read_metadata(path).num_rows or not len(known)


def _write_shapes(path: Path, shapes: NDArray[np.object_], crs: str, **columns: NDArray[np.int64]) -> None:
    """Write shapes along a curve with their boxes, so that `_near` needs to read only some row groups."""
    import geopandas as gpd

    frame = gpd.GeoDataFrame({"place": np.arange(len(shapes)), **columns}, geometry=shapes, crs=crs)
    frame.iloc[part_files.along_curve(frame)].to_parquet(path, index=False, schema_version="1.1.0", compression="lz4",
                                                    write_covering_bbox=True, row_group_size=GROUP_ROWS)


def _facts(folder: Path) -> dict[str, Any]:
    return dict(json.loads((folder / "survey.json").read_text(encoding="utf-8")))


def _survey(folder: Path, settings: Any) -> tuple[SoilTables, SurveyFacts]:
    """Return the tables of the survey without polygons, and what they say; read once per process and run."""
    import geopandas as gpd

    from riskmap import soil
    from riskmap.common.inputs import SoilTables

    if _held.get("folder") != folder:
        survey_facts = _facts(folder)
        frames = {name: pd.read_parquet(folder / f"{name}.parquet") for name in _SOIL
                  if (folder / f"{name}.parquet").is_file()}
        survey = SoilTables(polygons=gpd.GeoDataFrame({"mukey": []}, geometry=[], crs="EPSG:4326"),
                            scale=survey_facts["scale"], from_raster=survey_facts["from_raster"], **frames)
        _held.update(folder=folder, survey=survey,
                     facts=soil.describe(survey, settings, np.array(survey_facts["mukeys"], dtype=object)))
    return _held["survey"], _held["facts"]


_held: dict[str, Any] = {}


# ---------------------------------------------------------------- the estimate of a part
def estimate_of_part(job: Job, number: int, archetype_of: NDArray[np.int64], rows: NDArray[np.int64],
                     moved: NDArray[np.uint64]) -> tuple[RowCounts, ShapeSummary]:
    """Write the estimate of a part, rounded and in the order of its rows; return its counts and shapes.

    It is stored without what follows from the newest weekly map, which is added afterwards.

    Parameters
    ----------
    job : Job
    number : int
        Number of the part.
    archetype_of : int array
        Number of each archetype of the part in the whole run.
    rows : int array
        `lot_row` of each lot of the part in the whole run.
    moved : uint64 array
        Keys of the movement of each archetype of the part (`reuse.moved_keys`).
    """
    from riskmap.outputs.files import arrow_lots

    key = _part_key(job, number)
    key = hashlib.sha256(key.encode() + moved.tobytes()).hexdigest()[:32] if key else ""
    stored = job.store.get_table(f"{key}part_estimate") if key else None
    if stored is None:
        arrow, counts = _estimate(job, number, archetype_of, rows)
        facts = {"counts": asdict(counts), "shapes": asdict(arrow_lots.shapes_of(arrow))}
        if key:
            job.store.put_table(f"{key}part_estimate", arrow, facts)
    else:
        arrow, facts = stored
    path = _file(job.folder, "weekly", number)
    with _whole(path.name):
        weekly = part_files.read(path)
    for name in _WEEKLY:
        arrow = arrow_lots.replaced(arrow, name, weekly[name])
    part_files.write_rows(arrow, _file(job.folder, "estimate", number), arrow_lots.ROWS)
    return RowCounts.from_dict(facts["counts"]), arrow_lots.ShapeSummary.from_dict(facts["shapes"])


def _estimate(job: Job, number: int, archetype_of: NDArray[np.int64], rows: NDArray[np.int64]) \
        -> tuple[pa.Table, RowCounts]:
    """Compute the estimate of a part, with nothing of the newest weekly map."""
    from riskmap.common import tables
    from riskmap.estimates import table as risk
    from riskmap.movement import archetypes
    from riskmap.outputs.files import arrow_lots, rounding

    lot, climate = _lots(job, number)
    path = _file(job.folder, "ground", number)
    with _whole(path.name):
        ground = part_files.read(path).to_pandas()
    state = ground[["lot_state", "lot_state_reason"]].set_axis(["state", "state_reason"], axis=1)
    lot_soil = ground.drop(columns=["lot_state", "lot_state_reason", "archetype"]).assign(lot_row=lot["lot_row"])
    own = ground["archetype"].to_numpy(np.int64)
    lot_archetype = np.where(own >= 0, np.append(archetype_of, -1)[own], -1)
    moved = pd.read_parquet(job.folder / "moved.parquet")
    table = risk.score(lot, state, lot_soil, climate.assign(**dict.fromkeys(_WEEKLY, "")),
                       archetypes.expand(moved, lot_archetype))
    table["lot_row"] = rows
    tables.check(tables.ESTIMATE, table)
    arrow, counts = arrow_lots.table(rounding.rounded_lots(table)), RowCounts.of(table)
    del lot, climate, ground, lot_soil, moved, table
    memory.release(len(rows))
    return arrow, counts


@contextmanager
def _whole(name: str) -> Iterator[None]:
    """Report a part that cannot be read by its name; nothing is made up in its place."""
    try:
        yield
    except (OSError, ValueError, KeyError) as error:
        raise RunFolderError(f"E-RUN-036 the part file {name} of this run is damaged or gone ({type(error).__name__}). "
                             "Run again; what is in the store is not computed again. If it happens again, check the "
                             "disk.") from None


def _lots(job: Job, number: int) -> tuple[gpd.GeoDataFrame, pd.DataFrame]:
    """Return the lots of a part, numbered from 0, and the result of the weather stage for them."""
    import geopandas as gpd

    path = _file(job.folder, "lots", number)
    with _whole(path.name):
        lot = gpd.read_parquet(path)
    lot["lot_row"] = np.arange(len(lot), dtype=np.int64)
    return lot.drop(columns=list(_CLIMATE)), pd.DataFrame(lot[["lot_row", *_CLIMATE]])


def archetypes_of_lots(job: Job, rows: list[NDArray[np.int64]], numbers: list[NDArray[np.int64]]) -> NDArray[np.int64]:
    """Return the archetype of every lot of the run in the order of the input, -1 without one."""
    out = np.full(sum(len(chosen) for chosen in rows), -1, np.int64)
    for number, (chosen, archetype_of) in enumerate(zip(rows, numbers, strict=True)):
        own = part_files.read(_file(job.folder, "ground", number))["archetype"].to_numpy()
        out[chosen] = np.where(own >= 0, np.append(archetype_of, -1)[own], -1)
    return out


# ---------------------------------------------------------------- the products
def products_of_tasks(workers: int) -> list[tuple[str, ...]]:
    """Return the products of each task: with few workers two share one reading of the parts, and take as long as the
    third alone.
    """
    return [("gpkg",), ("csv",), ("parquet",)] if workers > 2 else [("gpkg",), ("csv", "parquet")]


def write_products(kinds: tuple[str, ...], folder: Path, into: Path, count: int, today: str, shapes: ShapeSummary,
                   rows: int) -> None:
    """Write some products of `products_of_tasks` from the estimates of all parts in the order of the input."""
    from riskmap.outputs.files import arrow_lots, csv_table, geopackage, geoparquet

    paths = [_file(folder, "estimate", k) for k in range(count)]
    for path in paths:
        with _whole(path.name):
            part_files.check(path)
    stream = part_files.in_order(paths, arrow_lots.ROWS)
    if "csv" in kinds:
        stream = csv_table.written(stream, into)
    if "parquet" in kinds:
        geoparquet.write_tables(stream, into)
    elif "gpkg" in kinds:
        geopackage.write_tables(stream, into, today, shapes, rows)
    for _ in stream:
        pass


def _file(folder: Path, kind: str, number: int) -> Path:
    """Return the file of a part: the lots with their shapes as GeoParquet, what is made of them as Arrow."""
    return folder / f"{kind}_{number:05d}.{'parquet' if kind == 'lots' else 'arrow'}"
