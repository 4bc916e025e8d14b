"""`riskmap map`: write the map of a finished run again, as one file or as page and tile file, and show it."""

from __future__ import annotations

import threading
from pathlib import Path
from typing import TYPE_CHECKING

import click

from riskmap.cli.runs import OUTPUTS, UNITS, UNVERIFIED, say_note

if TYPE_CHECKING:
    from riskmap.outputs.map.web_map import Basemap

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
@UNVERIFIED
@OUTPUTS
def map_command(run: str, tiles: bool, serving: bool, port: int | None, against: str | None, url: str | None,
                attribution: str | None, into: Path | None, units: str, unverified: bool, outputs: Path) -> None:
    """Write the map of RUN (a run folder or `latest`) again.

    With --serve RUN may also be a folder that this command wrote; its map is then shown as it is.
    """
    from riskmap import api
    from riskmap.run import folder as run_folder

    if (url is None) != (attribution is None):
        raise click.UsageError("--basemap and --attribution go together: pictures must carry their credit line")
    if port is not None and not serving:
        raise click.UsageError("--port belongs to --serve")
    folder = run_folder.find(run, outputs)
    if serving and (shown := _made_before(folder)):
        _serve(folder, shown, port)
        return
    below = _basemap(url, attribution)
    made = api.map(folder, tiles=tiles, against=against, basemap=below, into=into, units=units, outputs=outputs,
                   verified=not unverified)
    say_note(made.note)
    for name in made.answer:
        click.echo((made.folder / name).as_posix())
    if serving:
        _serve(made.folder, made.answer, port)


def _basemap(url: str | None, attribution: str | None) -> Basemap | None:
    if url is None or attribution is None:
        return None
    from riskmap.outputs.map.web_map import Basemap

    try:
        return Basemap(url, attribution)
    except ValueError as error:
        raise click.UsageError(str(error)) from None


def _made_before(folder: Path) -> list[str]:
    """Return the map files of a folder that this command wrote; none of a run, whose map is written anew."""
    from riskmap.outputs.map import tile_page, tiles, web_map
    from riskmap.run import record

    if (folder / record.FOLDER).exists():
        return []
    for names in ([tile_page.NAME, tiles.NAME], [web_map.NAME]):
        if all((folder / name).is_file() for name in names):
            return names
    return []


def _serve(folder: Path, names: list[str], port: int | None) -> None:
    from riskmap.cli import serve

    running = serve.server(serve.served(folder, names), port or 0)
    try:
        click.echo(f"http://{serve.HOST}:{running.server_address[1]}/")
        click.echo("Open this address in a browser of this computer. Ctrl-C ends it.", err=True)
        serve.until_stopped(running, threading.Event())
    except KeyboardInterrupt:  # it came before the wait began, and is the usual end all the same
        running.server_close()
