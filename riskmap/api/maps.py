"""Functions around `map`: pictures beneath the lots, and serving a map to the browser of this computer."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from riskmap.api.shared import FileName

if TYPE_CHECKING:
    from riskmap.outputs.map.serve import MapServer
    from riskmap.outputs.map.web_map import Basemap


def basemap(url: str, attribution: str, max_zoom: int | None = None) -> Basemap:
    """Return a base map for `map`.

    Parameters
    ----------
    url : str
        https address with {z}, {x} and {y}.
    attribution : str
        Credit line.
    max_zoom : int, optional
        Deepest zoom that the host serves.

    Returns
    -------
    Basemap

    Raises
    ------
    ValueError
        The address is not https, has no plain host, or lacks one of the three places; or there is no credit line.

    Examples
    --------
    >>> from riskmap import api
    >>> api.basemap("https://tiles.example.org/{z}/{x}/{y}.png", "Example makers").host
    'tiles.example.org'
    """
    from riskmap.outputs.map.web_map import Basemap

    return Basemap(url, attribution, max_zoom)


def map_files(folder: FileName) -> list[str]:
    """Return the files of a folder that `map` wrote, the page first; none for a run, because its map is written again.

    Parameters
    ----------
    folder : str or Path

    Returns
    -------
    list of str
        `county.html` and `county.pmtiles`, or `map.html`, or nothing.

    Raises
    ------
    Nothing
        A folder that is not there has no map.

    Examples
    --------
    >>> import riskmap
    >>> riskmap.api.map_files(riskmap.map("latest", outputs=outputs).folder)
    ['map.html']
    """
    from riskmap.outputs.map import tile_page, tiles, web_map
    from riskmap.run import record

    if (Path(folder) / record.FOLDER).exists():
        return []
    for names in ([tile_page.NAME, tiles.NAME], [web_map.NAME]):
        if all((Path(folder) / name).is_file() for name in names):
            return names
    return []


def map_server(folder: FileName, port: int = 0) -> MapServer:
    """Return a server of the map in a folder that `map` wrote, for the browser of this computer only.

    Parameters
    ----------
    folder : str or Path
    port : int
        0 takes any free port.

    Returns
    -------
    MapServer
        `address` is what a browser opens; `until_stopped()` serves until Ctrl-C; `close()` ends it.

    Raises
    ------
    ServeError
        There is no map in the folder, or the port is not available.

    Examples
    --------
    >>> import riskmap
    >>> server = riskmap.api.map_server(riskmap.map("latest", outputs=outputs).folder)
    >>> server.address
    'http://127.0.0.1:.../'
    >>> server.close()
    """
    from riskmap.outputs.map import serve, web_map

    return serve.MapServer(serve.server(serve.served(Path(folder), map_files(folder) or [web_map.NAME]), port))
