"""`riskmap map`: write the map of a finished run again, as one file or as page and tile file, and show it."""

from __future__ import annotations

import threading
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from riskmap.cli_runs import OUTPUTS, UNITS

if TYPE_CHECKING:
    import pandas as pd

    from riskmap.outputs.web_map import Basemap
    from riskmap.results import Results

MAX_PORT = 65535


@click.command("map")
@click.argument("run")
@click.option("--tiles", is_flag=True, help="Write county.html and county.pmtiles, for any number of lots, instead of "
                                            "the one-file map.")
@click.option("--serve", "serving", is_flag=True, help="Show the map to the browser of this computer until Ctrl-C.")
@click.option("--port", type=click.IntRange(1, MAX_PORT), default=None, help="Port of --serve. Default: any free one.")
@click.option("--against", default=None, metavar="OTHER_RUN", help="Add the change since another run as a layer.")
@click.option("--basemap", "url", default=None, metavar="URL",
              help="Offer pictures of this https address with {z}, {x}, {y} under the lots. Off until ticked.")
@click.option("--attribution", default=None, metavar="TEXT", help="Credit line of the base map.")
@click.option("--into", type=click.Path(path_type=Path, file_okay=False), default=None,
              help="Folder that receives the map. Default: a new one beside the run, which itself stays as it is.")
@UNITS
@OUTPUTS
def map_command(run: str, tiles: bool, serving: bool, port: int | None, against: str | None, url: str | None,
                attribution: str | None, into: Path | None, units: str, outputs: Path) -> None:
    """Write the map of RUN (a run folder or `latest`) again.

    With --serve RUN may also be a folder that this command wrote; its map is then shown as it is.
    """
    from riskmap.outputs import record, run_folder

    if (url is None) != (attribution is None):
        raise click.UsageError("--basemap and --attribution go together: pictures must carry their credit line")
    if port is not None and not serving:
        raise click.UsageError("--port belongs to --serve")
    folder = run_folder.find(run, outputs)
    if serving and (shown := _made_before(folder)):
        _serve(folder, shown, port)
        return
    below = _basemap(url, attribution)
    found = record.read(folder)
    change = _change(found, run_folder.find(against, outputs)) if against is not None else None
    with run_folder.made_from(folder, f"map {found.area_name}", into) as made:
        names = _write(found, made.path, tiles, units, below, change)
    for name in names:
        click.echo((made.final / name).as_posix())
    if serving:
        _serve(made.final, names, port)


def _write(found: Results, folder: Path, as_tiles: bool, units: str, basemap: Basemap | None,
           change: pd.Series | None) -> list[str]:
    if as_tiles:
        from riskmap.outputs import tile_page

        if change is not None:
            found = replace(found, lots=found.lots.assign(change_mm=change))
        return [path.name for path in tile_page.write(found, folder, units, basemap=basemap)]
    from riskmap.outputs import web_map

    page = web_map.page(found, units, basemap=basemap, change=change)
    (folder / web_map.NAME).write_text(page, encoding="utf-8", newline="\n")
    return [web_map.NAME]


def _basemap(url: str | None, attribution: str | None) -> Basemap | None:
    if url is None or attribution is None:
        return None
    from riskmap.outputs.web_map import Basemap

    try:
        return Basemap(url, attribution)
    except ValueError as error:
        raise click.UsageError(str(error)) from None


def _change(now: Results, other: Path) -> pd.Series:
    """Return the change of the expected movement since another run, in row order; missing where one has no number."""
    import pandas as pd

    from riskmap.outputs import record

    before = record.read(other).lots
    keys = [pd.MultiIndex.from_arrays([ids, ids.groupby(ids).cumcount()])  # the n-th of a repeated id meets the n-th
            for ids in (now.lots["lot_id"].astype("str"), before["lot_id"].astype("str"))]
    known = pd.Series(before["expected_movement_mm"].to_numpy(float), index=keys[1]).reindex(keys[0])
    return pd.Series(now.lots["expected_movement_mm"].to_numpy(float) - known.to_numpy(), index=now.lots.index,
                     name="change_mm")


def _made_before(folder: Path) -> list[str]:
    """Return the map files of a folder that this command wrote; none of a run, whose map is written anew."""
    from riskmap.outputs import record, tile_page, tiles, web_map

    if (folder / record.FOLDER).exists():
        return []
    for names in ([tile_page.NAME, tiles.NAME], [web_map.NAME]):
        if all((folder / name).is_file() for name in names):
            return names
    return []


def _serve(folder: Path, names: list[str], port: int | None) -> None:
    from riskmap import serve

    running = serve.server(serve.served(folder, names), port or 0)
    click.echo(f"http://{serve.HOST}:{running.server_address[1]}/")
    click.echo("Open this address in a browser of this computer. Ctrl-C ends it.", err=True)
    serve.until_stopped(running, threading.Event())
