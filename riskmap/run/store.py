"""What was computed before is not computed again: results of movement and soil by the content of their inputs.

One file per climate cell's weather, settings and code; in it one row per archetype. An archetype is found again by the
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
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from riskmap.common.json_values import plain

FOLDER = ".store"
LARGEST_BYTES = 2 * 1024**3  # of the whole folder; the files used longest ago go first
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


