"""Say what each of some files is, by its content: soil survey, weather, weekly maps, grids, or shapes with attributes.

In: files and folders as people have them. Out: one `Found` for each file, or for each layer of one. Which shapes are
the lots is not decided here: that needs all files together, and what the columns of the lots contain.
"""

from __future__ import annotations

import csv
import zipfile
import zlib
from collections.abc import Callable, Collection, Iterable
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath
from typing import Any

from riskmap.common.errors import LayerError, counted, joined
from riskmap.layers import archive, file_kinds, lots, recognise_layers, recognise_tables, ssurgo_tables
from riskmap.layers.reader_words import first_line

MOST_FILES = 20_000  # judgement: a delivery has some hundred files; more is a wrong folder, such as a home folder
DEEPEST_ZIP = 2  # judgement: zips in a zip are met, as some sites pack what was chosen; deeper ones are not
# Files that belong to another one, or that every system leaves behind; they are not listed.
_BESIDE = {".shx", ".dbf", ".prj", ".cpg", ".sbn", ".sbx", ".qix", ".qpj", ".lock", ".aux", ".ovr", ".tfw", ".wal"}
_SHAPES = {*(suffix for suffix, kind in lots.FORMATS.items() if kind not in ("CSV", "XLSX")), ".sqlite", ".db"}
_GRIDS = {".tif", ".tiff", ".gtiff"}
_TABLES = {".csv", ".txt", ".tsv", ".gz", ".dat", ""}
_NO_LAYER = {".md": "a text", ".pdf": "a PDF document", ".html": "a web page", ".htm": "a web page", ".py": "a program",
             ".xml": "XML, such as metadata", ".png": "a picture", ".jpg": "a picture", ".doc": "a document",
             ".docx": "a document", ".qgz": "a QGIS project", ".qgs": "a QGIS project", ".lyr": "a style",
             ".mdb": "an Access database: export its table of lots as a CSV in UTF-8",
             ".accdb": "an Access database: export its table of lots as a CSV in UTF-8",
             ".xls": "an old workbook: save its table of lots as .xlsx, and other tables as CSV in UTF-8",
             ".xlsm": "a workbook with macros: save its table of lots as .xlsx, and other tables as CSV in UTF-8",
             ".xlsb": "a binary workbook: save its table of lots as .xlsx, and other tables as CSV in UTF-8",
             ".ods": "an OpenDocument spreadsheet: save its table of lots as .xlsx, and other tables as CSV in UTF-8",
             ".dwg": "a drawing: export its outlines as a GeoPackage",
             ".dxf": "a drawing: export its outlines as a GeoPackage"}
_PROVENANCE = ".provenance"  # what `fetch` writes beside each file
_RUN = ("manifest.json", "columns.json")  # every run folder has both


@dataclass(frozen=True)
class Found:
    """One file, or one layer of a file, and what it is.

    Attributes
    ----------
    kind : str
        `soil`, `soil_database`, `key_grid`, `monthly`, `daily`, `fixed_width`, `drought`, `index`, `shapes`, `lines`,
        or `left`: nothing that a map needs.
    path : Path
        Where it is.
    shown : str
        Its name for people.
    reason : str
        What it was known by, or why it is left.
    layer : str
        Layer of a file that has several; else empty.
    facts : dict
        What the choice between files needs; the modules that look say what they put there.
    """

    kind: str
    path: Path
    shown: str
    reason: str
    layer: str = ""
    facts: dict[str, Any] = field(default_factory=dict)

    @property
    def name(self) -> str:
        """The file, with its layer where it has several."""
        return f"{self.shown}, layer {self.layer}" if self.layer else self.shown


def recognise(paths: Iterable[Path], unpacked: Path, leave: Collection[Path] = ()) -> list[Found]:
    """Say what each file is; folders are opened, and so are zips with other files that can be read.

    Parameters
    ----------
    paths : iterable of Path
        Files and folders.
    unpacked : Path
        Folder that receives what only a zip inside a zip, or a table or database inside a zip, gives.
    leave : collection of Path
        Files and folders that are not opened, such as those that this program writes.

    Raises
    ------
    LayerError
        When a path does not exist, or a folder has too many files. A file that cannot be read is `left`, with the
        reason.
    """
    out: list[Found] = []
    seen = _Seen({path.resolve() for path in leave}, unpacked)
    for path in paths:
        if not path.exists():
            raise LayerError(f"E-NEW-001 {path}: no such file or folder. Check the path.")
        seen.look(path, path.resolve().name, out)
    return out


