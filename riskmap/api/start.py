"""The way in for somebody who has files and no area file: `new`."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from riskmap.api.shared import FileName
from riskmap.common.errors import SettingsError

if TYPE_CHECKING:
    from riskmap.run.new_area.fetching import FetchMore
    from riskmap.run.new_area.flow import NewArea

Say = Callable[[str, float], None]

Files = FileName | Sequence[FileName]
# Endings of files that are not TOML, whatever is in them; a file with another ending is read as an area file.
_DATA = {".zip", ".gpkg", ".geojson", ".json", ".shp", ".parquet", ".geoparquet", ".csv", ".kml", ".kmz", ".xlsx",
         ".xls", ".tif", ".tiff", ".gz", ".gdb", ".sqlite", ".tsv", ".nc"}


def new(files: Files, into: FileName = ".", *, replace: bool = False, fetch: bool = False, daily: bool = False,
        offline: bool = False, cache: FileName | None = None, columns: Mapping[str, str] | None = None,
        lots: str = "", crs: str = "", cells: Sequence[str] = (), progress: Say | None = None,
        warn: Callable[[str], None] | None = None) -> NewArea:
    """Write an area file from the files that you have; each is recognised by its content, each guess has its reason.

    Parameters
    ----------
    files : str, Path, or a sequence of them
        Files and folders: lots, soil survey, rain and temperature, weekly drought maps, index grids. Folders and zips
        are opened. What is not needed is listed and left.
    into : str or Path
        Folder that receives `area.toml`, and `unpacked` with what had to be taken out of a zip.
    replace : bool
        Overwrite an area file that is there.
    fetch : bool
        Fetch the layers that the files lack (soil survey, weather, weekly drought maps) into the folder `fetched`
        beside the area file, as `riskmap.fetch("area", ...)` does. Nothing about the lots leaves this computer but a
        box around all of them, at least 500 m wider on each side and at least 4 km wide, which the soil service gets.
    daily : bool
        With `fetch`, when the weather is missing: fetch the nearest long daily records too, and use the nearest one.
        The names of the stations near the box are asked for.
    offline : bool
        With `fetch`: use stored answers only and contact no service.
    cache : str or Path, optional
        With `fetch`: folder of stored answers. Default: the user's cache.
    columns : mapping, optional
        Our name (lot_id, pour_date, foundation_type, ...) -> column of the lot file, in place of what is guessed; empty
        text: no column is used for it.
    lots : str
        The file or layer that is the lots, by its name as the answer lists it, where it is not recognised or where
        several could be it. `lots_files` of the answer has those to choose from.
    crs : str
        The coordinate system of the lots, such as EPSG:26914, where their file names none. `systems` of the answer has
        those that fit the coordinates and, where a soil survey is given, lie on it.
    cells : sequence of str
        The cell of the weather in which the lots lie, where the record has several and there are no outlines of them;
        for days with months beside them, the cell of each. `cells` of the answer has those to choose from.
    progress : callable, optional
        With `fetch`: called with the stage in words and its finished share, 0 to 1.
    warn : callable, optional
        With `fetch`: called, before anything is asked, with a sentence for each part: what is fetched, from which host,
        and about how much that is.

    Returns
    -------
    NewArea
        `path` of the area file; `guesses` with `section`, `key`, `value`, `reason`, and whether each is `sure`;
        `missing` with the way to get it; `left`; `findings`, which is what `check` says; `complete`, `open_points`,
        `text()`. `columns` are those of the lot file, each with up to five values; `cells` are those
        of the weather, where somebody has to choose. `fetched` has what was fetched; a
        layer that did not come is an open point with the reason.

    Raises
    ------
    ValueError
        `daily`, `offline` or `cache` are given without `fetch`.
    LayerError
        A path does not exist, a folder has too many files, or none of the files is a layer that a map needs.
    RunFolderError
        Another `area.toml` is there already, or the folder cannot be written.

    Examples
    --------
    >>> import pathlib, riskmap
    >>> mine = pathlib.Path(outputs).parent / "mine"
    >>> made = riskmap.new(["layers/example/lots.gpkg", "layers/example/soil_ZZ901.zip"], mine)
    >>> [(guess.key, guess.value, guess.reason) for guess in made.guesses if guess.key == "lot_id"]
    [('lot_id', '"lot_id"', 'guessed: unique in 1,529 of 1,531 rows')]
    >>> made.complete, made.open_points[0][:49]
    (False, 'No record of rain and temperature was recognised.')
    """
    from riskmap.run.new_area import flow

    if not fetch and (daily or offline or cache is not None):
        raise ValueError("daily, offline and cache belong to fetch=True")
    more = _fetcher(Path(into), daily, offline, cache, progress, warn) if fetch else None
    return flow.run(_listed(files), Path(into), replace, more, columns, lots, crs, cells)


def _fetcher(into: Path, daily: bool, offline: bool, cache: FileName | None, progress: Say | None,
             warn: Callable[[str], None] | None) -> FetchMore:
    """Return the function that fetches what is missing; only the box around all lots reaches it."""
    from riskmap.download import area
    from riskmap.download.cache import Desk, default_folder
    from riskmap.run.new_area.fetching import FOLDER

    notes: list[str] = []
    desk = Desk(folder=Path(cache) if cache is not None else default_folder(), offline=offline, warn=notes.append)

    def fetch_more(box: area.Box, layers: frozenset[str]) -> area.Fetched:
        around = area.box_around(box)
        for part in area.plan(around, desk.now().date(), daily=daily, layers=layers):
            if warn is not None:
                warn(str(part))
        came = area.attempt(around, into / FOLDER, daily=daily, desk=desk, progress=progress, layers=layers)
        came.findings += notes
        return came

    return fetch_more


def are_files(given: Files) -> bool:
    """Return whether these are files to begin with, for `new`, and not an area file.

    A folder with a TOML file is not: the user has to say which of its area files is meant.

    Raises
    ------
    SettingsError
        When an area file is given together with other files.
    """
    paths = _listed(given)
    if len(paths) != 1:
        if areas := [path for path in paths if path.suffix.lower() == ".toml"]:
            raise SettingsError(f"E-NEW-011 {areas[0].as_posix()}: an area file is given together with other files. "
                                "Give it alone, or only the files from which an area file is to be written.")
        return True
    if paths[0].is_dir():
        return paths[0].suffix.lower() == ".gdb" or not any(paths[0].glob("*.toml"))
    return paths[0].exists() and paths[0].suffix.lower() in _DATA


def area_of(given: Files, into: FileName, fetch: bool = False, daily: bool = False, offline: bool = False) -> Path:
    """Return an area file: the one given, or the one that `new` writes when a run can start from it.

    Raises
    ------
    SettingsError
        When the area file that was written has open points. It also raises what `new` raises.
    """
    if not are_files(given):
        refuse_fetch(given, fetch or daily or offline)
        return _listed(given)[0]
    made = new(given, into, fetch=fetch, daily=daily, offline=offline)
    refuse_open(made)
    return made.path


def refuse_fetch(given: Files, fetch: bool) -> None:
    """Raise SettingsError when layers are to be fetched for an area file, which names its layers itself."""
    if fetch:
        name = _listed(given)[0].as_posix()
        raise SettingsError(f"E-NEW-012 {name}: --fetch completes files, and this is an area file, which names its "
                            f"layers. Run `riskmap fetch area {name} --into around` and name what comes in it.")


def refuse_open(made: NewArea) -> None:
    """Raise SettingsError when somebody has to look at an area file before a run."""
    if not made.complete:
        name = made.path.as_posix()
        points = "\n".join(f"  - {point}" for point in made.open_points)
        raise SettingsError(f"E-NEW-010 {name}: the area file was written, and a run cannot start before somebody "
                            f"looks at it. Edit it, then: riskmap estimate {name}. Open points:\n{points}")


def _listed(files: Files) -> list[Path]:
    return [Path(files)] if isinstance(files, str) or not isinstance(files, Sequence) else [Path(one) for one in files]
