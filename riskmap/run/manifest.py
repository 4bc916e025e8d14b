"""What a run was made from and what it made, so that it can be checked and repeated years later.

It contains no user name and no path outside the area's folder. Digests are SHA-256; the last key is the digest of all
other content. `files` reads it back.
"""

from __future__ import annotations

import hashlib
import json
import os
import platform
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path, PurePath
from typing import TYPE_CHECKING, Any

from riskmap.common import wording
from riskmap.common.errors import visible
from riskmap.common.json_values import plain, portable
from riskmap.common.version import __version__
from riskmap.run import files
from riskmap.run.files import FORMAT, NAME, SEAL, InputEntry

if TYPE_CHECKING:
    from riskmap.common.inputs import Source
    from riskmap.common.results import AreaResults, RowCounts
    from riskmap.common.settings import Area

_PACKAGES = ("geopandas", "shapely", "pyproj", "pyogrio", "pyarrow", "rasterio", "numpy", "scipy", "numba", "pandas",
             "scikit-learn", "folium", "click", "pydantic", "pandera")


def sha256(path: Path) -> str:
    """Return the SHA-256 of a file, or of a folder: that of the names and digests of its files in order."""
    digest = hashlib.sha256()
    if path.is_dir():
        for file in sorted(p for p in path.rglob("*") if p.is_file()):
            digest.update(f"{file.relative_to(path).as_posix()}\0{sha256(file)}\n".encode())
        return digest.hexdigest()
    with path.open("rb") as stream:
        return files.sha256_of(stream)


def _size(path: Path) -> int:
    return sum(p.stat().st_size for p in path.rglob("*") if p.is_file()) if path.is_dir() else path.stat().st_size


def _versions() -> dict[str, str]:
    from importlib import metadata

    versions = {}
    for package in _PACKAGES:
        try:
            versions[package] = metadata.version(package)
        except metadata.PackageNotFoundError:
            continue
    return versions


def _input(source: Source, area: Area) -> dict[str, Any]:
    path = source.opened or area.resolve(source.path)
    known = {"bytes": _size(path), "sha256": sha256(path)} if path.exists() else {"bytes": None, "sha256": None}
    return {"role": source.role, "path": portable(source.path), **known, "title": source.title,
            "provider": source.provider, "licence": source.licence, "credit": source.credit,
            "valid_date": source.valid_date, "rows": source.rows}


def input_digests(area: Area, sources: Iterable[Source]) -> dict[str, list[str]]:
    """Return the SHA-256 of every file that was read, by role, in the order of reading."""
    digests: dict[str, list[str]] = {}
    for source in sources:
        path = source.opened or area.resolve(source.path)
        digests.setdefault(source.role, []).append(sha256(path) if path.exists() else "")
    return digests


def _area_folder(area: Area) -> str:
    """Return the area's folder when it is below the working folder, otherwise nothing about it."""
    folder = area.folder
    return "" if folder.is_absolute() or folder.drive or ".." in folder.parts else folder.as_posix()


def build(folder: Path, results: AreaResults, area: Area, sources: Iterable[Source], rows: RowCounts,
          now: datetime | None = None) -> dict[str, Any]:
    """Return the manifest of a run whose products are in `folder`, except its last key."""
    facts = dict(results.facts)
    timings = facts.pop("stage_seconds", {})
    inputs = [_input(source, area) for source in sources]
    counts = asdict(rows)
    del counts["by_band"]  # tables for publication have a manifest too, and a band may have fewer lots than a group
    lot_rows = sum(entry["rows"] for entry in inputs if entry["role"] == "lots")
    codes = Counter(problem.code for problem in results.problems)
    outputs = {file.relative_to(folder).as_posix(): {"bytes": file.stat().st_size, "sha256": sha256(file)}
               for file in sorted(folder.rglob("*")) if file.is_file() and file.name != NAME}
    return plain({
        "format": FORMAT,
        "riskmap": __version__,
        "written_utc": (now or datetime.now(UTC)).astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
        "standing": wording.STANDING,
        "area": {"name": results.area_name, "folder": _area_folder(area), "present_month": results.today,
                 "soil_scale": results.soil_scale},
        "settings": area.model_dump(exclude={"folder"}),
        "inputs": inputs,
        "rows": {"lots_read": lot_rows, **counts},
        "problems": {"total": len(results.problems), "by_code": dict(sorted(codes.items()))},
        "seed": area.movement.seed,
        "draws": area.movement.draws,
        "unit_draws_per_s": facts.get("unit_draws_per_s"),
        "stage_seconds": timings,
        "facts": facts,
        "credits": results.credits,
        "outputs": outputs,
        "python": platform.python_version(),
        "platform": f"{platform.system()} {platform.machine()}",
        "packages": _versions(),
    })


