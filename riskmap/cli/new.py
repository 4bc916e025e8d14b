"""`riskmap new`: an area file from the files that somebody has."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from riskmap.cli.exit_codes import Exit

FILES = click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path))
INTO = click.option("--into", type=click.Path(path_type=Path, file_okay=False), default=Path("."), show_default=True,
                    help="Folder that receives area.toml when files are given.")


@click.command()
@FILES
@INTO
@click.option("--replace", is_flag=True, help="Overwrite an area.toml that is there already.")
def new(files: tuple[Path, ...], into: Path, replace: bool) -> None:
    """Write an area file (area.toml) from the FILES or folders that you have.

    Each file is recognised by its content: lots, soil survey, rain and temperature, weekly drought maps, index grids.
    Zips and folders are opened. Each line that is guessed has its reason behind it, and what is missing is listed with
    the way to get it. The end is what `riskmap check` says, and the next command.

    Exit 1 when the file was written and has open points, 2 when nothing was recognised.
    """
    from riskmap import api

    made = api.new(files, into, replace=replace)
    click.echo(made.text())
    sys.exit(Exit.ALL_ANSWERED if made.complete else Exit.SOME_STATES)
