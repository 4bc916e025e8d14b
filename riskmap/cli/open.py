"""`riskmap open`: everything in the browser of this computer, without a terminal."""

from __future__ import annotations

from pathlib import Path

import click

from riskmap.cli.map import MAX_PORT
from riskmap.cli.terminal import say, show_files


@click.command("open", short_help="Open riskmap as a page in the browser of this computer.")
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False), default=Path("riskmap-areas"))
@click.option("--no-browser", is_flag=True, help="Print the address only.")
@click.option("--port", type=click.IntRange(1, MAX_PORT), default=None, help="Port. Default: any free one.")
@click.option("--units", type=click.Choice(["us", "si"]), default="us", show_default=True)
@click.option("--shortcut", is_flag=True, help="Write a file into the current folder that does this by a double click.")
def open_command(folder: Path, no_browser: bool, port: int | None, units: str, shortcut: bool) -> None:
    """Open riskmap as a page in the browser of this computer; nobody else can reach it.

    FOLDER receives the areas (default: riskmap-areas), each as a folder with your files, area.toml and outputs, so that
    every step can also be done with the commands. Ctrl-C or "Close" ends it.
    """
    if shortcut:
        from riskmap.window import shortcut as start_file

        show_files([start_file.write(Path.cwd(), folder)])
        return
    from riskmap.window.server import Server

    server = Server(folder, port or 0, units)

    def ready() -> None:
        click.echo(server.address)
        say("Open this address in a browser of this computer. Ctrl-C ends it.")
        if not no_browser:
            click.launch(server.address)

    try:
        server.serve(ready)
    except KeyboardInterrupt:
        say("Closed.")
