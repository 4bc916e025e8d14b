"""What a run was made from and what it made, so that it can be checked and repeated years later.

Holds no user name and no path outside the area's folder. Digests are SHA-256.
"""

from __future__ import annotations

import hashlib
import json
import platform
from collections import Counter
from collections.abc import Iterable
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from riskmap import __version__
from riskmap import results as wording
from riskmap.plain import plain, portable

if TYPE_CHECKING:
    from riskmap.layers import Source
    from riskmap.results import AreaResults, RowCounts
    from riskmap.settings import Area

NAME = "manifest.json"
FORMAT = 1
_CHUNK = 1 << 20
_PACKAGES = ("geopandas", "shapely", "pyproj", "pyogrio", "pyarrow", "rasterio", "numpy", "scipy", "numba", "pandas",
             "scikit-learn", "folium", "click", "rich", "pydantic", "pandera")


def sha256(path: Path) -> str:
    """Return the SHA-256 of a file; of a folder, that of its files' names and digests in order."""
    digest = hashlib.sha256()
    if path.is_dir():
        for file in sorted(p for p in path.rglob("*") if p.is_file()):
            digest.update(f"{file.relative_to(path).as_posix()}\0{sha256(file)}\n".encode())
        return digest.hexdigest()
    with path.open("rb") as stream:
        while chunk := stream.read(_CHUNK):
            digest.update(chunk)
    return digest.hexdigest()


def _size(path: Path) -> int:
    return sum(p.stat().st_size for p in path.rglob("*") if p.is_file()) if path.is_dir() else path.stat().st_size


def _versions() -> dict[str, str]:
    from importlib import metadata

    found = {}
    for package in _PACKAGES:
        try:
            found[package] = metadata.version(package)
        except metadata.PackageNotFoundError:
            continue
    return found


def _input(source: Source, area: Area) -> dict[str, Any]:
    path = source.opened or area.resolve(source.path)
    known = {"bytes": _size(path), "sha256": sha256(path)} if path.exists() else {"bytes": None, "sha256": None}
    return {"role": source.role, "path": portable(source.path), **known, "title": source.title,
            "provider": source.provider, "licence": source.licence, "credit": source.credit,
            "valid_date": source.valid_date, "rows": source.rows}


def input_digests(area: Area, sources: Iterable[Source]) -> dict[str, list[str]]:
    """Return the SHA-256 of every file that was read, by role, in the order of reading."""
    found: dict[str, list[str]] = {}
    for source in sources:
        path = source.opened or area.resolve(source.path)
        found.setdefault(source.role, []).append(sha256(path) if path.exists() else "")
    return found


def _area_folder(area: Area) -> str:
    """Return the area's folder when it lies below the working folder; otherwise nothing of it."""
    folder = area.folder
    return "" if folder.is_absolute() or folder.drive or ".." in folder.parts else folder.as_posix()


def build(folder: Path, found: AreaResults, area: Area, sources: Iterable[Source], rows: RowCounts,
          now: datetime | None = None) -> dict[str, Any]:
    """Return the manifest of a run whose products stand in `folder`."""
    facts = dict(found.facts)
    timings = facts.pop("stage_seconds", {})
    inputs = [_input(source, area) for source in sources]
    read = sum(entry["rows"] for entry in inputs if entry["role"] == "lots")
    codes = Counter(problem.code for problem in found.problems)
    outputs = {file.relative_to(folder).as_posix(): {"bytes": file.stat().st_size, "sha256": sha256(file)}
               for file in sorted(folder.rglob("*")) if file.is_file() and file.name != NAME}
    return plain({
        "format": FORMAT,
        "riskmap": __version__,
        "written_utc": (now or datetime.now(UTC)).astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
        "standing": wording.STANDING,
        "area": {"name": found.area_name, "folder": _area_folder(area), "present_month": found.today,
                 "soil_scale": found.soil_scale},
        "settings": area.model_dump(exclude={"folder"}),
        "inputs": inputs,
        "rows": {"lots_read": read, **asdict(rows)},
        "problems": {"total": len(found.problems), "by_code": dict(sorted(codes.items()))},
        "seed": area.movement.seed,
        "draws": area.movement.draws,
        "unit_draws_per_s": facts.get("unit_draws_per_s"),
        "stage_seconds": timings,
        "facts": facts,
        "credits": found.credits,
        "outputs": outputs,
        "python": platform.python_version(),
        "platform": f"{platform.system()} {platform.machine()}",
        "packages": _versions(),
    })


def write(folder: Path, found: AreaResults, area: Area, sources: Iterable[Source], rows: RowCounts,
          now: datetime | None = None) -> Path:
    """Write `manifest.json` about everything that stands in `folder`; call it last.

    Parameters
    ----------
    folder : Path
        Folder with the finished products.
    found : AreaResults
    area : Area
        The settings as used.
    sources : iterable of Source
        Every file that was read.
    rows : RowCounts
        Of the table of lots.
    now : datetime, optional
        Moment of writing with a time zone; default: the present.
    """
    path = folder / NAME
    text = json.dumps(build(folder, found, area, sources, rows, now), indent=1, ensure_ascii=False, allow_nan=False)
    path.write_text(text + "\n", encoding="utf-8", errors="backslashreplace", newline="\n")
    return path


def verify(folder: Path, area_folder: Path | None = None) -> list[str]:
    """Check a run folder against its manifest and return what does not agree; an empty list when all does.

    Outputs are always checked. Inputs are checked where they are found: below `area_folder`, or below the area's folder
    as the manifest names it. An input that is not there is not a finding; one that differs is.
    """
    path = folder / NAME
    try:
        told = json.loads(path.read_text(encoding="utf-8"))
        outputs, inputs = dict(told["outputs"]), list(told["inputs"])
        root = area_folder or Path(told["area"]["folder"])
    except (OSError, ValueError, KeyError, TypeError) as error:
        return [f"E-MAN-001 {NAME}: cannot be read as a manifest: {type(error).__name__}. Run the estimate again."]
    findings = []
    for name, entry in sorted(outputs.items()):
        file = folder / name
        if not file.resolve().is_relative_to(folder.resolve()):
            findings.append(f"E-MAN-002 {NAME}: names a file outside the run folder: {name}.")
        elif not file.is_file():
            findings.append(f"E-MAN-003 {name}: is missing.")
        elif sha256(file) != entry["sha256"]:
            findings.append(f"E-MAN-004 {name}: has changed since the run.")
    present = {file.relative_to(folder).as_posix() for file in folder.rglob("*") if file.is_file()}
    findings += [f"W-MAN-005 {name}: was not made by this run." for name in sorted(present - set(outputs) - {NAME})]
    for entry in inputs:
        file = root / entry["path"]
        if entry["sha256"] and file.exists() and sha256(file) != entry["sha256"]:
            findings.append(f"W-MAN-006 input {entry['path']}: differs from the one that was used.")
    return findings
