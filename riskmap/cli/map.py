"""`riskmap map`: write the map of a finished run again, as one file or as page and tile file, and show it."""

from __future__ import annotations

from pathlib import Path

import click

from riskmap.cli.runs import CALIBRATION, OUTPUTS, UNITS, UNVERIFIED, say_note
from riskmap.cli.terminal import say, show_files

MAX_PORT = 65535


@click.command("map", short_help="Write the map of a run again, or show it.")
@click.argument("run")
@click.option("--tiles", is_flag=True, help="Write county.html and county.pmtiles, for any number of lots, instead of "
                                            "the one-file map.")
@click.option("--serve", "serving", is_flag=True, help="Show the map to the browser of this computer until Ctrl-C.")
@click.option("--port", type=click.IntRange(1, MAX_PORT), default=None, help="Port of --serve. Default: any free one.")
@click.option("--against", default=None, metavar="OTHER_RUN", help="Add the change since another run as a layer.")
@click.option("--basemap", "url", default=None, metavar="URL",
              help="Offer pictures of this https address with {z}, {x}, {y} under the lots. Off until ticked.")
@click.option("--attribution", default=None, metavar="TEXT", help="Credit line of the base map.")
@click.option("--labels", is_flag=True, help="Show the label of each lot, such as its address, where the area file "
              "names a column of them ([lots] label). Such a map is not for publication.")
@CALIBRATION
@click.option("--into", type=click.Path(path_type=Path, file_okay=False), default=None,
              help="Folder that receives the map. Default: a new one in the folder of runs.")
@UNITS
@UNVERIFIED
@OUTPUTS
def map_command(run: str, tiles: bool, serving: bool, port: int | None, against: str | None, url: str | None,
                attribution: str | None, labels: bool, calibration: Path | None, into: Path | None, units: str,
                unverified: bool, outputs: Path) -> None:
    """Write the map of RUN (a run folder or `latest`) again.

    With --serve RUN may also be a folder that this command wrote; its map is then shown as it is.
    """
    from riskmap import api
    from riskmap.api.shared import folder_of

    if (url is None) != (attribution is None):
        raise click.UsageError("--basemap and --attribution go together: pictures need their credit line")
    if port is not None and not serving:
        raise click.UsageError("--port belongs to --serve")
    folder = folder_of(run, outputs)
    if serving and not labels and api.map_files(folder):
        _serve(folder, port)
        return
    try:
        below = api.basemap(url, attribution) if url is not None and attribution is not None else None
    except ValueError as error:
        raise click.UsageError(str(error)) from None
    outcome = api.map(folder, tiles=tiles, against=against, basemap=below, labels=labels, calibration=calibration,
                      into=into, units=units, outputs=outputs, verified=not unverified)
    say_note(outcome.note)
    show_files(outcome.folder / name for name in outcome.answer)
    if serving:
        _serve(outcome.folder, port)


def _serve(folder: Path, port: int | None) -> None:
    from riskmap import api

    server = api.map_server(folder, port or 0)
    try:
        click.echo(server.address)
        say("Open this address in a browser of this computer. Ctrl-C ends it.")
        server.until_stopped()
    except KeyboardInterrupt:  # it came before the wait began, and is the usual end as well
        server.close()
