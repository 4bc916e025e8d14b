"""Finished runs of invented results, and runs that others changed with the manifest made to agree again."""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from riskmap.common import settings
from riskmap.common.results import Results, RowCounts
from riskmap.run import files, manifest
from riskmap.run import folder as run_folder
from riskmap.run.products import write_all

MOMENT = datetime(2026, 1, 2, 3, 4, 5, tzinfo=UTC)


def area(name: str) -> settings.Area:
    """Return settings of an area without files."""
    return settings.Area.model_validate({"name": name, "lots": {"path": "lots.csv"}, "soil": {"path": "soil"}})


def with_manifest(folder: Path, found: Results, moment: datetime = MOMENT) -> Path:
    """Write the manifest of what is in a folder."""
    manifest.write(folder, found, area(found.area_name), [], RowCounts.of(found.lots), moment)
    return folder


def finished(outputs: Path, found: Results, moment: datetime = MOMENT, name: str = "made up") -> Path:
    """Write a whole run of invented results and return its folder."""
    with run_folder.new_run(outputs, name, moment) as run:
        write_all(found, run.path)
        with_manifest(run.path, found, moment)
    return run.final


def reseal(run: Path, change: Callable[[dict[str, Any]], object] = lambda told: None) -> Path:
    """Change a manifest, let its hashes be those of the files as they are, and give it the digest of its content."""
    path = run / manifest.NAME
    told = json.loads(path.read_text(encoding="utf-8"))
    for name, entry in told["outputs"].items():
        if os.path.isfile(run / name):
            entry |= {"bytes": (run / name).stat().st_size, "sha256": manifest.sha256(run / name)}
    change(told)
    told.pop(files.SEAL, None)
    path.write_text(json.dumps({**told, files.SEAL: files.seal_of(told)}), encoding="utf-8")
    return run
