"""Cleaned lots that are found again, so that a new weekly map does not need a million lots to be read and cleaned.

A run in parts keeps the table of cleaned lots in the store, under the digests of everything that decides it: the lot
file with the files beside it, corrections, soil map, buildings, settings, present month and code. Labels never get
there: a lot file of which a column is shown as a label is read each time.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from riskmap.common.inputs import LotsInBrief, Source
from riskmap.common.problems import Problem
from riskmap.run.code_digest import digest_bytes
from riskmap.run.manifest import sha256

if TYPE_CHECKING:
    import geopandas as gpd

    from riskmap.common.inputs import Layers
    from riskmap.common.settings import Area
    from riskmap.run.store import Store

MOST_PROBLEMS = 20_000  # of more findings, storing takes longer than finding them again (judgement)
_BRIEF, _TABLE = "lots_brief", "lots_clean"
_DECIDES = {"crs", "lot_settings", "buildings"}  # settings that decide how lots are cleaned


@dataclass(frozen=True)
class CleanLots:
    """Cleaned lots.

    Attributes
    ----------
    lot : GeoDataFrame
        `tables.LOT`.
    problems : list of Problem
        What was assumed, and what was found in the rows.
    lot_rows : list of list of int
        Numbering of the rows, as returned by `results.row_steps`.
    """

    lot: gpd.GeoDataFrame
    problems: list[Problem]
    lot_rows: list[list[int]]


def key_of(store: Store, area: Area) -> str:
    """Return the key of what a reading of the lot file finds; "" when it cannot be kept or a file is missing."""
    if store.folder is None or area.lots.label is not None or area.soil.reader == "key_raster":
        return ""
    soil = area.soil.path if isinstance(area.soil.path, list) else [area.soil.path]
    corrections = [] if area.lots.corrections is None else [area.lots.corrections]
    digest = hashlib.sha256(digest_bytes("estimate"))
    try:
        for path in (*_files(area.resolve(area.lots.path)), *map(area.resolve, (*corrections, *soil))):
            digest.update(f"{path.name}\0{sha256(path)}\n".encode())
    except OSError:
        return ""  # the reader says what is missing
    return _key(digest, area.lots.model_dump(mode="json"), area.soil.model_dump(mode="json"), area.crs,
                area.buildings is None and not area.context)


def _files(shapes: Path) -> list[Path]:
    """Return a file with the files beside it that belong to it: parts of a shapefile, the log of a database."""
    own = f"{shapes.stem}." if shapes.suffix.lower() == ".shp" else f"{shapes.name}-"
    return [shapes, *sorted(path for path in shapes.parent.iterdir() if path.name.lower().startswith(own.lower()))]


def brief(store: Store, key: str, area: Area) -> LotsInBrief | None:
    """Return what an earlier reading of the same lot file found; None when it is not kept."""
    stored = store.get(f"{key}{_BRIEF}") if key else None
    if stored is None:
        return None
    facts = stored[1]
    paths = (area.lots.path, area.lots.corrections or area.lots.path)
    sources = tuple(Source(path=path, **one) for path, one in zip(paths, facts["sources"], strict=False))
    return LotsInBrief(facts["rows"], facts["north_deg"], tuple(facts["box"]) if facts["box"] else None, sources,
                       tuple(_found(facts["problems"], area)))


def clean(store: Store, key: str, area: Area, layers: Layers, today: int, *, keep: bool) -> CleanLots:
    """Return the cleaned lots of an area, from the store when they were cleaned before.

    Parameters
    ----------
    store : Store
    key : str
        As returned by `key_of` before the layers were read.
    area : Area
    layers : Layers
        Without their lots where `brief` was given to the reader.
    today : int
        Number of the present month.
    keep : bool
        Whether a new table is stored.
    """
    import pandas as pd
    import pyarrow as pa

    buildings = [] if area.buildings is None else [*map(sha256, _files(area.resolve(area.buildings.path)))]
    of_table = key and _key(hashlib.sha256(key.encode()), area.model_dump(mode="json", include=_DECIDES), buildings,
                            today)
    stored = store.get_table(f"{of_table}{_TABLE}") if of_table else None
    cleaned = _anew(area, layers, today) if stored is None else _from_table(*stored, area)
    found = layers.lots_in_brief
    many = len(cleaned.problems) + len(found.problems) > MOST_PROBLEMS
    # what was not found in the store is put there, unless the file was replaced while it was read
    missing = stored is None or layers.lots is not None
    if keep and of_table and missing and not many and key == key_of(store, area):
        facts = {"problems": _told(cleaned.problems, area), "lot_rows": cleaned.lot_rows}
        store.put_table(f"{of_table}{_TABLE}", pa.table(cleaned.lot.to_arrow(index=False, geometry_encoding="WKB")),
                        facts)
        sources = [{name: value for name, value in asdict(one).items() if name not in ("path", "opened")}
                   for one in found.sources]
        store.put(f"{key}{_BRIEF}", pd.DataFrame(), {
            "rows": found.rows, "north_deg": found.north_deg, "box": found.box, "sources": sources,
            "problems": _told(found.problems, area)}, anew=True)
    return cleaned


def _anew(area: Area, layers: Layers, today: int) -> CleanLots:
    from riskmap import lots
    from riskmap.common import tables
    from riskmap.common.results import row_steps
    from riskmap.layers import catalogue
    from riskmap.layers import lots as lot_file
    from riskmap.lots import assumptions

    coverage = catalogue.soil_box(layers.soil)
    raw = layers.lots
    if raw is None:  # its cleaned table is not in the store
        raw = lot_file.read(area.lots, area, coverage)[0]
    lot, found = lots.clean(raw, area.lot_settings, area.crs, today, str(area.lots.path), coverage, layers.buildings)
    tables.check(tables.LOT, lot)
    assumed = assumptions.problems(raw, lot, area.lot_settings, today, str(area.lots.path))
    return CleanLots(lot, [*assumed, *found], row_steps(raw["source_row"].to_numpy()))


def _told(problems: Iterable[Problem], area: Area) -> list[dict[str, object]]:
    """Return findings as plain values; the path of the lot file may show whose machine this is, and is left out."""
    return [{**one.as_dict(), "file": "" if one.file == str(area.lots.path) else one.file} for one in problems]


def _found(told: Iterable[dict[str, Any]], area: Area) -> list[Problem]:
    """Return the findings that `_told` made plain."""
    return [Problem(**{**one, "file": one["file"] or str(area.lots.path)}) for one in told]


def _from_table(table: Any, facts: dict[str, Any], area: Area) -> CleanLots:
    import geopandas as gpd

    return CleanLots(gpd.GeoDataFrame.from_arrow(table), _found(facts["problems"], area), facts["lot_rows"])


def _key(digest: hashlib._Hash, *parts: Any) -> str:
    digest.update(json.dumps(parts, sort_keys=True).encode())
    return digest.hexdigest()[:32]
