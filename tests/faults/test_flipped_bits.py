"""Any single bit of any file of a run: every command says the same as before or refuses. `flip_sweep.py` flips more."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import flip_sweep
import pandas as pd
import pyarrow.parquet as pq
import pytest
from finished_runs import finished
from invented_results import results

from riskmap.common.errors import RiskmapError
from riskmap.run import folder, record
from riskmap.run.files import RunFiles

FLIPS = 12


@pytest.fixture(scope="module")
def run(calibration_run: Path) -> Path:
    found = folder.latest(calibration_run)
    assert found is not None
    return found


def test_flips_are_refused_or_change_nothing(run: Path) -> None:
    found = flip_sweep.sweep(run, FLIPS, ["read", "explain", "verify"])
    print("\n" + flip_sweep.table(found))
    assert not found.wrong
    assert sum(found.flips.values()) == FLIPS * len(found.calls) >= FLIPS * 20
    for file, counts in found.calls.items():
        assert counts[flip_sweep.REFUSED] >= FLIPS, f"{file}: verify alone finds every flip"


def test_commands_open_what_reading_opens_and_nothing_else_of_a_run(run: Path) -> None:
    """So that what is true for `read` is true for all of them: they have no other way to a file of a run."""
    found = flip_sweep.sweep(run, 0)
    by_read = {file for file, names in found.readers.items() if "read" in names}
    assert {"lots.parquet", "manifest.json", "problems.json", "record/facts.json",
            "record/archetype.parquet"} <= by_read
    for name in ("export", "screen", "map", "brief", "compare"):
        assert {file for file, names in found.readers.items() if name in names} == by_read
    assert {file for file, names in found.readers.items() if "explain" in names} < by_read
    assert {file for file, names in found.readers.items() if names == ["verify"]} == {
        "lots.csv", "lots.gpkg", "lots.xlsx", "map.html", "columns.json"}


def test_every_page_of_a_table_of_a_run_has_its_checksum(run: Path, tmp_path: Path) -> None:
    """Without the manifest a page whose bytes changed is still refused; nothing compares the rest of a file then."""
    tables = [path for path in sorted(run.rglob("*.parquet")) if pq.ParquetFile(path).metadata.num_rows]
    assert len(tables) >= 11
    for path in tables:
        chunk = pq.ParquetFile(path).metadata.row_group(0).column(0)
        begin = chunk.dictionary_page_offset or chunk.data_page_offset
        content = bytearray(path.read_bytes())
        content[begin + chunk.total_compressed_size - 1] ^= 1  # the last byte of the last page of the first column
        (tmp_path / path.name).write_bytes(content)
        with pytest.raises(OSError, match=r"(?i)checksum|crc"):
            pd.read_parquet(tmp_path / path.name, **record.CHECKED)


def test_a_change_between_two_readings_is_seen(tmp_path: Path) -> None:
    """A file is hashed once and again only where it is another one."""
    run = finished(tmp_path, results())
    files = RunFiles(run)
    first = record.lot_ids(files)
    assert first.equals(record.lot_ids(files))
    other = finished(tmp_path / "b", replace(results(), lots=results(61).lots))
    (run / "lots.parquet").write_bytes((other / "lots.parquet").read_bytes())
    with pytest.raises(RiskmapError, match="E-RUN-041"):
        record.lot_ids(files)
