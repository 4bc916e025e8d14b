"""What was computed before is not computed again: results of the movement stage by the content of their inputs.

One file per climate cell's weather, settings and code; in it one row per unique column. A column is found again by the
content of its soil, slab and pour dates, never by a name or a date of a file. A new weekly map that leaves the monthly
weather as it was, a new list of lots on known soil, another product: all reuse. Files are checked on reading: one that
does not hold what its name says is dropped and computed anew. Deleting the folder is always safe.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from riskmap.plain import plain

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from riskmap.movement import Movement
    from riskmap.movement_inputs import ClimateHistory
    from riskmap.settings import Area

FOLDER = ".store"
LARGEST_BYTES = 2 * 1024**3  # of the whole folder; the files used longest ago go first
_COLUMN = ("half_width_m", "half_width_known", "slab_class", "plan_factor", "pour_early_month", "pour_late_month")
_PROFILE = ("rock_depth_m", "water_table_all_year_m")  # all that movement reads of a profile, besides its layers
_LAYER = ("top_m", "bottom_m", "lep_low_pct", "lep_pct", "lep_high_pct")
_SALTS = (11, 23)  # two 64-bit sums: the chance that any two of ten million columns are taken for one is about 1e-25
_KEYS = ["key_1", "key_2"]
_PACKAGES = ("numpy", "numba", "scipy")


@dataclass(frozen=True)
class Store:
    """A folder of results; `folder` None keeps nothing and finds nothing."""

    folder: Path | None

    def get(self, key: str) -> tuple[pd.DataFrame, dict[str, Any]] | None:
        """Return the rows and facts kept under a key, or None; a damaged file is removed."""
        if self.folder is None:
            return None
        for path in sorted(self.folder.glob(f"{key}-*.parquet")):
            with suppress(OSError, ValueError, KeyError):
                if _digest(path.read_bytes()) == path.stem.rsplit("-", 1)[1]:
                    import pyarrow.parquet as pq

                    table = pq.read_table(path)
                    os.utime(path)  # marks the last use
                    return table.to_pandas(), json.loads(table.schema.metadata[b"facts"])
            path.unlink(missing_ok=True)
        return None

    def put(self, key: str, rows: pd.DataFrame, facts: dict[str, Any]) -> None:
        """Keep rows and facts under a key, in place of what was there. A store that cannot be written is no fault."""
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
            part.write_bytes(content)
            os.replace(part, target)
            for old in self.folder.glob(f"{key}-*.parquet"):
                if old != target:
                    old.unlink(missing_ok=True)
            self._prune(target)

    def _prune(self, newest: Path) -> None:
        assert self.folder is not None
        files = sorted((path.stat().st_mtime, path) for path in self.folder.glob("*.p*"))
        total = sum(path.stat().st_size for _, path in files)
        for _, path in files:
            if total <= LARGEST_BYTES:
                return
            if path != newest:
                total -= path.stat().st_size
                path.unlink(missing_ok=True)


def _digest(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()[:32]


# ---------------------------------------------------------------- keys
@cache
def _code() -> bytes:
    """Return a digest of everything that decides the numbers besides the inputs: our equations and the libraries."""
    from importlib import metadata

    package = Path(__file__).parent
    digest = hashlib.sha256()
    for path in sorted([*(package / "movement").glob("*.py"), package / "constants.py"]):
        digest.update(path.name.encode() + b"\0" + hashlib.sha256(path.read_bytes()).digest())
    digest.update(repr([metadata.version(name) for name in _PACKAGES]).encode())
    return digest.digest()


def code_digest() -> str:
    """Return a short digest of the code and libraries that decide the numbers; a run keeps it."""
    return _code().hex()[:16]


def cell_key(history: ClimateHistory, cell: str, area: Area) -> str:
    """Return the key of one cell's weather with the settings and the code that turn it into movement."""
    place = history.cells.index(cell)
    digest = hashlib.sha256(_code())
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
             layer: pd.DataFrame, history: ClimateHistory, *, workers: int | None = None,
             progress: Callable[[float], None] | None = None) -> Movement:
    """Return what `movement.simulate` returns for the same arguments, computing only what the store does not hold.

    The facts also tell `reused_columns`.
    """
    from riskmap import movement

    keys = column_keys(columns, column_profile, profile, layer)
    known: list[pd.DataFrame] = []
    cells: dict[str, dict[str, Any]] = {}
    kept: dict[str, pd.DataFrame] = {}
    missing = pd.Series(True, index=columns.index)
    of_cell = {str(cell): group.index for cell, group in columns.groupby("cell_id", sort=True)}
    names = {cell: cell_key(history, cell, area) for cell in of_cell} if store.folder is not None else {}
    for cell, name in names.items():
        found = store.get(name)
        if found is None:
            continue
        kept[cell], facts = found
        hit = keys.loc[of_cell[cell]].reset_index(names="column").merge(kept[cell], on=_KEYS, how="inner")
        hit = hit.set_index("column").drop(columns=_KEYS)
        known.append(hit)
        missing[hit.index] = False
        cells[cell] = facts
    wanted = columns[missing]
    parts = column_profile[column_profile["column_id"].isin(wanted.index)]
    made = movement.simulate(wanted, parts, profile, layer, history, movement=area.movement,
                             climate=area.climate_settings, soil=area.soil_settings, workers=workers,
                             progress=progress)
    for cell, name in names.items():
        new = made.column.loc[made.column.index.intersection(of_cell[cell])]
        if new.empty or cell not in made.facts["cells"]:
            continue
        rows = pd.concat([keys.loc[new.index], new], axis=1)
        old = [kept[cell]] if cell in kept and list(kept[cell].columns) == list(rows.columns) else []
        store.put(name, pd.concat([*old, rows], ignore_index=True).drop_duplicates(_KEYS), made.facts["cells"][cell])
    parts_of_table = [frame for frame in (made.column, *known) if len(frame)]
    table = pd.concat(parts_of_table).loc[columns.index] if parts_of_table else made.column
    facts = {**made.facts, "columns": len(columns), "reused_columns": int((~missing).sum()),
             "cells": dict(sorted({**cells, **made.facts["cells"]}.items()))}
    return movement.Movement(table, facts)