def write(folder: Path, results: AreaResults, area: Area, sources: Iterable[Source], rows: RowCounts,
          now: datetime | None = None) -> Path:
    """Write `manifest.json` about everything that is in `folder`; call it last.

    Parameters
    ----------
    folder : Path
        Folder with the finished products.
    results : AreaResults
    area : Area
        The settings that were used.
    sources : iterable of Source
        Every file that was read.
    rows : RowCounts
        Counts of the table of lots.
    now : datetime, optional
        Moment of writing with a time zone; default: the present.
    """
    path = folder / NAME
    content = build(folder, results, area, sources, rows, now)
    text = json.dumps({**content, SEAL: files.seal_of(content)}, indent=1, ensure_ascii=False, allow_nan=False)
    path.write_text(text + "\n", encoding="utf-8", errors="backslashreplace", newline="\n")
    return path


def verify(folder: Path, area_folder: Path | None = None) -> list[str]:
    """Check a run folder against its manifest and return what does not agree; an empty list when everything does.

    Outputs are always checked. Inputs are checked where they are found: below `area_folder`, or below the area's folder
    as the manifest names it, and nowhere else. A missing input is not a finding; one that differs is.
    """
    try:
        manifest = files.manifest_of(folder)
    except files.ManifestError as error:
        return [f"{error} Run the estimate again, or take the run from a copy."]
    findings = [] if manifest.sealed else [f"W-MAN-012 {NAME}: {files.WITHOUT_SEAL}"]
    for name, entry in sorted(manifest.outputs.items()):
        try:
            with files.open_plain(folder, name) as stream:
                if files.changed(stream, entry):
                    findings.append(f"E-MAN-004 {name}: has changed since the run.")
        except FileNotFoundError:
            findings.append(f"E-MAN-003 {name}: is missing.")
        except files.NotPlainError:
            findings.append(f"E-MAN-011 {name}: it is a link or no plain file, or lies behind a link. A run has plain "
                            "files only; it was not opened.")
        except OSError as error:
            findings.append(f"E-MAN-014 {name}: it cannot be read: {files.why(error)}.")
    added = sorted(set(_entries(folder)) - set(manifest.outputs) - {NAME})
    findings += [f"W-MAN-005 {visible(name)}: was not made by this run." for name in added]
    own = manifest.area.folder
    root = area_folder if area_folder is not None else Path(own) if _inside(own) else None
    if root is not None:
        findings += [line for entry in manifest.inputs
                     if (line := _input_finding(entry, root, named=area_folder is not None))]
    return findings


def _entries(folder: Path) -> Iterator[str]:
    """Yield the names of everything below a folder except folders; links are named and not followed."""
    waiting = [folder]
    while waiting:
        with os.scandir(waiting.pop()) as entries:
            for entry in entries:
                if entry.is_dir(follow_symlinks=False):
                    waiting.append(Path(entry.path))
                else:
                    yield Path(entry.path).relative_to(folder).as_posix()


def _inside(name: str) -> bool:
    """Return whether a name leads to something below the folder where it is searched, by the name alone."""
    path = PurePath(name)
    return name != "" and not path.is_absolute() and not path.drive and ".." not in path.parts


_MOST_INPUT_FILES = 100_000  # number of files of an input that is a folder (judgement: a soil download has 70)


def _input_finding(entry: InputEntry, root: Path, *, named: bool) -> str:
    """Return the finding on an input that was read, empty when there is none."""
    if entry.sha256 is None:
        return ""
    name = visible(entry.path)
    beside = f"W-MAN-013 input {name}: it was not compared: "
    try:
        if not _inside(entry.path):
            # a file outside the area's folder is not searched unless the user names the folder with the inputs
            outside = "its name leads out of the folder in which inputs are looked for."
            return beside + outside if named or PurePath(entry.path).is_absolute() else ""
        file = root / entry.path
        if not os.path.lexists(file):
            return ""
        if not file.resolve().is_relative_to(root.resolve()):
            return beside + "a link leads out of the folder in which inputs are looked for."
        if file.is_dir():
            problem, differs = _folder_differs(file, root, entry)
            if problem:
                return beside + problem
        else:
            with files.open_plain(file.resolve().parent, file.resolve().name) as stream:
                differs = files.changed(stream, entry)
    except files.NotPlainError:
        return beside + "it is not a plain file."
    except (OSError, ValueError) as error:
        return beside + f"{files.why(error)}."
    return f"W-MAN-006 input {name}: differs from the one that was used." if differs else ""


def _folder_differs(folder: Path, root: Path, entry: InputEntry) -> tuple[str, bool]:
    """Return why a folder was not compared, if it was not, and whether it differs. Its files are counted first."""
    size, inside = 0, root.resolve()
    for k, file in enumerate(folder.rglob("*")):
        if k >= _MOST_INPUT_FILES:
            return f"it has more than {_MOST_INPUT_FILES:,} files.", False
        if file.is_symlink() and not file.resolve().is_relative_to(inside):
            return "a link in it leads out of the folder in which inputs are looked for.", False
        size += file.stat().st_size if file.is_file() else 0
        if entry.bytes is not None and size > entry.bytes:
            return "", True
    return "", sha256(folder) != entry.sha256
