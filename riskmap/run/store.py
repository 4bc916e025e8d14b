"""A store, so that nothing is computed twice: results of movement and soil, found by the content of their inputs.

There is one file per climate cell's weather, settings and code, with one row per archetype. An archetype is found again
by the content of its soil, slab and pour dates, never by a name or a date of a file. A new weekly map that does not
change the monthly weather, a new list of lots on known soil and another product all reuse results. Files are checked on
reading: one whose content does not match its name is dropped and computed again. Deleting the folder is always safe.
Only files of the store's own names, two digests in a row, are ever removed; whatever else is in the folder stays and is
not counted.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import stat
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from riskmap.common.json_values import plain

if TYPE_CHECKING:
    import pyarrow as pa

FOLDER = ".store"
LARGEST_BYTES = 2 * 1024**3  # size of the whole folder; the files that were used longest ago are removed first
COUNTED_EVERY = 1 / 64  # of it: what a process writes before it counts the folder again (judgement)
_written: dict[Path, int] = {}  # bytes that this process has written into a folder since it was counted
_OWN = re.compile(r"[0-9a-f]{32}[a-z_]*-[0-9a-f]{32}\.(?:parquet|\d+\.part)")  # key, digest of the content


@dataclass(frozen=True)
class Store:
    """A folder of results, of at most `largest` bytes. With `folder` None it stores nothing and finds nothing."""

    folder: Path | None
    largest: int = LARGEST_BYTES

    def get(self, key: str) -> tuple[pd.DataFrame, dict[str, Any]] | None:
        """Return the rows and facts stored under a key, or None. Damaged files are removed, the others are used."""
        found = [(table.to_pandas(), facts) for table, facts in self._read(key)]
        return (pd.concat([rows for rows, _ in found], ignore_index=True), found[-1][1]) if found else None

    def get_table(self, key: str) -> tuple[pa.Table, dict[str, Any]] | None:
        """Return what `put_table` stored under a key, or None; a damaged file is removed."""
        return next(self._read(key), None)

    def _read(self, key: str) -> Iterator[tuple[pa.Table, dict[str, Any]]]:
        """Yield table and facts of each file of a key that is what its name says; remove the others."""
        for path in self._of(key):
            found = None
            try:
                content = path.read_bytes()
            except OSError:
                continue  # of another account, or gone: it is not used, and not ours to judge
            with suppress(OSError, ValueError, KeyError):
                if _digest(content) == path.stem.rsplit("-", 1)[1]:
                    import pyarrow as pa
                    import pyarrow.parquet as pq

                    table = pq.read_table(pa.BufferReader(content))
                    noted = dict(table.schema.metadata)
                    facts = json.loads(noted.pop(b"facts"))
                    found = table.replace_schema_metadata(noted or None), facts
                    os.utime(path)  # marks the last use
            if found is not None:
                yield found
                continue
            with suppress(OSError):
                path.unlink(missing_ok=True)

    def put(self, key: str, rows: pd.DataFrame, facts: dict[str, Any], *, anew: bool = False) -> None:
        """Store rows and facts under a key, together with what is there or, with `anew`, instead of it.

        A store that cannot be written is not an error.
        """
        if self.folder is None:
            return
        import pyarrow as pa

        self._put(key, pa.Table.from_pandas(rows, preserve_index=False), facts, anew)

    def put_table(self, key: str, table: pa.Table, facts: dict[str, Any]) -> None:
        """Store an Arrow table and facts under a key instead of what is there."""
        if self.folder is not None:
            self._put(key, table, facts, True)

    def _put(self, key: str, table: pa.Table, facts: dict[str, Any], anew: bool) -> None:
        assert self.folder is not None
        import pyarrow as pa
        import pyarrow.parquet as pq

        facts_text = json.dumps(plain(facts), allow_nan=False).encode()
        table = table.replace_schema_metadata({**(table.schema.metadata or {}), b"facts": facts_text})
        buffer = pa.BufferOutputStream()
        repeating = [column.name for column in table.schema if not pa.types.is_floating(column.type)]
        pq.write_table(table, buffer, compression="zstd", use_dictionary=repeating)
        content = buffer.getvalue().to_pybytes()
        with suppress(OSError):
            self.folder.mkdir(parents=True, exist_ok=True)
            target = self.folder / f"{key}-{_digest(content)}.parquet"
            part = target.with_suffix(f".{os.getpid()}.part")
            try:
                part.write_bytes(content)
                os.replace(part, target)
            except BaseException:
                part.unlink(missing_ok=True)  # half a file on a full disk would take the last of it
                raise
            for old in self._of(key) if anew else ():
                if old != target:
                    old.unlink(missing_ok=True)
            self._prune(target)

    def files(self, key: str) -> int:
        """Return the number of files stored under a key."""
        return len(self._of(key))

    def _of(self, key: str) -> list[Path]:
        """Return the files stored under a key, by name."""
        if self.folder is None:
            return []
        return sorted(path for path in self.folder.glob(f"{key}-*.parquet")
                      if re.fullmatch(r"[0-9a-f]{32}", path.name[len(key) + 1:-len(".parquet")])
                      and _kind(path) is not None)

    def _prune(self, newest: Path) -> None:
        """Remove files until the folder is small enough; counting its files for each new one would take longer than
        writing it.
        """
        assert self.folder is not None
        written = _written.get(self.folder, self.largest) + newest.stat().st_size
        _written[self.folder] = written if written < COUNTED_EVERY * self.largest else 0
        if _written[self.folder]:
            return
        own = [(kind, path) for path in self.folder.iterdir() if _OWN.fullmatch(path.name) and (kind := _kind(path))]
        total = sum(kind.st_size for kind, _ in own)
        for kind, path in sorted(own, key=lambda one: (one[0].st_mtime, one[1])):
            if total <= self.largest:
                return
            if path != newest:
                total -= kind.st_size
                with suppress(OSError):
                    path.unlink(missing_ok=True)


def _kind(path: Path) -> os.stat_result | None:
    """Return what the system says of a plain file; None for links, folders and missing files."""
    try:
        state = os.lstat(path)
    except OSError:
        return None
    return state if stat.S_ISREG(state.st_mode) else None


def _digest(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()[:32]