class _Seen:
    """Goes through folders and zips; every file counts once, however often it is named."""

    def __init__(self, leave: set[Path], unpacked: Path) -> None:
        self.leave, self.unpacked, self.known = leave, unpacked, set[Path]()

    def look(self, path: Path, shown: str, out: list[Found], depth: int = 0) -> None:
        place = path.resolve()
        if place in self.known:
            return
        self.known.add(place)
        if len(self.known) > MOST_FILES:
            raise LayerError(f"E-NEW-002 {path}: more than {MOST_FILES:,} files are in the folders that were given. "
                             "Name the folder with the files of this area, or the files themselves.")
        if (written := _text(shown)) != shown:
            out.append(Found("left", path, written, "its name is not valid UTF-8: rename it"))
        elif place in self.leave:
            out.append(Found("left", path, shown, "riskmap writes here", facts={"ours": True}))
        elif path.is_dir():
            self._folder(path, shown, out)
        elif path.suffix != _PROVENANCE and (path.suffix.lower() not in _BESIDE or not _has_main_file(path)):
            self._file(path, shown, out, depth)

    def _folder(self, path: Path, shown: str, out: list[Found]) -> None:
        if path.suffix.lower() == ".gdb":
            out.append(Found("left", path, shown, "a file geodatabase is not read: export its layer of lots as a "
                             "GeoPackage"))
            return
        children = sorted(path.iterdir())
        if any(all((place / name).is_file() for name in _RUN) for place in (path, *children)):
            out.append(Found("left", path, shown, "finished runs of riskmap", facts={"ours": True}))
            return
        if _is_survey([child.name for child in children], children):
            out += _each(path, shown, lambda: _surveys(path, shown))
            return
        for child in children:
            if child.name.startswith((".", "~$", "__MACOSX")) or (child.is_symlink() and child.is_dir()):
                continue
            self.look(child, f"{shown}/{child.name}", out)

    def _file(self, path: Path, shown: str, out: list[Found], depth: int) -> None:
        suffix = path.suffix.lower()
        if suffix == ".zip":
            out += _each(path, shown, lambda: self._zip(path, shown, depth))
        elif suffix == ".toml":
            out.append(Found("left", path, shown, "a TOML file, such as an area file"))
        elif suffix in _NO_LAYER:
            out.append(Found("left", path, shown, _NO_LAYER[suffix]))
        elif path.stat().st_size == 0:
            out.append(Found("left", path, shown, "the file is empty"))
        elif suffix == ".json" and not _is_geojson(path):
            out.append(Found("left", path, shown, "JSON that is not GeoJSON"))
        elif suffix in _GRIDS:
            out += _each(path, shown, lambda: [_found(path, shown, one) for one in recognise_layers.grid(path, shown)])
        elif suffix == ".xlsx":
            out += _each(path, shown, lambda: [_found(path, shown, each) for each in
                                               recognise_tables.sheets(path, shown)])
        elif suffix in _SHAPES:
            out += _each(path, shown, lambda: _layers(path, shown))
        elif suffix in _TABLES or _is_record(suffix):
            out += _each(path, shown, lambda: [_found(path, shown, recognise_tables.table(path, shown))])
        else:
            kind = file_kinds.kind(path)
            out.append(Found("left", path, shown, f"{kind}: {file_kinds.remedy(kind)}".rstrip(".") if kind else
                             f"files ending in '{suffix}' are not read"))

    def _zip(self, path: Path, shown: str, depth: int) -> list[Found]:
        members = [entry for entry in archive.entries(path, shown, unreadable="E-NEW-003", unsafe="E-NEW-004")
                   if not entry.filename.startswith("__MACOSX")]
        names = [entry.filename for entry in members]
        folders: dict[str, list[str]] = {}
        for name in names:
            folders.setdefault(str(PurePosixPath(name).parent), []).append(PurePosixPath(name).name)
        if any(_is_survey(inside) for inside in folders.values()):
            return _surveys(path, shown)
        if any(name.lower().endswith((".shp", ".shx", ".dbf")) for name in names):
            return _layers(path, shown)
        if any(".gdb/" in name.lower() for name in names):
            return [Found("left", path, shown, "a file geodatabase is not read: export its layer of lots as a "
                          "GeoPackage")]
        inner = [entry for entry in members if PurePosixPath(entry.filename).suffix.lower() in
                 {*lots.FORMATS, *_GRIDS, ".gz", ".txt", ".sqlite"}]
        if not inner or depth >= DEEPEST_ZIP:
            what = "nothing in it is read" if depth < DEEPEST_ZIP else "zips in zips in zips are not opened"
            return [Found("left", path, shown, f"a zip: {what}; it contains {joined(names, 4) or 'nothing'}")]
        out: list[Found] = []
        for entry in inner:
            target = _unpack(path, entry, self.unpacked / path.stem, shown)
            self.look(target, f"{shown}/{PurePosixPath(entry.filename).name}", out, depth + 1)
        return out


def _text(name: str) -> str:
    """Return a file name in which bytes that are not UTF-8 are written out."""
    return name.encode("utf-8", "surrogateescape").decode("utf-8", "backslashreplace")


def _found(path: Path, shown: str, one: recognise_layers.Seen) -> Found:
    return Found(one.kind, path, shown, one.reason, one.layer, one.facts)


def _each(path: Path, shown: str, look: Callable[[], list[Found]]) -> list[Found]:
    """Return what a look gives; a file that cannot be read is left with the reason.

    What a damaged file makes the libraries raise is as in `lots`, collected by changing bytes at random.
    """
    import pyarrow as pa

    try:
        return look()
    except LayerError as error:
        said = str(error).splitlines()[0]
    except (ValueError, RuntimeError, OSError, UnboundLocalError, csv.Error, pa.ArrowException) as error:
        said = f"E-NEW-006 {shown}: cannot be read: {first_line(error, path, shown)}. Export it again."
    return [Found("left", path, shown, said.replace(f" {shown}: ", " ", 1))]  # the name stands before the reason


def _layers(path: Path, shown: str) -> list[Found]:
    return [_found(path, shown, one) for one in recognise_layers.layers(path, shown)]


def _is_geojson(path: Path) -> bool:
    with path.open("rb") as opened:
        return b'"Feature' in opened.read(100_000)


def _is_record(suffix: str) -> bool:
    """Return whether a suffix may be the end of a version or a date, as in climdiv-pcpndv-v1.0.0-20240101."""
    return suffix.strip(".-").replace("-", "").isdigit()


def _has_main_file(path: Path) -> bool:
    """Return whether a part of a shapefile or grid has the file that it belongs to beside it."""
    stem = path.stem.lower()
    return any(other != path and (other.stem.lower() == stem or path.name.lower().startswith(other.name.lower() + "."))
               and other.suffix.lower() in (".shp", *_GRIDS, ".gpkg") for other in path.parent.iterdir())


def _unpack(path: Path, entry: zipfile.ZipInfo, folder: Path, shown: str) -> Path:
    """Write a member of a zip into a folder, under its own name; LayerError when another file has that name."""
    target = folder.joinpath(*PurePosixPath(entry.filename.replace("\\", "/")).parts)
    try:
        with zipfile.ZipFile(path) as opened:
            content = archive.content(opened, entry)
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError) as error:
        raise LayerError(f"E-NEW-003 {shown} {entry.filename}: cannot be unpacked ({error}). Get the zip again.") \
            from None
    if target.is_file() and target.read_bytes() == content:
        return target
    if target.exists():
        raise LayerError(f"E-NEW-005 {shown} {entry.filename}: it has to be unpacked, and another file is already at "
                         f"{target.as_posix()}. Move that file away, or write into another folder with --into.")
    target.parent.mkdir(parents=True, exist_ok=True)
    target.write_bytes(content)
    return target


# ---------------------------------------------------------------- soil
def _is_survey(names: Iterable[str], children: Iterable[Path] = ()) -> bool:
    """Return whether a folder is one survey area: its tables or its map-unit polygons are in it, or one folder down."""
    here = {name.lower() for name in names}
    for child in children:
        if child.is_dir() and child.name.lower() in ("tabular", "spatial"):
            here |= {inside.name.lower() for inside in child.iterdir()}
    tables = [f"{ssurgo_tables.LAYOUT[table][0]}.txt" for table in ssurgo_tables.REQUIRED[:3]]
    return sum(name in here for name in tables) >= 2 or \
        any(name.startswith(("soilmu_a_", "gsmsoilmu_a_")) and name.endswith(".shp") for name in here)


def _surveys(path: Path, shown: str) -> list[Found]:
    """Return one entry for a download; `areas` are its outlines, `bounds` the box of its polygons, `missing` pieces."""
    outlines = [ssurgo_tables.outline(area) for area in ssurgo_tables.surveys(path, shown)]
    boxes = [recognise_layers.box_of(one.polygons) for one in outlines if one.polygons]
    symbols = joined(one.symbol or "without a name" for one in outlines)
    return [Found("soil", path, shown, f"soil survey with its tables: {counted(len(outlines), 'survey area')} "
                  f"({symbols})", facts={"areas": outlines, "bounds": [box for box in boxes if box],
                                         "missing": [piece for one in outlines for piece in one.missing]})]
